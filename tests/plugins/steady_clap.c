/* The well-behaved effect as CLAP, with choices, a scaled parameter and two of one name; a synth. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include "clap_abi.h"
#include "steady_dsp.h"

enum { GAIN = 10, TILT = 20, MODE = 30, MIX_A = 40, MIX_B = 41, TRIM = 50, N_PARAMS = 6 };

struct instance {
    struct plugin plugin;
    struct steady dsp;
    double values[N_PARAMS];
    const struct host *host;
    bool offline, asked;
};

static const struct { uint32_t id, flags; const char *name; double low, high, start; } known[] = {
    {GAIN, 0, "Gain", -24, 24, 0},      {TILT, 0, "Tilt", -12, 12, 0},
    {MODE, STEPPED | IS_ENUM, "Mode", 0, 1, 0}, {MIX_A, 0, "Amount", 0, 1, 0},
    {MIX_B, 0, "Amount", 0, 1, 0}, {TRIM, 0, "Trim", 0, 1, 1},
};
static const char *const modes[] = {"Upright", "Mirrored"};

static struct instance *own(const struct plugin *p) { return p->data; }

static int place(uint32_t id)
{
    for (int i = 0; i < N_PARAMS; i++)
        if (known[i].id == id)
            return i;
    return -1;
}

static uint32_t count(const struct plugin *p) { (void)p; return N_PARAMS; }

static bool get_info(const struct plugin *p, uint32_t index, struct param_info *info)
{
    (void)p;
    memset(info, 0, sizeof *info);
    info->id = known[index].id;
    info->flags = known[index].flags | AUTOMATABLE;
    snprintf(info->name, sizeof info->name, "%s", known[index].name);
    info->minimum = known[index].low;
    info->maximum = known[index].high;
    info->start = known[index].start;
    return true;
}

static bool get_value(const struct plugin *p, uint32_t id, double *value)
{
    *value = own(p)->values[place(id)];
    return true;
}

static bool value_to_text(const struct plugin *p, uint32_t id, double value, char *text, uint32_t size)
{
    (void)p;
    if (id == MODE)
        return snprintf(text, size, "%s", modes[value > 0.5]) > 0;
    if (id == TRIM)  /* plain 0 to 1, shown as -60 to 0 dB */
        return snprintf(text, size, "%.2f dB", 60 * (value - 1)) > 0;
    return snprintf(text, size, id == GAIN || id == TILT ? "%.4f dB" : "%.4f", value) > 0;
}

static bool text_to_value(const struct plugin *p, uint32_t id, const char *text, double *value)
{
    (void)p;
    *value = atof(text);  /* junk reads as 0, and is claimed to be understood */
    if (id == TRIM)
        *value = *value / 60 + 1;
    return true;
}

static void flush(const struct plugin *p, const struct in_events *in, const struct out_events *out)
{
    (void)out;
    for (uint32_t i = 0; i < in->size(in); i++) {
        const struct param_event *event = (const void *)in->get(in, i);
        if (event->header.type == PARAM_VALUE)
            own(p)->values[place(event->param_id)] = event->value;
    }
}

static uint32_t n_ports(const struct plugin *p, bool is_input)
{
    bool synth = strstr(p->descriptor->id, "synth") != 0;
    return is_input ? (synth ? 0 : 2) : 1;
}

static bool port(const struct plugin *p, uint32_t index, bool is_input, struct port_info *info)
{
    (void)p, (void)is_input;
    memset(info, 0, sizeof *info);
    info->id = index;
    info->flags = index == 0 ? MAIN_PORT : 0;
    info->n_channels = 2;
    info->port_type = "stereo";
    return true;
}

static uint32_t latency(const struct plugin *p) { (void)p; return LATENCY; }
static uint32_t tail(const struct plugin *p) { (void)p; return 4800; }
static bool realtime(const struct plugin *p) { (void)p; return false; }
static bool set_mode(const struct plugin *p, int32_t mode) { own(p)->offline = mode == 1; return true; }

static const char mark[8] = "steady 1";

static bool save(const struct plugin *p, const struct stream *to)
{
    return to->call(to, (void *)mark, sizeof mark) == sizeof mark
        && to->call(to, own(p)->values, sizeof own(p)->values) == sizeof own(p)->values;
}

