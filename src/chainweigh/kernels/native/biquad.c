/* Cascade of second-order sections, state in double.

   State-space form of the transposed direct form II:
       y = b0 x + z1;  z1' = c1 x - a1 z1 + z2;  z2' = c2 x - a2 z1;  ck = bk - ak b0
   The next state waits for one product and one sum instead of three steps. Two sections times two
   channels ride in one vector and two vectors make a pass of four sections. Each section works two
   frames behind the one before it, so that nothing waits for its neighbour's result: a pass lags
   by 6 frames, and zeros at the end push the last ones out. */
#include "common.h"
#include "biquad.h"

#define BLOCK 512
#define MAX_PASSES 16
#define LAG 6
#define TINY 1e-25 /* -500 dB: states below it become zero before they turn denormal */

typedef struct { double left, right; } frame;

#if defined(__GNUC__) && !defined(CW_PLAIN)
typedef double quad __attribute__((vector_size(32)));
#define QUAD(a, b, c, d) ((quad){(a), (b), (c), (d)})
#define AT(q, i) ((q)[i])
#define ADD(a, b) ((a) + (b))
#define SUB(a, b) ((a) - (b))
#define MUL(a, b) ((a) * (b))
#else
typedef struct { double at[4]; } quad;
static quad QUAD(double a, double b, double c, double d)
{
    quad q;
    q.at[0] = a; q.at[1] = b; q.at[2] = c; q.at[3] = d;
    return q;
}
#define AT(q, i) ((q).at[i])
#define EACH(a, b, op) QUAD(AT(a, 0) op AT(b, 0), AT(a, 1) op AT(b, 1), \
                            AT(a, 2) op AT(b, 2), AT(a, 3) op AT(b, 3))
#define ADD(a, b) EACH(a, b, +)
#define SUB(a, b) EACH(a, b, -)
#define MUL(a, b) EACH(a, b, *)
#endif

/* Two neighbouring sections, lanes: first left, first right, second left, second right. */
typedef struct { quad b0, c1, a1, c2, a2, z1, z2, last, before; } couple;
typedef struct { couple head, tail; } pass;

/* Runs the couple one frame on: the second section takes what the first gave two frames ago. */
#define STEP(c, left, right)                                                \
    do {                                                                    \
        quad x_ = QUAD((left), (right), AT(c.before, 0), AT(c.before, 1));  \
        quad y_ = ADD(MUL(c.b0, x_), c.z1);                                 \
        quad z_ = SUB(ADD(MUL(c.c1, x_), c.z2), MUL(c.a1, c.z1));           \
        c.z2 = SUB(MUL(c.c2, x_), MUL(c.a2, c.z1));                         \
        c.z1 = z_;                                                          \
        c.before = c.last;                                                  \
        c.last = y_;                                                        \
    } while (0)

WIDE static void run_pass(pass *p, frame *block, int n)
{
    couple head = p->head, tail = p->tail;
    for (int i = 0; i < n; i++) {
        double left = AT(head.before, 2), right = AT(head.before, 3);
        STEP(head, block[i].left, block[i].right);
        STEP(tail, left, right);
        block[i].left = AT(tail.last, 2);
        block[i].right = AT(tail.last, 3);
    }
    p->head = head;
    p->tail = tail;
}

static void flush(quad *z)
{
    for (int i = 0; i < 4; i++)
        if (fabs(AT(*z, i)) < TINY) AT(*z, i) = 0.0;
}

static const double *row_or_wire(const double *rows, int n_sections, int s)
{
    static const double wire[5] = {1.0, 0.0, 0.0, 0.0, 0.0};
    return s < n_sections ? rows + 5 * s : wire;
}

static void load(couple *c, const double *first, const double *second)
{
    const double *f = first, *s = second;
    double fc1 = f[1] - f[3] * f[0], sc1 = s[1] - s[3] * s[0];
    double fc2 = f[2] - f[4] * f[0], sc2 = s[2] - s[4] * s[0];
    c->b0 = QUAD(f[0], f[0], s[0], s[0]);
    c->c1 = QUAD(fc1, fc1, sc1, sc1);
    c->a1 = QUAD(f[3], f[3], s[3], s[3]);
    c->c2 = QUAD(fc2, fc2, sc2, sc2);
    c->a2 = QUAD(f[4], f[4], s[4], s[4]);
    c->z1 = c->z2 = c->last = c->before = QUAD(0.0, 0.0, 0.0, 0.0);
}

static int load_passes(pass *passes, const double *rows, int n_sections)
{
    int n_passes = (n_sections + 3) / 4;
    for (int p = 0; p < n_passes; p++) {
        const double *row[4];
        for (int s = 0; s < 4; s++) row[s] = row_or_wire(rows, n_sections, 4 * p + s);
        load(&passes[p].head, row[0], row[1]);
        load(&passes[p].tail, row[2], row[3]);
    }
    return n_passes;
}

static void run_block(pass *passes, int n_passes, frame *block, int n)
{
    for (int p = 0; p < n_passes; p++) {
        run_pass(passes + p, block, n);
        flush(&passes[p].head.z1);
        flush(&passes[p].head.z2);
        flush(&passes[p].tail.z1);
        flush(&passes[p].tail.z2);
    }
}

static int64_t within(int64_t value, int64_t most)
{
    return value < 0 ? 0 : value < most ? value : most;
}

static void read_block(frame *block, int n, const float *left, const float *right,
                       int64_t start, int64_t n_frames)
{
    int n_read = (int)within(n_frames - start, n);
    for (int i = 0; i < n_read; i++) {
        block[i].left = left[start + i];
        block[i].right = right[start + i];
    }
    for (int i = n_read; i < n; i++) block[i].left = block[i].right = 0.0;
}

static void write_block(const frame *block, int n, float *left, float *right, int64_t start)
{
    for (int i = (int)within(-start, n); i < n; i++) {
        left[start + i] = (float)block[i].left;
        right[start + i] = (float)block[i].right;
    }
}

/* rows: n_sections times b0 b1 b2 a1 a2, a0 = 1. The second channel may repeat the first. */
void cw_biquad_cascade(const float *left_in, const float *right_in, float *left_out,
                       float *right_out, int64_t n_frames, const double *rows, int n_sections)
{
    pass passes[MAX_PASSES];
    frame block[BLOCK];
    int n_passes = load_passes(passes, rows, n_sections);
    int64_t lag = (int64_t)LAG * n_passes;
    for (int64_t start = 0; start < n_frames + lag; start += BLOCK) {
        int n = (int)within(n_frames + lag - start, BLOCK);
        read_block(block, n, left_in, right_in, start, n_frames);
        run_block(passes, n_passes, block, n);
        write_block(block, n, left_out, right_out, start - lag);
    }
}
