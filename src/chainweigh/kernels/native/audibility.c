/* Inner loops of the BS.1387 basic ear model: grouping into bands, spreading, smearing. */
#include "common.h"
#include "_exp_log.h"
#include "audibility.h"

#define LANES 8
#define FRAMES 64 /* spread side by side */
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

/* Source levels to the power 0.4 after normalising, and their upper slopes a band, same power.
   tilt: what makes a source's slope a band, as a logarithm, of that of its energy. */
INLINE void prepare(const float energy[FRAMES], int bands_above, float area_below, float tilt,
                    float step, float source[FRAMES], float slope[FRAMES])
{
    float log_energy[FRAMES], upper[FRAMES], log_area[FRAMES];
    for (int j = 0; j < FRAMES; j++) log_energy[j] = log_of(energy[j]);
    for (int j = 0; j < FRAMES; j++) upper[j] = tilt + step * log_energy[j];
    for (int j = 0; j < FRAMES; j++) slope[j] = exp_of(0.4f * upper[j]);
    for (int j = 0; j < FRAMES; j++) {
        float gap = exp_less_one(upper[j]), last = exp_less_one((float)bands_above * upper[j]);
        float geometric = (1.0f + gap) * last / (gap != 0.0f ? gap : 1.0f);
        log_area[j] = log_of(area_below + (gap != 0.0f ? geometric : (float)bands_above));
    }
    for (int j = 0; j < FRAMES; j++) source[j] = exp_of(0.4f * (log_energy[j] - log_area[j]));
}

/* Levels above the source fall off by the slope, those below it by a constant. */
INLINE void add_up(const float source[][FRAMES], const float slope[][FRAMES], float below,
                   int n_bands, float sum[][FRAMES])
{
    for (int j = 0; j < FRAMES; j++) sum[n_bands - 1][j] = source[n_bands - 1][j];
    for (int b = n_bands - 2; b >= 0; b--)
        for (int j = 0; j < FRAMES; j++) sum[b][j] = source[b][j] + below * sum[b + 1][j];
    for (int b = 0; b < n_bands; b++) {
        float part[FRAMES], fall[FRAMES];
        for (int j = 0; j < FRAMES; j++) part[j] = source[b][j];
        for (int j = 0; j < FRAMES; j++) fall[j] = slope[b][j];
        for (int above = b + 1; above < n_bands; above++)
            for (int j = 0; j < FRAMES; j++) {
                part[j] *= fall[j];
                sum[above][j] += part[j];
            }
    }
}

WIDE void cw_ear_spread(const float *bands, int64_t n_frames, int n_bands, double step_bark,
                        const double *centre_hz, const double *unit_response, float *excitation)
{
    float source[MAX_BANDS][FRAMES], slope[MAX_BANDS][FRAMES], sum[MAX_BANDS][FRAMES];
    float area_below[MAX_BANDS], tilt[MAX_BANDS], share[MAX_BANDS];
    double lower = -2.7 * LOG_10 * step_bark;
    for (int b = 0; b < n_bands; b++) {
        area_below[b] = (float)((1.0 - exp((b + 1) * lower)) / (1.0 - exp(lower)));
        share[b] = (float)(1.0 / unit_response[b]);
        tilt[b] = (float)(LOG_10 * (-2.4 - 23.0 / centre_hz[b]) * step_bark);
    }
    for (int64_t start = 0; start < n_frames; start += FRAMES) {
        int n = (int)(n_frames - start < FRAMES ? n_frames - start : FRAMES);
        for (int b = 0; b < n_bands; b++) {
            float energy[FRAMES];
            for (int j = 0; j < FRAMES; j++)
                energy[j] = bands[n_bands * (start + (j < n ? j : 0)) + b];
            prepare(energy, n_bands - 1 - b, area_below[b], tilt[b], (float)(0.2 * step_bark),
                    source[b], slope[b]);
        }
        add_up(source, slope, (float)exp(0.4 * lower), n_bands, sum);
        for (int b = 0; b < n_bands; b++)
            for (int j = 0; j < FRAMES; j++)
                sum[b][j] *= sum[b][j] * sqrtf(sum[b][j]) * share[b];
        for (int j = 0; j < n; j++)
            for (int b = 0; b < n_bands; b++) excitation[n_bands * (start + j) + b] = sum[b][j];
    }
}

/* In place: the larger of each frame and its exponential average over time. */
void cw_ear_smear(float *excitation, int64_t n_frames, int n_bands, const double *keep,
                  double *state)
{
    for (int64_t t = 0; t < n_frames; t++) {
        float *e = excitation + n_bands * t;
        for (int b = 0; b < n_bands; b++) {
            state[b] = keep[b] * state[b] + (1.0 - keep[b]) * e[b];
            e[b] = state[b] > e[b] ? (float)state[b] : e[b];
        }
    }
}
