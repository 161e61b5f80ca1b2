/* The well-behaved effect as LADSPA: stereo, mono, and two that cannot be stages. */
#include <stdlib.h>
#include "ladspa_abi.h"
#include "steady_dsp.h"

enum { GAIN, TILT, MIRRORED, LATE, N_CONTROLS, MAX_PORTS = 12 };

struct instance { struct steady dsp; float *ports[MAX_PORTS]; int n_sides; };

static void *instantiate(const struct descriptor *d, unsigned long rate_hz)
{
    struct instance *s = calloc(1, sizeof *s);
    s->n_sides = (int)(d->n_ports - N_CONTROLS) / 2;
    steady_start(&s->dsp, rate_hz);
    return s;
}

static void connect(void *handle, unsigned long port, float *where)
{
    ((struct instance *)handle)->ports[port] = where;
}

static void activate(void *handle)
{
    struct instance *s = handle;
    steady_start(&s->dsp, s->dsp.rate_hz);
}

static void run(void *handle, unsigned long n_frames)
{
    struct instance *s = handle;
    *s->ports[LATE] = LATENCY;
    for (int side = 0; side < s->n_sides; side++)
        steady_run(&s->dsp, side, *s->ports[GAIN], *s->ports[TILT], *s->ports[MIRRORED] > 0,
                   s->ports[N_CONTROLS + side], s->ports[N_CONTROLS + s->n_sides + side], n_frames);
}

#define CONTROLS PORT_CONTROL | PORT_IN, PORT_CONTROL | PORT_IN, PORT_CONTROL | PORT_IN, PORT_CONTROL | PORT_OUT
#define IN PORT_AUDIO | PORT_IN
#define OUT PORT_AUDIO | PORT_OUT
static const int stereo[] = {CONTROLS, IN, IN, OUT, OUT}, mono[] = {CONTROLS, IN, OUT};
static const int source[] = {CONTROLS, OUT, OUT}, wide[] = {CONTROLS, IN, IN, IN, IN, OUT, OUT, OUT, OUT};
static const char *const names[] = {"Gain (dB)", "Tilt (dB)", "Mirrored", "latency",
                                    "1", "2", "3", "4", "5", "6", "7", "8"};
static const struct range ranges[MAX_PORTS] = {
    {HINT_BELOW | HINT_ABOVE | DEFAULT_0, -24, 24},
    {HINT_BELOW | HINT_ABOVE | DEFAULT_0, -12, 12},
    {HINT_TOGGLED | DEFAULT_0, 0, 0},
};

#define PLUGIN(number, label, ports) \
    {number, label, 0, "Steady " label, "chainweigh tests", "None", sizeof ports / sizeof *ports, \
     ports, names, ranges, 0, instantiate, connect, activate, run, 0, 0, 0, free}
static const struct descriptor plugins[] = {
    PLUGIN(1, "steady", stereo), PLUGIN(2, "steady_mono", mono), PLUGIN(3, "source", source),
    PLUGIN(4, "wide", wide),
};

const struct descriptor *ladspa_descriptor(unsigned long index)
{
    return index < sizeof plugins / sizeof *plugins ? &plugins[index] : 0;
}
