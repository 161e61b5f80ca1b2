/* The effect with a fault of choice as CLAP: the parameter "Fault"; "Stubborn" takes no more than 0.25. */
#include "clap_abi.h"
#include "rogue_faults.h"

enum { FAULT, STUBBORN, N_PARAMS };
struct instance { struct plugin plugin; struct rogue rogue; double fault, stubborn; };

static struct instance *own(const struct plugin *p) { return p->data; }

static uint32_t count(const struct plugin *p) { (void)p; return N_PARAMS; }

static bool get_info(const struct plugin *p, uint32_t index, struct param_info *info)
{
    (void)p;
    memset(info, 0, sizeof *info);
    info->id = index;
    info->flags = index == FAULT ? STEPPED : 0;
    info->maximum = index == FAULT ? LAST : 1;
    strcpy(info->name, index == FAULT ? "Fault" : "Stubborn");
    return true;
}

static bool get_value(const struct plugin *p, uint32_t id, double *value)
{
    *value = id == FAULT ? own(p)->fault : own(p)->stubborn;
    return true;
}

static bool value_to_text(const struct plugin *p, uint32_t id, double value, char *text, uint32_t size)
{
    (void)p;
    return snprintf(text, size, id == FAULT ? "%.0f" : "%.3f", value) > 0;
}

static bool text_to_value(const struct plugin *p, uint32_t id, const char *text, double *value)
{
    (void)p, (void)id;
    *value = atof(text);
    return true;
}

static void flush(const struct plugin *p, const struct in_events *in, const struct out_events *out)
{
    (void)out;
    for (uint32_t i = 0; i < in->size(in); i++) {
        const struct param_event *event = (const void *)in->get(in, i);
        if (event->header.type == PARAM_VALUE && event->param_id == FAULT)
            own(p)->fault = event->value;
        else if (event->header.type == PARAM_VALUE)
            own(p)->stubborn = fmin(event->value, 0.25);
    }
}

static uint32_t n_ports(const struct plugin *p, bool is_input) { (void)p, (void)is_input; return 1; }

static bool port(const struct plugin *p, uint32_t index, bool is_input, struct port_info *info)
{
    (void)p, (void)index, (void)is_input;
    memset(info, 0, sizeof *info);
    info->flags = MAIN_PORT;
    info->n_channels = 2;
    info->port_type = "stereo";
    return true;
}

static uint32_t latency(const struct plugin *p)
{
    return (uint32_t)rogue_latency(&own(p)->rogue, (int)own(p)->fault);
}

static const struct params params = {count, get_info, get_value, value_to_text, text_to_value, flush};
static const struct audio_ports ports = {n_ports, port};
static const struct frames latency_extension = {latency};

static const void *get_extension(const struct plugin *p, const char *id)
{
    (void)p;
    if (!strcmp(id, "clap.params")) return &params;
    if (!strcmp(id, "clap.audio-ports")) return &ports;
    if (!strcmp(id, "clap.latency")) return &latency_extension;
    return 0;
}

static bool willing(const struct plugin *p) { (void)p; return true; }
static void nothing(const struct plugin *p) { (void)p; }

static bool activate(const struct plugin *p, double rate_hz, uint32_t least, uint32_t most)
{
    (void)p, (void)rate_hz, (void)least, (void)most;
    return true;
}

static int32_t process(const struct plugin *p, const struct process *job)
{
    flush(p, job->in_events, job->out_events);
    rogue_run(&own(p)->rogue, (int)own(p)->fault, job->inputs->data32, job->outputs->data32, job->n_frames);
    return PROCESS_CONTINUE;
}

static void destroy(const struct plugin *p)
{
    rogue_end((int)own(p)->fault);
    free(p->data);
}

static const char *const features[] = {"audio-effect", "stereo", 0};
static const struct descriptor descriptor = {
    {1, 2, 0}, "org.example.rogue", "Rogue", "chainweigh tests", "", "", "", "1.0", "", features};

static uint32_t n_plugins(const struct factory *f) { (void)f; return 1; }
static const struct descriptor *describe(const struct factory *f, uint32_t i) { (void)f, (void)i; return &descriptor; }

static const struct plugin *create(const struct factory *f, const struct host *host, const char *id)
{
    (void)f, (void)host, (void)id;
    struct instance *s = calloc(1, sizeof *s);
    struct plugin made = {&descriptor, s, willing, destroy, activate, nothing, willing, nothing, nothing,
                          process, get_extension, nothing};
    s->plugin = made;
    return &s->plugin;
}

static const struct factory factory = {n_plugins, describe, create};
static bool entry_init(const char *path) { (void)path; return true; }
static void entry_deinit(void) {}
static const void *get_factory(const char *id) { return strcmp(id, "clap.plugin-factory") ? 0 : &factory; }

__attribute__((visibility("default"))) const struct entry clap_entry = {
    {1, 2, 0}, entry_init, entry_deinit, get_factory};
