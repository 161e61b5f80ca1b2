/* Peaks between samples, computed only in blocks whose upper bound allows a new one. */
#include "common.h"
#include "_halfband.h"
#include "true_peak.h"

#define TABLE_PHASES 4
#define TABLE_TAPS 12
#define TABLE_AHEAD 6 /* frames its first tap looks ahead */
#define PIECE 8         /* frames a block's later stages reach on each side at most */
#define ROUNDING 3e-5f
#define LEAST_ENERGY 1e-30f /* less may have lost what underflows */

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

/* Whether a block may exceed floor: its samples do, or the signal at twice the rate allows it by its
   largest magnitude and largest second difference, from a piece before to a piece after. */
INLINE int may_exceed(const float *even, const float *odd, float bend, float floor)
{
    int32_t top = 0, level = 0, most = 0;
    for (int i = 0; i < BLOCK; i++) {
        int32_t a = magnitude_bits(even[i]);
        top = a > top ? a : top;
    }
    if (from_bits(top) > floor) return 1;
    for (int i = -PIECE; i < BLOCK + PIECE; i++) {
        int32_t a = magnitude_bits(even[i]), b = magnitude_bits(odd[i]);
        int32_t c = magnitude_bits((odd[i - 1] + odd[i]) - 2.0f * even[i]);
        int32_t d = magnitude_bits((even[i] + even[i + 1]) - 2.0f * odd[i]);
        a = a > b ? a : b;
        c = c > d ? c : d;
        level = a > level ? a : level;
        most = c > most ? c : most;
    }
    return from_bits(level) * (1.0f + ROUNDING) + bend * from_bits(most) > floor;
}

/* Loads n frames and interpolates those blocks that can exceed floor; their largest magnitudes
   per frame, 0 in other blocks. bend: weight of second differences at twice the rate. */
INLINE void load_tops(const float *x, int64_t n_frames, int64_t start, int n,
                      const Halfbands *bands, float bend, float floor, float rows[PHASES][WIDTH],
                      float *tops)
{
    const float *even = rows[0] + MARGIN, *odd = rows[PHASES / 2] + MARGIN;
    load_frames(x, n_frames, start - MARGIN, n + WIDTH - CHUNK, rows[0]);
    interpolate(rows, bands, STAGES, 0, MARGIN - PIECE - 1, MARGIN + n + PIECE);
    memset(tops, 0, (size_t)n * sizeof(float));
    for (int from = 0, to; from < n; from = to) {
        for (to = from; to < n && may_exceed(even + to, odd + to, bend, floor);) to += BLOCK;
        if (to == from) {
            to += BLOCK;
            continue;
        }
        interpolate_from(rows, bands, STAGES, 1, MARGIN + from, MARGIN + to);
        frame_peaks(rows, PHASES, MARGIN + from, to - from, tops + from);
    }
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

/* Blocks from i on that need work, at most a chunk of them. */
INLINE int run_of(const float *bounds, int64_t i, int64_t n_blocks, float floor)
{
    int n = 0;
    while (n < CHUNK / BLOCK && i + n < n_blocks && bounds[i + n] > floor) n++;
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
                      int64_t i, int64_t n_blocks, const Halfbands *bands, float bend,
                      float rows[PHASES][WIDTH], float *peak, int64_t *position)
{
    float tops[CHUNK];
    int n = run_of(bounds, i, n_blocks, *peak);
    int64_t start = first + i * BLOCK;
    if (n == 0) return 1;
    load_tops(x, n_frames, start, n * BLOCK, bands, bend, *peak, rows, tops);
    update_peak(rows, PHASES, tops, n * BLOCK, start, peak, position);
    return n;
}

/* peak, position: in, what is known so far; out, with this signal's. Position in 1/16 frame. */
WIDE void cw_true_peak(const float *x, int64_t n_frames, const float *bounds, int64_t first,
                       int64_t n_blocks, const float *taps, const int32_t *pairs, float bend,
                       float *peak, int64_t *position)
{
    float rows[PHASES][WIDTH] = {{0.0f}};
    Halfbands bands = halfbands_of(taps, pairs);
    search_run(x, n_frames, bounds, first, largest(bounds, n_blocks), n_blocks, &bands, bend, rows,
               peak, position);
    for (int64_t i = 0; i < n_blocks;)
        i += search_run(x, n_frames, bounds, first, i, n_blocks, &bands, bend, rows, peak,
                        position);
}

/* Raises the frames on both sides of each interval to its peak, where that exceeds floor; what
   rings outside the signal counts for the frame at its end. */
INLINE void raise_frames(const float *tops, int n, int64_t start, int64_t n_frames, float floor,
                         float *out)
{
    float peaks[CHUNK];
    for (int m = 0; m < n; m++) peaks[m] = tops[m] > floor ? tops[m] : 0.0f;
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

/* Per frame the largest magnitude between its neighbours, where it exceeds floor; out holds zeros
   before. */
WIDE void cw_true_peak_envelope(const float *x, int64_t n_frames, const float *bounds,
                                int64_t first, int64_t n_blocks, const float *taps,
                                const int32_t *pairs, float bend, float floor, float *out)
{
    float rows[PHASES][WIDTH] = {{0.0f}}, tops[CHUNK];
    Halfbands bands = halfbands_of(taps, pairs);
    for (int64_t i = 0; i < n_blocks;) {
        int n = run_of(bounds, i, n_blocks, floor);
        int64_t start = first + i * BLOCK;
        i += n ? n : 1;
        if (n == 0) continue;
        load_tops(x, n_frames, start, n * BLOCK, &bands, bend, floor, rows, tops);
        raise_frames(tops, n * BLOCK, start, n_frames, floor, out);
    }
}

/* The largest magnitude of each block whose bound exceeds floor; out holds zeros before. */
WIDE void cw_block_true_peaks(const float *x, int64_t n_frames, const float *bounds,
                              int64_t first, int64_t n_blocks, const float *taps,
                              const int32_t *pairs, float bend, float floor, float *out)
{
    float rows[PHASES][WIDTH] = {{0.0f}}, tops[CHUNK];
    Halfbands bands = halfbands_of(taps, pairs);
    for (int64_t i = 0; i < n_blocks;) {
        int n = run_of(bounds, i, n_blocks, floor);
        if (n > 0) {
            load_tops(x, n_frames, first + i * BLOCK, n * BLOCK, &bands, bend, floor, rows, tops);
            for (int m = 0; m < n * BLOCK; m++)
                if (tops[m] > out[i + m / BLOCK]) out[i + m / BLOCK] = tops[m];
        }
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
    float frames[WIDTH], tops[BLOCK];
    int n = run_of(bounds, i, n_blocks, *peak);
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
