/* Peaks between samples, computed only in blocks whose upper bound allows a new one. */
#include "common.h"
#include "_halfband.h"
#include "true_peak.h"

#define TABLE_PHASES 4
#define TABLE_TAPS 12
#define TABLE_AHEAD 6 /* frames its first tap looks ahead */
#define LEAD 2  /* blocks all stages reach on each side, and more */
#define REACH 8 /* frames the stages after the first reach on each side, and more */
#define LEAST_ENERGY 1e-30f /* less may have lost what underflows */
#define RUN (CHUNK / BLOCK)

/* The interpolation, and how far it may exceed parabolas through the samples: by the root of the
   second differences' energy; at twice the rate, by the largest third difference. */
typedef struct {
    Halfbands bands;
    float level, energy, level_twice, largest_twice;
} Meter;

INLINE Meter meter_of(const float *taps, const int32_t *pairs, const float *weights)
{
    Meter meter = {halfbands_of(taps, pairs), weights[0], weights[1], weights[2], weights[3]};
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

/* Block i covers frames first + 32 i and on; zeros outside the signal. Only blocks of which within
   is not 0 are looked at, all if it is NULL. */
WIDE void cw_block_peaks(const float *x, int64_t n_frames, int64_t first, int64_t n_blocks,
                         const uint8_t *within, float *peaks, float *bends)
{
    float edge[BLOCK + 2];
    for (int64_t i = 0; i < n_blocks; i++) {
        int64_t start = first + i * BLOCK;
        if (within && !within[i]) continue;
        if (start >= 1 && start + BLOCK < n_frames) {
            block_peak(x + start, peaks + i, bends + i);
        } else {
            load_frames(x, n_frames, start - 1, BLOCK + 2, edge);
            block_peak(edge + 1, peaks + i, bends + i);
        }
    }
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

/* Interpolates those of a run of blocks that may exceed their floors by the signal at twice the
   rate; their largest magnitudes per frame. Returns 0 if none may. */
INLINE int run_tops(float rows[PHASES][WIDTH], int from, int to, const Meter *meter,
                     const float *floors, float *tops)
{
    const float *even = rows[0] + MARGIN, *odd = rows[PHASES / 2] + MARGIN;
    int found = 0;
    interpolate(rows, &meter->bands, STAGES, 0, MARGIN + from - REACH - 1, MARGIN + to + REACH + 1);
    for (int end; from < to; from = end) {
        for (end = from; end < to && may_exceed_twice(even + end, odd + end, meter,
                                                      floors[end / BLOCK]);)
            end += BLOCK;
        if (end == from) {
            end += BLOCK;
            continue;
        }
        interpolate_from(rows, &meter->bands, STAGES, 1, MARGIN + from, MARGIN + end);
        frame_peaks(rows, PHASES, MARGIN + from, end - from, tops + from);
        found = 1;
    }
    return found;
}

/* Loads n frames; the largest magnitudes per frame of those blocks that may exceed their floors, 0
   in others. Returns 0 if none may. */
INLINE int load_tops(const float *x, int64_t n_frames, int64_t start, int n, const Meter *meter,
                     const float *floors, float rows[PHASES][WIDTH], float *tops)
{
    float energies[RUN + 2 * LEAD], *own = energies + LEAD;
    const float *at = rows[0] + MARGIN;
    int found = 0;
    load_frames(x, n_frames, start - MARGIN, n + WIDTH - CHUNK, rows[0]);
    bend_energies(rows[0], n / BLOCK + 2 * LEAD, energies);
    for (int from = 0, to; from < n; from = to) {
        for (to = from; to < n && may_exceed(at + to, own + to / BLOCK, meter, floors[to / BLOCK]);)
            to += BLOCK;
        if (to == from) {
            to += BLOCK;
            continue;
        }
        if (!found) memset(tops, 0, (size_t)n * sizeof(float));
        found |= run_tops(rows, from, to, meter, floors, tops);
    }
    return found;
}

/* Takes over a larger magnitude, or an earlier one of the same size. */
INLINE void update_peak(float rows[PHASES][WIDTH], int n_phases, const float *tops, int n,
                        int64_t start, float *peak, int64_t *position)
{
    for (int m = 0; m < n; m++) {
        if (tops[m] < *peak || tops[m] == 0.0f) continue;
        int p = 0;
        while (fabsf(rows[p][MARGIN + m]) != tops[m]) p++;
        int64_t here = (start + m) * n_phases + p;
        if (tops[m] > *peak || here < *position) *position = here;
        *peak = tops[m];
    }
}

/* Blocks from i on that need work, at most a chunk of them; floors: theirs from then on. */
INLINE int run_of(const float *bounds, int64_t i, int64_t n_blocks, float floor, float *floors)
{
    int n = 0;
    for (; n < RUN && i + n < n_blocks && bounds[i + n] > floor; n++) floors[n] = floor;
    return n;
}

INLINE int64_t largest(const float *bounds, int64_t n_blocks)
{
    int64_t top = 0;
    for (int64_t i = 1; i < n_blocks; i++)
        if (bounds[i] > bounds[top]) top = i;
    return top;
}

/* Looks through one run of blocks; returns its length, at least 1. */
INLINE int search_run(const float *x, int64_t n_frames, const float *bounds, int64_t first,
                      int64_t i, int64_t n_blocks, const Meter *meter,
                      float rows[PHASES][WIDTH], float *peak, int64_t *position)
{
    float tops[CHUNK], floors[RUN];
    int n = run_of(bounds, i, n_blocks, *peak, floors);
    int64_t start = first + i * BLOCK;
    if (n == 0) return 1;
    if (load_tops(x, n_frames, start, n * BLOCK, meter, floors, rows, tops))
        update_peak(rows, PHASES, tops, n * BLOCK, start, peak, position);
    return n;
}

/* peak, position: in, what is known so far; out, with this signal's. Position in 1/16 frame. */
WIDE void cw_true_peak(const float *x, int64_t n_frames, const float *bounds, int64_t first,
                       int64_t n_blocks, const float *taps, const int32_t *pairs,
                       const float *weights, float *peak, int64_t *position)
{
    float rows[PHASES][WIDTH] = {{0.0f}};
    Meter meter = meter_of(taps, pairs, weights);
    search_run(x, n_frames, bounds, first, largest(bounds, n_blocks), n_blocks, &meter, rows, peak,
               position);
    for (int64_t i = 0; i < n_blocks;)
        i += search_run(x, n_frames, bounds, first, i, n_blocks, &meter, rows, peak, position);
}

/* Raises the frames on both sides of each interval to its peak, where that exceeds its block's
   floor; what rings outside the signal counts for the frame at its end. */
INLINE void raise_frames(const float *tops, int n, int64_t start, int64_t n_frames,
                         const float *floors, float *out)
{
    float peaks[CHUNK];
    for (int from = 0; from < n; from += BLOCK) {
        float floor = floors[from / BLOCK];
        for (int m = from; m < from + BLOCK; m++) peaks[m] = tops[m] > floor ? tops[m] : 0.0f;
    }
    for (int side = 0; side < 2; side++) {
        if (start + side >= 0 && start + side + n <= n_frames) {
            float *at = out + start + side;
            for (int m = 0; m < n; m++) at[m] = peaks[m] > at[m] ? peaks[m] : at[m];
            continue;
        }
        for (int m = 0; m < n; m++) {
            int64_t frame = start + side + m;
            frame = frame < 0 ? 0 : frame < n_frames ? frame : n_frames - 1;
            if (peaks[m] > out[frame]) out[frame] = peaks[m];
        }
    }
}

/* Per frame the largest magnitude between its neighbours, where it exceeds its block's floor; out
   holds zeros before. */
WIDE void cw_true_peak_envelope(const float *x, int64_t n_frames, const float *bounds,
                                int64_t first, int64_t n_blocks, const float *taps,
                                const int32_t *pairs, const float *weights, const float *floors,
                                float *out)
{
    float rows[PHASES][WIDTH] = {{0.0f}}, tops[CHUNK];
    Meter meter = meter_of(taps, pairs, weights);
    for (int64_t i = 0; i < n_blocks;) {
        int64_t start = first + i * BLOCK;
        int n = 0;
        while (n < RUN && i + n < n_blocks && bounds[i + n] > floors[i + n]) n++;
        if (n > 0 && load_tops(x, n_frames, start, n * BLOCK, &meter, floors + i, rows, tops))
            raise_frames(tops, n * BLOCK, start, n_frames, floors + i, out);
        i += n ? n : 1;
    }
}

/* The largest magnitude of each block whose bound exceeds floor; out holds zeros before. */
WIDE void cw_block_true_peaks(const float *x, int64_t n_frames, const float *bounds,
                              int64_t first, int64_t n_blocks, const float *taps,
                              const int32_t *pairs, const float *weights, float floor, float *out)
{
    float rows[PHASES][WIDTH] = {{0.0f}}, tops[CHUNK], floors[RUN];
    Meter meter = meter_of(taps, pairs, weights);
    for (int64_t i = 0; i < n_blocks;) {
        int n = run_of(bounds, i, n_blocks, floor, floors);
        if (n > 0 &&
            load_tops(x, n_frames, first + i * BLOCK, n * BLOCK, &meter, floors, rows, tops))
            for (int m = 0; m < n * BLOCK; m++)
                if (tops[m] > out[i + m / BLOCK]) out[i + m / BLOCK] = tops[m];
        i += n ? n : 1;
    }
}

INLINE void table_phases(const float *x, const float *table, int n, float rows[PHASES][WIDTH])
{
    for (int p = 0; p < TABLE_PHASES; p++)
        for (int m = 0; m < n; m += LANES) {
            Vector sum[N_VECTORS];
            clear(sum, N_VECTORS);
            for (int j = 0; j < TABLE_TAPS; j++)
                add_tap(sum, N_VECTORS, table[p * TABLE_TAPS + j], x + m + TABLE_AHEAD - j);
            store(sum, N_VECTORS, rows[p] + MARGIN + m);
        }
}

/* Largest energy of the frames that any one sum of a block is made of. */
INLINE float taps_energy(const float *x)
{
    Vector sum[N_VECTORS], frames;
    int32_t bits[BLOCK], largest = 0;
    float energies[BLOCK];
    clear(sum, N_VECTORS);
    for (int j = 0; j < TABLE_TAPS; j++)
        for (int i = 0; i < N_VECTORS; i++) {
            memcpy(&frames, x + TABLE_AHEAD - j + i * VECTOR_FRAMES, sizeof frames);
            sum[i] += frames * frames;
        }
    store(sum, N_VECTORS, energies);
    memcpy(bits, energies, sizeof bits);
    for (int i = 0; i < BLOCK; i++) largest = bits[i] > largest ? bits[i] : largest;
    return from_bits(largest);
}

/* norm: of the phase with the most energy. No sum exceeds it times the root of the frames' energy
   (Cauchy-Schwarz), which spares most of a noise that the bounds let through. */
INLINE int search_table_run(const float *x, int64_t n_frames, const float *bounds, int64_t first,
                            int64_t i, int64_t n_blocks, const float *table, float norm,
                            float rows[PHASES][WIDTH], float *peak, int64_t *position)
{
    float frames[WIDTH], tops[BLOCK], floors[RUN];
    int n = run_of(bounds, i, n_blocks, *peak, floors);
    int64_t start = first + i * BLOCK;
    if (n == 0) return 1;
    load_frames(x, n_frames, start - TABLE_TAPS, n * BLOCK + 2 * TABLE_TAPS, frames);
    for (int b = 0; b < n * BLOCK; b += BLOCK) {
        float energy = taps_energy(frames + TABLE_TAPS + b);
        if (energy > LEAST_ENERGY && norm * sqrtf(energy) < *peak) continue;
        table_phases(frames + TABLE_TAPS + b, table, BLOCK, rows);
        frame_peaks(rows, TABLE_PHASES, MARGIN, BLOCK, tops);
        update_peak(rows, TABLE_PHASES, tops, BLOCK, start + b, peak, position);
    }
    return n;
}

/* The same for a table of 4 phases of 12 taps; position in 1/4 frame. */
WIDE void cw_table_peak(const float *x, int64_t n_frames, const float *bounds, int64_t first,
                        int64_t n_blocks, const float *table, float norm, float *peak,
                        int64_t *position)
{
    float rows[PHASES][WIDTH] = {{0.0f}};
    search_table_run(x, n_frames, bounds, first, largest(bounds, n_blocks), n_blocks, table, norm,
                     rows, peak, position);
    for (int64_t i = 0; i < n_blocks;)
        i += search_table_run(x, n_frames, bounds, first, i, n_blocks, table, norm, rows, peak,
                              position);
}
