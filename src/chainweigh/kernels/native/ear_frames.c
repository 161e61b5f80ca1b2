/* Frames of two signals transformed and grouped into the ear model's bands, eight frames side by
   side: every value below is a lane of each, so that the spectra never leave the cache. */
#include "common.h"
#include "ear_frames.h"

#define LANES 8
#define FLOOR 1e-12f

#if defined(__GNUC__) && !defined(CW_PLAIN)
#pragma GCC diagnostic ignored "-Wpsabi" /* of functions that are inlined wherever they serve */
typedef float lanes __attribute__((vector_size(32), aligned(4)));
#define ADD(a, b) ((a) + (b))
#define SUB(a, b) ((a) - (b))
#define MUL(a, b) ((a) * (b))
#define SCALE(a, s) ((a) * (s))
#define AT(v, j) ((v)[j])
#else
typedef struct { float at[LANES]; } lanes;
#define AT(v, j) ((v).at[j])
#define EACH(expression) \
    lanes out; for (int j = 0; j < LANES; j++) AT(out, j) = (expression); return out
INLINE lanes ADD(lanes a, lanes b) { EACH(AT(a, j) + AT(b, j)); }
INLINE lanes SUB(lanes a, lanes b) { EACH(AT(a, j) - AT(b, j)); }
INLINE lanes MUL(lanes a, lanes b) { EACH(AT(a, j) * AT(b, j)); }
INLINE lanes SCALE(lanes a, float s) { EACH(AT(a, j) * s); }
#endif

typedef struct { lanes re, im; } row;

INLINE row turned(lanes re, lanes im, const float *w)
{
    row out = {SUB(SCALE(re, w[0]), SCALE(im, w[1])), ADD(SCALE(re, w[1]), SCALE(im, w[0]))};
    return out;
}

/* One radix-4 step of a self-sorting transform of n times s rows; turns holds the length's roots. */
INLINE void step_of_four(const row *x, row *y, int n, int s, const float *turns, int length)
{
    int quarter = n / 4, turn = length / n;
    for (int p = 0; p < quarter; p++) {
        const float *first = turns + 2 * p * turn, *second = first + 2 * p * turn;
        const float *third = second + 2 * p * turn;
        for (int q = 0; q < s; q++) {
            const row a = x[q + s * p], b = x[q + s * (p + quarter)];
            const row c = x[q + s * (p + 2 * quarter)], d = x[q + s * (p + 3 * quarter)];
            lanes even_re = ADD(a.re, c.re), even_im = ADD(a.im, c.im);
            lanes odd_re = ADD(b.re, d.re), odd_im = ADD(b.im, d.im);
            lanes apart_re = SUB(a.re, c.re), apart_im = SUB(a.im, c.im);
            lanes across_re = SUB(d.im, b.im), across_im = SUB(b.re, d.re);
            row *to = y + q + 4 * s * p;
            to[0].re = ADD(even_re, odd_re);
            to[0].im = ADD(even_im, odd_im);
            to[s] = turned(SUB(apart_re, across_re), SUB(apart_im, across_im), first);
            to[2 * s] = turned(SUB(even_re, odd_re), SUB(even_im, odd_im), second);
            to[3 * s] = turned(ADD(apart_re, across_re), ADD(apart_im, across_im), third);
        }
    }
}

INLINE void step_of_two(const row *x, row *y, int s)
{
    for (int q = 0; q < s; q++) {
        const row a = x[q], b = x[q + s];
        y[q].re = ADD(a.re, b.re);
        y[q].im = ADD(a.im, b.im);
        y[q + s].re = SUB(a.re, b.re);
        y[q + s].im = SUB(a.im, b.im);
    }
}

/* Real samples under a window as complex ones of half the number. */
INLINE void load(const float *const at[LANES], int length, const float *window, row *x)
{
    float *to = (float *)x;
    for (int i = 0; i < length; i++, to += LANES)
        for (int j = 0; j < LANES; j++) to[j] = at[j][i] * window[i];
}

/* Spectra of eight frames: length / 2 + 1 rows, for which work has room too. */
INLINE void transform(const float *const at[LANES], int length, const float *window,
                      const float *turns, row *work, row *out)
{
    int half = length / 2, s = 1;
    row *x = out, *y = work;
    load(at, length, window, x);
    for (int n = half; n > 1; n = n > 2 ? n / 4 : 1, s *= 4) {
        if (n == 2) step_of_two(x, y, s);
        else step_of_four(x, y, n, s, turns, length);
        row *swap = x;
        x = y;
        y = swap;
    }
    if (x != work) memcpy(work, x, (size_t)half * sizeof(row));
    for (int k = 0; k <= half; k++) {
        const row a = work[k < half ? k : 0], b = work[k ? half - k : 0];
        lanes odd_re = SCALE(ADD(a.im, b.im), 0.5f), odd_im = SCALE(SUB(b.re, a.re), 0.5f);
        row odd = turned(odd_re, odd_im, turns + 2 * k);
        out[k].re = ADD(SCALE(ADD(a.re, b.re), 0.5f), odd.re);
        out[k].im = ADD(SCALE(SUB(a.im, b.im), 0.5f), odd.im);
    }
}

