/* Feed-forward compressor: level, soft-knee curve, look-ahead, smooth decoupled ballistics, gain.

   Levels and reductions are in octaves of amplitude (6.02 dB). Every step is a loop the compiler
   turns into vectors, the recursions too: a step over 8 frames is composed of 8 single ones by
   doubling, so that a frame waits only for the one 8 before it. What goes into a recursion is
   float, its state double: rounding stays at 4e-7 of the reduction, whatever the time constant.
   Own log2 and exp2: the same result on every machine, errors stated where they stand. */
#include "common.h"
#include "compress.h"

#define BLOCK 384
#define LANES 8 /* frames a recursion steps over, and what it remembers of its past */
#define TINY_REDUCTION 1e-10
#define TINY_POWER 1e-25
#define FAINT 1e-30f

typedef struct {
    float per_threshold, octaves, slope, knee, half_per_knee;
    double attack, release, averaging;
    float link, dry, wet;
} setup;

/* What a recursion remembers: its latest inputs and outputs. */
typedef struct { float in[LANES]; double out[LANES]; } memory;

typedef struct {
    memory power, held, smooth;
    float block[LANES + BLOCK], *level; /* room, then levels, wanted reductions, reductions */
    float *ahead, *work[2]; /* wanted reductions of the look-ahead and the block; room to work */
} side;

/* log2 of a normal positive float. x = 2^e m, m in [0.7071, 1.4142); s = (m-1)/(m+1), |s| <= 0.1716;
   the series of atanh is cut after s^7: error below 2/ln2 s^9/9 = 4.4e-8, that is 2.7e-7 dB,
   besides float rounding. */
static inline float log2_of(float x)
{
    int32_t bits, e;
    float m, s, s2;
    memcpy(&bits, &x, 4);
    e = (bits - 0x3f3504f3) >> 23;
    bits -= e * (1 << 23);
    memcpy(&m, &bits, 4);
    s = (m - 1.0f) / (m + 1.0f);
    s2 = s * s;
    return (float)e + s * (2.88539008f + s2 * (0.961796694f + s2 * (0.577078016f
           + s2 * 0.412198583f)));
}

/* 2^-y for y in [0, 126]. y = k + f, |f| <= 1/2; Taylor to the 7th power of f ln2: relative error
   below 0.3466^8/8! = 5.2e-9, that is 4.5e-8 dB, besides float rounding. Exactly 1 at 0. */
static inline float exp2_minus(float y)
{
    int32_t k = (int32_t)(y + 0.5f), bits = (127 - k) * (1 << 23);
    float u = -0.693147181f * (y - (float)k), scale;
    memcpy(&scale, &bits, 4);
    return scale * (1.0f + u * (1.0f + u * (0.5f + u * (1.66666667e-1f + u * (4.16666667e-2f
           + u * (8.33333333e-3f + u * (1.38888889e-3f + u * 1.98412698e-4f)))))));
}

static inline float positive(float x) { return x > 0.0f ? x : 0.0f; }

/* Reduction in octaves at a level (amplitude or power) already divided by the threshold's. FAINT
   keeps the logarithm finite at zero and is far below every knee. */
static inline float reduction_at(const setup *c, float level)
{
    float over = c->octaves * log2_of(level + FAINT);
    float beyond = positive(over - 0.5f * c->knee);
    float in_knee = positive(over + 0.5f * c->knee) - beyond;
    return c->slope * (in_knee * in_knee * c->half_per_knee + beyond);
}

/* Levels in, wanted reductions out, in place. */
WIDE static void curve(const setup *c, float *level, int n)
{
    for (int i = 0; i < n; i++) level[i] = reduction_at(c, level[i] * c->per_threshold);
}

/* A recursion works in place on a side's block, which has LANES earlier inputs in front. */
static void recall(memory *m, float *x, double *y, int n)
{
    memcpy(x, m->in, sizeof m->in);
    memcpy(y, m->out, sizeof m->out);
    memcpy(m->in, x + n, sizeof m->in);
}

static void remember(memory *m, const double *last, double tiny)
{
    for (int k = 0; k < LANES; k++) m->out[k] = last[k] < tiny ? 0.0 : last[k];
}