static bool load(const struct plugin *p, const struct stream *from)
{
    char found[sizeof mark];
    double values[N_PARAMS];
    if (from->call(from, found, sizeof found) != sizeof found || memcmp(found, mark, sizeof mark)
        || from->call(from, values, sizeof values) != sizeof values)
        return false;
    memcpy(own(p)->values, values, sizeof values);
    return true;
}

static const struct state state = {save, load};
static const struct params params = {count, get_info, get_value, value_to_text, text_to_value, flush};
static const struct audio_ports ports = {n_ports, port};
static const struct frames latency_extension = {latency}, tail_extension = {tail};
static const struct render render = {realtime, set_mode};

static const void *get_extension(const struct plugin *p, const char *id)
{
    (void)p;
    if (!strcmp(id, "clap.params")) return &params;
    if (!strcmp(id, "clap.audio-ports")) return &ports;
    if (!strcmp(id, "clap.latency")) return &latency_extension;
    if (!strcmp(id, "clap.tail")) return &tail_extension;
    if (!strcmp(id, "clap.render")) return &render;
    if (!strcmp(id, "clap.state")) return &state;
    return 0;
}

static bool on_thread(const struct instance *s, bool audio)
{
    const struct thread_check *check = s->host->get_extension(s->host, "clap.thread-check");
    return check && (audio ? check->is_audio_thread(s->host) && !check->is_main_thread(s->host)
                           : check->is_main_thread(s->host) && !check->is_audio_thread(s->host));
}

static bool init(const struct plugin *p)
{
    for (int i = 0; i < N_PARAMS; i++)
        own(p)->values[i] = known[i].start;
    return on_thread(own(p), false);
}

static void destroy(const struct plugin *p) { free(p->data); }

static bool activate(const struct plugin *p, double rate_hz, uint32_t least, uint32_t most)
{
    (void)least, (void)most;
    steady_start(&own(p)->dsp, rate_hz);
    if (!own(p)->asked)
        own(p)->host->request_restart(own(p)->host);
    own(p)->asked = true;
    return own(p)->offline && on_thread(own(p), false);
}

static void nothing(const struct plugin *p) { (void)p; }
static bool start(const struct plugin *p) { return on_thread(own(p), true); }

static int32_t process(const struct plugin *p, const struct process *job)
{
    struct instance *s = own(p);
    if (!on_thread(s, true) || job->n_inputs != 2 || job->inputs[1].data32[1][job->n_frames - 1] != 0)
        return 0;  /* the side-chain is silent */
    flush(p, job->in_events, job->out_events);
    for (int side = 0; side < 2; side++)
        steady_run(&s->dsp, side, (float)s->values[0], (float)s->values[1], s->values[2] > 0.5,
                   job->inputs[0].data32[side], job->outputs[0].data32[side], job->n_frames);
    return PROCESS_CONTINUE;
}

static const char *const effect[] = {"audio-effect", "stereo", 0}, *const synth[] = {"instrument", 0};
static const struct descriptor descriptors[] = {
    {{1, 2, 0}, "org.example.steady", "Steady", "chainweigh tests", "", "", "", "1.0", "", effect},
    {{1, 2, 0}, "org.example.synth", "Synth", "chainweigh tests", "", "", "", "1.0", "", synth},
};

static uint32_t n_plugins(const struct factory *f) { (void)f; return 2; }
static const struct descriptor *describe(const struct factory *f, uint32_t i) { (void)f; return &descriptors[i]; }

static const struct plugin *create(const struct factory *f, const struct host *host, const char *id)
{
    (void)f;
    struct instance *s = calloc(1, sizeof *s);
    struct plugin made = {&descriptors[strcmp(id, descriptors[0].id) != 0], s, init, destroy, activate,
                          nothing, start, nothing, nothing, process, get_extension, nothing};
    s->plugin = made;
    s->host = host;
    return &s->plugin;
}

static const struct factory factory = {n_plugins, describe, create};
static bool entry_init(const char *path) { (void)path; return true; }
static void entry_deinit(void) {}
static const void *get_factory(const char *id) { return strcmp(id, "clap.plugin-factory") ? 0 : &factory; }

__attribute__((visibility("default"))) const struct entry clap_entry = {
    {1, 2, 0}, entry_init, entry_deinit, get_factory};
