/* The well-behaved effect as VST3, in one object and in two halves, and classes with oddities. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include "steady_dsp.h"
#include "vst3_abi.h"

enum { STEADY, SPLIT, MONO, WIDE, SYNTH, MUTE, REFUSING, ROGUE, N_CLASSES, SPLIT_CONTROLLER };
enum { COMPONENT, PROCESSOR, CONTROLLER, CONNECTION, N_SLOTS };
enum { PROGRAM_ID = 5, GAIN = 10, TILT = 20, MODE = 30, MIX_A = 40, MIX_B = 41, TRIM = 50, TAPS = 60,
       DUCKED = 70, LEVEL = 80, WHEEL = 90, FAULT = 100 };
#ifdef DEMANDING  /* of a host with more interfaces, which need not be whole otherwise */
enum { DEMANDS_MORE = 1 };
#else
enum { DEMANDS_MORE = 0 };
#endif
enum { SEGFAULT = 1, SPIN, ERROR, NOT_A_NUMBER, FEWER_CHANNELS };

static const struct { uint32_t id; int32_t n_steps, flags; const char *name, *unit; double low, high, start; }
known[] = {
    {PROGRAM_ID, 1, PROGRAM | LIST, "Program", "", 0, 1, 0},
    {GAIN, 0, AUTOMATABLE, "Gain", "dB", -24, 24, 0.5}, {TILT, 0, AUTOMATABLE, "Tilt", "dB", -12, 12, 0.5},
    {MODE, 1, LIST, "Mode", "", 0, 1, 0}, {MIX_A, 0, 0, "Amount", "", 0, 1, 0},
    {MIX_B, 0, 0, "Amount", "", 0, 1, 0}, {TRIM, 0, 0, "Trim", "dB", 0, 1, 1},
    {TAPS, 3, LIST, "Taps", "", 0, 1, 0}, {DUCKED, 1, 0, "Ducked", "", 0, 1, 0},
    {LEVEL, 0, READ_ONLY, "Level", "", 0, 1, 0}, {WHEEL, 0, HIDDEN, "Wheel", "", 0, 1, 0},
    {FAULT, 5, 0, "Fault", "", 0, 5, 0},
};
enum { N_PARAMS = sizeof known / sizeof *known };
static const char *const modes[] = {"Upright", "Mirrored"}, *const programs[] = {"Flat", "Warm"};

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
};

static struct object *own(void *interface) { return ((struct slot *)interface)->own; }

static int place(uint32_t id)
{
    for (int i = 0; i < N_PARAMS; i++)
        if (known[i].id == id)
            return i;
    return 0;
}

static double plain(const struct object *s, uint32_t id)
{
    int i = place(id);
    return known[i].low + s->values[i] * (known[i].high - known[i].low);
}

static void put(uint16_t *to, const char *from)
{
    do *to++ = (uint8_t)*from; while (*from++);
}

static int is(const uint8_t *a, const uint8_t *b) { return !memcmp(a, b, 16); }

static uint32_t add_ref(void *p) { return (uint32_t)++own(p)->n_owners; }

static uint32_t release(void *p)
{
    struct object *s = own(p);
    if (--s->n_owners > 0)
        return (uint32_t)s->n_owners;
    free(s);
    return 0;
}

static int32_t query(void *p, const uint8_t *iid, void **found)
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

static int32_t initialize(void *p, void *context)
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

static int32_t terminate(void *p)
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
    steady_start(&s->dsp, s->dsp.rate_hz);
    if (on && s->handler && !s->asked++)
        CALL(s->handler, handler, restart)(s->handler, LATENCY_CHANGED);
    return OK;
}

static int32_t set_state(void *p, void *stream)
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
static uint32_t latency(void *p) { (void)p; return LATENCY; }
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

static void misbehave(int fault)
{
    if (fault == SEGFAULT) *(volatile int *)8 = 1;
    for (volatile int i = 0; fault == SPIN; i++) {}
}

static int32_t process(void *p, struct data *d)
{
    struct object *s = own(p);
    if (d->input_changes)
        hear(s, d->input_changes);
    if (!DEMANDS_MORE && !host_is_whole(s, d))
        return FALSE;
    int fault = s->kind == ROGUE && s->frame > 20000 ? (int)plain(s, FAULT) : 0;
    misbehave(fault);
    for (int side = 0; side < s->n_main && side < 2 && d->n_inputs; side++)
        steady_run(&s->dsp, side, (float)plain(s, GAIN), (float)plain(s, TILT), s->values[place(MODE)] > 0.5,
                   d->inputs[0].channels[side], d->outputs[0].channels[side], (unsigned long)d->n_frames);
    if (fault == NOT_A_NUMBER)
        d->outputs[0].channels[0][0] = NAN;
    if (fault == FEWER_CHANNELS) {
        s->n_main = 1;
        CALL(s->handler, handler, restart)(s->handler, IO_CHANGED);
    }
    s->frame += (unsigned long)d->n_frames;
    return fault == ERROR ? FALSE : OK;
}

/* Controller */
static int32_t set_own_state(void *p, void *stream)
{
    int32_t n_read;
    return CALL(stream, stream, read)(stream, &own(p)->remark, sizeof(double), &n_read);
}

static int32_t get_own_state(void *p, void *stream)
{
    return CALL(stream, stream, write)(stream, &own(p)->remark, sizeof(double), 0);
}

static int32_t count(void *p)
{
    struct object *s = own(p);
    return s->kind == SPLIT_CONTROLLER && !s->greeted ? 0 : N_PARAMS - (s->kind != ROGUE);
}

