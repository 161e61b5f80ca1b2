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

typedef struct {
    const float *share;
    const int32_t *first_bin, *n_band_bins;
    int n_bands;
} grouping;

/* A bin's energy before, and that of the difference of magnitudes. */
INLINE row changed(row was, row is, float weight)
{
    lanes before = power_of(was), apart = SUB(root_of(power_of(is)), root_of(before));
    row out = {SCALE(before, weight), SCALE(MUL(apart, apart), weight)};
    return out;
}

INLINE row mean_of(row a, row b)
{
    row out = {SCALE(ADD(a.re, b.re), 0.5f), SCALE(ADD(a.im, b.im), 0.5f)};
    return out;
}

INLINE row half_apart(row a, row b)
{
    row out = {SCALE(SUB(a.re, b.re), 0.5f), SCALE(SUB(a.im, b.im), 0.5f)};
    return out;
}

/* One bin of the channels before and after, a pair a channel, into each signal's rows. */
INLINE void change_bin(const row *bin, int n_channels, float weight, int n_bins, row *changes)
{
    changes[0] = changed(bin[0], bin[1], weight);
    if (n_channels < 2) return;
    changes[n_bins] = changed(bin[2], bin[3], weight);
    changes[2 * n_bins] = changed(mean_of(bin[0], bin[2]), mean_of(bin[1], bin[3]), weight);
    changes[3 * n_bins] = changed(half_apart(bin[0], bin[2]), half_apart(bin[1], bin[3]), weight);
}

INLINE void add_power(row bin, float weight, double sum[LANES])
{
    lanes power = SCALE(power_of(bin), weight);
    for (int j = 0; j < LANES; j++) sum[j] += AT(power, j);
}

INLINE void store(lanes sum, int n, int n_bands, float *out)
{
    for (int j = 0; j < n; j++) out[n_bands * j] = AT(sum, j) > FLOOR ? AT(sum, j) : FLOOR;
}

/* Bands of the first n frames of one signal. */
INLINE void group(const row *changes, const grouping *g, int n, float *bands, float *noise)
{
    const float *share = g->share;
    for (int b = 0; b < g->n_bands; b++) {
        const row *bin = changes + g->first_bin[b];
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
   space: 9 (length / 2 + 1) rows. bands, noise: of each signal, of each frame; power: K-weighted,
   of each frame before, then after, channels summed. */
WIDE void cw_ear_frames(const float *was_left, const float *was_right, const float *is_left,
                        const float *is_right, int64_t n_frames, int hop, int length,
                        const float *window, const float *turns, const float *loudness,
                        const float *bin_weight, const int32_t *first_bin,
                        const int32_t *n_band_bins, const float *share, int n_bands, float *space,
                        float *bands, float *noise, double *power)
{
    const float *channels[4] = {was_left, is_left, was_right, is_right};
    const grouping g = {share, first_bin, n_band_bins, n_bands};
    int end = first_bin[n_bands - 1] + n_band_bins[n_bands - 1]; /* of the bands */
    int half = length / 2, n_bins = half + 1, n_channels = was_right ? 2 : 1;
    row *work = (row *)space, *halves = work + n_bins, *changes = halves + 4 * n_bins;
    for (int64_t start = 0; start < n_frames; start += LANES) {
        int n = (int)(n_frames - start < LANES ? n_frames - start : LANES);
        double sums[2][LANES] = {{0.0}};
        for (int c = 0; c < 2 * n_channels; c++) {
            const float *at[LANES];
            for (int j = 0; j < LANES; j++) at[j] = channels[c] + hop * (start + (j < n ? j : 0));
            transform_halves(at, length, window, turns, work, halves + c * n_bins);
        }
        for (int k = 0; k <= half / 2; k++) {
            row low[4], high[4];
            for (int c = 0; c < 2 * n_channels; c++) {
                bins_of(halves + c * n_bins, half, k, turns, low + c, high + c);
                add_power(low[c], loudness[k], sums[c % 2]);
                if (k < half - k) add_power(high[c], loudness[half - k], sums[c % 2]);
            }
            if (k >= first_bin[0])
                change_bin(low, n_channels, bin_weight[k], n_bins, changes + k);
            if (half - k < end)
                change_bin(high, n_channels, bin_weight[half - k], n_bins, changes + half - k);
        }
        for (int j = 0; j < n; j++) {
            power[start + j] = sums[0][j];
            power[n_frames + start + j] = sums[1][j];
        }
        for (int signal = 0; signal < (n_channels == 2 ? 4 : 1); signal++) {
            int64_t place = (signal * n_frames + start) * n_bands;
            group(changes + signal * n_bins, &g, n, bands + place, noise + place);
        }
    }
}
