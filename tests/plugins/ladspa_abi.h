/* The binary layout of LADSPA 1.1 plug-ins, as far as the test plug-ins need it. */
#ifndef LADSPA_ABI_H
#define LADSPA_ABI_H

enum { PORT_IN = 1, PORT_OUT = 2, PORT_CONTROL = 4, PORT_AUDIO = 8 };
enum { HINT_BELOW = 1, HINT_ABOVE = 2, HINT_TOGGLED = 4, HINT_RATE = 8, HINT_LOG = 16, HINT_INTEGER = 32 };
enum { DEFAULT_MIDDLE = 0xC0, DEFAULT_0 = 0x200, DEFAULT_1 = 0x240 };

struct range { int hints; float lower, upper; };

struct descriptor {
    unsigned long unique_id;
    const char *label;
    int properties;
    const char *name, *maker, *copyright;
    unsigned long n_ports;
    const int *ports;
    const char *const *port_names;
    const struct range *ranges;
    void *data;
    void *(*instantiate)(const struct descriptor *, unsigned long rate_hz);
    void (*connect_port)(void *, unsigned long port, float *where);
    void (*activate)(void *);
    void (*run)(void *, unsigned long n_frames);
    void (*run_adding)(void *, unsigned long n_frames);
    void (*set_run_adding_gain)(void *, float gain);
    void (*deactivate)(void *);
    void (*cleanup)(void *);
};

__attribute__((visibility("default"))) const struct descriptor *ladspa_descriptor(unsigned long index);

#endif