static int32_t get_info(void *p, int32_t index, struct parameter_info *info)
{
    (void)p;
    memset(info, 0, sizeof *info);
    info->id = known[index].id;
    put(info->title, known[index].name);
    put(info->units, known[index].unit);
    info->n_steps = known[index].n_steps;
    info->start = known[index].start;
    info->flags = known[index].flags;
    return OK;
}

static int32_t get_text(void *p, uint32_t id, double value, uint16_t *shown)
{
    char said[32];
    int i = place(id);
    (void)p;
    snprintf(said, sizeof said, "%.4f", known[i].low + value * (known[i].high - known[i].low));
    if (id == MODE) strcpy(said, modes[value > 0.5]);
    if (id == PROGRAM_ID) strcpy(said, programs[value > 0.5]);
    if (id == TAPS) snprintf(said, sizeof said, "%dx", 1 << (int)(3 * value + 0.5));
    if (id == TRIM) snprintf(said, sizeof said, "%.2f", 60 * (value - 1));  /* of -60 to 0 dB */
    put(shown, said);
    return OK;
}

static int32_t get_value(void *p, uint32_t id, const uint16_t *said, double *value)
{
    char bytes[128] = "";
    int i = place(id);
    (void)p;
    for (int n = 0; n < 127 && said[n]; n++)
        bytes[n] = (char)said[n];
    double number = atof(bytes);  /* junk reads as 0, and is claimed to be understood */
    *value = (number - known[i].low) / (known[i].high - known[i].low);
    if (id == TRIM) *value = number / 60 + 1;
    if (id == TAPS) *value = log2(number) / 3;
    return OK;
}

/* Only gain and tilt have plain values; those of the others are the normalised ones. */
static int has_plain(uint32_t id) { return id == GAIN || id == TILT; }

static double to_plain(void *p, uint32_t id, double value)
{
    int i = place(id);
    (void)p;
    return has_plain(id) ? known[i].low + value * (known[i].high - known[i].low) : value;
}

static double to_normalised(void *p, uint32_t id, double value)
{
    int i = place(id);
    (void)p;
    return has_plain(id) ? (value - known[i].low) / (known[i].high - known[i].low) : value;
}

static double get(void *p, uint32_t id) { return own(p)->values[place(id)]; }

/* In one object the processor hears of it in its block; of two the controller edits the others. */
static int32_t set(void *p, uint32_t id, double value)
{
    struct object *s = own(p);
    if (s->kind != SPLIT_CONTROLLER)
        return OK;
    s->values[place(id)] = value;
    if (id == PROGRAM_ID && s->handler) {
        CALL(s->handler, handler, begin)(s->handler, TILT);
        CALL(s->handler, handler, perform)(s->handler, TILT, value > 0.5 ? WARM_TILT : 0.5);
        CALL(s->handler, handler, end)(s->handler, TILT);
    }
    return OK;
}

static int32_t set_handler(void *p, void *handler) { own(p)->handler = handler; return OK; }
static void *create_view(void *p, const char *name) { (void)p, (void)name; return 0; }

/* Connection: the component greets the controller, which names no parameter before. */
static int32_t connect(void *p, void *other)
{
    static const text word = {'h', 'i'};
    struct object *s = own(p);
    void *message = 0;
    if (s->kind != SPLIT)
        return OK;
    if (CALL(s->host, host, create)(s->host, iid_message, iid_message, &message) != OK)
        return FALSE;
    void *list = CALL(message, message, attributes)(message);
    CALL(message, message, set_id)(message, "greeting");
    CALL(list, attributes, set_int)(list, "whole", -7);
    CALL(list, attributes, set_float)(list, "part", 0.25);
    CALL(list, attributes, set_string)(list, "word", word);
    CALL(list, attributes, set_binary)(list, "bytes", "a\0b", 3);
    int32_t status = CALL(other, connection, notify)(other, message);
    CALL(message, message, release)(message);
    return status;
}

static int32_t disconnect(void *p, void *other) { (void)p, (void)other; return OK; }

static int32_t notify(void *p, void *message)
{
    void *list = CALL(message, message, attributes)(message);
    const void *bytes = 0;
    int64_t whole = 0;
    double part = 0;
    uint32_t n_bytes = 0;
    text word = {0};
    CALL(list, attributes, get_int)(list, "whole", &whole);
    CALL(list, attributes, get_float)(list, "part", &part);
    CALL(list, attributes, get_string)(list, "word", word, sizeof word);
    CALL(list, attributes, get_binary)(list, "bytes", &bytes, &n_bytes);
    own(p)->greeted = !strcmp(CALL(message, message, get_id)(message), "greeting") && whole == -7
        && part == 0.25 && word[0] == 'h' && word[1] == 'i' && !word[2] && n_bytes == 3
        && !memcmp(bytes, "a\0b", 3) && CALL(list, attributes, get_int)(list, "part", &whole) != OK;
    return OK;
}

static const struct component component_table = {
    query, add_ref, release, initialize, terminate, get_controller_class, set_io_mode, count_buses, get_bus,
    get_routing, activate_bus, set_active, set_state, get_state};
static const struct processor processor_table = {
    query, add_ref, release, set_arrangements, get_arrangement, can_process, latency, setup, set_processing,
    process, tail};
static const struct controller controller_table = {
    query, add_ref, release, initialize, terminate, set_state, set_own_state, get_own_state, count, get_info,
    get_text, get_value, to_plain, to_normalised, get, set, set_handler, create_view};
static const struct connection connection_table = {query, add_ref, release, connect, disconnect, notify};
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
#ifdef AT_LOAD
    misbehave(AT_LOAD);
#endif
    return library != 0;
}

__attribute__((visibility("default"))) int ModuleExit(void) { return 1; }
