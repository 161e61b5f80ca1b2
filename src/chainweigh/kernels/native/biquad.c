/* Cascade of second-order sections, transposed direct form II, state in double. */
#include "common.h"
#include "biquad.h"

#define BLOCK 512

/* sections: n_sections rows of b0 b1 b2 a1 a2, a0 = 1. */
void cw_biquad_cascade(const float *in, float *out, int64_t n_frames,
                       const double *sections, int n_sections)
{
    double state[64][2] = {{0.0}};
    double block[BLOCK];
    for (int64_t start = 0; start < n_frames; start += BLOCK) {
        int n = (int)(n_frames - start < BLOCK ? n_frames - start : BLOCK);
        for (int i = 0; i < n; i++) block[i] = in[start + i];
        for (int s = 0; s < n_sections; s++) {
            const double *c = sections + 5 * s;
            double z1 = state[s][0], z2 = state[s][1];
            for (int i = 0; i < n; i++) {
                double x = block[i];
                double y = c[0] * x + z1;
                z1 = c[1] * x - c[3] * y + z2;
                z2 = c[2] * x - c[4] * y;
                block[i] = y;
            }
            state[s][0] = z1;
            state[s][1] = z2;
        }
        for (int i = 0; i < n; i++) out[start + i] = (float)block[i];
    }
}
