/* An effect with a fault of choice: the control "Fault" at run, the macro AT_LOAD when loaded. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>
#include <xmmintrin.h>
#include "ladspa_abi.h"

void throw_something(void);

enum { NONE, SEGFAULT, ABORT, EXIT, THROW, SLEEP, SPIN, NOISE, NOT_A_NUMBER, INFINITE, WRONG_LATENCY,
       DROP_OUTS, MODE, CHILD, LATENCY_CHANGES, SILENT, AT_DESTROY, LEAK, LEAK_FAST, BY_BLOCK, RANDOM,
       LATER_UNTOLD, OFFSET, HISS, ADAPTS, LONG_TAIL, RARELY_MUTE, TURNED, LAST };
enum { REPORTED = 100, LATER = 300, RING = 512, RATE = 48000 };

struct instance { float *ports[6]; float ring[2][RING], tail[2][RING]; unsigned long frame, heard; };

static char *volatile kept;
static void keep(size_t size) { memset(kept = malloc(size), 1, size); }

static void misbehave(int fault)
{
    switch (fault) {
    case SEGFAULT: *(volatile int *)mmap(0, 4096, PROT_NONE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0) = 1; break;
    case ABORT: abort();
    case EXIT: exit(0);
    case THROW: throw_something(); break;
    case SLEEP: for (;;) sleep(1000);
    case SPIN: for (volatile int i = 0;; i++) {}
    case NOISE: for (int i = 0; i < 2000; i++) puts("{\"rendered\": null}"); fflush(stdout); break;
    case MODE: _mm_setcsr(_mm_getcsr() | 0x8040 | 0x6000); break;  /* no subnormals, towards zero */
    case CHILD: if (fork() == 0) for (;;) sleep(1000); break;
    case LEAK: keep(2 << 20); break;
    case LAST: abort();
    }
}

#ifdef AT_LOAD
__attribute__((constructor)) static void at_load(void) { misbehave(AT_LOAD); }
#endif

static void *instantiate(const struct descriptor *d, unsigned long rate_hz)
{
    (void)d, (void)rate_hz;
    return calloc(1, sizeof(struct instance));
}

static void connect(void *handle, unsigned long port, float *where)
{
    ((struct instance *)handle)->ports[port] = where;
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

static float changed(struct instance *s, int fault, int side, unsigned long i, float value)
{
    float *tail = &s->tail[side][s->frame % RING];
    if (fault == BY_BLOCK && i < 8) return 0.9f * value;
    if (fault == ADAPTS) return value / (1.0f + (float)s->heard / RATE);
    if (fault == LONG_TAIL) return *tail = value + 0.99f * *tail;
    return value;
}

static void run(void *handle, unsigned long n_frames)
{
    struct instance *s = handle;
    int fault = (int)*s->ports[0];
    unsigned long late = fault == WRONG_LATENCY ? LATER : REPORTED;
    if (fault == LATENCY_CHANGES && s->frame > 40000) late = LATER;
    *s->ports[1] = fault == LATENCY_CHANGES ? late : REPORTED;
    if (fault == LATER_UNTOLD && s->frame > 5 * RATE) late = LATER;
    if (s->frame >= 20000 && s->frame < 20000 + n_frames) misbehave(fault);
    if (s->frame >= 20000 && fault == LEAK_FAST) keep(16 << 20);
    for (unsigned long i = 0; i < n_frames; i++, s->frame++) {
        s->heard += fabsf(s->ports[2][i]) > 0.1f;
        for (int side = 0; side < 2; side++) {
            s->ring[side][s->frame % RING] = s->ports[2 + side][i];
            float value = passed(fault, s->frame, s->ring[side][(s->frame - late) % RING]);
            s->ports[4 + side][i] = changed(s, fault, side, i, value);
        }
    }
}

static void cleanup(void *handle)
{
    if ((int)*((struct instance *)handle)->ports[0] == AT_DESTROY) abort();
    free(handle);
}

static const int ports[] = {PORT_CONTROL | PORT_IN, PORT_CONTROL | PORT_OUT, PORT_AUDIO | PORT_IN,
                            PORT_AUDIO | PORT_IN, PORT_AUDIO | PORT_OUT, PORT_AUDIO | PORT_OUT};
static const char *const names[] = {"Fault", "latency", "In 1", "In 2", "Out 1", "Out 2"};
static const struct range ranges[6] = {
    {HINT_BELOW | HINT_ABOVE | HINT_INTEGER | DEFAULT_0, 0, LAST}};
static const struct descriptor plugin = {
    9, "rogue", 0, "Rogue", "chainweigh tests", "None", 6, ports, names, ranges, 0,
    instantiate, connect, 0, run, 0, 0, 0, cleanup};

const struct descriptor *ladspa_descriptor(unsigned long index) { return index ? 0 : &plugin; }
