/* The true-peak envelope that a limiter needs, made a piece ahead of it: peaks that the release of
   earlier ones covers are spared. */
#ifndef CHAINWEIGH_AHEAD_H
#define CHAINWEIGH_AHEAD_H

#include "_meter.h"

#define PIECE_FRAMES (PIECE_BLOCKS * BLOCK)
#define WINDOW (2 * PIECE_FRAMES + 2 * BLOCK)
#define COVERED 0.9999 /* of a release, which covers what needs less: room for rounding */
#define ROUNDED_DOWN (1.0 - 1.2e-7) /* room for a float's rounding */
#define FAINT 9.5367431640625e-7f /* 2^-20: a release ends here, at -120 dB */
#define MAX_CHANNELS 2

typedef struct {
    const float *x;
    int n_channels, joint; /* joint: a peak of either channel releases both */
    int64_t n_frames;
    float ceiling;
    double decay, rest; /* of a reduction: over a block; from its start to the next one's end */
    Meter meter;
    double reductions[MAX_CHANNELS];
    int64_t base, made; /* first frame of the window; frame up to which intervals are looked at */
    float window[MAX_CHANNELS][WINDOW];
    float rows[PHASES][WIDTH];
} Ahead;

/* link: 1 for one gain for all, 0 for one for each channel; in between what a gain follows depends
   on both, so that no release covers anything. decay: factor a frame of a reduction; step: frames
   it is worked out for together. */
INLINE void look_from_start(Ahead *a, const float *x, int n_channels, int64_t n_frames,
                            float ceiling, float link, double decay, int step)
{
    memset(a, 0, sizeof *a);
    a->x = x;
    a->n_channels = n_channels;
    a->joint = link == 1.0f;
    a->n_frames = n_frames;
    a->ceiling = ceiling;
    if (link == 0.0f || link == 1.0f) {
        a->decay = pow(decay, BLOCK);
        a->rest = pow(decay, 2 * BLOCK + step) * COVERED;
    }
    a->made = -LEAD * BLOCK;
}

/* Of each block the magnitude that the release of earlier blocks' peaks keeps below the ceiling
   anyway: the ceiling over the gain it leaves. */
INLINE void released_floors(const Ahead *a, const float *peaks, int n, double *reduction,
                            float *floors)
{
    double top = a->ceiling;
    for (int i = 0; i < n; i++) {
        double left = *reduction * a->rest, over = peaks[i] > a->ceiling ? 1.0 - top / peaks[i] : 0.0;
        floors[i] = (float)(top / (1.0 - left) * ROUNDED_DOWN);
        if (left < 2.0 * FAINT || floors[i] < a->ceiling) floors[i] = a->ceiling;
        *reduction = *reduction * a->decay > over ? *reduction * a->decay : over;
    }
}

INLINE void raise_channel(Ahead *a, int channel, const float *bounds, const float *floors, int n)
{
    const float *x = a->x + channel * a->n_frames;
    float tops[CHUNK];
    for (int i = 0, run; i < n; i += run ? run : 1) {
        int64_t start = a->made + i * BLOCK;
        for (run = 0; run < RUN && i + run < n && bounds[i + run] > floors[i + run];) run++;
        if (run && load_tops(x, a->n_frames, start, run, &a->meter, floors + i, a->rows, tops))
            raise_frames(tops, run * BLOCK, start, a->n_frames, floors + i, a->base,
                         a->window[channel]);
    }
}

/* Looks at the next n blocks of every channel. */
INLINE void look_at_piece(Ahead *a, int n)
{
    float peaks[MAX_CHANNELS][PIECE_BLOCKS + 2 * LEAD], bends[PIECE_BLOCKS + 2 * LEAD];
    float bounds[MAX_CHANNELS][PIECE_BLOCKS], floors[PIECE_BLOCKS], *most = peaks[0] + LEAD;
    for (int c = 0; c < a->n_channels; c++) {
        block_peaks(a->x + c * a->n_frames, a->n_frames, a->made - LEAD * BLOCK, n + 2 * LEAD,
                    peaks[c], bends);
        fetch(a->x + c * a->n_frames, a->n_frames, a->made + (n + LEAD) * BLOCK, PIECE_FRAMES);
        block_bounds(&a->meter, peaks[c], bends, n, bounds[c]);
    }
    if (a->joint && a->n_channels == 2)
        for (int i = 0; i < n; i++)
            most[i] = peaks[1][LEAD + i] > most[i] ? peaks[1][LEAD + i] : most[i];
    for (int c = 0; c < a->n_channels; c++) {
        if (c == 0 || !a->joint)
            released_floors(a, peaks[c] + LEAD, n, &a->reductions[c], floors);
        raise_channel(a, c, bounds[c], floors, n);
    }
    a->made += n * BLOCK;
}

/* Has the envelope of the n frames from `from` on, never before that of an earlier call, at the
   start of each channel's window. */
WIDE static void look_ahead(Ahead *a, int64_t from, int n)
{
    int64_t end = (a->n_frames + BLOCK - 1) / BLOCK * BLOCK + LEAD * BLOCK;
    int64_t due = from + n == a->n_frames ? end : from + n;
    int64_t kept = a->made + 1 > from ? a->made + 1 - from : 0;
    for (int c = 0; c < a->n_channels; c++) {
        memmove(a->window[c], a->window[c] + (from - a->base), (size_t)kept * sizeof(float));
        memset(a->window[c] + kept, 0, (size_t)(WINDOW - kept) * sizeof(float));
    }
    a->base = from;
    while (a->made < due) {
        int64_t left = (end - a->made) / BLOCK;
        look_at_piece(a, left < PIECE_BLOCKS ? (int)left : PIECE_BLOCKS);
    }
}

#endif
