/* Oversampled clip in residual form: y = x + D(clip(Ux) - Ux), worked out only where a block's
   upper bound lets Ux pass the threshold. */
#include "common.h"
#include "_halfband.h"
#include "clip.h"

#define SPAN 2048 /* frames that share a buffer at twice the rate */
#define LEAD (2 * BLOCK)
#define ROW (SPAN + 2 * LEAD)
#define MAX_CHANNELS 2

typedef struct {
    float threshold; /* where the bend starts */
    float top;       /* where it ends */
    float curve;     /* reduction inside it is curve * (level - threshold)^2 */
} Curve;

typedef struct {
    const float *x;
    int n_channels, n_stages;
    int64_t n_frames, n_blocks;
    const float *bounds;
    Curve curve;
    Halfbands bands;
} Job;

INLINE Curve curve_of(float ceiling, float threshold)
{
    float half = ceiling - threshold;
    Curve curve = {threshold, ceiling + half, half > 0.0f ? 0.25f / half : 0.0f};
    return curve;
}

/* What a magnitude loses. */
INLINE float reduction(float level, Curve curve)
{
    float width = curve.top - curve.threshold, bent = level - curve.threshold;
    float over = level - curve.top;
    bent = bent > 0.0f ? bent : 0.0f;
    bent = bent < width ? bent : width;
    over = over > 0.0f ? over : 0.0f;
    return curve.curve * (bent * bent) + over;
}

/* From a signal to what the clip adds to it, in place. */
INLINE void residual(float *restrict a, int64_t n, Curve curve)
{
    for (int64_t i = 0; i < n; i++) {
        float lost = reduction(fabsf(a[i]), curve);
        a[i] = a[i] < 0.0f ? lost : -lost;
    }
}

/* The same with one gain for both channels. Equal channels come out as `residual` has them. */
INLINE void linked_residual(float *restrict a, float *restrict b, int64_t n, Curve curve)
{
    for (int64_t i = 0; i < n; i++) {
        float left = fabsf(a[i]), right = fabsf(b[i]);
        float level = left > right ? left : right;
        float lost = reduction(level, curve), divisor = level > 1e-30f ? level : 1e-30f;
        a[i] = -(a[i] / divisor) * lost;
        b[i] = -(b[i] / divisor) * lost;
    }
}

INLINE int near_active(const Job *job, int64_t block, int radius)
{
    int64_t from = block - radius < 0 ? 0 : block - radius;
    int64_t to = block + radius < job->n_blocks ? block + radius : job->n_blocks - 1;
    for (int64_t i = from; i <= to; i++)
        if (job->bounds[i] > job->curve.threshold) return 1;
    return 0;
}

/* Frames the decimation to twice the rate reaches, over all its stages. */
INLINE int deep_reach(const Job *job, int n_stages)
{
    int reach = 0;
    for (int s = 1; s < n_stages; s++) reach += reach_of(&job->bands, s);
    return reach;
}

INLINE void decimate_chunk(const Job *job, int n_stages, int stage, int n, float rows[][WIDTH])
{
    int reach = deep_reach(job, stage);
    decimate_by(rows, &job->bands, n_stages, stage, MARGIN - reach, MARGIN + n + reach);
}

/* Residual at twice the rate, its two phases for n frames from start. */
INLINE void residual_chunk(const Job *job, int n_stages, int64_t start, int n,
                           float rows[MAX_CHANNELS][MAX_PHASES][WIDTH], float *halves[MAX_CHANNELS][2])
{
    int extra = deep_reach(job, n_stages), n_phases = 1 << n_stages;
    int from = MARGIN - extra, to = MARGIN + n + extra;
    for (int c = 0; c < job->n_channels; c++)
        load_by(job->x + c * job->n_frames, job->n_frames, start, n, extra, &job->bands, n_stages,
                rows[c]);
    for (int p = 0; p < n_phases; p++) {
        if (job->n_channels == 2)
            linked_residual(rows[0][p] + from, rows[1][p] + from, to - from, job->curve);
        else
            residual(rows[0][p] + from, to - from, job->curve);
    }
    for (int c = 0; c < job->n_channels; c++) {
        if (n_stages > 4) decimate_chunk(job, n_stages, 4, n, rows[c]);
        if (n_stages > 3) decimate_chunk(job, n_stages, 3, n, rows[c]);
        if (n_stages > 2) decimate_chunk(job, n_stages, 2, n, rows[c]);
        if (n_stages > 1) decimate_chunk(job, n_stages, 1, n, rows[c]);
        for (int half = 0; half < 2; half++)
            memcpy(halves[c][half], rows[c][half * n_phases / 2] + MARGIN, (size_t)n * sizeof(float));
    }
}

