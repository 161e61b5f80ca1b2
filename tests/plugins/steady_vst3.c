/* The well-behaved effect as VST3, in one object and in two halves; a rogue and other oddities. */
#include "rogue_faults.h"
#include "steady_vst3.h"

#ifdef DEMANDING  /* of a host with more interfaces, which need not be whole otherwise */
enum { DEMANDS_MORE = 1 };
#else
enum { DEMANDS_MORE = 0 };
#endif
enum { ERROR = LAST + 1, FEWER_CHANNELS };  /* faults only VST3 knows */

static int fault_of(const struct object *s) { return s->rogue ? (int)lround(plain(s, FAULT)) : NONE; }

uint32_t add_ref(void *p) { return (uint32_t)++own(p)->n_owners; }

uint32_t release(void *p)
{
    struct object *s = own(p);
    if (--s->n_owners > 0)
        return (uint32_t)s->n_owners;
    if (s->rogue)
        rogue_end(fault_of(s));
    free(s->rogue);
    free(s);
    return 0;
}

int32_t query(void *p, const uint8_t *iid, void **found)
{
    struct object *s = own(p);
    int half = s->kind == SPLIT_CONTROLLER, slot = -1;
    if (is(iid, iid_unknown) || is(iid, iid_base)) slot = half ? CONTROLLER : COMPONENT;
    if (is(iid, iid_component) && !half) slot = COMPONENT;
    if (is(iid, iid_processor) && !half) slot = PROCESSOR;
    if (is(iid, iid_controller) && s->kind != SPLIT) slot = CONTROLLER;
    if (is(iid, iid_connection) && (half || s->kind == SPLIT)) slot = CONNECTION;
    *found = slot < 0 ? 0 : &s->slots[slot];
    return slot < 0 ? NO_INTERFACE : (add_ref(p), OK);
}

int32_t initialize(void *p, void *context)
{
    struct object *s = own(p);
    void *handler = 0;
    text name;
    if (CALL(context, host, query)(context, iid_host, &s->host) != OK)
        return FALSE;
    CALL(s->host, host, get_name)(s->host, name);
    if (DEMANDS_MORE && CALL(context, host, query)(context, iid_handler, &handler) != OK)
        return FALSE;
    if (handler)
        CALL(handler, handler, release)(handler);
    return s->kind == REFUSING || !name[0] ? FALSE : OK;
}

int32_t terminate(void *p)
{
    struct object *s = own(p);
    CALL(s->host, host, release)(s->host);
    return OK;
}

/* Component */
static int32_t get_controller_class(void *p, uint8_t *id);
static int32_t set_io_mode(void *p, int32_t mode) { (void)p, (void)mode; return NOT_IMPLEMENTED; }

static int32_t count_buses(void *p, int32_t media, int32_t direction)
{
    int kind = own(p)->kind;
    if (media != AUDIO || (kind == SYNTH && direction == INPUT) || (kind == MUTE && direction == OUTPUT))
        return 0;
    return direction == INPUT && (kind == STEADY || kind == SPLIT) ? 2 : 1;
}

static int32_t get_bus(void *p, int32_t media, int32_t direction, int32_t index, struct bus_info *info)
{
    memset(info, 0, sizeof *info);
    info->media = media;
    info->direction = direction;
    info->n_channels = index ? 1 : own(p)->n_main;
    info->type = index ? AUX : MAIN;
    info->flags = index ? 0 : DEFAULT_ACTIVE;
    return OK;
}

static int32_t get_routing(void *p, void *in, void *out) { (void)p, (void)in, (void)out; return NOT_IMPLEMENTED; }

static int32_t activate_bus(void *p, int32_t media, int32_t direction, int32_t index, uint8_t on)
{
    if (media == AUDIO && index == 0 && on)
        own(p)->buses_on |= 1 << direction;
    return OK;
}

static int32_t set_active(void *p, uint8_t on)
{
    struct object *s = own(p);
    s->active = on;
    s->frame = 0;
    if (s->rogue)
        memset(s->rogue, 0, sizeof *s->rogue);
    steady_start(&s->dsp, s->dsp.rate_hz);
    if (on && s->handler && !s->asked++)
        CALL(s->handler, handler, restart)(s->handler, LATENCY_CHANGED);
    return OK;
}

