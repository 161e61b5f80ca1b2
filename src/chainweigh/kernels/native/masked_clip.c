/* The error of least cost that holds a frame below a ceiling between its samples too: a quadratic
   programme, solved by adding the peaks that still pass the ceiling to a small set of points the
   waveform must touch, until none passes. */
#include "common.h"
#include "_halfband.h"
#include "masked_clip.h"

#define MAX_POINTS 128
#define MAX_ROUNDS 60
#define JOINT_ROUNDS 24 /* rounds that add a peak a cell; the later ones only the worst */
#define CELL 128        /* points of which one round adds the highest peak */
#define RIDGE 1e-6      /* of each point's own response: keeps close points apart */
#define TOGETHER 4      /* pushes added up at once */
#define SHUT 0.02       /* where the gate lets less through, peaks are left alone */

typedef struct {
    int64_t at;   /* point of the oversampled frame */
    int channel;
    double sign, pull; /* pull: sign times the gate there */
    double wanted; /* by how much the waveform must come down there */
    double weight; /* multiplier, never negative */
} Point;

typedef struct {
    int n_channels;
    int64_t n_points;
    double *x, *error, *gate; /* oversampled */
    double *level;            /* of x + error, one channel's */
    double *kernels;          /* per row 2 n_points - 1 values: lags from the last before on */
    double ceiling, tolerance;
    int n_active;
    Point active[MAX_POINTS];
    double gram[MAX_POINTS * MAX_POINTS]; /* its factors once solved */
} Frame;

/* Response of channel a to a push on channel b at lag 0, those at other lags around it: rows
   left-left, left-right, right-right. */
static const double *kernel_of(const Frame *f, int a, int b)
{
    return f->kernels + (a + b) * (2 * f->n_points - 1) + f->n_points - 1;
}

WIDE static void mirror_kernel(const double *restrict kernel, double *restrict out, int64_t n)
{
    for (int64_t t = 0; t < n; t++) out[n - 1 - t] = kernel[t];
    for (int64_t t = 1; t < n; t++) out[n - 1 + t] = kernel[t];
}

WIDE static void add_up_levels(const double *restrict x, const double *restrict error, double *out,
                               int64_t n)
{
    for (int64_t t = 0; t < n; t++) out[t] = fabs(x[t] + error[t]);
}

WIDE static int any_above(const double *level, int64_t n, double least)
{
    int found = 0;
    for (int64_t t = 0; t < n; t++) found |= level[t] > least;
    return found;
}

static int is_active(const Frame *f, int channel, int64_t t)
{
    for (int i = 0; i < f->n_active; i++)
        if (f->active[i].at == t && f->active[i].channel == channel) return 1;
    return 0;
}

static void set_point(Frame *f, int slot, int channel, int64_t t)
{
    int64_t i = channel * f->n_points + t;
    Point *p = f->active + slot;
    p->at = t;
    p->channel = channel;
    p->sign = f->x[i] + f->error[i] < 0.0 ? -1.0 : 1.0;
    p->pull = p->sign * f->gate[t];
    p->wanted = p->sign * f->x[i] - f->ceiling;
    p->weight = 0.0;
}

static int is_peak(const Frame *f, int64_t t)
{
    if (t > 0 && f->level[t - 1] > f->level[t]) return 0;
    return t + 1 == f->n_points || f->level[t + 1] < f->level[t];
}

/* Adds the highest peak above the ceiling of each cell, or of the whole frame; returns how many. */
static int add_peaks(Frame *f, int only_worst)
{
    int n = f->n_active;
    double least = f->ceiling * (1.0 + f->tolerance), top = least;
    for (int c = 0; c < f->n_channels; c++) {
        int64_t at = c * f->n_points;
        add_up_levels(f->x + at, f->error + at, f->level, f->n_points);
        for (int64_t cell = 0; cell < f->n_points; cell += CELL) {
            int64_t end = cell + CELL < f->n_points ? cell + CELL : f->n_points;
            if (!any_above(f->level + cell, end - cell, top)) continue;
            for (int64_t t = cell; t < end; t++) {
                if (f->level[t] <= top || f->gate[t] <= SHUT || !is_peak(f, t)) continue;
                if (n == MAX_POINTS || is_active(f, c, t)) continue;
                set_point(f, n, c, t);
                top = f->level[t];
            }
            if (only_worst) continue;
            n += top > least;
            top = least;
        }
    }
    n += top > least;
    int added = n - f->n_active;
    f->n_active = n;
    return added;
}

