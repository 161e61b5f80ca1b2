/* Look-ahead gain reduction and its final trim.

   The reduction 1 - gain that a step of 1 or 4 frames needs is held over look-ahead and hold by a
   sliding maximum, released exponentially, kept above its own slow average where wanted, and
   smoothed by two box-cars as long as the attack together; straight lines join the steps. Box-cars
   run on integers of 2^-30, so their sums are exact and return to exactly nothing. Loops that carry
   a value from step to step hold nothing else, so that the others are vectorised. */
#include "_ahead.h"
#include "limit.h"

#define SPAN PIECE_FRAMES
#define LONG_STEP 4
#define GROUP 32 /* steps whose release is worked out by doubling */
#define PIECE 64 /* frames looked at before a span is known to hold a need */
#define UNIT 1073741824.0f /* 2^30 */

typedef struct {
    float *need;    /* per step, from the hold before the span over the look-ahead after it */
    float *held[2]; /* the same, for the sliding maximum; GROUP zeros before */
    int32_t *units; /* first box-car's length before the span, then the span */
    int64_t *sums;  /* second box-car's length before the span, then the span */
    float knots[SPAN + 1]; /* gain at the ends of the step before the span and of its own */
    float gain[SPAN];
    double released, average;
    int64_t sum, sum_of_sums, last_needed;
    int busy;
} Lane;

typedef struct {
    int step, n_steps; /* frames a step; steps a span */
    int n_look;        /* steps the maximum looks ahead, its own included */
    int n_hold;        /* steps it looks back */
    int first_box, second_box;
    double span_decay, scale;
    double slow_decay, slow_span_decay; /* of the average; 0: no average */
    float decays[SPAN]; /* powers of the release's decay a step, from the first on */
} Shape;

INLINE Shape shape_of(int n_look, int n_attack, int n_hold, double decay, double slow_decay)
{
    Shape shape;
    double fallen = 1.0;
    int n_smooth;
    shape.step = n_look >= 16 * LONG_STEP ? LONG_STEP : 1;
    shape.n_steps = SPAN / shape.step;
    n_smooth = n_attack / shape.step > 1 ? n_attack / shape.step : 1;
    shape.first_box = (n_smooth + 2) / 2;
    shape.second_box = n_smooth + 1 - shape.first_box;
    /* the line from the step before must already be low enough */
    shape.n_look = n_look / shape.step + (shape.step > 1);
    shape.n_hold = n_hold / shape.step;
    shape.span_decay = pow(decay, SPAN);
    shape.slow_decay = pow(slow_decay, shape.step);
    shape.slow_span_decay = pow(slow_decay, SPAN);
    shape.scale = 1.0 / ((double)UNIT * shape.first_box * shape.second_box);
    decay = pow(decay, shape.step);
    for (int i = 0; i < shape.n_steps; i++) shape.decays[i] = (float)(fallen *= decay);
    return shape;
}

static int allocate(Lane *lane, const Shape *shape)
{
    size_t n = (size_t)shape->n_hold + (size_t)shape->n_look + 1 + SPAN;
    memset(lane, 0, sizeof *lane);
    lane->last_needed = -1;
    lane->knots[shape->n_steps] = 1.0f;
    lane->need = calloc(n, sizeof *lane->need);
    for (int i = 0; i < 2; i++) {
        lane->held[i] = calloc(GROUP + n, sizeof *lane->held[i]);
        if (lane->held[i]) lane->held[i] += GROUP;
    }
    lane->units = calloc(n, sizeof *lane->units);
    lane->sums = calloc(n, sizeof *lane->sums);
    return lane->need && lane->held[0] && lane->held[1] && lane->units && lane->sums;
}

static void release(Lane *lane)
{
    free(lane->need);
    for (int i = 0; i < 2; i++)
        if (lane->held[i]) free(lane->held[i] - GROUP);
    free(lane->units);
    free(lane->sums);
}

/* Whether any magnitude exceeds the ceiling. */
INLINE int exceeds(const float *x, int n, float ceiling)
{
    for (int start = 0; start < n; start += PIECE) {
        int found = 0, end = start + PIECE < n ? start + PIECE : n;
        for (int i = start; i < end; i++) found |= fabsf(x[i]) > ceiling;
        if (found) return 1;
    }
    return 0;
}

/* Reduction that keeps a magnitude below the ceiling, rounded up. */
INLINE float needed(float magnitude, double ceiling)
{
    double over = (double)magnitude - ceiling;
    return over > 0.0 ? (float)(over / magnitude * (1.0 + 1.2e-7)) : 0.0f;
}

