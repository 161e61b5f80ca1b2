/* Shared by the kernels: run-time dispatch to wider vectors where the compiler offers it. */
#ifndef CHAINWEIGH_COMMON_H
#define CHAINWEIGH_COMMON_H

#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#if defined(__x86_64__) && defined(__linux__) && defined(__GNUC__) && !defined(__clang__)
#define WIDE __attribute__((target_clones("avx512f", "avx2", "default")))
#else
#define WIDE
#endif

#endif