/* Rows of the symmetric matrix from the diagonal on. */
static void fill_gram(Frame *f)
{
    for (int i = 0; i < f->n_active; i++)
        for (int j = i; j < f->n_active; j++) {
            const Point *a = f->active + i, *b = f->active + j;
            int64_t lag = a->at < b->at ? b->at - a->at : a->at - b->at;
            double value = kernel_of(f, a->channel, b->channel)[lag] * a->pull * b->pull;
            f->gram[i * MAX_POINTS + j] = i == j ? value * (1.0 + RIDGE) : value;
        }
}

WIDE static void subtract_row(double *restrict out, const double *restrict row, int n,
                              double factor)
{
    for (int j = 0; j < n; j++) out[j] -= factor * row[j];
}

/* Weights that bring every active point down to the ceiling exactly, by Cholesky factors. */
static void solve_equal(Frame *f, double *solution)
{
    int n = f->n_active;
    for (int i = 0; i < n; i++) solution[i] = f->active[i].wanted;
    for (int k = 0; k < n; k++) {
        double *row = f->gram + k * MAX_POINTS;
        double least = 0.5 * RIDGE * kernel_of(f, f->active[k].channel, f->active[k].channel)[0] *
                       f->active[k].pull * f->active[k].pull;
        double scale = 1.0 / sqrt(row[k] > least ? row[k] : least);
        for (int j = k; j < n; j++) row[j] *= scale;
        solution[k] *= scale;
        for (int i = k + 1; i < n; i++)
            subtract_row(f->gram + i * MAX_POINTS + i, row + i, n - i, row[i]);
        subtract_row(solution + k + 1, row + k + 1, n - k - 1, solution[k]);
    }
    for (int k = n - 1; k >= 0; k--) {
        const double *row = f->gram + k * MAX_POINTS;
        for (int j = k + 1; j < n; j++) solution[k] -= row[j] * solution[j];
        solution[k] /= row[k];
    }
}

/* Moves the weights towards a solution until one reaches zero, and drops what is zero. */
static void step_and_drop(Frame *f, const double *solution)
{
    double step = 1.0;
    for (int i = 0; i < f->n_active; i++) {
        double now = f->active[i].weight;
        if (solution[i] <= 0.0) {
            double reach = now > 0.0 ? now / (now - solution[i]) : 0.0;
            step = reach < step ? reach : step;
        }
    }
    int kept = 0;
    for (int i = 0; i < f->n_active; i++) {
        Point p = f->active[i];
        int falls = solution[i] <= 0.0;
        double reach = falls && p.weight > 0.0 ? p.weight / (p.weight - solution[i]) : 0.0;
        if (falls && reach <= step) continue;
        p.weight += step * (solution[i] - p.weight);
        f->active[kept++] = p;
    }
    f->n_active = kept;
}

static void solve_weights(Frame *f)
{
    double solution[MAX_POINTS];
    while (f->n_active) {
        int falling = 0;
        fill_gram(f);
        solve_equal(f, solution);
        for (int i = 0; i < f->n_active; i++) falling |= solution[i] <= 0.0;
        if (!falling) {
            for (int i = 0; i < f->n_active; i++) f->active[i].weight = solution[i];
            return;
        }
        step_and_drop(f, solution);
    }
}

/* What pushes on some points add up to, a few at a time so that the sum is not stored each time. */
WIDE static void add_responses(const double *const *kernels, const double *factors, int n_points,
                               const double *restrict gate, double *restrict out, int64_t n)
{
    memset(out, 0, (size_t)n * sizeof(double));
    for (; n_points >= TOGETHER; n_points -= TOGETHER) {
        const double *a = kernels[0], *b = kernels[1], *c = kernels[2], *d = kernels[3];
        double on_a = factors[0], on_b = factors[1], on_c = factors[2], on_d = factors[3];
        for (int64_t t = 0; t < n; t++)
            out[t] += (on_a * a[t] + on_b * b[t]) + (on_c * c[t] + on_d * d[t]);
        kernels += TOGETHER;
        factors += TOGETHER;
    }
    for (int i = 0; i < n_points; i++)
        for (int64_t t = 0; t < n; t++) out[t] += factors[i] * kernels[i][t];
    for (int64_t t = 0; t < n; t++) out[t] *= gate[t];
}

