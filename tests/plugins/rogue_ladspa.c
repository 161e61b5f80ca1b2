/* The effect with a fault of choice as LADSPA: the control "Fault". */
#include "ladspa_abi.h"
#include "rogue_ports.h"

static void *instantiate(const struct descriptor *d, unsigned long rate_hz)
{
    (void)d, (void)rate_hz;
    return calloc(1, sizeof(struct instance));
}

static void connect(void *handle, unsigned long port, float *where)
{
    ((struct instance *)handle)->ports[port] = where;
}

static const int ports[] = {PORT_CONTROL | PORT_IN, PORT_CONTROL | PORT_OUT, PORT_AUDIO | PORT_IN,
                            PORT_AUDIO | PORT_IN, PORT_AUDIO | PORT_OUT, PORT_AUDIO | PORT_OUT};
static const char *const names[] = {"Fault", "latency", "In 1", "In 2", "Out 1", "Out 2"};
static const struct range ranges[N_PORTS] = {
    {HINT_BELOW | HINT_ABOVE | HINT_INTEGER | DEFAULT_0, 0, LAST}};
static const struct descriptor plugin = {
    9, "rogue", 0, "Rogue", "chainweigh tests", "None", N_PORTS, ports, names, ranges, 0,
    instantiate, connect, 0, play, 0, 0, 0, cleanup};

const struct descriptor *ladspa_descriptor(unsigned long index) { return index ? 0 : &plugin; }
