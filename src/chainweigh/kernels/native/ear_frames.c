/* Frames of two signals transformed and grouped into the ear model's bands, eight frames side by
   side: every value below is a lane of each, so that the spectra never leave the cache. */
#include "common.h"
#include "_frame_transform.h"
#include "ear_frames.h"

#define FLOOR 1e-12f

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
