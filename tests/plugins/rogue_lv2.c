/* The effect with a fault of choice as LV2: the control port "Fault". */
#include "lv2_abi.h"
#include "rogue_ports.h"

static void *instantiate(const struct descriptor *d, double rate_hz, const char *bundle,
                         const struct feature *const *features)
{
    (void)d, (void)rate_hz, (void)bundle, (void)features;
    return calloc(1, sizeof(struct instance));
}

static void connect(void *handle, uint32_t port, void *where)
{
    ((struct instance *)handle)->ports[port] = where;
}

static void run(void *handle, uint32_t n_frames) { play(handle, n_frames); }

static const struct descriptor plugin = {
    "urn:chainweigh:rogue", instantiate, connect, 0, run, 0, cleanup, 0};

const struct descriptor *lv2_descriptor(uint32_t index) { return index ? 0 : &plugin; }
