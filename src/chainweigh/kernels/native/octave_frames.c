/* Octave-band energies of frames, and frames shaped by octave-band gains, eight side by side. */
#include "common.h"
#include "_frame_transform.h"
#include "octave_frames.h"

#define FEW 16 /* bins summed in single precision */

INLINE void frames_at(const float *x, int64_t start, int n, int hop, const float *at[LANES])
{
    for (int j = 0; j < LANES; j++) at[j] = x + hop * (start + (j < n ? j : 0));
}

/* In place: power of x and the real part of its product with y; power of y. */
INLINE void multiply(row *x, row *y, int n_bins)
{
    for (int k = 0; k < n_bins; k++) {
        const row was = x[k], is = y[k];
        x[k].re = power_of(was);
        x[k].im = ADD(MUL(was.re, is.re), MUL(was.im, is.im));
        y[k].re = power_of(is);
    }
}

/* Sums over a band's bins of what `multiply` made: of x, of y and of their product. */
INLINE void band_sums(const row *x, const row *y, int n_bins, const float *share,
                      double sums[3][LANES])
{
    memset(sums, 0, 3 * sizeof(sums[0]));
    for (int first = 0; first < n_bins; first += FEW) {
        int end = first + FEW < n_bins ? first + FEW : n_bins;
        lanes before = {0}, after = {0}, both = {0};
        for (int k = first; k < end; k++) {
            before = ADD(before, SCALE(x[k].re, share[k]));
            after = ADD(after, SCALE(y[k].re, share[k]));
            both = ADD(both, SCALE(x[k].im, share[k]));
        }
        for (int j = 0; j < LANES; j++) {
            sums[0][j] += AT(before, j);
            sums[1][j] += AT(after, j);
            sums[2][j] += AT(both, j);
        }
    }
}

/* space: 3 (length / 2 + 1) rows. sums: of x, of y and of their product, of each frame, of each
   band; power: of each frame of y, K-weighted. */
WIDE void cw_octave_energies(const float *x, const float *y, int64_t n_frames, int hop, int length,
                             const float *window, const float *turns, const float *loudness,
                             const int32_t *first_bin, const int32_t *n_band_bins,
                             const float *share, int n_bands, float *space, double *sums,
                             double *power)
{
    int n_bins = length / 2 + 1;
    row *work = (row *)space, *was = work + n_bins, *is = was + n_bins;
    for (int64_t start = 0; start < n_frames; start += LANES) {
        int n = (int)(n_frames - start < LANES ? n_frames - start : LANES);
        const float *at[LANES], *bins = share;
        double loud[LANES] = {0.0}, band[3][LANES];
        frames_at(x, start, n, hop, at);
        transform(at, length, window, turns, work, was);
        frames_at(y, start, n, hop, at);
        transform(at, length, window, turns, work, is);
        add_loudness(is, n_bins, loudness, loud);
        for (int j = 0; j < n; j++) power[start + j] = loud[j];
        multiply(was, is, n_bins);
        for (int b = 0; b < n_bands; b++) {
            band_sums(was + first_bin[b], is + first_bin[b], n_band_bins[b], bins, band);
            for (int kind = 0; kind < 3; kind++)
                for (int j = 0; j < n; j++)
                    sums[n_bands * (n_frames * kind + start + j) + b] = band[kind][j];
            bins += n_band_bins[b];
        }
    }
}

/* Each frame under the window, its bands times their gains, under the fade, added to out.
   space: 3 (length / 2 + 1) rows. */
WIDE void cw_octave_shape(const float *x, int64_t n_frames, int hop, int length,
                          const float *window, const float *turns, const float *gains,
                          const int32_t *first_bin, const int32_t *n_band_bins, const float *share,
                          int n_bands, const float *fade, float *space, float *out)
{
    int n_bins = length / 2 + 1;
    row *work = (row *)space, *spectrum = work + n_bins;
    lanes *curve = (lanes *)(spectrum + n_bins);
    for (int64_t start = 0; start < n_frames; start += LANES) {
        int n = (int)(n_frames - start < LANES ? n_frames - start : LANES);
        const float *at[LANES], *bins = share;
        frames_at(x, start, n, hop, at);
        transform(at, length, window, turns, work, spectrum);
        memset(curve, 0, (size_t)n_bins * sizeof(lanes));
        for (int b = 0; b < n_bands; b++) {
            lanes gain, *band = curve + first_bin[b];
            for (int j = 0; j < LANES; j++)
                AT(gain, j) = gains[n_bands * (start + (j < n ? j : 0)) + b];
            for (int k = 0; k < n_band_bins[b]; k++) band[k] = ADD(band[k], SCALE(gain, bins[k]));
            bins += n_band_bins[b];
        }
        for (int k = 0; k < n_bins; k++) {
            spectrum[k].re = MUL(spectrum[k].re, curve[k]);
            spectrum[k].im = MUL(spectrum[k].im, curve[k]);
        }
        const row *shaped = transform_back(spectrum, length, turns, work);
        for (int j = 0; j < n; j++) {
            float *to = out + hop * (start + j);
            for (int i = 0; i < length / 2; i++) {
                to[2 * i] += AT(shaped[i].im, j) * fade[2 * i];
                to[2 * i + 1] += AT(shaped[i].re, j) * fade[2 * i + 1];
            }
        }
    }
}
