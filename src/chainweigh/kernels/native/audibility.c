/* Inner loops of the BS.1387 basic ear model: grouping into bands, spreading, smearing, and how
   far a noise tops what that hides. */
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

/* Levels above the source fall off by the slope, those below it by a constant. Two sources at a
   time: what they add to is then read and written once for both. */
INLINE void add_up(float source[][FRAMES], float slope[][FRAMES], float below, int n_bands,
                   float sum[][FRAMES])
{
    for (int j = 0; j < FRAMES; j++) sum[n_bands - 1][j] = source[n_bands - 1][j];
    for (int b = n_bands - 2; b >= 0; b--)
        for (int j = 0; j < FRAMES; j++) sum[b][j] = source[b][j] + below * sum[b + 1][j];
    for (int b = 0; b + 1 < n_bands; b += 2) {
        float low[FRAMES], high[FRAMES], low_fall[FRAMES], high_fall[FRAMES];
        for (int j = 0; j < FRAMES; j++) {
            low_fall[j] = slope[b][j];
            high_fall[j] = slope[b + 1][j];
            low[j] = source[b][j] * low_fall[j];
            high[j] = source[b + 1][j];
            sum[b + 1][j] += low[j];
        }
        for (int above = b + 2; above < n_bands; above++)
            for (int j = 0; j < FRAMES; j++) {
                low[j] *= low_fall[j];
                high[j] *= high_fall[j];
                sum[above][j] = (sum[above][j] + low[j]) + high[j];
            }
    }
}

/* What spreading needs to know of the bands. */
typedef struct {
    float area_below[MAX_BANDS], tilt[MAX_BANDS], share[MAX_BANDS], step, below;
    int n_bands;
} slopes;

INLINE slopes slopes_of(int n_bands, double step_bark, const double *centre_hz,
                        const double *unit_response)
{
    slopes s;
    double lower = -2.7 * LOG_10 * step_bark;
    for (int b = 0; b < n_bands; b++) {
        s.area_below[b] = (float)((1.0 - exp((b + 1) * lower)) / (1.0 - exp(lower)));
        s.share[b] = (float)(1.0 / unit_response[b]);
        s.tilt[b] = (float)(LOG_10 * (-2.4 - 23.0 / centre_hz[b]) * step_bark);
    }
    s.step = (float)(0.2 * step_bark);
    s.below = (float)exp(0.4 * lower);
    s.n_bands = n_bands;
    return s;
}

/* Excitation of n frames by their bands and what else there is in each, if anything. */
INLINE void spread(const float *bands, const float *more, int n, const slopes *s,
                   float *excitation)
{
    float source[MAX_BANDS][FRAMES], slope[MAX_BANDS][FRAMES], sum[MAX_BANDS][FRAMES];
    int n_bands = s->n_bands;
    for (int b = 0; b < n_bands; b++) {
        float energy[FRAMES];
        for (int j = 0; j < FRAMES; j++)
            energy[j] = bands[n_bands * (j < n ? j : 0) + b] + (more ? more[b] : 0.0f);
        prepare(energy, n_bands - 1 - b, s->area_below[b], s->tilt[b], s->step, source[b], slope[b]);
    }
    add_up(source, slope, s->below, n_bands, sum);
    for (int b = 0; b < n_bands; b++)
        for (int j = 0; j < FRAMES; j++)
            sum[b][j] *= sum[b][j] * sqrtf(sum[b][j]) * s->share[b];
    for (int j = 0; j < n; j++)
        for (int b = 0; b < n_bands; b++) excitation[n_bands * j + b] = sum[b][j];
}

INLINE int frames_left(int64_t n_frames, int64_t start)
{
    return (int)(n_frames - start < FRAMES ? n_frames - start : FRAMES);
}

WIDE void cw_ear_spread(const float *bands, int64_t n_frames, int n_bands, double step_bark,
                        const double *centre_hz, const double *unit_response, float *excitation)
{
    slopes s = slopes_of(n_bands, step_bark, centre_hz, unit_response);
    for (int64_t start = 0; start < n_frames; start += FRAMES)
        spread(bands + n_bands * start, NULL, frames_left(n_frames, start), &s,
               excitation + n_bands * start);
}

/* In place: the larger of a frame and the exponential average over time. */
INLINE void smear(float *e, int n_bands, const double *keep, double *state)
{
    for (int b = 0; b < n_bands; b++) {
        state[b] = keep[b] * state[b] + (1.0 - keep[b]) * e[b];
        e[b] = state[b] > e[b] ? (float)state[b] : e[b];
    }
}

void cw_ear_smear(float *excitation, int64_t n_frames, int n_bands, const double *keep,
                  double *state)
{
    for (int64_t t = 0; t < n_frames; t++) smear(excitation + n_bands * t, n_bands, keep, state);
}

/* Mean and largest ratio of one frame over bands; lanes add up in pairs, as numpy's do. */
INLINE void ratios(const float *noise, const float *mask, int n_bands, double *mean, double *most)
{
    double sum[LANES] = {0.0};
    float largest[LANES] = {0.0f};
    int whole = n_bands & ~(LANES - 1);
    for (int b = 0; b < whole; b += LANES)
        for (int j = 0; j < LANES; j++) {
            float ratio = noise[b + j] / mask[b + j];
            sum[j] += ratio;
            largest[j] = ratio > largest[j] ? ratio : largest[j];
        }
    for (int apart = 1; apart < LANES; apart *= 2)
        for (int j = 0; j < LANES; j += 2 * apart) {
            sum[j] += sum[j + apart];
            largest[j] = largest[j + apart] > largest[j] ? largest[j + apart] : largest[j];
        }
    for (int b = whole; b < n_bands; b++) {
        float ratio = noise[b] / mask[b];
        sum[0] += ratio;
        largest[0] = ratio > largest[0] ? ratio : largest[0];
    }
    *mean = sum[0] / n_bands;
    *most = largest[0];
}

/* bands, noise: of each signal, of each frame; state: of each signal; mean, largest: of each
   signal, of each frame. */
WIDE void cw_ear_noise_to_mask(const float *bands, const float *noise, int n_signals,
                               int64_t n_frames, int n_bands, const float *internal_noise,
                               double step_bark, const double *centre_hz,
                               const double *unit_response, const double *keep, double *state,
                               double *mean, double *largest)
{
    slopes s = slopes_of(n_bands, step_bark, centre_hz, unit_response);
    float masks[FRAMES * MAX_BANDS];
    for (int signal = 0; signal < n_signals; signal++, state += n_bands)
        for (int64_t start = 0; start < n_frames; start += FRAMES) {
            int n = frames_left(n_frames, start);
            spread(bands, internal_noise, n, &s, masks);
            for (int j = 0; j < n; j++, noise += n_bands) {
                smear(masks + n_bands * j, n_bands, keep, state);
                ratios(noise, masks + n_bands * j, n_bands, mean++, largest++);
            }
            bands += n_bands * n;
        }
}
