/* Feed-forward compressor: level, soft-knee curve, smooth decoupled ballistics, gain.

   Levels and reductions are in octaves of amplitude (6.02 dB). Level, curve and gain are loops
   without memory that the compiler turns into vectors; only the ballistics run frame by frame.
   Own log2 and exp2: the same result on every machine, errors stated where they stand. */
#include "common.h"
#include "compress.h"

#define BLOCK 512
#define TINY_REDUCTION 1e-10
#define TINY_POWER 1e-25
#define FAINT 1e-30f

typedef struct {
    float per_threshold, slope, knee, half_per_knee;
    double attack, release, averaging;
    float link, dry, wet;
} setup;

typedef struct { double power, held, smooth; } memory;

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

/* Reduction in octaves at an amplitude already divided by the threshold. FAINT keeps the
   logarithm finite at zero and is far below every knee. */
static inline float reduction_at(const setup *c, float amplitude)
{
    float over = log2_of(amplitude + FAINT);
    float beyond = positive(over - 0.5f * c->knee);
    float in_knee = positive(over + 0.5f * c->knee) - beyond;
    return c->slope * (in_knee * in_knee * c->half_per_knee + beyond);
}

/* Mean square with an exponential window, handed on as its root. */
static inline float averaged(const setup *c, memory *m, double x)
{
    m->power += c->averaging * (x * x - m->power);
    return (float)sqrt(m->power);
}

/* Levels in, wanted reductions out, in place. */
WIDE static void curve(const setup *c, float *side, int n)
{
    for (int i = 0; i < n; i++) side[i] = reduction_at(c, side[i] * c->per_threshold);
}

/* Smooth decoupled: the held value falls with the release, its smoothing rises with the attack. */
static inline float smoothed(const setup *c, memory *m, double x)
{
    double falling = c->release * m->held + (1.0 - c->release) * x;
    m->held = falling > x ? falling : x;
    m->smooth = c->attack * m->smooth + (1.0 - c->attack) * m->held;
    return (float)m->smooth;
}

static void flush(memory *m)
{
    if (m->power < TINY_POWER) m->power = 0.0;
    if (m->held < TINY_REDUCTION) m->held = 0.0;
    if (m->smooth < TINY_REDUCTION) m->smooth = 0.0;
}

/* Runs one or two sides through a step that has memory; two at once cost little more than one. */
#define RUN_SIDES(step)                                                    \
    do {                                                                   \
        setup own = *c;                                                    \
        memory l = *of_left, r = *of_right;                                \
        if (right)                                                         \
            for (int i = 0; i < n; i++) {                                  \
                left[i] = step(&own, &l, left[i]);                         \
                right[i] = step(&own, &r, right[i]);                       \
            }                                                              \
        else                                                               \
            for (int i = 0; i < n; i++) left[i] = step(&own, &l, left[i]); \
        flush(&l);                                                         \
        flush(&r);                                                         \
        *of_left = l;                                                      \
        *of_right = r;                                                     \
    } while (0)

static void average(const setup *c, memory *of_left, memory *of_right, float *left, float *right,
                    int n)
{
    RUN_SIDES(averaged);
}

static void smooth(const setup *c, memory *of_left, memory *of_right, float *left, float *right,
                   int n)
{
    RUN_SIDES(smoothed);
}

WIDE static void apply(const setup *c, const float *reduction, const float *in, float *out, int n)
{
    for (int i = 0; i < n; i++) {
        float root = exp2_minus(0.5f * reduction[i]); /* in range whatever the input */
        out[i] = in[i] * (c->dry + c->wet * (root * root));
    }
}

WIDE static void magnitude(const float *in, float *level, int n)
{
    for (int i = 0; i < n; i++) level[i] = fabsf(in[i]);
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

static setup load(const double *s)
{
    setup c;
    c.per_threshold = (float)s[0];
    c.slope = (float)s[1];
    c.knee = (float)s[2];
    c.half_per_knee = s[2] > 0.0 ? (float)(0.5 / s[2]) : 0.0f;
    c.attack = s[3];
    c.release = s[4];
    c.averaging = s[5];
    c.link = (float)s[6];
    c.dry = (float)(1.0 - s[7]);
    c.wet = (float)s[7];
    return c;
}

/* settings: 1/threshold, 1 - 1/ratio, knee in octaves, attack and release factors a frame,
   averaging share a frame, link 0..1, mix 0..1. linked: both sides share one reduction, that of
   the greater level. For mono, hand the channel in twice and set linked. */
void cw_compress(const float *left_in, const float *right_in, float *left_out, float *right_out,
                 int64_t n_frames, const double *settings, int rms, int linked)
{
    float left[BLOCK], right[BLOCK];
    memory of_left = {0.0, 0.0, 0.0}, of_right = {0.0, 0.0, 0.0};
    setup c = load(settings);
    int stereo = left_in != right_in;
    for (int64_t start = 0; start < n_frames; start += BLOCK) {
        int n = (int)(n_frames - start < BLOCK ? n_frames - start : BLOCK);
        magnitude(left_in + start, left, n);
        if (stereo) magnitude(right_in + start, right, n);
        if (rms) average(&c, &of_left, &of_right, left, stereo ? right : NULL, n);
        if (stereo && linked) greater(right, left, n);
        curve(&c, left, n);
        if (!linked) {
            curve(&c, right, n);
            link_sides(c.link, left, right, n);
        }
        smooth(&c, &of_left, &of_right, left, linked ? NULL : right, n);
        apply(&c, left, left_in + start, left_out + start, n);
        if (stereo) apply(&c, linked ? left : right, right_in + start, right_out + start, n);
    }
}
