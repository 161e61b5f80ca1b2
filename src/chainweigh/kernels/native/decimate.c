/* Every step-th value of a filtered signal. */
#include "common.h"
#include "decimate.h"

#define LANES 32 /* sums side by side, in one order on every machine */

INLINE float weighted_sum(const float *x, const float *taps, int n)
{
    float sums[LANES] = {0.0f};
    int whole = n / LANES * LANES;
    for (int j = 0; j < whole; j += LANES)
        for (int k = 0; k < LANES; k++) sums[k] += taps[j + k] * x[j + k];
    for (int j = whole; j < n; j++) sums[j - whole] += taps[j] * x[j];
    for (int width = LANES / 2; width > 0; width /= 2)
        for (int k = 0; k < width; k++) sums[k] += sums[k + width];
    return sums[0];
}

/* out[i] is the filter centred on x[i step], before the middle of an even number of taps; x is
   silent outside. */
WIDE void cw_decimate(const float *x, int64_t n_frames, int step, const float *taps, int n_taps,
                      float *out, int64_t n_out)
{
    for (int64_t i = 0; i < n_out; i++) {
        int64_t first = i * step - n_taps / 2, left = n_frames - first;
        int skipped = first < 0 ? (int)-first : 0, n = (int)(left < n_taps ? left : n_taps);
        out[i] = weighted_sum(x + first + skipped, taps + skipped, n - skipped);
    }
}