/* One copy of the code for each number of stages, so that its loops are unrolled. */
INLINE void residual_of(const Job *job, int64_t start, int n,
                        float rows[MAX_CHANNELS][MAX_PHASES][WIDTH], float *halves[MAX_CHANNELS][2])
{
    switch (job->n_stages) {
    case 1: residual_chunk(job, 1, start, n, rows, halves); break;
    case 2: residual_chunk(job, 2, start, n, rows, halves); break;
    case 3: residual_chunk(job, 3, start, n, rows, halves); break;
    case 4: residual_chunk(job, 4, start, n, rows, halves); break;
    default: residual_chunk(job, 5, start, n, rows, halves);
    }
}

/* Fills the span's buffer, whose first frame is LEAD before the span. */
INLINE void residual_span(const Job *job, int64_t start, float rows[MAX_CHANNELS][MAX_PHASES][WIDTH],
                          float buffer[MAX_CHANNELS][2][ROW])
{
    int64_t block = start / BLOCK;
    memset(buffer, 0, sizeof(float) * MAX_CHANNELS * 2 * ROW);
    for (int i = 0; i < ROW / BLOCK;) {
        int n = 0;
        while (n < CHUNK / BLOCK && i + n < ROW / BLOCK && near_active(job, block + i + n, 1)) n++;
        if (n > 0) {
            float *halves[MAX_CHANNELS][2];
            for (int c = 0; c < job->n_channels; c++)
                for (int half = 0; half < 2; half++) halves[c][half] = buffer[c][half] + i * BLOCK;
            residual_of(job, start - LEAD + i * BLOCK, n * BLOCK, rows, halves);
        }
        i += n > 0 ? n : 1;
    }
}

/* y = x + the residual at the signal's own rate, for one block. */
INLINE void add_residual(const float *x, float *y, int n, const float *even, const float *odd,
                         const Halfbands *bands)
{
    Vector sum[SUMS];
    float added[BLOCK];
    sum_first(sum, bands, odd - 1, odd);
    store(sum, SUMS, added);
    for (int i = 0; i < n; i++) y[i] = x[i] + 0.5f * (even[i] + added[i]);
}

INLINE void write_span(const Job *job, float *y, int64_t start, float buffer[MAX_CHANNELS][2][ROW])
{
    for (int i = 0; i < SPAN / BLOCK; i++) {
        int64_t frame = start + i * BLOCK, left = job->n_frames - frame;
        if (left <= 0 || !near_active(job, frame / BLOCK + LEAD / BLOCK, 3)) continue;
        for (int c = 0; c < job->n_channels; c++) {
            int64_t at = c * job->n_frames + frame;
            int offset = LEAD + i * BLOCK;
            add_residual(job->x + at, y + at, left < BLOCK ? (int)left : BLOCK,
                         buffer[c][0] + offset, buffer[c][1] + offset, &job->bands);
        }
    }
}

INLINE int span_is_active(const Job *job, int64_t start)
{
    for (int64_t i = start / BLOCK; i < (start + ROW) / BLOCK && i < job->n_blocks; i++)
        if (near_active(job, i, 1)) return 1;
    return 0;
}

/* Without oversampling: the residual is added where it arises. */
INLINE void clip_at_rate(const Job *job, float *y, float ceiling)
{
    float *left = y, *right = y + job->n_frames;
    if (job->n_channels == 2)
        linked_residual(left, right, job->n_frames, job->curve);
    else
        residual(left, job->n_frames, job->curve);
    for (int64_t i = 0; i < job->n_channels * job->n_frames; i++) {
        float bent = job->x[i] + y[i];
        bent = bent > ceiling ? ceiling : bent;
        y[i] = bent < -ceiling ? -ceiling : bent;
    }
}

/* x, y: one channel, or two linked ones one after another. Block i of bounds covers frames
   32 (i - 2) and on. */
WIDE void cw_clip(const float *x, float *y, int n_channels, int64_t n_frames, const float *bounds,
                  int64_t n_blocks, float ceiling, float threshold, int n_stages,
                  const float *taps, const int32_t *pairs)
{
    float rows[MAX_CHANNELS][MAX_PHASES][WIDTH] = {{{0.0f}}};
    float buffer[MAX_CHANNELS][2][ROW];
    Job job = {x, n_channels, n_stages, n_frames, n_blocks, bounds,
               curve_of(ceiling, threshold), halfbands_of(taps, pairs)};
    memcpy(y, x, (size_t)(n_channels * n_frames) * sizeof(float));
    if (n_stages == 0) {
        clip_at_rate(&job, y, ceiling);
        return;
    }
    for (int64_t start = 0; start < n_frames; start += SPAN) {
        if (!span_is_active(&job, start)) continue;
        residual_span(&job, start, rows, buffer);
        write_span(&job, y, start, buffer);
    }
}
