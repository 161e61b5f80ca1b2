/* Peaks between samples, computed only in blocks whose upper bounds let them pass a floor. */
#ifndef CHAINWEIGH_METER_H
#define CHAINWEIGH_METER_H

#include "common.h"
#include "_halfband.h"

#define LEAD 2                /* blocks all stages reach on each side, and more */
#define REACH 8               /* frames the stages after the first reach on each side, and more */
#define RUN (CHUNK / BLOCK)   /* blocks interpolated together */
#define PIECE_BLOCKS 64       /* blocks bounded together */
#define ROUNDING 3e-5f        /* of float sums */
#define LEAST 1.2e-38f        /* room for what underflows, */
#define LEAST_ENERGY 1e-30f   /* and for the squares that do */

/* The interpolation and bounds on it. Of a block: by its largest magnitude and the largest second
   differences around it. Then by the parabolas through its samples and the root of the second
   differences' energy; and at twice the rate by parabolas and the largest third difference. */
typedef struct {
    Halfbands bands;
    float peak, bends[2 * LEAD + 1];
    float level, energy;
    float level_twice, largest_twice;
} Meter;

/* weights: those of the bounds, in their order above. */
INLINE Meter meter_of(const float *taps, const int32_t *pairs, const float *weights)
{
    Meter meter = {halfbands_of(taps, pairs), weights[0], {0.0f}, weights[6], weights[7],
                   weights[8], weights[9]};
    memcpy(meter.bends, weights + 1, sizeof meter.bends);
    return meter;
}

/* Largest magnitude of 32-bit floats: their bits, sign off, order as integers do. */
INLINE int32_t magnitude_bits(float value)
{
    int32_t bits;
    memcpy(&bits, &value, sizeof bits);
    return bits & 0x7fffffff;
}

