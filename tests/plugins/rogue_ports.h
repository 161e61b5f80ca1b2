/* The effect with a fault of choice behind numbered ports, as LADSPA and LV2 have them. */
#ifndef ROGUE_PORTS_H
#define ROGUE_PORTS_H
#include "rogue_faults.h"

enum { FAULT, LATE, IN, OUT = IN + 2, N_PORTS = OUT + 2 };

struct instance { struct rogue rogue; float *ports[N_PORTS]; };

static void play(void *handle, unsigned long n_frames)
{
    struct instance *s = handle;
    int fault = (int)*s->ports[FAULT];
    *s->ports[LATE] = (float)rogue_latency(&s->rogue, fault);
    rogue_run(&s->rogue, fault, &s->ports[IN], &s->ports[OUT], n_frames);
}

static void cleanup(void *handle)
{
    rogue_end((int)*((struct instance *)handle)->ports[FAULT]);
    free(handle);
}

#endif