/* y[i] = keep y[i-1] + (1 - keep) x[i] */
WIDE static void one_pole(double keep, memory *m, float *x, int n, double tiny)
{
    float two[LANES + BLOCK], add = (float)(1.0 - keep);
    double y[LANES + BLOCK], squared = keep * keep, keep8 = squared * squared * squared * squared;
    float keep1 = (float)keep, keep2 = (float)squared, keep4 = (float)(squared * squared);
    recall(m, x, y, n);
    for (int i = 1; i < LANES + n; i++) two[i] = add * (x[i] + keep1 * x[i - 1]);
    for (int i = LANES; i < LANES + n; i++) { /* which waits for itself: the rest costs nothing */
        float four = two[i] + keep2 * two[i - 2], before = two[i - 4] + keep2 * two[i - 6];
        float eight = four + keep4 * before;
        y[i] = eight + keep8 * y[i - LANES];
    }
    for (int i = LANES; i < LANES + n; i++) x[i] = (float)y[i];
    remember(m, y + n, tiny);
}

static inline float larger(float a, float b) { return a > b ? a : b; }

/* y[i] = max(x[i], keep y[i-1] + (1 - keep) x[i]). Steps of this form, y -> max(floor, share y +
   rise), compose to steps of the same form: floor2 or share2 floor1 + rise2, share2 share1,
   share2 rise1 + rise2. */
WIDE static void hold(double keep, memory *m, float *x, int n)
{
    float floor2[LANES + BLOCK], floor4[LANES + BLOCK], add = (float)(1.0 - keep);
    float rise2[LANES + BLOCK], rise4[LANES + BLOCK];
    double y[LANES + BLOCK], squared = keep * keep, keep8 = squared * squared * squared * squared;
    float keep1 = (float)keep, keep2 = (float)squared, keep4 = (float)(squared * squared);
    recall(m, x, y, n);
    for (int i = 1; i < LANES + n; i++) {
        floor2[i] = larger(x[i], keep1 * x[i - 1] + add * x[i]);
        rise2[i] = add * (x[i] + keep1 * x[i - 1]);
    }
    for (int i = 3; i < LANES + n; i++) {
        floor4[i] = larger(floor2[i], keep2 * floor2[i - 2] + rise2[i]);
        rise4[i] = rise2[i] + keep2 * rise2[i - 2];
    }
    for (int i = LANES; i < LANES + n; i++) {
        float floor8 = larger(floor4[i], keep4 * floor4[i - 4] + rise4[i]);
        float rise8 = rise4[i] + keep4 * rise4[i - 4];
        double falling = keep8 * y[i - LANES] + rise8;
        y[i] = falling > floor8 ? falling : floor8;
    }
    for (int i = LANES; i < LANES + n; i++) x[i] = (float)y[i];
    remember(m, y + n, TINY_REDUCTION);
}

WIDE static void greater_of(const float *a, const float *b, float *out, int n)
{
    for (int i = 0; i < n; i++) out[i] = a[i] > b[i] ? a[i] : b[i];
}

/* Each wanted reduction becomes the greatest of its own and the n_ahead that follow: maxima over
   1, 2, 4 ... frames, the last two of which overlap. */
static void look_ahead(side *s, int n_ahead, int n)
{
    float *most = s->ahead, *next = s->work[0];
    int width = 1, length = n_ahead + n;
    memcpy(s->ahead + n_ahead, s->level, (size_t)n * sizeof(float));
    for (int turn = 1; 2 * width <= n_ahead + 1; turn ^= 1) {
        length -= width;
        greater_of(most, most + width, next, length);
        width *= 2;
        most = next;
        next = s->work[turn];
    }
    greater_of(most, most + n_ahead + 1 - width, s->level, n);
    memmove(s->ahead, s->ahead + n, (size_t)n_ahead * sizeof(float));
}

WIDE static void apply(const setup *c, const float *reduction, const float *in, float *out, int n)
{
    for (int i = 0; i < n; i++) {
        float root = exp2_minus(0.5f * reduction[i]); /* in range whatever the input */
        out[i] = in[i] * (c->dry + c->wet * (root * root));
    }
}

/* Magnitudes of a block of the key, or their squares; silence beyond its end. */
WIDE static void read_levels(float *level, const float *key, int64_t n_left, int n, int rms)
{
    int n_read = n_left < 0 ? 0 : n_left < n ? (int)n_left : n;
    if (rms)
        for (int i = 0; i < n_read; i++) level[i] = key[i] * key[i];
    else
        for (int i = 0; i < n_read; i++) level[i] = fabsf(key[i]);
    for (int i = n_read; i < n; i++) level[i] = 0.0f;
}

WIDE static void greater(const float *other, float *level, int n)
{
    for (int i = 0; i < n; i++) level[i] = level[i] > other[i] ? level[i] : other[i];
}

