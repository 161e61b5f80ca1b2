/* Oversampled saturation in residual form: y = x + mix * D(f(Ux) - Ux).

   With u = x / ceiling and b the bias, f is ceiling * (g(u + b) - g(b)) for a curve g of slope 1 at
   0 and limits +-1. Each is worked out so that its error is relative to the signal, however soft:
   tanh and arctan by their addition theorems, the cubic by expanding the difference. */
#include "common.h"
#include "_halfband.h"
#include "saturate.h"

#define LEAD 32 /* frames at a chunk's ends that only serve the middle */
#define ADVANCE (CHUNK - 2 * LEAD)
#define HALF_PI 1.57079632679f
#define QUARTER_PI 0.78539816340f
#define TAN_PI_8 0.41421356237f
#define CUBIC_END 1.5f /* where the cubic is flat */

enum { TANH, CUBIC, ARCTAN };

typedef struct {
    float ceiling, bias;
    float at_bias; /* g(bias), for tanh */
} Curve;

/* 2^t for t <= 0 down to -120, to 1e-7. */
INLINE float power_of_two(float t)
{
    float whole = (t + 12582912.0f) - 12582912.0f, f = t - whole, scale;
    int32_t bits = ((int32_t)whole + 127) * (1 << 23);
    memcpy(&scale, &bits, sizeof scale);
    float p = 1.547801772e-4f;
    p = p * f + 1.340043167e-3f;
    p = p * f + 9.617994531e-3f;
    p = p * f + 5.550327216e-2f;
    p = p * f + 2.402265150e-1f;
    p = p * f + 6.931472067e-1f;
    return (p * f + 1.0f) * scale;
}

/* A polynomial in u^2 for the least largest error up to 0.6, exponentials beyond. */
INLINE float tanh_of(float u)
{
    float a = fabsf(u), s = u * u, e, far, near;
    a = a < 12.0f ? a : 12.0f;
    s = s < 0.36f ? s : 0.36f;
    e = power_of_two(a * -2.88539008f);
    far = (1.0f - e) / (1.0f + e);
    near = -5.905860602e-3f;
    near = near * s + 2.080537755e-2f;
    near = near * s - 5.378668136e-2f;
    near = near * s + 1.333195821e-1f;
    near = near * s - 3.333329927e-1f;
    near = a + a * s * near;
    a = a < 0.6f ? near : far;
    return u < 0.0f ? -a : a;
}

/* A polynomial up to tan(pi / 8), reached by the half angle and the reciprocal. */
INLINE float arctan_of(float u)
{
    float a = fabsf(u), turned = a > 1.0f ? 1.0f / a : a, z, s, p;
    z = turned > TAN_PI_8 ? (turned - 1.0f) / (turned + 1.0f) : turned;
    s = z * z;
    p = -6.083445550e-2f;
    p = p * s + 1.059599817e-1f;
    p = p * s - 1.424384822e-1f;
    p = p * s + 1.999848940e-1f;
    p = p * s - 3.333331550e-1f;
    p = z + z * s * p;
    p = turned > TAN_PI_8 ? p + QUARTER_PI : p;
    p = a > 1.0f ? HALF_PI - p : p;
    return u < 0.0f ? -p : p;
}

INLINE float tanh_residual(float x, Curve c)
{
    float u = x / c.ceiling, t = tanh_of(u);
    return c.ceiling * (t * (1.0f - c.at_bias * c.at_bias) / (1.0f + c.at_bias * t)) - x;
}

INLINE float cubic_residual(float x, Curve c)
{
    const float k = 4.0f / 27.0f;
    float u = x / c.ceiling, b = c.bias, v = u + b;
    float at_bias = b - k * b * b * b;
    float bent = -k * u * (3.0f * b * b + 3.0f * b * u + u * u);
    float flat = (v < 0.0f ? -1.0f : 1.0f) - at_bias - u;
    return c.ceiling * (fabsf(v) < CUBIC_END ? bent : flat);
}

INLINE float arctan_residual(float x, Curve c)
{
    float v = HALF_PI * (x / c.ceiling), b = HALF_PI * c.bias;
    float divisor = 1.0f + b * (v + b);
    float angle = arctan_of(v / (divisor != 0.0f ? divisor : 1e-30f));
    angle += divisor < 0.0f ? (v < 0.0f ? -2.0f * HALF_PI : 2.0f * HALF_PI) : 0.0f;
    return c.ceiling * (angle / HALF_PI) - x;
}

/* From a signal to what saturation adds to it, in place. */
INLINE void residual(float *a, int64_t n, int curve, Curve c)
{
    if (curve == TANH)
        for (int64_t i = 0; i < n; i++) a[i] = tanh_residual(a[i], c);
    else if (curve == CUBIC)
        for (int64_t i = 0; i < n; i++) a[i] = cubic_residual(a[i], c);
    else
        for (int64_t i = 0; i < n; i++) a[i] = arctan_residual(a[i], c);
}

/* Leaves the residual of frames LEAD .. CHUNK - LEAD of the chunk in row 0. */
INLINE void residual_chunk(const float *x, int64_t n_frames, int64_t start, const Halfbands *bands,
                           int n_stages, int curve, Curve c, float rows[MAX_PHASES][WIDTH])
{
    int reach[MAX_STAGES + 1] = {0}, from = MARGIN + LEAD, to = MARGIN + CHUNK - LEAD;
    for (int s = 0; s < n_stages; s++) reach[s + 1] = reach[s] + reach_of(bands, s);
    load_interpolated(x, n_frames, start, CHUNK, reach[n_stages] - LEAD, bands, n_stages, rows);
    for (int p = 0; p < 1 << n_stages; p++)
        residual(rows[p] + from - reach[n_stages], to - from + 2 * reach[n_stages], curve, c);
    for (int s = n_stages - 1; s >= 0; s--)
        decimate(rows, bands, n_stages, s, from - reach[s], to + reach[s]);
}

INLINE int is_silent(const float *x, int64_t n_frames, int64_t from, int64_t to)
{
    for (int64_t i = from < 0 ? 0 : from; i < to && i < n_frames; i++)
        if (x[i] != 0.0f) return 0;
    return 1;
}

WIDE void cw_saturate(const float *x, float *y, int64_t n_frames, int n_stages, int curve,
                      float ceiling, float bias, float mix, const float *taps, const int32_t *pairs)
{
    float rows[MAX_PHASES][WIDTH] = {{0.0f}};
    Halfbands bands = halfbands_of(taps, pairs);
    Curve c = {ceiling, bias, tanh_of(bias)};
    if (n_stages == 0) {
        memcpy(y, x, (size_t)n_frames * sizeof(float));
        residual(y, n_frames, curve, c);
        for (int64_t i = 0; i < n_frames; i++) y[i] = x[i] + mix * y[i];
        return;
    }
    for (int64_t at = 0; at < n_frames; at += ADVANCE) {
        int n = n_frames - at < ADVANCE ? (int)(n_frames - at) : ADVANCE;
        if (is_silent(x, n_frames, at - LEAD - MARGIN, at - LEAD + CHUNK + MARGIN)) {
            memset(y + at, 0, (size_t)n * sizeof(float));
            continue;
        }
        residual_chunk(x, n_frames, at - LEAD, &bands, n_stages, curve, c, rows);
        for (int i = 0; i < n; i++) y[at + i] = x[at + i] + mix * rows[0][MARGIN + LEAD + i];
    }
}
