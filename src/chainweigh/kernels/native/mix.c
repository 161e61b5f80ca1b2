/* Signals added up in double precision and rounded once. */
#include "common.h"
#include "mix.h"

#define BLOCK 1024 /* values whose sums stay in the cache */

WIDE void cw_sum_parts(const float *const *parts, int n_parts, int64_t n, float *out)
{
    double sum[BLOCK];
    for (int64_t start = 0; start < n; start += BLOCK) {
        int count = (int)(n - start < BLOCK ? n - start : BLOCK);
        for (int i = 0; i < count; i++) sum[i] = parts[0][start + i];
        for (int p = 1; p < n_parts; p++) {
            const float *part = parts[p] + start;
            for (int i = 0; i < count; i++) sum[i] += part[i];
        }
        for (int i = 0; i < count; i++) out[start + i] = (float)sum[i];
    }
}
