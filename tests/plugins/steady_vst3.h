/* The well-behaved effect as VST3: its classes, its parameters, its object. */
#ifndef STEADY_VST3_H
#define STEADY_VST3_H
#include <string.h>
#include "steady_dsp.h"
#include "vst3_abi.h"

enum { STEADY, SPLIT, MONO, WIDE, SYNTH, MUTE, REFUSING, ROGUE, N_CLASSES, SPLIT_CONTROLLER };
enum { COMPONENT, PROCESSOR, CONTROLLER, CONNECTION, N_SLOTS };
enum { PROGRAM_ID = 5, GAIN = 10, TILT = 20, MODE = 30, MIX_A = 40, MIX_B = 41, TRIM = 50, TAPS = 60,
       DUCKED = 70, LEVEL = 80, WHEEL = 90, FAULT = 100, N_FAULTS = 33 };

static const struct { uint32_t id; int32_t n_steps, flags; const char *name, *unit; double low, high, start; }
known[] = {
    {PROGRAM_ID, 1, PROGRAM | LIST, "Program", "", 0, 1, 0},
    {GAIN, 0, AUTOMATABLE, "Gain", "dB", -24, 24, 0.5}, {TILT, 0, AUTOMATABLE, "Tilt", "dB", -12, 12, 0.5},
    {MODE, 1, LIST, "Mode", "", 0, 1, 0}, {MIX_A, 0, 0, "Amount", "", 0, 1, 0},
    {MIX_B, 0, 0, "Amount", "", 0, 1, 0}, {TRIM, 0, 0, "Trim", "dB", 0, 1, 1},
    {TAPS, 3, LIST, "Taps", "", 0, 1, 0}, {DUCKED, 1, 0, "Ducked", "", 0, 1, 0},
    {LEVEL, 0, READ_ONLY, "Level", "", 0, 1, 0}, {WHEEL, 0, HIDDEN, "Wheel", "", 0, 1, 0},
    {FAULT, N_FAULTS, 0, "Fault", "", 0, N_FAULTS, 0},
};
enum { N_PARAMS = sizeof known / sizeof *known };
#define WARM_TILT ((-4.0 + 12) / 24)

/* Each interface of an object is a slot: the pointer to its table, and the way back. */
struct slot { const void *table; struct object *own; };
struct object {
    struct slot slots[N_SLOTS];
    int kind, n_owners, n_main, greeted, asked, active, buses_on;
    double values[N_PARAMS], remark;
    struct steady dsp;
    unsigned long frame;
    void *host, *handler;
    struct rogue *rogue;  /* in place of the effect */
};

static inline struct object *own(void *interface) { return ((struct slot *)interface)->own; }

static inline int place(uint32_t id)
{
    for (int i = 0; i < N_PARAMS; i++)
        if (known[i].id == id)
            return i;
    return 0;
}

static inline double plain(const struct object *s, uint32_t id)
{
    int i = place(id);
    return known[i].low + s->values[i] * (known[i].high - known[i].low);
}

static inline int is(const uint8_t *a, const uint8_t *b) { return !memcmp(a, b, 16); }

/* What both halves share. */
int32_t query(void *, const uint8_t *iid, void **found);
uint32_t add_ref(void *);
uint32_t release(void *);
int32_t initialize(void *, void *context);
int32_t terminate(void *);
int32_t set_state(void *, void *stream);

extern const struct controller controller_table;
extern const struct connection connection_table;

#endif
