/* The binary layout of LV2 1.18 plug-ins, as far as the test plug-ins need it. */
#ifndef LV2_ABI_H
#define LV2_ABI_H
#include <stddef.h>
#include <stdint.h>

struct feature { const char *uri; void *data; };

struct descriptor {
    const char *uri;
    void *(*instantiate)(const struct descriptor *, double rate_hz, const char *bundle,
                         const struct feature *const *);
    void (*connect_port)(void *, uint32_t port, void *where);
    void (*activate)(void *);
    void (*run)(void *, uint32_t n_frames);
    void (*deactivate)(void *);
    void (*cleanup)(void *);
    const void *(*extension_data)(const char *uri);
};

struct urid_map { void *handle; uint32_t (*map)(void *, const char *uri); };
struct urid_unmap { void *handle; const char *(*unmap)(void *, uint32_t urid); };
struct option { int context; uint32_t subject, key, size, type; const void *value; };
struct log { void *handle; int (*printf)(void *, uint32_t type, const char *format, ...); void *vprintf; };

typedef int (*respond)(void *, uint32_t size, const void *data);
struct schedule { void *handle; respond schedule_work; };
struct worker {
    int (*work)(void *, respond, void *respond_handle, uint32_t size, const void *data);
    int (*work_response)(void *, uint32_t size, const void *data);
    int (*end_run)(void *);
};

typedef const void *(*retrieve)(void *, uint32_t key, size_t *size, uint32_t *type, uint32_t *flags);
typedef int (*store)(void *, uint32_t key, const void *value, size_t size, uint32_t type, uint32_t flags);
struct state {
    int (*save)(void *, store, void *store_handle, uint32_t flags, const struct feature *const *);
    int (*restore)(void *, retrieve, void *retrieve_handle, uint32_t flags, const struct feature *const *);
};

struct atom { uint32_t size, type; };
struct sequence { struct atom atom; uint32_t unit, pad; };
struct event { int64_t frames; struct atom body; };
struct object { struct atom atom; uint32_t id, otype; };
struct property { uint32_t key, context; struct atom value; };

__attribute__((visibility("default"))) const struct descriptor *lv2_descriptor(uint32_t index);

#endif
