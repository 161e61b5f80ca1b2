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

/* Vectors are spelt out where the compiler has them, and loops over taps unrolled: left to itself
   it does not keep the sums in registers. */
#if defined(__GNUC__)
typedef float Vector __attribute__((vector_size(32)));
#define UNROLL _Pragma("GCC unroll 64")
#define EIGHT 1 /* vectors that hold 8 frames */
#else
typedef float Vector;
#define UNROLL
#define EIGHT 8
#endif
#define VECTOR_FRAMES (8 / EIGHT)
#define N_VECTORS (LANES / VECTOR_FRAMES)
#define SUMS (4 * EIGHT) /* vectors summed side by side: 32 frames of a phase, or 8 of 4 phases */

INLINE void clear(Vector *sum, int n)
{
    UNROLL
    for (int i = 0; i < n; i++) sum[i] = (Vector){0.0f};
}

INLINE void store(const Vector *sum, int n, float *out)
{
    UNROLL
    for (int i = 0; i < n; i++) memcpy(out + i * VECTOR_FRAMES, &sum[i], sizeof sum[i]);
}

/* sum += tap * a over n vectors of frames. */
INLINE void add_tap(Vector *sum, int n, float tap, const float *a)
{
    Vector frames;
    UNROLL
    for (int i = 0; i < n; i++) {
        memcpy(&frames, a + i * VECTOR_FRAMES, sizeof frames);
        sum[i] += tap * frames;
    }
}

