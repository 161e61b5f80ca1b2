/* The controller of the steady VST3 plug-in: names, texts, plain values; what its halves say. */
#include <stdio.h>
#include <stdlib.h>
#include "steady_vst3.h"

static const char *const modes[] = {"Upright", "Mirrored"}, *const programs[] = {"Flat", "Warm"};

static void put(uint16_t *to, const char *from)
{
    do *to++ = (uint8_t)*from; while (*from++);
}

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

const struct controller controller_table = {
    query, add_ref, release, initialize, terminate, set_state, set_own_state, get_own_state, count, get_info,
    get_text, get_value, to_plain, to_normalised, get, set, set_handler, create_view};
const struct connection connection_table = {query, add_ref, release, connect, disconnect, notify};
