/* Energies of 10 ms hops: K-weighted (ITU-R BS.1770), and plain sums with sample peaks.
 *
 * A recursive filter waits for its own last result, so the signal is cut into LANES stretches of
 * whole seconds that are filtered side by side. Each starts WARM_UP_HOPS early, from zero state:
 * the slowest pole decays by exp(-2 pi 38.1 Hz 0.2 s) = 1e-21 meanwhile. Frames outside the signal
 * read as zero. Whole seconds, because then the hops of all lanes have the same lengths at any
 * integer rate.
 */
#include "common.h"
#include "loudness.h"

#define LANES 8
#define BLOCK 64
#define HOPS_PER_SECOND 100
#define WARM_UP_HOPS 20
#define FLUSH 1e-30 /* keeps decaying states out of the slow subnormal range */

typedef struct {
    double s1[LANES], s2[LANES], h1[LANES], h2[LANES];
} state_t;

static inline double flushed(double state)
{
    return fabs(state) < FLUSH ? 0.0 : state;
}

static int64_t hop_edge(int64_t hop, int64_t sample_rate_hz)
{
    return (hop * sample_rate_hz + HOPS_PER_SECOND / 2) / HOPS_PER_SECOND;
}

static inline void load_lanes(const float *in, int64_t n_frames, int64_t start, int64_t stride,
                              int n, float block[BLOCK][LANES])
{
    if (start >= 0 && start + (LANES - 1) * stride + n <= n_frames) {
        for (int i = 0; i < n; i++)
            for (int lane = 0; lane < LANES; lane++) block[i][lane] = in[start + lane * stride + i];
        return;
    }
    memset(block, 0, sizeof(float) * BLOCK * LANES);
    for (int lane = 0; lane < LANES; lane++) {
        int64_t first = start + lane * stride;
        int64_t to = first + n < n_frames ? first + n : n_frames;
        for (int64_t i = first > 0 ? first : 0; i < to; i++) block[i - first][lane] = in[i];
    }
}

/* Shelf, then high-pass (b = 1 -2 1), both transposed direct form II; adds squares to energy. */
static inline void weigh_block(float block[BLOCK][LANES], int n, const double *c, state_t *state,
                               double energy[LANES])
{
    double s1[LANES], s2[LANES], h1[LANES], h2[LANES], e[LANES];
    for (int l = 0; l < LANES; l++) {
        s1[l] = state->s1[l];
        s2[l] = state->s2[l];
        h1[l] = state->h1[l];
        h2[l] = state->h2[l];
        e[l] = energy[l];
    }
    for (int i = 0; i < n; i++) {
        for (int l = 0; l < LANES; l++) {
            double x = block[i][l];
            double y = c[0] * x + s1[l];
            s1[l] = (c[1] * x + s2[l]) - c[3] * y;
            s2[l] = c[2] * x - c[4] * y;
            double w = y + h1[l];
            h1[l] = (h2[l] - 2.0 * y) - c[8] * w;
            h2[l] = y - c[9] * w;
            e[l] += w * w;
        }
    }
    for (int l = 0; l < LANES; l++) {
        state->s1[l] = flushed(s1[l]);
        state->s2[l] = flushed(s2[l]);
        state->h1[l] = flushed(h1[l]);
        state->h2[l] = flushed(h2[l]);
        energy[l] = e[l];
    }
}

/* sections: two rows of b0 b1 b2 a1 a2, a0 = 1; the second row's b must be 1 -2 1. */
WIDE void cw_hop_energies(const float *in, int64_t n_frames, int64_t sample_rate_hz,
                          const double *sections, int64_t n_hops, double *energies)
{
    const int64_t seconds = (n_hops + HOPS_PER_SECOND - 1) / HOPS_PER_SECOND;
    const int64_t lane_seconds = (seconds + LANES - 1) / LANES;
    const int64_t lane_hops = lane_seconds * HOPS_PER_SECOND;
    const int64_t stride = lane_seconds * sample_rate_hz;
    float block[BLOCK][LANES];
    state_t state = {{0.0}, {0.0}, {0.0}, {0.0}};

    for (int64_t hop = -WARM_UP_HOPS; hop < lane_hops; hop++) {
        /* Whole seconds added before the division keep it rounding one way for early hops. */
        int64_t start = hop_edge(hop + HOPS_PER_SECOND, sample_rate_hz) - sample_rate_hz;
        int64_t end = hop_edge(hop + 1 + HOPS_PER_SECOND, sample_rate_hz) - sample_rate_hz;
        double energy[LANES] = {0.0};
        for (; start < end; start += BLOCK) {
            int n = (int)(end - start < BLOCK ? end - start : BLOCK);
            load_lanes(in, n_frames, start, stride, n, block);
            weigh_block(block, n, sections, &state, energy);
        }
        for (int lane = 0; hop >= 0 && lane < LANES; lane++) {
            int64_t at = lane * lane_hops + hop;
            if (at < n_hops) energies[at] = energy[lane];
        }
    }
}

/* Sums over count rows of LANES frames. */
static inline void sum_rows(const float *in, int64_t count, double sums[LANES],
                            double squares[LANES], float peaks[LANES])
{
    double sum[LANES] = {0.0}, square[LANES] = {0.0};
    float peak[LANES] = {0.0f};
    for (int64_t row = 0; row < count; row++) {
        const float *x = in + row * LANES;
        for (int l = 0; l < LANES; l++) {
            double wide = x[l];
            sum[l] += wide;
            square[l] += wide * wide;
        }
        for (int l = 0; l < LANES; l++) {
            float size = fabsf(x[l]);
            peak[l] = size > peak[l] ? size : peak[l];
        }
    }
    for (int l = 0; l < LANES; l++) {
        sums[l] = sum[l];
        squares[l] = square[l];
        peaks[l] = peak[l];
    }
}

/* The last of the n_hops may be cut short by the end of the signal. */
WIDE void cw_hop_levels(const float *in, int64_t n_frames, int64_t sample_rate_hz, int64_t n_hops,
                        double *sums, double *squares, float *peaks)
{
    for (int64_t hop = 0; hop < n_hops; hop++) {
        int64_t i = hop_edge(hop, sample_rate_hz);
        int64_t end = hop_edge(hop + 1, sample_rate_hz);
        if (end > n_frames) end = n_frames;
        int64_t count = (end - i) / LANES;
        double sum[LANES], square[LANES], total = 0.0, energy = 0.0;
        float peak[LANES], largest = 0.0f;
        sum_rows(in + i, count, sum, square, peak);
        for (int l = 0; l < LANES; l++) {
            total += sum[l];
            energy += square[l];
            largest = peak[l] > largest ? peak[l] : largest;
        }
        for (i += count * LANES; i < end; i++) {
            total += in[i];
            energy += (double)in[i] * in[i];
            largest = fabsf(in[i]) > largest ? fabsf(in[i]) : largest;
        }
        sums[hop] = total;
        squares[hop] = energy;
        peaks[hop] = largest;
    }
}