/* Each side's own reduction moves towards the greater of both by the share `link`. */
WIDE static void link_sides(float share, float *left, float *right, int n)
{
    for (int i = 0; i < n; i++) {
        float most = left[i] > right[i] ? left[i] : right[i];
        left[i] += share * (most - left[i]);
        right[i] += share * (most - right[i]);
    }
}

static setup load(const double *s, int rms)
{
    setup c;
    c.per_threshold = (float)(rms ? s[0] * s[0] : s[0]);
    c.octaves = rms ? 0.5f : 1.0f;
    c.slope = (float)s[1];
    c.knee = (float)s[2];
    c.half_per_knee = s[2] > 0.0 ? (float)(0.5 / s[2]) : 0.0f;
    c.attack = s[3];
    c.release = s[4];
    c.averaging = s[5];
    c.link = (float)s[6];
    c.wet = (float)s[7];
    c.dry = 1.0f - c.wet; /* the two add up to exactly 1 */
    return c;
}

/* Reductions of a block, in each side's `level`. */
static void reduce(const setup *c, side *left, side *right, int n_ahead, int rms, int linked, int n)
{
    side *sides[2] = {left, right};
    for (int s = 0; rms && s < 2 && sides[s]; s++)
        one_pole(c->averaging, &sides[s]->power, sides[s]->block, n, TINY_POWER);
    if (linked && right) greater(right->level, left->level, n);
    for (int s = 0; s < (linked ? 1 : 2); s++) curve(c, sides[s]->level, n);
    if (!linked && c->link > 0.0f) link_sides(c->link, left->level, right->level, n);
    for (int s = 0; s < (linked ? 1 : 2); s++) {
        if (n_ahead) look_ahead(sides[s], n_ahead, n);
        hold(c->release, &sides[s]->held, sides[s]->block, n);
        one_pole(c->attack, &sides[s]->smooth, sides[s]->block, n, TINY_REDUCTION);
    }
}

static void run(const setup *c, side *left, side *right, const float *const *key,
                const float *const *in, float *const *out, int64_t n_frames, int n_ahead, int rms,
                int linked)
{
    for (int64_t start = -n_ahead; start < n_frames; start += BLOCK) {
        int n = (int)(n_frames - start < BLOCK ? n_frames - start : BLOCK);
        int skip = start < 0 ? (int)(-start < n ? -start : n) : 0;
        int64_t at = start + n_ahead;
        read_levels(left->level, key[0] + at, n_frames - at, n, rms);
        if (right) read_levels(right->level, key[1] + at, n_frames - at, n, rms);
        reduce(c, left, right, n_ahead, rms, linked, n);
        if (skip == n) continue;
        at = start + skip;
        apply(c, left->level + skip, in[0] + at, out[0] + at, n - skip);
        if (right)
            apply(c, (linked ? left : right)->level + skip, in[1] + at, out[1] + at, n - skip);
    }
}

/* settings: 1/threshold, 1 - 1/ratio, knee in octaves, attack and release factors a frame,
   averaging factor a frame, link 0..1, mix 0..1. The key's level decides the reduction of the
   input n_ahead frames earlier. linked: both sides share one reduction, that of the greater level.
   For mono, hand the channel in twice and set linked. Returns 0 when memory runs out. */
int cw_compress(const float *left_in, const float *right_in, float *left_out, float *right_out,
                const float *left_key, const float *right_key, int64_t n_frames,
                const double *settings, int n_ahead, int rms, int linked)
{
    const float *in[2], *key[2];
    float *out[2];
    size_t length = (size_t)n_ahead + BLOCK;
    side *sides = calloc(2, sizeof *sides);
    float *room = calloc(6 * length, sizeof *room);
    setup c = load(settings, rms);
    int stereo = left_in != right_in, ready = sides && room;
    in[0] = left_in; in[1] = right_in;
    key[0] = left_key; key[1] = right_key;
    out[0] = left_out; out[1] = right_out;
    for (int s = 0; ready && s < 2; s++) {
        sides[s].level = sides[s].block + LANES;
        sides[s].ahead = room + (size_t)(3 * s) * length;
        sides[s].work[0] = sides[s].ahead + length;
        sides[s].work[1] = sides[s].ahead + 2 * length;
    }
    if (ready)
        run(&c, sides, stereo ? sides + 1 : NULL, key, in, out, n_frames, n_ahead, rms, linked);
    free(sides);
    free(room);
    return ready;
}
