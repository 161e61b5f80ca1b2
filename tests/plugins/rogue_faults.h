/* An effect with a fault of choice: by number in each block, by its file's name when loaded. */
#ifndef ROGUE_FAULTS_H
#define ROGUE_FAULTS_H
#include <dlfcn.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>
#include <xmmintrin.h>

void throw_something(void);

enum { NONE, SEGFAULT, ABORT, EXIT, THROW, SLEEP, SPIN, NOISE, NOT_A_NUMBER, INFINITE, WRONG_LATENCY,
       DROP_OUTS, FLOAT_MODE, CHILD, LATENCY_CHANGES, SILENT, AT_DESTROY, LEAK, LEAK_FAST, BY_BLOCK,
       RANDOM, LATER_UNTOLD, OFFSET, HISS, ADAPTS, LONG_TAIL, RARELY_MUTE, TURNED, STUCK, OVERRUN,
       UNWRITTEN, LAST };
enum { REPORTED = 100, LATER = 300, RING = 512, RATE = 48000 };

struct rogue { float ring[2][RING], tail[2][RING]; unsigned long frame, heard; };

static char *volatile kept;
static void keep(size_t size) { memset(kept = malloc(size), 1, size); }

static void misbehave(int fault)
{
    switch (fault) {
    case SEGFAULT: *(volatile int *)mmap(0, 4096, PROT_NONE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0) = 1; break;
    case ABORT: fputs("\033[2Jout of ideas\n\nfor good\n", stderr); abort();
    case EXIT: exit(0);
    case THROW: throw_something(); break;
    case SLEEP: for (;;) sleep(1000);
    case SPIN: nice(19); for (volatile int i = 0;; i++) {}  /* others shall get their share */
    case NOISE: for (int i = 0; i < 2000; i++) puts("{\"rendered\": null}"); fflush(stdout); break;
    case FLOAT_MODE: _mm_setcsr(_mm_getcsr() | 0x8040 | 0x6000); break;  /* no subnormals, towards zero */
    case CHILD: if (fork() == 0) for (;;) sleep(1000); break;
    case LEAK: keep(2 << 20); break;
    case UNWRITTEN: kept = malloc(1 << 20); break;
    case OVERRUN: keep(100); memset(kept, 1, 101); free(kept); break;
    case LAST: abort();
    }
}

/* The fault of a file or bundle called load_NAME. */
static const char *const at_load[] = {
    [SEGFAULT] = "load_segfault.", [ABORT] = "load_abort.", [EXIT] = "load_exit.",
    [THROW] = "load_throw.", [SLEEP] = "load_sleep.", [SPIN] = "load_spin.",
    [NOISE] = "load_noise.", [FLOAT_MODE] = "load_mode.", [CHILD] = "load_child."};

__attribute__((constructor)) static void loaded(void)
{
    Dl_info found;
    int n_faults = dladdr((void *)at_load, &found) ? sizeof at_load / sizeof *at_load : 0;
    for (int fault = 0; fault < n_faults; fault++)
        if (at_load[fault] && strstr(found.dli_fname, at_load[fault]))
            misbehave(fault);
}

static float passed(int fault, unsigned long frame, float value)
{
    if (fault == NOT_A_NUMBER && frame == 30000) return NAN;
    if (fault == INFINITE && frame == 30000) return INFINITY;
    if (fault == DROP_OUTS && frame % 40000 > 36000) return 0;
    if (fault == RARELY_MUTE && frame % (30 * RATE) > 29 * RATE) return 0;
    if (fault == RANDOM) return value + 0.001f * (float)rand() / (float)RAND_MAX;
    if (fault == HISS) return value + 0.001f * (float)(frame * 2654435761u % 1000) / 1000.0f;
    if (fault == OFFSET) return value + 0.01f;
    if (fault == TURNED) return -value;
    return fault == SILENT ? 0 : value;
}

static float changed(struct rogue *s, int fault, int side, unsigned long i, float value)
{
    float *tail = &s->tail[side][s->frame % RING];
    if (fault == BY_BLOCK && i < 8) return 0.9f * value;
    if (fault == UNWRITTEN && kept) return value + *(float *)kept;
    if (fault == ADAPTS) return value / (1.0f + (float)s->heard / RATE);
    if (fault == LONG_TAIL) return *tail = value + 0.99f * *tail;
    return value;
}

static unsigned long rogue_latency(const struct rogue *s, int fault)
{
    return fault == LATENCY_CHANGES && s->frame > 40000 ? LATER : REPORTED;
}

static void rogue_run(struct rogue *s, int fault, float *const in[2], float *const out[2],
                      unsigned long n_frames)
{
    int later = fault == WRONG_LATENCY || (fault == LATER_UNTOLD && s->frame > 5 * RATE);
    unsigned long late = later ? LATER : rogue_latency(s, fault);
    if (s->frame >= 20000 && s->frame < 20000 + n_frames) misbehave(fault);
    if (s->frame >= 20000 && fault == LEAK_FAST) keep(16 << 20);
    for (unsigned long i = 0; i < n_frames; i++, s->frame++) {
        s->heard += fabsf(in[0][i]) > 0.1f;
        for (int side = 0; side < 2; side++) {
            s->ring[side][s->frame % RING] = in[side][i];
            float value = passed(fault, s->frame, s->ring[side][(s->frame - late) % RING]);
            out[side][i] = changed(s, fault, side, i, value);
        }
    }
}

static void rogue_end(int fault)
{
    if (fault == AT_DESTROY) abort();
    while (fault == STUCK) sleep(1000);
}

#endif