INLINE float from_bits(int32_t bits)
{
    float value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

/* One block: largest |x| over its frames and the next, largest |second difference| over its
   frames; x may be read one frame before and after. */
INLINE void block_peak(const float *x, float *peak, float *bend)
{
    int32_t level = magnitude_bits(x[BLOCK]), curve = 0;
    for (int i = 0; i < BLOCK; i++) {
        int32_t a = magnitude_bits(x[i]);
        int32_t b = magnitude_bits((x[i - 1] + x[i + 1]) - 2.0f * x[i]);
        level = a > level ? a : level;
        curve = b > curve ? b : curve;
    }
    *peak = from_bits(level);
    *bend = from_bits(curve);
}

/* Block i covers frames first + 32 i and on; zeros outside the signal. */
INLINE void block_peaks(const float *x, int64_t n_frames, int64_t first, int64_t n_blocks,
                        float *peaks, float *bends)
{
    float edge[BLOCK + 2];
    for (int64_t i = 0; i < n_blocks; i++) {
        int64_t start = first + i * BLOCK;
        if (start >= 1 && start + BLOCK < n_frames) {
            block_peak(x + start, peaks + i, bends + i);
        } else {
            load_frames(x, n_frames, start - 1, BLOCK + 2, edge);
            block_peak(edge + 1, peaks + i, bends + i);
        }
    }
}

/* Asks the memory for frames from..from + n of x, which are read next. */
INLINE void fetch(const float *x, int64_t n_frames, int64_t from, int64_t n)
{
#if defined(__GNUC__)
    int64_t end = from + n < n_frames ? from + n : n_frames;
    for (int64_t i = from < 0 ? 0 : from; i < end; i += 16) __builtin_prefetch(x + i);
#else
    (void)x, (void)n_frames, (void)from, (void)n;
#endif
}

/* Upper bounds of n blocks from the peaks and bends of those, LEAD before and LEAD after. */
INLINE void block_bounds(const Meter *meter, const float *peaks, const float *bends, int n,
                         float *bounds)
{
    for (int i = 0; i < n; i++) bounds[i] = meter->peak * peaks[LEAD + i] + LEAST;
    for (int q = 0; q <= 2 * LEAD; q++)
        for (int i = 0; i < n; i++)
            bounds[i] += meter->bends[q] * bends[i + q] + ROUNDING * peaks[i + q];
}

/* Per frame the largest magnitude over its phases, for the rows' n frames from `from` on. */
INLINE void frame_peaks(float rows[PHASES][WIDTH], int n_phases, int from, int n, float *out)
{
    for (int m = 0; m < n; m += LANES) {
        float top[LANES] = {0.0f};
        for (int p = 0; p < n_phases; p++)
            for (int i = 0; i < LANES; i++) {
                float a = fabsf(rows[p][from + m + i]);
                top[i] = a > top[i] ? a : top[i];
            }
        memcpy(out + m, top, sizeof top);
    }
}

/* Largest magnitude of the parabola between b and c; a and d stand before and after. It lies within
   the hull of its ends and of two points between. */
INLINE int32_t parabola_bits(float a, float b, float c, float d)
{
    float middle = 5.0f * (b + c) - (a + d);
    int32_t end = magnitude_bits(b), first = magnitude_bits(0.0625f * (middle + 8.0f * b));
    int32_t second = magnitude_bits(0.0625f * (middle + 8.0f * c));
    first = second > first ? second : first;
    return first > end ? first : end;
}

/* Whether a block's samples exceed floor. */
INLINE int samples_exceed(const float *x, float floor)
{
    int32_t top = 0;
    for (int i = 0; i < BLOCK; i++) {
        int32_t a = magnitude_bits(x[i]);
        top = a > top ? a : top;
    }
    return from_bits(top) > floor;
}

/* Energies of the second differences of n blocks, each a frame late. */
INLINE void bend_energies(const float *x, int n, float *energies)
{
    for (int b = 0; b < n; b++) {
        float sums[LANES / 2] = {0.0f}, energy = 0.0f;
        for (int i = b * BLOCK; i < (b + 1) * BLOCK; i += LANES / 2)
            for (int k = 0; k < LANES / 2; k++) {
                float bend = (x[i + k] + x[i + k + 2]) - 2.0f * x[i + k + 1];
                sums[k] += bend * bend;
            }
        for (int k = 0; k < LANES / 2; k++) energy += sums[k];
        energies[b] = energy;
    }
}

/* Whether a block may exceed floor by its parabolas and the energies of it and its neighbours. */
INLINE int may_exceed(const float *x, const float *energies, const Meter *meter, float floor)
{
    float energy = LEAST_ENERGY;
    int32_t top = 0;
    for (int b = -LEAD; b <= LEAD; b++) energy += energies[b];
    for (int i = 0; i < BLOCK; i++) {
        int32_t a = parabola_bits(x[i - 1], x[i], x[i + 1], x[i + 2]);
        top = a > top ? a : top;
    }
    return !(meter->level * from_bits(top) + meter->energy * sqrtf(energy) <= floor);
}

/* The same by the signal at twice the rate and its largest third difference, as far around as the
   later stages reach. */
INLINE int may_exceed_twice(const float *even, const float *odd, const Meter *meter, float floor)
{
    int32_t top = 0, most = 0;
    for (int i = 0; i < BLOCK; i++) {
        int32_t a = parabola_bits(odd[i - 1], even[i], odd[i], even[i + 1]);
        int32_t b = parabola_bits(even[i], odd[i], even[i + 1], odd[i + 1]);
        a = a > b ? a : b;
        top = a > top ? a : top;
    }
    for (int i = -REACH; i < BLOCK + REACH; i++) {
        float first = odd[i] - even[i], next = even[i + 1] - odd[i];
        int32_t a = magnitude_bits(even[i + 1] - odd[i - 1] - 3.0f * first);
        int32_t b = magnitude_bits(odd[i + 1] - even[i] - 3.0f * next);
        a = a > b ? a : b;
        most = a > most ? a : most;
    }
    return !(meter->level_twice * from_bits(top) + meter->largest_twice * from_bits(most) <= floor);
}

/* Interpolates those of a run of blocks that are sure to exceed their floors or may do so by the
   signal at twice the rate; their largest magnitudes per frame. Returns 0 if there are none. */
INLINE int run_tops(float rows[PHASES][WIDTH], int first, int last, const Meter *meter,
                    const int *sure, const float *floors, float *tops)
{
    const float *even = rows[0] + MARGIN, *odd = rows[PHASES / 2] + MARGIN;
    int found = 0;
    interpolate(rows, &meter->bands, STAGES, 0, MARGIN + first * BLOCK - REACH - 1,
                MARGIN + last * BLOCK + REACH + 1);
    for (int b = first, from = first; b <= last; b++) {
        int at = b * BLOCK;
        if (b < last && (sure[b] || may_exceed_twice(even + at, odd + at, meter, floors[b])))
            continue;
        if (b > from) {
            interpolate_from(rows, &meter->bands, STAGES, 1, MARGIN + from * BLOCK, MARGIN + at);
            frame_peaks(rows, PHASES, MARGIN + from * BLOCK, at - from * BLOCK, tops + from * BLOCK);
            found = 1;
        }
        from = b + 1;
    }
    return found;
}

/* Loads n blocks; the largest magnitudes per frame of those that may exceed their floors, 0 in
   others. Returns 0 if there are none. */
INLINE int load_tops(const float *x, int64_t n_frames, int64_t start, int n, const Meter *meter,
                     const float *floors, float rows[PHASES][WIDTH], float *tops)
{
    float energies[RUN + 2 * LEAD];
    const float *at = rows[0] + MARGIN;
    int sure[RUN], n_sure = 0, found = 0;
    load_frames(x, n_frames, start - MARGIN, n * BLOCK + WIDTH - CHUNK, rows[0]);
    for (int b = 0; b < n; b++) n_sure += sure[b] = samples_exceed(at + b * BLOCK, floors[b]);
    if (n_sure < n) bend_energies(rows[0], n + 2 * LEAD, energies);
    for (int b = 0, from = 0; b <= n; b++) {
        if (b < n && (sure[b] || may_exceed(at + b * BLOCK, energies + LEAD + b, meter, floors[b])))
            continue;
        if (b > from) {
            if (!found) memset(tops, 0, (size_t)(n * BLOCK) * sizeof(float));
            found |= run_tops(rows, from, b, meter, sure, floors, tops);
        }
        from = b + 1;
    }
    return found;
}

/* Raises the frames on both sides of each interval to its peak, where that exceeds its block's
   floor; what rings outside the signal counts for the frame at its end. out: from frame base on. */
INLINE void raise_frames(const float *tops, int n, int64_t start, int64_t n_frames,
                         const float *floors, int64_t base, float *out)
{
    float peaks[CHUNK];
    for (int from = 0; from < n; from += BLOCK) {
        float floor = floors[from / BLOCK];
        for (int m = from; m < from + BLOCK; m++) peaks[m] = tops[m] > floor ? tops[m] : 0.0f;
    }
    for (int side = 0; side < 2; side++) {
        if (start + side >= 0 && start + side + n <= n_frames) {
            float *at = out + (start + side - base);
            for (int m = 0; m < n; m++) at[m] = peaks[m] > at[m] ? peaks[m] : at[m];
            continue;
        }
        for (int m = 0; m < n; m++) {
            int64_t frame = start + side + m;
            frame = frame < 0 ? 0 : frame < n_frames ? frame : n_frames - 1;
            if (peaks[m] > out[frame - base]) out[frame - base] = peaks[m];
        }
    }
}

#endif