INLINE lanes power_of(row x) { return ADD(MUL(x.re, x.re), MUL(x.im, x.im)); }

INLINE lanes root_of(lanes x)
{
    lanes out;
    for (int j = 0; j < LANES; j++) AT(out, j) = sqrtf(AT(x, j));
    return out;
}

/* In place: left and right become half their sum and half their difference. */
INLINE void to_mid_and_side(row *left, row *right, int n_bins)
{
    for (int k = 0; k < n_bins; k++) {
        const row a = left[k], b = right[k];
        left[k].re = SCALE(ADD(a.re, b.re), 0.5f);
        left[k].im = SCALE(ADD(a.im, b.im), 0.5f);
        right[k].re = SCALE(SUB(a.re, b.re), 0.5f);
        right[k].im = SCALE(SUB(a.im, b.im), 0.5f);
    }
}

INLINE void add_loudness(const row *x, int n_bins, const float *loudness, double sum[LANES])
{
    for (int k = 0; k < n_bins; k++) {
        lanes power = SCALE(power_of(x[k]), loudness[k]);
        for (int j = 0; j < LANES; j++) sum[j] += AT(power, j);
    }
}

typedef struct {
    const float *bin_weight, *share;
    const int32_t *first_bin, *n_band_bins;
    int n_bands;
} grouping;

INLINE void store(lanes sum, int n, int n_bands, float *out)
{
    for (int j = 0; j < n; j++) out[n_bands * j] = AT(sum, j) > FLOOR ? AT(sum, j) : FLOOR;
}

/* Bands of the first n frames: energy before, and of the difference of magnitudes. */
INLINE void group(const row *was, const row *is, int n_bins, const grouping *g, row *work, int n,
                  float *bands, float *noise)
{
    for (int k = 0; k < n_bins; k++) {
        lanes before = power_of(was[k]), after = power_of(is[k]);
        lanes apart = SUB(root_of(after), root_of(before));
        work[k].re = SCALE(before, g->bin_weight[k]);
        work[k].im = SCALE(MUL(apart, apart), g->bin_weight[k]);
    }
    const float *share = g->share;
    for (int b = 0; b < g->n_bands; b++) {
        const row *bin = work + g->first_bin[b];
        row sum = {SCALE(bin->re, share[0]), SCALE(bin->im, share[0])};
        for (int k = 1; k < g->n_band_bins[b]; k++) {
            sum.re = ADD(sum.re, SCALE(bin[k].re, share[k]));
            sum.im = ADD(sum.im, SCALE(bin[k].im, share[k]));
        }
        store(sum.re, n, g->n_bands, bands + b);
        store(sum.im, n, g->n_bands, noise + b);
        share += g->n_band_bins[b];
    }
}

/* Right channels may be NULL: then there is one signal instead of left, right, mid and side.
   space: 5 (length / 2 + 1) rows. bands, noise: of each signal, of each frame; power: K-weighted,
   of each frame before, then after, channels summed. */
WIDE void cw_ear_frames(const float *was_left, const float *was_right, const float *is_left,
                        const float *is_right, int64_t n_frames, int hop, int length,
                        const float *window, const float *turns, const float *loudness,
                        const float *bin_weight, const int32_t *first_bin,
                        const int32_t *n_band_bins, const float *share, int n_bands, float *space,
                        float *bands, float *noise, double *power)
{
    const float *channels[4] = {was_left, is_left, was_right, is_right};
    const grouping g = {bin_weight, share, first_bin, n_band_bins, n_bands};
    int n_bins = length / 2 + 1, n_channels = was_right ? 2 : 1;
    row *work = (row *)space, *spectrum[4];
    for (int c = 0; c < 4; c++) spectrum[c] = work + (1 + c) * n_bins;
    for (int64_t start = 0; start < n_frames; start += LANES) {
        int n = (int)(n_frames - start < LANES ? n_frames - start : LANES);
        double sums[2][LANES] = {{0.0}};
        for (int c = 0; c < 2 * n_channels; c++) {
            const float *at[LANES];
            for (int j = 0; j < LANES; j++) at[j] = channels[c] + hop * (start + (j < n ? j : 0));
            transform(at, length, window, turns, work, spectrum[c]);
            add_loudness(spectrum[c], n_bins, loudness, sums[c % 2]);
        }
        for (int j = 0; j < n; j++) {
            power[start + j] = sums[0][j];
            power[n_frames + start + j] = sums[1][j];
        }
        for (int signal = 0; signal < (n_channels == 2 ? 4 : 1); signal++) {
            int64_t place = (signal * n_frames + start) * n_bands;
            const row *was = spectrum[signal % 2 * 2], *is = spectrum[signal % 2 * 2 + 1];
            if (signal == 2)
                for (int c = 0; c < 2; c++) to_mid_and_side(spectrum[c], spectrum[2 + c], n_bins);
            group(was, is, n_bins, &g, work, n, bands + place, noise + place);
        }
    }
}
