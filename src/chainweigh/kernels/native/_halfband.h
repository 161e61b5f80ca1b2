/* Half-band interpolation and decimation on planar phases.

   At P = 2^n_stages times the file's rate a chunk of frames is held as P rows: row p holds the
   signal at p/P of a frame after each frame. What is known at P/4 times the rate lives in rows
   0, 4, 8 ..., so a stage fills rows between without moving any sample, and every inner loop runs
   along frames. Each value is summed in one fixed order, whatever the chunk: results do not depend on
   where chunks begin. */
#ifndef CHAINWEIGH_HALFBAND_H
#define CHAINWEIGH_HALFBAND_H

#include "common.h"

#define PHASES 16 /* of the true peak */
#define STAGES 4
#define MAX_PHASES 32
#define MAX_STAGES 5
#define BLOCK 32   /* frames that share one upper bound */
#define LANES 32   /* frames an inner loop advances by */
#define CHUNK 256  /* frames worked on at once */
#define MARGIN 64  /* frames kept on each side of a chunk */
#define WIDTH (CHUNK + 2 * MARGIN + 2 * LANES)

#if defined(__GNUC__)
#define INLINE static inline __attribute__((always_inline, unused))
#elif defined(_MSC_VER)
#define INLINE static __forceinline
#else
#define INLINE static inline
#endif

/* Vectors are spelt out where the compiler has them: left to itself it does not keep the sums
   in registers. */
#if defined(__GNUC__)
typedef float Vector __attribute__((vector_size(32)));
#define N_VECTORS (LANES / 8)
#else
typedef float Vector;
#define N_VECTORS LANES
#endif
#define VECTOR_FRAMES (LANES / N_VECTORS)

INLINE void clear(Vector sum[N_VECTORS])
{
    for (int i = 0; i < N_VECTORS; i++) sum[i] = (Vector){0.0f};
}

INLINE void store(const Vector sum[N_VECTORS], float *out)
{
    for (int i = 0; i < N_VECTORS; i++) memcpy(out + i * VECTOR_FRAMES, &sum[i], sizeof sum[i]);
}

/* sum += tap * a over LANES frames. */
INLINE void add_tap(Vector sum[N_VECTORS], float tap, const float *a)
{
    Vector frames;
    for (int i = 0; i < N_VECTORS; i++) {
        memcpy(&frames, a + i * VECTOR_FRAMES, sizeof frames);
        sum[i] += tap * frames;
    }
}

/* sum += tap * (a + b) over LANES frames. */
INLINE void add_pair(Vector sum[N_VECTORS], float tap, const float *a, const float *b)
{
    Vector left, right;
    for (int i = 0; i < N_VECTORS; i++) {
        memcpy(&left, a + i * VECTOR_FRAMES, sizeof left);
        memcpy(&right, b + i * VECTOR_FRAMES, sizeof right);
        sum[i] += tap * (left + right);
    }
}

typedef struct {
    const float *taps[MAX_STAGES];
    int pairs[MAX_STAGES];
} Halfbands;

/* taps: the stages' taps one after another; pairs: how many each stage has. */
INLINE Halfbands halfbands_of(const float *taps, const int32_t *pairs)
{
    Halfbands bands;
    for (int s = 0; s < MAX_STAGES; s++) {
        bands.taps[s] = taps;
        bands.pairs[s] = pairs[s];
        taps += pairs[s];
    }
    return bands;
}

/* Frames a stage reaches on each side; its input has 2^stage phases. */
INLINE int reach_of(const Halfbands *bands, int stage)
{
    return 1 + ((bands->pairs[stage] - 1) >> stage);
}

/* Phase t of 2^stage, where t may lie outside one frame, shifted by whole frames; apart: rows from
   one phase to the next. */
INLINE const float *phase_at(float rows[][WIDTH], int apart, int stage, int t)
{
    int shifted = t + (MARGIN << stage), phase = shifted & ((1 << stage) - 1);
    return rows[phase * apart] + (shifted >> stage) - MARGIN;
}

/* Fills the phases between those of a stage's input, frames from..to of the chunk's rows. */
INLINE void interpolate(float rows[][WIDTH], const Halfbands *bands, int n_stages, int stage,
                        int from, int to)
{
    const float *taps = bands->taps[stage];
    int pairs = bands->pairs[stage], n_phases = 1 << stage, step = 1 << (n_stages - stage);
    for (int j = 0; j < n_phases; j++) {
        float *out = rows[j * step + step / 2];
        for (int m = from; m < to; m += LANES) {
            Vector sum[N_VECTORS];
            clear(sum);
            for (int k = 0; k < pairs; k++)
                add_pair(sum, taps[k], phase_at(rows, step, stage, j - k) + m,
                         phase_at(rows, step, stage, j + 1 + k) + m);
            store(sum, out + m);
        }
    }
}

/* Filters and drops the phases a stage had filled, in place. */
INLINE void decimate(float rows[][WIDTH], const Halfbands *bands, int n_stages, int stage,
                     int from, int to)
{
    const float *taps = bands->taps[stage];
    int pairs = bands->pairs[stage], n_phases = 1 << stage, step = 1 << (n_stages - stage);
    for (int j = 0; j < n_phases; j++) {
        float *out = rows[j * step];
        for (int m = from; m < to; m += LANES) {
            Vector sum[N_VECTORS], kept[N_VECTORS];
            clear(sum);
            for (int k = 0; k < pairs; k++)
                add_pair(sum, taps[k], phase_at(rows + step / 2, step, stage, j - 1 - k) + m,
                         phase_at(rows + step / 2, step, stage, j + k) + m);
            memcpy(kept, out + m, sizeof kept);
            for (int i = 0; i < N_VECTORS; i++) kept[i] = 0.5f * (kept[i] + sum[i]);
            store(kept, out + m);
        }
    }
}

/* Copies frames start..start+count of a signal, zeros outside it. */
INLINE void load_frames(const float *x, int64_t n_frames, int64_t start, int count, float *out)
{
    int64_t low = start < 0 ? 0 : start;
    int64_t high = start + count < n_frames ? start + count : n_frames;
    if (low == start && high == start + count) {
        memcpy(out, x + start, (size_t)count * sizeof(float));
        return;
    }
    memset(out, 0, (size_t)count * sizeof(float));
    if (high > low) memcpy(out + (low - start), x + low, (size_t)(high - low) * sizeof(float));
}

/* Loads the chunk whose frame 0 sits at row index MARGIN, and interpolates it by 2^n_stages;
   the result holds for the frames from -extra to n + extra. */
INLINE void load_interpolated(const float *x, int64_t n_frames, int64_t start, int n, int extra,
                              const Halfbands *bands, int n_stages, float rows[][WIDTH])
{
    int reach[MAX_STAGES], from = MARGIN, to = MARGIN + n;
    reach[n_stages - 1] = extra;
    for (int s = n_stages - 1; s > 0; s--) reach[s - 1] = reach[s] + reach_of(bands, s);
    load_frames(x, n_frames, start - MARGIN, WIDTH, rows[0]);
    for (int s = 0; s < n_stages; s++)
        interpolate(rows, bands, n_stages, s, from - reach[s], to + reach[s]);
}

#endif
