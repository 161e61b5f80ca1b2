/* Inner loops of the BS.1387 basic ear model: grouping into bands, spreading, smearing. */
#include "common.h"
#include "_exp_log.h"
#include "audibility.h"

#define LANES 8
#define FRAMES 32 /* spread side by side */
#define MAX_BANDS 128
#define MAX_BINS 16385
#define FLOOR 1e-12f
#define LOG_10 2.302585092994045684

/* Sums of weighted bins; a band's first and last bin count by the share that lies inside. */
INLINE void group(const float *bins, const int32_t *first_bin, const int32_t *n_band_bins,
                  const float *share, int n_bands, float *out)
{
    for (int band = 0; band < n_bands; band++) {
        const float *b = bins + first_bin[band];
        int n = n_band_bins[band], whole = n & ~(LANES - 1);
        float lane[LANES] = {0.0f}, sum = 0.0f;
        for (int k = 0; k < whole; k += LANES)
            for (int j = 0; j < LANES; j++) lane[j] += b[k + j] * share[k + j];
        for (int k = whole; k < n; k++) sum += b[k] * share[k];
        for (int j = 0; j < LANES; j++) sum += lane[j];
        out[band] = sum > FLOOR ? sum : FLOOR;
        share += n;
    }
}

WIDE void cw_ear_bands(const float *spectra, int64_t n_frames, int64_t n_bins,
                       const float *bin_weight, const int32_t *first_bin,
                       const int32_t *n_band_bins, const float *share, int n_bands, float *bands)
{
    float bins[MAX_BINS];
    for (int64_t t = 0; t < n_frames; t++) {
        const float *s = spectra + 2 * n_bins * t;
        for (int64_t k = 0; k < n_bins; k++)
            bins[k] = bin_weight[k] * (s[2 * k] * s[2 * k] + s[2 * k + 1] * s[2 * k + 1]);
        group(bins, first_bin, n_band_bins, share, n_bands, bands + n_bands * t);
    }
}

/* Per frame the weighted sum of products of two spectra's bins, their phases apart included, over n
   bins from the first. */
WIDE void cw_weighted_products(const float *a, const float *b, int64_t n_frames, int64_t n_bins,
                               int64_t first, int64_t n, const float *weight, double *sums)
{
    int64_t whole = n / LANES * LANES;
    for (int64_t t = 0; t < n_frames; t++) {
        const float *x = a + 2 * (n_bins * t + first), *y = b + 2 * (n_bins * t + first);
        double lane[LANES] = {0.0}, sum = 0.0;
        for (int64_t k = 0; k < whole; k += LANES)
            for (int j = 0; j < LANES; j++) {
                int64_t i = 2 * (k + j);
                lane[j] += weight[k + j] * (x[i] * y[i] + x[i + 1] * y[i + 1]);
            }
        for (int64_t k = whole; k < n; k++)
            sum += weight[k] * (x[2 * k] * y[2 * k] + x[2 * k + 1] * y[2 * k + 1]);
        for (int j = 0; j < LANES; j++) sum += lane[j];
        sums[t] = sum;
    }
}

/* Sum of ratio^1 .. ratio^n, and the last of them given. */
INLINE double geometric(double ratio, double last, double n)
{
    double gap = 1.0 - ratio;
    return fabs(gap) < 1e-9 ? n : ratio * (1.0 - last) / gap;
}

/* Source levels to the power 0.4 after normalising, and their upper slopes a band, same power. */
INLINE void prepare(const double energy[FRAMES], int bands_above, double area_below,
                           double step_bark, double centre_hz, double source[FRAMES],
                           double slope[FRAMES])
{
    double log_energy[FRAMES], upper[FRAMES], log_area[FRAMES];
    for (int j = 0; j < FRAMES; j++) log_energy[j] = log_of(energy[j]);
    for (int j = 0; j < FRAMES; j++)
        upper[j] = (LOG_10 * (-2.4 - 23.0 / centre_hz) + 0.2 * log_energy[j]) * step_bark;
    for (int j = 0; j < FRAMES; j++) slope[j] = exp_of(0.4 * upper[j]);
    for (int j = 0; j < FRAMES; j++) {
        double ratio = slope[j] * slope[j] * sqrt(slope[j]);
        double area = area_below + geometric(ratio, exp_of(bands_above * upper[j]), bands_above);
        log_area[j] = log_of(area);
    }
    for (int j = 0; j < FRAMES; j++) source[j] = exp_of(0.4 * (log_energy[j] - log_area[j]));
}

WIDE void cw_ear_spread(const float *bands, int64_t n_frames, int n_bands, double step_bark,
                        const double *centre_hz, const double *unit_response, double *excitation)
{
    double source[MAX_BANDS][FRAMES], slope[MAX_BANDS][FRAMES], sum[MAX_BANDS][FRAMES];
    double area_below[MAX_BANDS], lower = -2.7 * LOG_10 * step_bark, below = exp(0.4 * lower);
    for (int b = 0; b < n_bands; b++)
        area_below[b] = 1.0 + geometric(exp(lower), exp(b * lower), b);
    for (int64_t start = 0; start < n_frames; start += FRAMES) {
        int n = (int)(n_frames - start < FRAMES ? n_frames - start : FRAMES);
        for (int b = 0; b < n_bands; b++) {
            double energy[FRAMES];
            for (int j = 0; j < FRAMES; j++)
                energy[j] = bands[n_bands * (start + (j < n ? j : 0)) + b];
            prepare(energy, n_bands - 1 - b, area_below[b], step_bark, centre_hz[b], source[b],
                    slope[b]);
        }
        for (int j = 0; j < FRAMES; j++) sum[n_bands - 1][j] = source[n_bands - 1][j];
        for (int b = n_bands - 2; b >= 0; b--)
            for (int j = 0; j < FRAMES; j++)
                sum[b][j] = source[b][j] + below * sum[b + 1][j];
        for (int b = 0; b < n_bands; b++) {
            double part[FRAMES];
            for (int j = 0; j < FRAMES; j++) part[j] = source[b][j];
            for (int above = b + 1; above < n_bands; above++)
                for (int j = 0; j < FRAMES; j++) {
                    part[j] *= slope[b][j];
                    sum[above][j] += part[j];
                }
        }
        for (int j = 0; j < n; j++)
            for (int b = 0; b < n_bands; b++) {
                double s = sum[b][j];
                excitation[n_bands * (start + j) + b] = s * s * sqrt(s) / unit_response[b];
            }
    }
}

/* In place: the larger of each frame and its exponential average over time. */
void cw_ear_smear(double *excitation, int64_t n_frames, int n_bands, const double *keep,
                  double *state)
{
    for (int64_t t = 0; t < n_frames; t++) {
        double *e = excitation + n_bands * t;
        for (int b = 0; b < n_bands; b++) {
            state[b] = keep[b] * state[b] + (1.0 - keep[b]) * e[b];
            if (state[b] > e[b]) e[b] = state[b];
        }
    }
}
