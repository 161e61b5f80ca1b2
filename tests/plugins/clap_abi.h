/* The binary layout of CLAP 1.x plug-ins, as far as the test plug-ins need it. */
#ifndef CLAP_ABI_H
#define CLAP_ABI_H
#include <stdbool.h>
#include <stdint.h>

struct version { uint32_t major, minor, revision; };
struct plugin;

struct descriptor {
    struct version version;
    const char *id, *name, *vendor, *url, *manual_url, *support_url, *plugin_version, *description;
    const char *const *features;
};

struct host {
    struct version version;
    void *data;
    const char *name, *vendor, *url, *host_version;
    const void *(*get_extension)(const struct host *, const char *id);
    void (*request_restart)(const struct host *);
    void (*request_process)(const struct host *);
    void (*request_callback)(const struct host *);
};

struct thread_check {
    bool (*is_main_thread)(const struct host *);
    bool (*is_audio_thread)(const struct host *);
};

struct audio_buffer {
    float **data32;
    double **data64;
    uint32_t n_channels, latency;
    uint64_t constant_mask;
};

struct event { uint32_t size, time; uint16_t space_id, type; uint32_t flags; };
struct param_event {
    struct event header;
    uint32_t param_id;
    void *cookie;
    int32_t note_id;
    int16_t port_index, channel, key;
    double value;
};
struct in_events {
    void *context;
    uint32_t (*size)(const struct in_events *);
    const struct event *(*get)(const struct in_events *, uint32_t index);
};
struct out_events {
    void *context;
    bool (*try_push)(const struct out_events *, const struct event *);
};

struct process {
    int64_t steady_time;
    uint32_t n_frames;
    const void *transport;
    const struct audio_buffer *inputs;
    struct audio_buffer *outputs;
    uint32_t n_inputs, n_outputs;
    const struct in_events *in_events;
    const struct out_events *out_events;
};

struct plugin {
    const struct descriptor *descriptor;
    void *data;
    bool (*init)(const struct plugin *);
    void (*destroy)(const struct plugin *);
    bool (*activate)(const struct plugin *, double rate_hz, uint32_t least, uint32_t most);
    void (*deactivate)(const struct plugin *);
    bool (*start_processing)(const struct plugin *);
    void (*stop_processing)(const struct plugin *);
    void (*reset)(const struct plugin *);
    int32_t (*process)(const struct plugin *, const struct process *);
    const void *(*get_extension)(const struct plugin *, const char *id);
    void (*on_main_thread)(const struct plugin *);
};

struct param_info {
    uint32_t id, flags;
    void *cookie;
    char name[256], module[1024];
    double minimum, maximum, start;
};
struct params {
    uint32_t (*count)(const struct plugin *);
    bool (*get_info)(const struct plugin *, uint32_t index, struct param_info *);
    bool (*get_value)(const struct plugin *, uint32_t id, double *);
    bool (*value_to_text)(const struct plugin *, uint32_t id, double, char *, uint32_t size);
    bool (*text_to_value)(const struct plugin *, uint32_t id, const char *, double *);
    void (*flush)(const struct plugin *, const struct in_events *, const struct out_events *);
};

struct port_info {
    uint32_t id;
    char name[256];
    uint32_t flags, n_channels;
    const char *port_type;
    uint32_t in_place_pair;
};
struct audio_ports {
    uint32_t (*count)(const struct plugin *, bool is_input);
    bool (*get)(const struct plugin *, uint32_t index, bool is_input, struct port_info *);
};
struct stream { void *context; int64_t (*call)(const struct stream *, void *, uint64_t); };
struct state {
    bool (*save)(const struct plugin *, const struct stream *);
    bool (*load)(const struct plugin *, const struct stream *);
};
struct frames { uint32_t (*get)(const struct plugin *); };
struct render {
    bool (*has_hard_realtime_requirement)(const struct plugin *);
    bool (*set)(const struct plugin *, int32_t mode);
};

struct factory {
    uint32_t (*count)(const struct factory *);
    const struct descriptor *(*descriptor)(const struct factory *, uint32_t index);
    const struct plugin *(*create)(const struct factory *, const struct host *, const char *id);
};
struct entry {
    struct version version;
    bool (*init)(const char *path);
    void (*deinit)(void);
    const void *(*get_factory)(const char *id);
};

enum { STEPPED = 1, HIDDEN = 4, READ_ONLY = 8, AUTOMATABLE = 32, IS_ENUM = 1 << 16 };
enum { MAIN_PORT = 1, PARAM_VALUE = 5, PROCESS_CONTINUE = 1 };

#endif