INLINE float larger(float a, float b)
{
    return b > a ? b : a;
}

/* Largest magnitude of each step, the last of which may be cut short. */
INLINE void step_peaks(const float *x, int n, int step, float *out)
{
    int whole = step == LONG_STEP ? n / LONG_STEP : n;
    if (step == LONG_STEP)
        for (int i = 0; i < whole; i++) {
            const float *a = x + i * LONG_STEP;
            out[i] = larger(larger(fabsf(a[0]), fabsf(a[1])), larger(fabsf(a[2]), fabsf(a[3])));
        }
    else
        for (int i = 0; i < whole; i++) out[i] = fabsf(x[i]);
    if (whole * step == n) return;
    out[whole] = 0.0f;
    for (int k = whole * step; k < n; k++) out[whole] = larger(out[whole], fabsf(x[k]));
}

/* Reads what n frames need of a lane, its own and a share of the other's; 0 if nothing. */
INLINE int read_need(const float *own, const float *other, int n, int step, float ceiling,
                     float link, float *need)
{
    float mine[SPAN], theirs[SPAN];
    int count = (n + step - 1) / step;
    if (!exceeds(own, n, ceiling) && !(other && exceeds(other, n, ceiling))) return 0;
    step_peaks(own, n, step, mine);
    for (int i = 0; i < count; i++) need[i] = needed(mine[i], ceiling);
    if (!other) return 1;
    step_peaks(other, n, step, theirs);
    for (int i = 0; i < count; i++) {
        float due = needed(theirs[i], ceiling);
        float followed = link == 1.0f ? due : need[i] + link * (due - need[i]);
        need[i] = due > need[i] ? followed : need[i];
    }
    return 1;
}

INLINE void larger_of_two(const float *a, const float *b, float *restrict out, int n)
{
    for (int i = 0; i < n; i++) {
        float left = a[i], right = b[i];
        out[i] = right > left ? right : left;
    }
}

/* Largest need from n_hold before to n_look - 1 after each step of the span, by doubling. turn: of
   the buffer that holds it. */
INLINE int hold(Lane *lane, const Shape *shape)
{
    int window = shape->n_hold + shape->n_look;
    int n = shape->n_steps + window - 1, width = 1, turn = 0;
    const float *from = lane->need;
    for (; 2 * width <= window; width *= 2) {
        n -= width;
        larger_of_two(from, from + width, lane->held[turn], n);
        from = lane->held[turn];
        turn = 1 - turn;
    }
    larger_of_two(from, from + (window - width), lane->held[turn], shape->n_steps);
    return turn;
}

/* What falls from before where that is more than what is held now. */
INLINE float falling(float before, float now)
{
    float least = now > FAINT ? now : FAINT;
    return before > least ? before : now;
}

/* y[i] = max(x[i], decay * y[i - 1]) within the span: by doubling within groups, then from group to
   group. */
INLINE int let_go(Lane *lane, const Shape *shape, int turn)
{
    for (int width = 1; width < GROUP; width *= 2) {
        const float *from = lane->held[turn];
        float fall = shape->decays[width - 1], *restrict to = lane->held[1 - turn];
        for (int i = 0; i < shape->n_steps; i++) to[i] = falling(from[i - width] * fall, from[i]);
        turn = 1 - turn;
    }
    float fall = shape->decays[GROUP - 1], *x = lane->held[turn];
    for (int i = GROUP; i < shape->n_steps; i++) x[i] = falling(x[i - GROUP] * fall, x[i]);
    return turn;
}

/* The reduction of a span's steps before it is smoothed; what still falls from before included. */
INLINE float *released(Lane *lane, const Shape *shape, int is_needed)
{
    int turn = is_needed ? let_go(lane, shape, hold(lane, shape)) : 0;
    float *x = lane->held[turn], carried = lane->released > FAINT ? (float)lane->released : 0.0f;
    double fallen = lane->released > FAINT ? lane->released * shape->span_decay : 0.0;
    if (!is_needed) memset(x, 0, (size_t)shape->n_steps * sizeof(float));
    double last = x[shape->n_steps - 1];
    for (int i = 0; i < shape->n_steps; i++) x[i] = falling(carried * shape->decays[i], x[i]);
    lane->released = fallen > last ? fallen : last;
    return x;
}

/* No less than the running average of the reduction, with the time constant of slow_decay. */
INLINE void keep_average(float *x, const Shape *shape, double *last)
{
    double average = *last;
    for (int i = 0; i < shape->n_steps; i++) {
        average = x[i] + (average - x[i]) * shape->slow_decay;
        float kept = average > FAINT ? (float)average : 0.0f;
        x[i] = kept > x[i] ? kept : x[i];
    }
    *last = average;
}

