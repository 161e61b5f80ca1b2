/* Energies of a signal, another and their difference, and their products with a few waveforms. */
#include "common.h"
#include "_frame_transform.h"
#include "residual.h"

#define RUN 64  /* frames summed in single precision */
#define PARTS 4 /* of a run, summed apart: sums that do not wait for each other */

INLINE double energy_of(const float *x, int n)
{
    double lane[LANES] = {0.0}, sum = 0.0;
    int whole = n & ~(LANES - 1);
    for (int i = 0; i < whole; i += LANES)
        for (int j = 0; j < LANES; j++) lane[j] += (double)x[i + j] * x[i + j];
    for (int i = whole; i < n; i++) sum += (double)x[i] * x[i];
    for (int j = 0; j < LANES; j++) sum += lane[j];
    return sum;
}

INLINE void add_products(const float *x, const float *columns, double sum[LANES])
{
    const lanes *waveforms = (const lanes *)columns;
    lanes part[PARTS] = {{0}};
    for (int i = 0; i < RUN; i += PARTS)
        for (int p = 0; p < PARTS; p++)
            part[p] = ADD(part[p], SCALE(waveforms[i + p], x[i + p]));
    for (int p = 0; p < PARTS; p++)
        for (int j = 0; j < LANES; j++) sum[j] += AT(part[p], j);
}

/* energies: of fitted, candidate and candidate minus fitted. products, zero at first: of the last
   and of the candidate, of each block, with each column. length: whole runs. */
WIDE void cw_residual_sums(const float *fitted, const float *candidate, int64_t n_frames, int length,
                           const float *columns, int n_groups, double *energies, double *products)
{
    int64_t n_blocks = (n_frames + length - 1) / length;
    energies[0] = energies[1] = energies[2] = 0.0;
    for (int64_t start = 0; start < n_frames; start += RUN) {
        int n = (int)(n_frames - start < RUN ? n_frames - start : RUN);
        const float *x = fitted + start, *y = candidate + start;
        float left[RUN] = {0.0f}, whole[RUN] = {0.0f};
        for (int i = 0; i < n; i++) {
            left[i] = y[i] - x[i];
            whole[i] = y[i];
        }
        energies[0] += energy_of(x, n);
        energies[1] += energy_of(y, n);
        energies[2] += energy_of(left, n);
        for (int g = 0; g < n_groups; g++) {
            const float *group = columns + ((int64_t)g * length + start % length) * LANES;
            double *to = products + (start / length * n_groups + g) * LANES;
            add_products(left, group, to);
            add_products(whole, group, to + n_blocks * n_groups * LANES);
        }
    }
}
