/* The binary layout of VST 3 interfaces, as far as the test plug-ins need it. */
#ifndef VST3_ABI_H
#define VST3_ABI_H
#include <stdint.h>

typedef uint16_t text[128];
enum { OK, FALSE, BAD_ARGUMENT, NOT_IMPLEMENTED, NO_INTERFACE = -1 };
enum { AUDIO, INPUT = 0, OUTPUT = 1, MAIN = 0, AUX = 1, DEFAULT_ACTIVE = 1 };
enum { OFFLINE = 2, IO_CHANGED = 1 << 1, LATENCY_CHANGED = 1 << 3 };
enum { AUTOMATABLE = 1, READ_ONLY = 2, LIST = 8, HIDDEN = 16, PROGRAM = 1 << 15 };

#define UNKNOWN \
    int32_t (*query)(void *, const uint8_t *iid, void **); \
    uint32_t (*add_ref)(void *); \
    uint32_t (*release)(void *);
#define BASE UNKNOWN \
    int32_t (*initialize)(void *, void *host); \
    int32_t (*terminate)(void *);

/* An object is a pointer to a pointer to its table; CALL(object, type, function)(object, ...). */
#define CALL(object, type, function) (*(const struct type *const *)(object))->function
struct unknown { UNKNOWN };

struct bus_info { int32_t media, direction, n_channels; text name; int32_t type; uint32_t flags; };
struct component {
    BASE
    int32_t (*get_controller_class)(void *, uint8_t *id);
    int32_t (*set_io_mode)(void *, int32_t);
    int32_t (*count_buses)(void *, int32_t media, int32_t direction);
    int32_t (*get_bus)(void *, int32_t media, int32_t direction, int32_t index, struct bus_info *);
    int32_t (*get_routing)(void *, void *, void *);
    int32_t (*activate_bus)(void *, int32_t media, int32_t direction, int32_t index, uint8_t on);
    int32_t (*set_active)(void *, uint8_t);
    int32_t (*set_state)(void *, void *stream);
    int32_t (*get_state)(void *, void *stream);
};

struct setup { int32_t mode, sample_size, max_frames; double rate_hz; };
struct buffers { int32_t n_channels; uint64_t silence; float **channels; };
struct context { uint32_t state; double rate_hz; int64_t frames; };
struct data {
    int32_t mode, sample_size, n_frames, n_inputs, n_outputs;
    struct buffers *inputs, *outputs;
    void *input_changes, *output_changes, *input_events, *output_events;
    const struct context *context;
};
struct processor {
    UNKNOWN
    int32_t (*set_arrangements)(void *, const uint64_t *in, int32_t n_in, const uint64_t *out, int32_t n_out);
    int32_t (*get_arrangement)(void *, int32_t direction, int32_t index, uint64_t *);
    int32_t (*can_process)(void *, int32_t sample_size);
    uint32_t (*latency)(void *);
    int32_t (*setup)(void *, const struct setup *);
    int32_t (*set_processing)(void *, uint8_t);
    int32_t (*process)(void *, struct data *);
    uint32_t (*tail)(void *);
};

struct parameter_info {
    uint32_t id;
    text title, short_title, units;
    int32_t n_steps;
    double start;
    int32_t unit_id, flags;
};
struct controller {
    BASE
    int32_t (*set_component_state)(void *, void *stream);
    int32_t (*set_state)(void *, void *stream);
    int32_t (*get_state)(void *, void *stream);
    int32_t (*count)(void *);
    int32_t (*get_info)(void *, int32_t index, struct parameter_info *);
    int32_t (*get_text)(void *, uint32_t id, double value, uint16_t *);
    int32_t (*get_value)(void *, uint32_t id, const uint16_t *, double *);
    double (*to_plain)(void *, uint32_t id, double value);
    double (*to_normalised)(void *, uint32_t id, double value);
    double (*get)(void *, uint32_t id);
    int32_t (*set)(void *, uint32_t id, double value);
    int32_t (*set_handler)(void *, void *handler);
    void *(*create_view)(void *, const char *);
};
struct connection {
    UNKNOWN
    int32_t (*connect)(void *, void *other);
    int32_t (*disconnect)(void *, void *other);
    int32_t (*notify)(void *, void *message);
};

