/* True peaks of signals and of their blocks. */
#include "_meter.h"
#include "true_peak.h"

#define TABLE_PHASES 4
#define TABLE_TAPS 12
#define TABLE_AHEAD 6 /* frames its first tap looks ahead */
WIDE void cw_block_peaks(const float *x, int64_t n_frames, int64_t first, int64_t n_blocks,
                         float *peaks, float *bends)
{
    block_peaks(x, n_frames, first, n_blocks, peaks, bends);
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
    if (load_tops(x, n_frames, start, n, meter, floors, rows, tops))
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

/* Per frame the largest magnitude between its neighbours, where it exceeds floor; out holds zeros
   before. */
WIDE void cw_true_peak_envelope(const float *x, int64_t n_frames, const float *bounds,
                                int64_t first, int64_t n_blocks, const float *taps,
                                const int32_t *pairs, const float *weights, float floor, float *out)
{
    float rows[PHASES][WIDTH] = {{0.0f}}, tops[CHUNK], floors[RUN];
    Meter meter = meter_of(taps, pairs, weights);
    for (int64_t i = 0; i < n_blocks;) {
        int64_t start = first + i * BLOCK;
        int n = run_of(bounds, i, n_blocks, floor, floors);
        if (n > 0 && load_tops(x, n_frames, start, n, &meter, floors, rows, tops))
            raise_frames(tops, n * BLOCK, start, n_frames, floors, 0, out);
        i += n ? n : 1;
    }
}

/* The largest magnitude of each block that may exceed floor; out holds zeros before. Only blocks of
   which within is not 0 are looked at, all if it is NULL. */
WIDE void cw_block_true_peaks(const float *x, int64_t n_frames, int64_t first, int64_t n_blocks,
                              const uint8_t *within, const float *taps, const int32_t *pairs,
                              const float *weights, float floor, float *out)
{
    float rows[PHASES][WIDTH] = {{0.0f}}, tops[CHUNK], floors[RUN], bounds[PIECE_BLOCKS];
    float peaks[PIECE_BLOCKS + 2 * LEAD], bends[PIECE_BLOCKS + 2 * LEAD];
    Meter meter = meter_of(taps, pairs, weights);
    for (int64_t piece = 0; piece < n_blocks; piece += PIECE_BLOCKS) {
        int n = n_blocks - piece < PIECE_BLOCKS ? (int)(n_blocks - piece) : PIECE_BLOCKS;
        int64_t start = first + piece * BLOCK;
        if (within && !memchr(within + piece, 1, (size_t)n)) continue;
        block_peaks(x, n_frames, start - LEAD * BLOCK, n + 2 * LEAD, peaks, bends);
        block_bounds(&meter, peaks, bends, n, bounds);
        for (int i = 0; within && i < n; i++) bounds[i] = within[piece + i] ? bounds[i] : 0.0f;
        for (int i = 0, run; i < n; i += run ? run : 1) {
            run = run_of(bounds, i, n, floor, floors);
            if (!run || !load_tops(x, n_frames, start + i * BLOCK, run, &meter, floors, rows, tops))
                continue;
            for (int m = 0; m < run * BLOCK; m++)
                if (tops[m] > out[piece + i + m / BLOCK]) out[piece + i + m / BLOCK] = tops[m];
        }
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