/* Both box-cars; their sums times scale are the reduction at each step's end. */
INLINE void smooth(Lane *lane, const Shape *shape, const float *reduction, int64_t *both)
{
    int32_t *units = lane->units, *new_units = units + shape->first_box, rises[SPAN];
    int64_t *sums = lane->sums, *new_sums = sums + shape->second_box;
    int64_t sum = lane->sum, sum_of_sums = lane->sum_of_sums;
    for (int i = 0; i < shape->n_steps; i++)
        new_units[i] = (int32_t)(reduction[i] * UNIT) + (reduction[i] > 0.0f);
    for (int i = 0; i < shape->n_steps; i++) rises[i] = new_units[i] - units[i];
    for (int i = 0; i < shape->n_steps; i++) {
        new_sums[i] = sum += rises[i];
        both[i] = sum_of_sums += sum - sums[i];
    }
    lane->sum = sum;
    lane->sum_of_sums = sum_of_sums;
    memmove(units, units + shape->n_steps, (size_t)shape->first_box * sizeof *units);
    memmove(sums, sums + shape->n_steps, (size_t)shape->second_box * sizeof *sums);
}

/* The gain of the span's frames: straight lines from step to step. */
INLINE void draw_gain(Lane *lane, const Shape *shape, const int64_t *both)
{
    float *restrict knots = lane->knots;
    knots[0] = knots[shape->n_steps];
    for (int i = 0; i < shape->n_steps; i++)
        knots[i + 1] = (float)(1.0 - (double)both[i] * shape->scale);
    if (shape->step == 1) {
        memcpy(lane->gain, knots + 1, SPAN * sizeof(float));
        return;
    }
    for (int i = 0; i < SPAN / LONG_STEP; i++)
        for (int k = 0; k < LONG_STEP; k++)
            lane->gain[i * LONG_STEP + k] =
                knots[i] + (knots[i + 1] - knots[i]) * (0.25f * (float)(k + 1));
}

INLINE void apply(const float *x, float *y, const float *gain, int n, float ceiling)
{
    for (int i = 0; i < n; i++) {
        float out = x[i] * gain[i];
        out = out > ceiling ? ceiling : out;
        y[i] = out < -ceiling ? -ceiling : out;
    }
}

/* Lowest gain of each block, of n_steps steps, and the most it moves in a frame. */
INLINE void block_moves(const float *knots, int n_blocks, int n_steps, float *moves)
{
    for (int b = 0; b < n_blocks; b++) {
        const float *k = knots + b * n_steps;
        float low = k[0], most = 0.0f;
        for (int i = 0; i < n_steps; i++) {
            float move = fabsf(k[i + 1] - k[i]);
            most = move > most ? move : most;
            low = k[i + 1] < low ? k[i + 1] : low;
        }
        moves[2 * b] = low;
        moves[2 * b + 1] = most * ((float)n_steps / BLOCK);
    }
}

INLINE void gain_moves(const Lane *lane, const Shape *shape, int n, float *moves)
{
    int n_blocks = (n + BLOCK - 1) / BLOCK;
    if (shape->step == LONG_STEP)
        block_moves(lane->knots, n_blocks, BLOCK / LONG_STEP, moves);
    else
        block_moves(lane->knots, n_blocks, BLOCK, moves);
}

/* The frames whose need the span that begins at start has to read: n from `from` on, after as many
   steps before the programme's first frame. */
typedef struct {
    int64_t from;
    int n, skipped;
} Reading;

INLINE Reading reading_of(const Shape *shape, int64_t start, int64_t n_frames)
{
    Reading reading = {start + (shape->n_look - 1) * shape->step, 0, 0};
    if (reading.from < 0) reading.skipped = (int)((-reading.from + shape->step - 1) / shape->step);
    reading.from += reading.skipped * shape->step;
    int64_t left = n_frames - reading.from, room = SPAN - reading.skipped * shape->step;
    reading.n = (int)(left < room ? left : room);
    return reading;
}

/* One span of a lane; afterwards busy tells whether its gain may differ from 1. own, other: the
   envelopes of what is read, other NULL for mono. */
