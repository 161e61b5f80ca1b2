/* exp and log of several floats at once, in loops that compilers turn into vectors.

   Errors stay within a few units in the last place, whatever the CPU: only additions, products,
   quotients and the bits of the format (IEEE 754 binary32) are used. */
#ifndef CHAINWEIGH_EXP_LOG_H
#define CHAINWEIGH_EXP_LOG_H

#include "common.h"

#define LOG2_E 1.44269504f
#define LN2_HIGH 0.693145751953125f /* its last nine bits are zero */
#define LN2_LOW 1.42860682e-6f
#define ROUNDER 12582912.0f /* 1.5 * 2^23: added, it leaves the nearest integer below */
#define ROOT_HALF_BITS UINT32_C(0x3f3504f3)
#define ONE_BITS (UINT32_C(127) << 23)
#define EXPONENT_BITS (UINT32_C(0x1ff) << 23)

INLINE uint32_t bits_of(float x)
{
    uint32_t bits;
    memcpy(&bits, &x, sizeof bits);
    return bits;
}

INLINE float float_of(uint32_t bits)
{
    float x;
    memcpy(&x, &bits, sizeof x);
    return x;
}

/* exp(x) as (1 + more) scale, more exact where it is small; x in -87 to 87, or the nearer end. */
INLINE float exp_parts(float x, float *scale)
{
    float low = x < -87.0f ? -87.0f : x, y = low > 87.0f ? 87.0f : low;
    float rounded = y * LOG2_E + ROUNDER, whole = rounded - ROUNDER;
    float r = (y - whole * LN2_HIGH) - whole * LN2_LOW, sum = 1.0f / 5040.0f;
    sum = sum * r + 1.0f / 720.0f;
    sum = sum * r + 1.0f / 120.0f;
    sum = sum * r + 1.0f / 24.0f;
    sum = sum * r + 1.0f / 6.0f;
    sum = sum * r + 0.5f;
    *scale = float_of(ONE_BITS + (bits_of(rounded) << 23));
    return sum * r * r + r;
}

INLINE float exp_of(float x)
{
    float scale, more = exp_parts(x, &scale);
    return more * scale + scale;
}

/* exp(x) - 1, exact where it is small. */
INLINE float exp_less_one(float x)
{
    float scale, more = exp_parts(x, &scale);
    return more * scale + (scale - 1.0f);
}

/* x positive and normal. */
INLINE float log_of(float x)
{
    uint32_t shifted = bits_of(x) - ROOT_HALF_BITS + ONE_BITS;
    float m = float_of(bits_of(x) - (shifted & EXPONENT_BITS) + ONE_BITS);
    float exponent = (float)((int32_t)(shifted >> 23) - 127);
    float s = (m - 1.0f) / (m + 1.0f), square = s * s, sum = 1.0f / 9.0f;
    sum = sum * square + 1.0f / 7.0f;
    sum = sum * square + 1.0f / 5.0f;
    sum = sum * square + 1.0f / 3.0f;
    sum = sum * square + 1.0f;
    return exponent * LN2_HIGH + (exponent * LN2_LOW + 2.0f * s * sum);
}

#endif