int32_t set_state(void *p, void *stream)
{
    struct object *s = own(p);
    for (int i = 0; i < N_PARAMS; i++) {
        int32_t n_read = 0;
        double value;
        CALL(stream, stream, read)(stream, &value, sizeof value, &n_read);
        if (n_read != sizeof value || !(value >= 0 && value <= 1))
            return FALSE;
        s->values[i] = value;
    }
    return OK;
}

static int32_t get_state(void *p, void *stream)
{
    struct object *s = own(p);
    for (int i = 0; i < N_PARAMS; i++)
        CALL(stream, stream, write)(stream, &s->values[i], sizeof s->values[i], 0);
    return OK;
}

/* Processor */
static int32_t set_arrangements(void *p, const uint64_t *in, int32_t n_in, const uint64_t *out, int32_t n_out)
{
    struct object *s = own(p);
    if (n_in != count_buses(p, AUDIO, INPUT) || n_out != count_buses(p, AUDIO, OUTPUT) || in[0] != out[0])
        return FALSE;
    if (s->kind == WIDE || in[0] != (s->kind == MONO ? 1u << 19 : 3u))
        return FALSE;
    s->n_main = s->kind == MONO ? 1 : 2;
    return OK;
}

static int32_t get_arrangement(void *p, int32_t direction, int32_t index, uint64_t *found)
{
    (void)direction;
    *found = index || own(p)->n_main == 1 ? 1u << 19 : own(p)->n_main == 2 ? 3 : 0x33;
    return OK;
}

static int32_t can_process(void *p, int32_t sample_size) { (void)p; return sample_size ? FALSE : OK; }
static uint32_t latency(void *p)
{
    const struct object *s = own(p);
    return s->rogue ? (uint32_t)rogue_latency(s->rogue, fault_of(s)) : LATENCY;
}

static uint32_t tail(void *p) { (void)p; return 4800; }

static int32_t setup(void *p, const struct setup *to)
{
    if ((to->mode != OFFLINE && !DEMANDS_MORE) || to->sample_size || to->max_frames < 1 || to->rate_hz > 200000)
        return FALSE;
    own(p)->dsp.rate_hz = (float)to->rate_hz;
    return OK;
}

static int32_t set_processing(void *p, uint8_t on) { (void)p, (void)on; return NOT_IMPLEMENTED; }

static void hear(struct object *s, void *changes)
{
    for (int32_t i = 0; i < CALL(changes, changes, count)(changes); i++) {
        void *queue = CALL(changes, changes, queue)(changes, i);
        int32_t n_points = CALL(queue, queue, count)(queue), frame;
        uint32_t id = CALL(queue, queue, id)(queue);
        CALL(queue, queue, point)(queue, n_points - 1, &frame, &s->values[place(id)]);
        if (id == PROGRAM_ID && s->kind != SPLIT)
            s->values[place(TILT)] = s->values[place(id)] > 0.5 ? WARM_TILT : 0.5;
    }
}

static int tell(void *changes, uint32_t id, double value)
{
    int32_t index;
    void *queue = CALL(changes, changes, add)(changes, &id, &index);
    return queue && CALL(queue, queue, add)(queue, 0, value, &index) == OK;
}

static int host_is_whole(const struct object *s, const struct data *d)
{
    const struct buffers *side = &d->inputs[1];
    int silent = d->n_inputs < 2 || (side->n_channels == 1 && side->silence == 1 && side->channels[0][0] == 0);
    return s->active && s->buses_on == 3 && d->mode == OFFLINE && silent && d->context
        && d->context->rate_hz == s->dsp.rate_hz && d->context->frames == (int64_t)s->frame
        && CALL(d->input_events, events, count)(d->input_events) == 0 && tell(d->output_changes, LEVEL, 0.5);
}

static int32_t process(void *p, struct data *d)
{
    struct object *s = own(p);
    if (d->input_changes)
        hear(s, d->input_changes);
    if (!DEMANDS_MORE && !host_is_whole(s, d))
        return FALSE;
    int fault = fault_of(s);
    if (s->rogue)
        rogue_run(s->rogue, fault, d->inputs[0].channels, d->outputs[0].channels, (unsigned long)d->n_frames);
    for (int side = 0; !s->rogue && side < s->n_main && side < 2 && d->n_inputs; side++)
        steady_run(&s->dsp, side, (float)plain(s, GAIN), (float)plain(s, TILT), s->values[place(MODE)] > 0.5,
                   d->inputs[0].channels[side], d->outputs[0].channels[side], (unsigned long)d->n_frames);
    if (fault == FEWER_CHANNELS) {
        s->n_main = 1;
        CALL(s->handler, handler, restart)(s->handler, IO_CHANGED);
    }
    s->frame += (unsigned long)d->n_frames;
    return fault == ERROR ? FALSE : OK;
}

