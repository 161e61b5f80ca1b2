/* The well-behaved effect as LV2: set by control ports, or by properties through a worker. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include "lv2_abi.h"
#include "steady_dsp.h"

#define OWN "urn:chainweigh:"
#define ATOM "http://lv2plug.in/ns/ext/atom#"
#define PATCH "http://lv2plug.in/ns/ext/patch#"
enum { GAIN, TILT, MIRRORED, LATE, FREE_WHEELING, ENABLED, LEFT_IN, RIGHT_IN, LEFT_OUT, RIGHT_OUT,
       SIDE_IN, ASKED, TOLD, N_PORTS = 16 };
enum { N_PROPERTIES = 3 };

struct change { int property; double value; };
struct instance {
    struct steady dsp;
    void *ports[N_PORTS];
    double values[N_PROPERTIES];
    const struct urid_map *urids;
    const struct schedule *schedule;
    int n_ends;
};

static const char *const properties[N_PROPERTIES] = {OWN "gain", OWN "tilt", OWN "mirrored"};

static uint32_t urid(const struct instance *s, const char *uri)
{
    return s->urids->map(s->urids->handle, uri);
}

static void *feature(const struct feature *const *features, const char *uri)
{
    for (; *features; features++)
        if (!strcmp((*features)->uri, uri))
            return (*features)->data;
    return 0;
}

static double option(const struct instance *s, const struct option *options, const char *uri)
{
    for (; options->key; options++)
        if (options->key == urid(s, uri))
            return options->type == urid(s, ATOM "Float") ? *(const float *)options->value
                                                           : *(const int32_t *)options->value;
    return -1;
}

static int host_is_whole(const struct instance *s, double rate_hz, const struct feature *const *f)
{
    const struct option *options = feature(f, "http://lv2plug.in/ns/ext/options#options");
    const struct urid_unmap *back = feature(f, "http://lv2plug.in/ns/ext/urid#unmap");
    const struct log *log = feature(f, "http://lv2plug.in/ns/ext/log#log");
    double most = option(s, options, "http://lv2plug.in/ns/ext/buf-size#maxBlockLength");
    log->printf(log->handle, urid(s, "http://lv2plug.in/ns/ext/log#Note"), "being created %d\n", 1);
    return option(s, options, "http://lv2plug.in/ns/ext/parameters#sampleRate") == rate_hz
        && most >= option(s, options, "http://lv2plug.in/ns/ext/buf-size#nominalBlockLength")
        && !strcmp(back->unmap(back->handle, urid(s, OWN "gain")), OWN "gain");
}

static void *instantiate(const struct descriptor *d, double rate_hz, const char *bundle,
                         const struct feature *const *features)
{
    struct instance *s = calloc(1, sizeof *s);
    (void)d;
    s->urids = feature(features, "http://lv2plug.in/ns/ext/urid#map");
    s->schedule = feature(features, "http://lv2plug.in/ns/ext/worker#schedule");
    steady_start(&s->dsp, rate_hz);
    if (bundle[strlen(bundle) - 1] == '/' && host_is_whole(s, rate_hz, features))
        return s;
    free(s);
    return 0;
}

static void connect(void *handle, uint32_t port, void *where)
{
    ((struct instance *)handle)->ports[port] = where;
}

static void activate(void *handle)
{
    struct instance *s = handle;
    steady_start(&s->dsp, s->dsp.rate_hz);
}

static void play(struct instance *s, double gain_db, double tilt_db, int mirrored, uint32_t n_frames)
{
    for (int side = 0; side < 2; side++)
        steady_run(&s->dsp, side, (float)gain_db, (float)tilt_db, mirrored, s->ports[LEFT_IN + side],
                   s->ports[LEFT_OUT + side], n_frames);
}

/* Silent unless it runs offline, is enabled and its side-chain is fed silence. */
static void run_by_ports(void *handle, uint32_t n_frames)
{
    struct instance *s = handle;
    float **control = (float **)s->ports, side = 0;
    for (uint32_t i = 0; i < n_frames; i++)
        side += fabsf(control[SIDE_IN][i]);
    *control[LATE] = LATENCY;
    play(s, *control[GAIN], *control[TILT], *control[MIRRORED] > 0, n_frames);
    if (*control[FREE_WHEELING] != 1 || *control[ENABLED] != 1 || side != 0)
        memset(control[LEFT_OUT], 0, n_frames * sizeof(float));
}

static double number(const struct instance *s, const struct atom *atom)
{
    const void *body = atom + 1;
    if (atom->type == urid(s, ATOM "Float")) return *(const float *)body;
    if (atom->type == urid(s, ATOM "Double")) return *(const double *)body;
    return *(const int32_t *)body;
}

static int place(const struct instance *s, uint32_t key)
{
    for (int i = 0; i < N_PROPERTIES; i++)
        if (urid(s, properties[i]) == key)
            return i;
    return -1;
}

static const struct atom *member(const struct object *object, uint32_t key)
{
    const char *at = (const char *)(object + 1);
    const char *end = (const char *)(&object->atom + 1) + object->atom.size;
    while (at < end) {
        const struct property *found = (const void *)at;
        if (found->key == key)
            return &found->value;
        at += sizeof *found + (found->value.size + 7) / 8 * 8;
    }
    return 0;
}