/* sum += tap * (a + b) over n vectors of frames. */
INLINE void add_pair(Vector *sum, int n, float tap, const float *a, const float *b)
{
    Vector left, right;
    UNROLL
    for (int i = 0; i < n; i++) {
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

/* Pairs of a stage after the first, which every cascade has alike: known here, so that its loops
   are unrolled. */
INLINE int later_pairs(int stage)
{
    return stage == 1 ? 8 : stage == 2 ? 5 : stage == 3 ? 4 : 3;
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

/* The sums of pairs left[-k], right[k] for 32 frames. Pairs 8 apart follow each other, since they
   share what they load; the loop around them is kept, which keeps the sums side by side. */
INLINE void sum_by(Vector sum[SUMS], const float *taps, int pairs, const float *left,
                   const float *right)
{
    int whole = pairs / 8 * 8;
    clear(sum, SUMS);
    for (int r = 0; r < 8; r++) {
        UNROLL
        for (int k = 0; k < whole; k += 8)
            add_pair(sum, SUMS, taps[k + r], left - k - r, right + k + r);
    }
    for (int k = whole; k < pairs; k++) add_pair(sum, SUMS, taps[k], left - k, right + k);
}

/* The first stage's sums, of 34 or 54 pairs. */
INLINE void sum_first(Vector sum[SUMS], const Halfbands *bands, const float *left,
                      const float *right)
{
    switch (bands->pairs[0]) {
    case 34: sum_by(sum, bands->taps[0], 34, left, right); break;
    default: sum_by(sum, bands->taps[0], 54, left, right);
    }
}

/* The sums of a later stage around the midpoint after phase t of 2^stage, for a group of phases. */
INLINE void sum_later(Vector sum[SUMS], float rows[][WIDTH], const float *taps, int step,
                      int stage, int group, int t, int m)
{
    int each = SUMS / group;
    clear(sum, SUMS);
    UNROLL
    for (int k = 0; k < later_pairs(stage); k++) {
        UNROLL
        for (int j = 0; j < group; j++)
            add_pair(sum + j * each, each, taps[k], phase_at(rows, step, stage, t + j - k) + m,
                     phase_at(rows, step, stage, t + j + 1 + k) + m);
    }
}

/* Phases a stage works out side by side, of the 2^stage it has. */
INLINE int group_of(int stage)
{
    return stage < 2 ? 1 << stage : 4;
}

/* Fills the phases between those of a stage's input, frames from..to of the chunk's rows. Here and
   below, numbers of stages are known where it is called, so that loops are unrolled. */
INLINE void interpolate(float rows[][WIDTH], const Halfbands *bands, int n_stages, int stage,
                        int from, int to)
{
    int group = group_of(stage), each = SUMS / group, step = 1 << (n_stages - stage);
    for (int m = from; m < to; m += each * VECTOR_FRAMES) {
        UNROLL
        for (int t = 0; t < 1 << stage; t += group) {
            Vector sum[SUMS];
            if (stage == 0)
                sum_first(sum, bands, rows[0] + m, rows[0] + m + 1);
            else
                sum_later(sum, rows, bands->taps[stage], step, stage, group, t, m);
            UNROLL
            for (int j = 0; j < group; j++)
                store(sum + j * each, each, rows[(t + j) * step + step / 2] + m);
        }
    }
}

/* Filters and drops the phases a stage had filled, in place. */
INLINE void decimate_by(float rows[][WIDTH], const Halfbands *bands, int n_stages, int stage,
                        int from, int to)
{
    int group = group_of(stage), each = SUMS / group, step = 1 << (n_stages - stage);
    for (int m = from; m < to; m += each * VECTOR_FRAMES) {
        UNROLL
        for (int t = 0; t < 1 << stage; t += group) {
            Vector sum[SUMS], kept;
            if (stage == 0)
                sum_first(sum, bands, rows[step / 2] + m - 1, rows[step / 2] + m);
            else
                sum_later(sum, rows + step / 2, bands->taps[stage], step, stage, group, t - 1, m);
            UNROLL
            for (int i = 0; i < SUMS; i++) {
                float *out = rows[(t + i / each) * step] + m + i % each * VECTOR_FRAMES;
                memcpy(&kept, out, sizeof kept);
                kept = 0.5f * (kept + sum[i]);
                memcpy(out, &kept, sizeof kept);
            }
        }
    }
}

/* The same for one of the first `known` stages, where which is found out at run time. */
INLINE void decimate_among(float rows[][WIDTH], const Halfbands *bands, int known, int stage,
                           int from, int to)
{
    if (stage == 0) decimate_by(rows, bands, known, 0, from, to);
    if (known > 1 && stage == 1) decimate_by(rows, bands, known, 1, from, to);
    if (known > 2 && stage == 2) decimate_by(rows, bands, known, 2, from, to);
    if (known > 3 && stage == 3) decimate_by(rows, bands, known, 3, from, to);
    if (known > 4 && stage == 4) decimate_by(rows, bands, known, 4, from, to);
}

INLINE void decimate(float rows[][WIDTH], const Halfbands *bands, int n_stages, int stage,
                     int from, int to)
{
    switch (n_stages) {
    case 1: decimate_among(rows, bands, 1, stage, from, to); break;
    case 2: decimate_among(rows, bands, 2, stage, from, to); break;
    case 3: decimate_among(rows, bands, 3, stage, from, to); break;
    case 4: decimate_among(rows, bands, 4, stage, from, to); break;
    default: decimate_among(rows, bands, 5, stage, from, to);
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

/* The stages from the first given on; the result holds for the rows' frames from..to. */
INLINE void interpolate_from(float rows[][WIDTH], const Halfbands *bands, int n_stages, int first,
                             int from, int to)
{
    int reach[MAX_STAGES];
    reach[n_stages - 1] = 0;
    for (int s = n_stages - 1; s > 0; s--) reach[s - 1] = reach[s] + reach_of(bands, s);
    if (first == 0) interpolate(rows, bands, n_stages, 0, from - reach[0], to + reach[0]);
    if (n_stages > 1) interpolate(rows, bands, n_stages, 1, from - reach[1], to + reach[1]);
    if (n_stages > 2) interpolate(rows, bands, n_stages, 2, from - reach[2], to + reach[2]);
    if (n_stages > 3) interpolate(rows, bands, n_stages, 3, from - reach[3], to + reach[3]);
    if (n_stages > 4) interpolate(rows, bands, n_stages, 4, from - reach[4], to + reach[4]);
}

/* Loads the chunk whose frame 0 sits at row index MARGIN, and interpolates it by 2^n_stages;
   the result holds for the frames from -extra to n + extra. */
INLINE void load_by(const float *x, int64_t n_frames, int64_t start, int n, int extra,
                    const Halfbands *bands, int n_stages, float rows[][WIDTH])
{
    load_frames(x, n_frames, start - MARGIN, n + WIDTH - CHUNK, rows[0]);
    interpolate_from(rows, bands, n_stages, 0, MARGIN - extra, MARGIN + n + extra);
}

/* The same where n_stages is found out at run time. */
INLINE void load_interpolated(const float *x, int64_t n_frames, int64_t start, int n, int extra,
                              const Halfbands *bands, int n_stages, float rows[][WIDTH])
{
    switch (n_stages) {
    case 1: load_by(x, n_frames, start, n, extra, bands, 1, rows); break;
    case 2: load_by(x, n_frames, start, n, extra, bands, 2, rows); break;
    case 3: load_by(x, n_frames, start, n, extra, bands, 3, rows); break;
    case 4: load_by(x, n_frames, start, n, extra, bands, 4, rows); break;
    default: load_by(x, n_frames, start, n, extra, bands, 5, rows);
    }
}

#endif