INLINE void advance(Lane *lane, const Shape *shape, int64_t start, const Reading *reading,
                    const float *own, const float *other, float ceiling, float link)
{
    int known = shape->n_hold + shape->n_look - 1;
    memset(lane->need + known, 0, (size_t)shape->n_steps * sizeof(float));
    if (reading->n > 0 && read_need(own, other, reading->n, shape->step, ceiling, link,
                                    lane->need + known + reading->skipped))
        lane->last_needed = reading->from + reading->n - 1 + shape->n_hold * shape->step;
    lane->busy = lane->last_needed >= start || lane->released > 0.0 || lane->average > FAINT ||
                 lane->sum_of_sums != 0 || lane->knots[shape->n_steps] != 1.0f;
    if (lane->busy) {
        float *reduction = released(lane, shape, lane->last_needed >= start);
        int64_t both[SPAN];
        if (shape->slow_decay > 0.0) keep_average(reduction, shape, &lane->average);
        smooth(lane, shape, reduction, both);
        draw_gain(lane, shape, both);
    } else {
        lane->average *= shape->slow_span_decay;
    }
    memmove(lane->need, lane->need + shape->n_steps, (size_t)known * sizeof(float));
}

/* All lanes' spans that begin at start. envelope: NULL to read what looks ahead instead. */
INLINE void advance_all(Lane *lanes, int n_lanes, const Shape *shape, int64_t start,
                        const float *envelope, Ahead *ahead, float link)
{
    Reading reading = reading_of(shape, start, ahead->n_frames);
    const float *read[MAX_CHANNELS] = {NULL, NULL};
    if (!envelope && reading.n > 0) look_ahead(ahead, reading.from, reading.n);
    for (int c = 0; c < ahead->n_channels; c++)
        read[c] = envelope ? envelope + c * ahead->n_frames + reading.from : ahead->window[c];
    for (int c = 0; c < n_lanes; c++)
        advance(&lanes[c], shape, start, &reading, read[c], read[1 - c], ahead->ceiling, link);
}

/* envelope: the magnitude to keep below ceiling, per frame (its sign is ignored); NULL for the true
   peaks of x. taps, pairs, weights: of their meter. link from 0 to 1: how far a channel follows the
   other; at 1 there is one gain for all. slow_decay: 0, or that of the average. moves: of each gain
   and block the lowest and the most it moves in a frame; 1 and 0 before. Returns 0 when memory ran
   out. */
WIDE int cw_limit(const float *x, const float *envelope, float *y, float *moves, int n_channels,
                  int64_t n_frames, const float *taps, const int32_t *pairs, const float *weights,
                  float ceiling, float link, int n_look, int n_attack, int n_hold, double decay,
                  double slow_decay)
{
    int64_t n_blocks = (n_frames + BLOCK - 1) / BLOCK;
    Shape shape = shape_of(n_look, n_attack, n_hold, decay, slow_decay);
    Lane lanes[MAX_CHANNELS];
    Ahead ahead;
    int n_lanes = link == 1.0f ? 1 : n_channels, ok = 1;
    look_from_start(&ahead, x, n_channels, n_frames, ceiling, link, decay, LONG_STEP);
    ahead.meter = meter_of(taps, pairs, weights);
    for (int c = 0; c < n_lanes; c++) ok = allocate(&lanes[c], &shape) && ok;
    int64_t before = (n_look + LONG_STEP + SPAN) / SPAN; /* spans the look-ahead reaches back */
    for (int64_t start = -before * SPAN; ok && start < n_frames; start += SPAN) {
        advance_all(lanes, n_lanes, &shape, start, envelope, &ahead, link);
        if (start < 0) continue;
        int n = n_frames - start < SPAN ? (int)(n_frames - start) : SPAN;
        for (int c = 0; c < n_channels; c++) {
            const Lane *lane = &lanes[c < n_lanes ? c : 0];
            int64_t at = c * n_frames + start;
            if (!lane->busy) {
                memcpy(y + at, x + at, (size_t)n * sizeof(float));
                continue;
            }
            apply(x + at, y + at, lane->gain, n, ceiling);
            if (c < n_lanes)
                gain_moves(lane, &shape, n, moves + 2 * (c * n_blocks + start / BLOCK));
        }
    }
    for (int c = 0; c < n_lanes; c++) release(&lanes[c]);
    return ok;
}

/* Multiplies by 1 - a straight line between the knots, which stand at the starts of blocks. */
WIDE void cw_trim(float *y, int64_t n_frames, const float *knots, int64_t n_blocks, int64_t first)
{
    for (int64_t b = 0; b < n_blocks; b++) {
        if (knots[b] == 0.0f && knots[b + 1] == 0.0f) continue;
        float slope = (knots[b + 1] - knots[b]) / BLOCK;
        for (int i = 0; i < BLOCK; i++) {
            int64_t frame = first + b * BLOCK + i;
            if (frame >= 0 && frame < n_frames) y[frame] *= 1.0f - (knots[b] + slope * (float)i);
        }
    }
}
