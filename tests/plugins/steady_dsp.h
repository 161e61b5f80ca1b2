/* A well-behaved effect: gain and tilt around a one-pole split, late by a fixed number of frames. */
#ifndef STEADY_DSP_H
#define STEADY_DSP_H
#include <math.h>

enum { LATENCY = 64 };

struct side { float low, late[LATENCY]; int at; };
struct steady { float pole, rate_hz; struct side sides[2]; };

static void steady_start(struct steady *s, double rate_hz)
{
    struct steady fresh = {0};
    *s = fresh;
    s->rate_hz = (float)rate_hz;
    s->pole = (float)exp(-2.0 * 3.14159265358979323846 * 1000.0 / rate_hz);
}

static void steady_run(struct steady *s, int side, float gain_db, float tilt_db, int mirrored,
                       const float *in, float *out, unsigned long n_frames)
{
    struct side *own = &s->sides[side];
    float gain = (float)pow(10.0, gain_db / 20.0) * (mirrored ? -1.0f : 1.0f);
    float below = gain * (float)pow(10.0, -tilt_db / 40.0);
    float above = gain * (float)pow(10.0, tilt_db / 40.0);
    for (unsigned long i = 0; i < n_frames; i++) {
        own->low = s->pole * own->low + (1.0f - s->pole) * in[i];
        float now = below * own->low + above * (in[i] - own->low);
        out[i] = own->late[own->at];
        own->late[own->at] = now;
        own->at = (own->at + 1) % LATENCY;
    }
}

#endif