static const struct component component_table = {
    query, add_ref, release, initialize, terminate, get_controller_class, set_io_mode, count_buses, get_bus,
    get_routing, activate_bus, set_active, set_state, get_state};
static const struct processor processor_table = {
    query, add_ref, release, set_arrangements, get_arrangement, can_process, latency, setup, set_processing,
    process, tail};
static const void *const tables[] = {&component_table, &processor_table, &controller_table, &connection_table};

/* Factory */
static const struct { const char *name, *categories; int n_main; } classes[] = {
    {"Steady", "Fx|EQ", 2}, {"Steady in halves", "Fx|EQ", 2}, {"Steady mono", "Fx", 1}, {"Wide", "Fx", 4},
    {"Synth", "Instrument|Synth", 2}, {"Mute", "Fx|Analyzer", 2}, {"Refusing", "Fx", 2}, {"Rogue", "Fx", 2},
};

static void class_id(int kind, uint8_t *id)
{
    static const uint8_t start[15] = "chainweigh-test";
    memcpy(id, start, 15);
    id[15] = (uint8_t)kind;
}

static int32_t get_controller_class(void *p, uint8_t *id)
{
    if (own(p)->kind != SPLIT)
        return NOT_IMPLEMENTED;
    class_id(SPLIT_CONTROLLER, id);
    return OK;
}

static uint32_t one(void *p) { (void)p; return 1; }

static int32_t query_factory(void *p, const uint8_t *iid, void **found)
{
    int ok = is(iid, iid_unknown) || is(iid, iid_factory) || is(iid, iid_factory_2);
    *found = ok ? p : 0;
    return ok ? OK : NO_INTERFACE;
}

static int32_t get_factory_info(void *p, struct factory_info *info)
{
    struct factory_info own_info = {"chainweigh tests", "", "", 0};
    (void)p;
    *info = own_info;
    return OK;
}

static int32_t count_classes(void *p) { (void)p; return N_CLASSES + 1; }

static int32_t get_class(void *p, int32_t index, struct class_info *info)
{
    int kind = index < N_CLASSES ? index : SPLIT_CONTROLLER;
    (void)p;
    memset(info, 0, sizeof *info);
    class_id(kind, info->id);
    info->cardinality = 0x7FFFFFFF;
    strcpy(info->category, index < N_CLASSES ? "Audio Module Class" : "Component Controller Class");
    strcpy(info->name, index < N_CLASSES ? classes[index].name : "Controller");
    return OK;
}

static int32_t get_class_2(void *p, int32_t index, struct class_info_2 *info)
{
    memset(info, 0, sizeof *info);
    get_class(p, index, &info->plain);
    strcpy(info->categories, index < N_CLASSES ? classes[index].categories : "");
    strcpy(info->version, "2.1");
    return OK;
}

static int32_t create(void *p, const uint8_t *id, const uint8_t *iid, void **found)
{
    struct object *s = calloc(1, sizeof *s);
    (void)p;
    s->kind = id[15];
    s->n_owners = 0;
    s->n_main = s->kind < N_CLASSES ? classes[s->kind].n_main : 0;
    s->rogue = s->kind == ROGUE ? calloc(1, sizeof *s->rogue) : 0;
    for (int i = 0; i < N_PARAMS; i++)
        s->values[i] = known[i].start;
    for (int i = 0; i < N_SLOTS; i++)
        s->slots[i] = (struct slot){tables[i], s};
    return query(&s->slots[0], iid, found);
}

static const struct factory table = {query_factory, one, one, get_factory_info, count_classes, get_class,
                                     create, get_class_2};

__attribute__((visibility("default"))) void *GetPluginFactory(void)
{
    static const struct factory *factory = &table;
    return &factory;
}

__attribute__((visibility("default"))) int ModuleEntry(void *library)
{
    return library != 0;
}

__attribute__((visibility("default"))) int ModuleExit(void) { return 1; }
