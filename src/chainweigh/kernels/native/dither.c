/* Rounding to a grid with dither and error feedback. */
#include "common.h"
#include "dither.h"

/* noise, errors in steps; errors[0] is the latest, all are 0 at first. */
void cw_dither(const float *x, const double *noise, float *y, int64_t n_frames, double step,
               const double *taps, int n_taps, double *errors)
{
    for (int64_t i = 0; i < n_frames; i++) {
        double wanted = (double)x[i] / step, rounded;
        for (int k = 0; k < n_taps; k++) wanted -= taps[k] * errors[k];
        rounded = floor(wanted + noise[i] + 0.5);
        for (int k = n_taps - 1; k > 0; k--) errors[k] = errors[k - 1];
        if (n_taps > 0) errors[0] = rounded - wanted;
        y[i] = (float)(rounded * step);
    }
}
