/* Whether samples are finite, by their exponents alone. */
#include "common.h"
#include "finite.h"

#define BLOCK 4096
#define EXPONENT INT32_C(0x7f800000) /* all of it set: NaN or Inf */

INLINE int32_t largest_exponent(const float *x, int64_t n)
{
    int32_t largest = 0;
    for (int64_t i = 0; i < n; i++) {
        int32_t bits;
        memcpy(&bits, x + i, sizeof bits);
        bits &= EXPONENT;
        largest = bits > largest ? bits : largest;
    }
    return largest;
}

/* Index of the first sample that is NaN or Inf; n where there is none. */
WIDE int64_t cw_first_not_finite(const float *x, int64_t n)
{
    for (int64_t start = 0; start < n; start += BLOCK) {
        int64_t end = n - start < BLOCK ? n : start + BLOCK;
        if (largest_exponent(x + start, end - start) < EXPONENT) continue;
        while (largest_exponent(x + start, 1) < EXPONENT) start++;
        return start;
    }
    return n;
}
