/* exp and log of several doubles at once, in loops that compilers turn into vectors.

   Errors stay within a few units in the last place, whatever the CPU: only additions, products and
   the bits of the format (IEEE 754 binary64) are used. */
#ifndef CHAINWEIGH_EXP_LOG_H
#define CHAINWEIGH_EXP_LOG_H

#include "common.h"

#define LOG2_E 1.4426950408889634074
#define LN2_HIGH 6.93147180369123816490e-01 /* its last 21 bits are zero */
#define LN2_LOW 1.90821492927058770002e-10
#define ROUNDER 6755399441055744.0 /* 1.5 * 2^52: added, it leaves the nearest integer below */
#define TWO_52 4503599627370496.0
#define ROOT_HALF_BITS UINT64_C(0x3fe6a09e667f3bcd)
#define ONE_BITS (UINT64_C(1023) << 52)
#define EXPONENT_BITS (UINT64_C(0xfff) << 52)

INLINE uint64_t bits_of(double x)
{
    uint64_t bits;
    memcpy(&bits, &x, sizeof bits);
    return bits;
}

INLINE double double_of(uint64_t bits)
{
    double x;
    memcpy(&x, &bits, sizeof x);
    return x;
}

/* x in -700 to 700; beyond, the result of the nearer end. */
INLINE double exp_of(double x)
{
    double low = x < -700.0 ? -700.0 : x, y = low > 700.0 ? 700.0 : low;
    double rounded = y * LOG2_E + ROUNDER, whole = rounded - ROUNDER;
    double r = (y - whole * LN2_HIGH) - whole * LN2_LOW, sum = 1.0 / 6227020800.0;
    sum = sum * r + 1.0 / 479001600.0;
    sum = sum * r + 1.0 / 39916800.0;
    sum = sum * r + 1.0 / 3628800.0;
    sum = sum * r + 1.0 / 362880.0;
    sum = sum * r + 1.0 / 40320.0;
    sum = sum * r + 1.0 / 5040.0;
    sum = sum * r + 1.0 / 720.0;
    sum = sum * r + 1.0 / 120.0;
    sum = sum * r + 1.0 / 24.0;
    sum = sum * r + 1.0 / 6.0;
    sum = sum * r + 0.5;
    sum = sum * r + 1.0;
    sum = sum * r + 1.0;
    return double_of(bits_of(sum) + (bits_of(rounded) << 52));
}

/* x positive and normal. */
INLINE double log_of(double x)
{
    uint64_t shifted = bits_of(x) - ROOT_HALF_BITS + ONE_BITS;
    double m = double_of(bits_of(x) - (shifted & EXPONENT_BITS) + ONE_BITS);
    double exponent = double_of((shifted >> 52) | bits_of(TWO_52)) - (TWO_52 + 1023.0);
    double s = (m - 1.0) / (m + 1.0), square = s * s, sum = 1.0 / 19.0;
    sum = sum * square + 1.0 / 17.0;
    sum = sum * square + 1.0 / 15.0;
    sum = sum * square + 1.0 / 13.0;
    sum = sum * square + 1.0 / 11.0;
    sum = sum * square + 1.0 / 9.0;
    sum = sum * square + 1.0 / 7.0;
    sum = sum * square + 1.0 / 5.0;
    sum = sum * square + 1.0 / 3.0;
    sum = sum * square + 1.0;
    return exponent * LN2_HIGH + (exponent * LN2_LOW + 2.0 * s * sum);
}

#endif