static void put(char **at, const void *what, size_t size)
{
    memcpy(*at, what, size);
    *at += size;
}

/* All properties as doubles: float32 and switches are exact in them. */
static void tell(struct instance *s, int i)
{
    struct sequence *told = s->ports[TOLD];
    char *at = (char *)(&told->atom + 1) + told->atom.size;
    uint32_t key = urid(s, properties[i]);
    struct event event = {0, {sizeof(struct object) - sizeof(struct atom) + 2 * (sizeof(struct property) + 8),
                              urid(s, ATOM "Object")}};
    uint32_t kind[2] = {0, urid(s, PATCH "Set")}, named[2] = {key, 0};
    struct property which = {urid(s, PATCH "property"), 0, {4, urid(s, ATOM "URID")}};
    struct property value = {urid(s, PATCH "value"), 0, {8, urid(s, ATOM "Double")}};
    char *start = at;
    put(&at, &event, sizeof event);
    put(&at, kind, sizeof kind);
    put(&at, &which, sizeof which);
    put(&at, named, sizeof named);
    put(&at, &value, sizeof value);
    put(&at, &s->values[i], 8);
    told->atom.size += (uint32_t)(at - start);
}

static void hear(struct instance *s, const struct object *message)
{
    const struct atom *which = member(message, urid(s, PATCH "property"));
    int i = which ? place(s, *(const uint32_t *)(which + 1)) : -1;
    if (i >= 0 && message->otype == urid(s, PATCH "Get"))
        tell(s, i);
    if (i >= 0 && message->otype == urid(s, PATCH "Set")) {
        struct change change = {i, number(s, member(message, urid(s, PATCH "value")))};
        s->schedule->schedule_work(s->schedule->handle, sizeof change, &change);
    }
}

static void run_by_properties(void *handle, uint32_t n_frames)
{
    struct instance *s = handle;
    struct sequence *asked = s->ports[ASKED], *told = s->ports[TOLD];
    char *at = (char *)(asked + 1), *end = (char *)(&asked->atom + 1) + asked->atom.size;
    told->atom.type = urid(s, ATOM "Sequence");
    told->atom.size = 8;
    told->unit = told->pad = 0;
    while (at < end) {
        struct event *event = (void *)at;
        hear(s, (const struct object *)&event->body);
        at += sizeof *event + (event->body.size + 7) / 8 * 8;
    }
    *(float *)s->ports[LATE] = LATENCY;
    play(s, s->values[0], s->values[1], s->values[2] != 0, n_frames);
    if (s->n_ends == 0 && s->values[0] != 0)  /* the host did not end the run before */
        memset(s->ports[LEFT_OUT], 0, n_frames * sizeof(float));
}

static int work(void *handle, respond answer, void *to, uint32_t size, const void *data)
{
    (void)handle;
    return answer(to, size, data);
}

static int work_response(void *handle, uint32_t size, const void *data)
{
    const struct change *change = data;
    if (size == sizeof *change)
        ((struct instance *)handle)->values[change->property] = change->value;
    return 0;
}

static int end_run(void *handle) { ((struct instance *)handle)->n_ends++; return 0; }

static int save(void *handle, store put, void *to, uint32_t flags, const struct feature *const *f)
{
    struct instance *s = handle;
    (void)flags, (void)f;
    for (int i = 0; i < N_PROPERTIES; i++)
        put(to, urid(s, properties[i]), &s->values[i], sizeof(double), urid(s, ATOM "Double"), 3);
    return 0;
}

static int restore(void *handle, retrieve get, void *from, uint32_t flags, const struct feature *const *f)
{
    struct instance *s = handle;
    (void)flags, (void)f;
    for (int i = 0; i < N_PROPERTIES; i++) {
        size_t size = 0;
        uint32_t type = 0, kept = 0;
        struct { struct atom atom; char body[8]; } found = {{0, 0}, {0}};
        const void *value = get(from, urid(s, properties[i]), &size, &type, &kept);
        if (!value || size > sizeof found.body)
            continue;
        found.atom.type = type;
        memcpy(found.body, value, size);
        s->values[i] = number(s, &found.atom);
    }
    return 0;
}

static const void *extension_data(const char *uri)
{
    static const struct worker worker = {work, work_response, end_run};
    static const struct state state = {save, restore};
    if (!strcmp(uri, "http://lv2plug.in/ns/ext/worker#interface")) return &worker;
    if (!strcmp(uri, "http://lv2plug.in/ns/ext/state#interface")) return &state;
    return 0;
}

static const struct descriptor plugins[] = {
    {OWN "steady", instantiate, connect, activate, run_by_ports, 0, free, 0},
    {OWN "steady-properties", instantiate, connect, activate, run_by_properties, 0, free, extension_data},
};

const struct descriptor *lv2_descriptor(uint32_t index)
{
    return index < sizeof plugins / sizeof *plugins ? &plugins[index] : 0;
}