static void fill_error(Frame *f)
{
    const double *kernels[MAX_POINTS];
    double factors[MAX_POINTS];
    for (int c = 0; c < f->n_channels; c++) {
        for (int i = 0; i < f->n_active; i++) {
            const Point *p = f->active + i;
            kernels[i] = kernel_of(f, c, p->channel) - p->at;
            factors[i] = -p->weight * p->pull;
        }
        add_responses(kernels, factors, f->n_active, f->gate, f->error + c * f->n_points,
                      f->n_points);
    }
}

static void solve_frame(Frame *f)
{
    f->n_active = 0;
    memset(f->error, 0, (size_t)(f->n_channels * f->n_points) * sizeof(double));
    for (int round = 0; round < MAX_ROUNDS; round++) {
        if (!add_peaks(f, round >= JOINT_ROUNDS)) return;
        solve_weights(f);
        fill_error(f);
    }
}

/* One channel's frame at 2^n_stages times its rate. */
WIDE static void oversample(const float *x, int64_t n_samples, int64_t start, int64_t length,
                       int n_stages, const Halfbands *bands, double *out)
{
    float rows[PHASES][WIDTH] = {{0.0f}};
    int n_phases = 1 << n_stages;
    for (int64_t first = 0; first < length; first += CHUNK) {
        int n = (int)(length - first < CHUNK ? length - first : CHUNK);
        load_interpolated(x, n_samples, start + first, n, 0, bands, n_stages, rows);
        for (int p = 0; p < n_phases; p++)
            for (int m = 0; m < n; m++)
                out[(first + m) * n_phases + p] = rows[p][MARGIN + m];
    }
}

static void oversample_gate(const double *gate, int64_t length, int n_phases, double *out)
{
    for (int64_t m = 0; m < length; m++) {
        double next = m + 1 < length ? gate[m + 1] : gate[m];
        for (int p = 0; p < n_phases; p++)
            out[m * n_phases + p] = gate[m] + (next - gate[m]) * p / n_phases;
    }
}

/* Returns 0 where memory ran out. */
int cw_least_error(const float *samples, int64_t n_channels, int64_t n_samples,
                   const int64_t *starts, int64_t n_frames, int64_t length, int n_stages,
                   const double *kernels, const double *gates, double ceiling, double tolerance,
                   const float *taps, const int32_t *pairs, double *error)
{
    int n_phases = 1 << n_stages;
    int64_t n = length * n_phases, n_kernels = 2 * n_channels - 1;
    Halfbands bands = halfbands_of(taps, pairs);
    Frame *f = malloc(sizeof *f);
    int64_t n_values = (2 * n_channels + 2) * n + n_kernels * (2 * n - 1);
    double *space = malloc((size_t)n_values * sizeof(double));
    if (f && space) {
        f->n_channels = (int)n_channels;
        f->n_points = n;
        f->x = space;
        f->error = space + n_channels * n;
        f->gate = space + 2 * n_channels * n;
        f->level = f->gate + n;
        f->kernels = f->level + n;
        f->ceiling = ceiling;
        f->tolerance = tolerance;
        for (int64_t i = 0; i < n_frames; i++) {
            for (int64_t k = 0; k < n_kernels; k++)
                mirror_kernel(kernels + (i * n_kernels + k) * n, f->kernels + k * (2 * n - 1), n);
            for (int64_t c = 0; c < n_channels; c++)
                oversample(samples + c * n_samples, n_samples, starts[i], length, n_stages, &bands,
                           f->x + c * n);
            oversample_gate(gates + i * length, length, n_phases, f->gate);
            solve_frame(f);
            for (int64_t m = 0; m < n_channels * length; m++)
                error[i * n_channels * length + m] = f->error[m * n_phases];
        }
    }
    int fitted = f && space;
    free(space);
    free(f);
    return fitted;
}
