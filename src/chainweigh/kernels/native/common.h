/* Shared by the kernels: run-time dispatch to wider vectors where the compiler offers it. */
#ifndef CHAINWEIGH_COMMON_H
#define CHAINWEIGH_COMMON_H

#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#if defined(__x86_64__) && defined(__linux__) && defined(__GNUC__) && !defined(__clang__)
#if __GNUC__ >= 12
#define WIDEST "arch=x86-64-v4" /* which has 32 registers for vectors of any width */
#else
#define WIDEST "avx512f"
#endif
#define WIDE __attribute__((target_clones(WIDEST, "avx2", "default")))
#else
#define WIDE
#endif

/* For what a WIDE function calls: only what is inlined there is compiled for its vectors. */
#if defined(__GNUC__)
#define INLINE static inline __attribute__((always_inline, unused))
#elif defined(_MSC_VER)
#define INLINE static __forceinline
#else
#define INLINE static inline
#endif

#endif