struct factory_info { char vendor[64], url[256], email[128]; int32_t flags; };
struct class_info { uint8_t id[16]; int32_t cardinality; char category[32], name[64]; };
struct class_info_2 {
    struct class_info plain;
    uint32_t flags;
    char categories[128], vendor[64], version[64], sdk[64];
};
struct factory {
    UNKNOWN
    int32_t (*get_info)(void *, struct factory_info *);
    int32_t (*count)(void *);
    int32_t (*get_class)(void *, int32_t index, struct class_info *);
    int32_t (*create)(void *, const uint8_t *class_id, const uint8_t *iid, void **);
    int32_t (*get_class_2)(void *, int32_t index, struct class_info_2 *);
};

/* What the host gives. */
struct host {
    UNKNOWN
    int32_t (*get_name)(void *, uint16_t *);
    int32_t (*create)(void *, const uint8_t *class_id, const uint8_t *iid, void **);
};
struct handler {
    UNKNOWN
    int32_t (*begin)(void *, uint32_t id);
    int32_t (*perform)(void *, uint32_t id, double value);
    int32_t (*end)(void *, uint32_t id);
    int32_t (*restart)(void *, int32_t reasons);
};
struct stream {
    UNKNOWN
    int32_t (*read)(void *, void *, int32_t n_bytes, int32_t *n_read);
    int32_t (*write)(void *, const void *, int32_t n_bytes, int32_t *n_written);
    int32_t (*seek)(void *, int64_t, int32_t origin, int64_t *now);
    int32_t (*tell)(void *, int64_t *now);
};
struct queue {
    UNKNOWN
    uint32_t (*id)(void *);
    int32_t (*count)(void *);
    int32_t (*point)(void *, int32_t index, int32_t *frame, double *value);
    int32_t (*add)(void *, int32_t frame, double value, int32_t *index);
};
struct changes {
    UNKNOWN
    int32_t (*count)(void *);
    void *(*queue)(void *, int32_t index);
    void *(*add)(void *, const uint32_t *id, int32_t *index);
};
struct events { UNKNOWN int32_t (*count)(void *); };
struct message {
    UNKNOWN
    const char *(*get_id)(void *);
    void (*set_id)(void *, const char *);
    void *(*attributes)(void *);
};
struct attributes {
    UNKNOWN
    int32_t (*set_int)(void *, const char *, int64_t);
    int32_t (*get_int)(void *, const char *, int64_t *);
    int32_t (*set_float)(void *, const char *, double);
    int32_t (*get_float)(void *, const char *, double *);
    int32_t (*set_string)(void *, const char *, const uint16_t *);
    int32_t (*get_string)(void *, const char *, uint16_t *, uint32_t n_bytes);
    int32_t (*set_binary)(void *, const char *, const void *, uint32_t n_bytes);
    int32_t (*get_binary)(void *, const char *, const void **, uint32_t *n_bytes);
};

#define W(word) (uint8_t)((word) >> 24), (uint8_t)((word) >> 16), (uint8_t)((word) >> 8), (uint8_t)(word)
#define ID(a, b, c, d) {W(a##u), W(b##u), W(c##u), W(d##u)}
static const uint8_t iid_unknown[16] = ID(0x00000000, 0x00000000, 0xC0000000, 0x00000046);
static const uint8_t iid_base[16] = ID(0x22888DDB, 0x156E45AE, 0x8358B348, 0x08190625);
static const uint8_t iid_component[16] = ID(0xE831FF31, 0xF2D54301, 0x928EBBEE, 0x25697802);
static const uint8_t iid_processor[16] = ID(0x42043F99, 0xB7DA453C, 0xA569E79D, 0x9AAEC33D);
static const uint8_t iid_controller[16] = ID(0xDCD7BBE3, 0x7742448D, 0xA874AACC, 0x979C759E);
static const uint8_t iid_connection[16] = ID(0x70A4156F, 0x6E6E4026, 0x989148BF, 0xAA60D8D1);
static const uint8_t iid_factory[16] = ID(0x7A4D811C, 0x52114A1F, 0xAED9D2EE, 0x0B43BF9F);
static const uint8_t iid_factory_2[16] = ID(0x0007B650, 0xF24B4C0B, 0xA464EDB9, 0xF00B2ABB);
static const uint8_t iid_host[16] = ID(0x58E595CC, 0xDB2D4969, 0x8B6AAF8C, 0x36A664E5);
static const uint8_t iid_handler[16] = ID(0x93A0BEA3, 0x0BD045DB, 0x8E890B0C, 0xC1E46AC6);
static const uint8_t iid_message[16] = ID(0x936F033B, 0xC6C047DB, 0xBB0882F8, 0x13C1E613);

#endif
