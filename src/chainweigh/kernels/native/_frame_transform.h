/* Transforms of real frames, eight side by side: every value is a lane of each. */
#ifndef CHAINWEIGH_FRAME_TRANSFORM_H
#define CHAINWEIGH_FRAME_TRANSFORM_H

#define LANES 8

#if defined(__GNUC__) && !defined(CW_PLAIN)
#pragma GCC diagnostic ignored "-Wpsabi" /* of functions that are inlined wherever they serve */
typedef float lanes __attribute__((vector_size(32), aligned(4)));
#define ADD(a, b) ((a) + (b))
#define SUB(a, b) ((a) - (b))
#define MUL(a, b) ((a) * (b))
#define SCALE(a, s) ((a) * (s))
#define AT(v, j) ((v)[j])
#if defined(__clang__) || __GNUC__ >= 12
#define PICK(a, b, ...) __builtin_shufflevector(a, b, __VA_ARGS__)
#else
typedef int32_t picks __attribute__((vector_size(32)));
#define PICK(a, b, ...) __builtin_shuffle(a, b, (picks){__VA_ARGS__})
#endif
#else
typedef struct { float at[LANES]; } lanes;
#define AT(v, j) ((v).at[j])
#define EACH(expression) \
    lanes out; for (int j = 0; j < LANES; j++) AT(out, j) = (expression); return out
INLINE lanes ADD(lanes a, lanes b) { EACH(AT(a, j) + AT(b, j)); }
INLINE lanes SUB(lanes a, lanes b) { EACH(AT(a, j) - AT(b, j)); }
INLINE lanes MUL(lanes a, lanes b) { EACH(AT(a, j) * AT(b, j)); }
INLINE lanes SCALE(lanes a, float s) { EACH(AT(a, j) * s); }
#endif

/* Lane j of vector i and lane i of vector j exchanged. */
INLINE void exchange(lanes v[LANES])
{
#ifdef PICK
    lanes pairs[LANES], fours[LANES];
    for (int i = 0; i < LANES; i += 2) {
        pairs[i] = PICK(v[i], v[i + 1], 0, 8, 1, 9, 4, 12, 5, 13);
        pairs[i + 1] = PICK(v[i], v[i + 1], 2, 10, 3, 11, 6, 14, 7, 15);
    }
    for (int i = 0; i < LANES; i += 4)
        for (int k = 0; k < 2; k++) {
            fours[i + 2 * k] = PICK(pairs[i + k], pairs[i + k + 2], 0, 1, 8, 9, 4, 5, 12, 13);
            fours[i + 2 * k + 1] = PICK(pairs[i + k], pairs[i + k + 2], 2, 3, 10, 11, 6, 7, 14, 15);
        }
    for (int i = 0; i < LANES / 2; i++) {
        v[i] = PICK(fours[i], fours[i + 4], 0, 1, 2, 3, 8, 9, 10, 11);
        v[i + 4] = PICK(fours[i], fours[i + 4], 4, 5, 6, 7, 12, 13, 14, 15);
    }
#else
    lanes was[LANES];
    memcpy(was, v, sizeof(was));
    for (int i = 0; i < LANES; i++)
        for (int j = 0; j < LANES; j++) AT(v[i], j) = AT(was[j], i);
#endif
}

typedef struct { lanes re, im; } row;

INLINE row turned(lanes re, lanes im, const float *w)
{
    row out = {SUB(SCALE(re, w[0]), SCALE(im, w[1])), ADD(SCALE(re, w[1]), SCALE(im, w[0]))};
    return out;
}

/* One radix-4 step of a self-sorting transform of n times s rows; turns holds the length's roots. */
INLINE void step_of_four(const row *x, row *y, int n, int s, const float *turns, int length)
{
    int quarter = n / 4, turn = length / n;
    for (int p = 0; p < quarter; p++) {
        const float *first = turns + 2 * p * turn, *second = first + 2 * p * turn;
        const float *third = second + 2 * p * turn;
        for (int q = 0; q < s; q++) {
            const row a = x[q + s * p], b = x[q + s * (p + quarter)];
            const row c = x[q + s * (p + 2 * quarter)], d = x[q + s * (p + 3 * quarter)];
            lanes even_re = ADD(a.re, c.re), even_im = ADD(a.im, c.im);
            lanes odd_re = ADD(b.re, d.re), odd_im = ADD(b.im, d.im);
            lanes apart_re = SUB(a.re, c.re), apart_im = SUB(a.im, c.im);
            lanes across_re = SUB(d.im, b.im), across_im = SUB(b.re, d.re);
            row *to = y + q + 4 * s * p;
            to[0].re = ADD(even_re, odd_re);
            to[0].im = ADD(even_im, odd_im);
            to[s] = turned(SUB(apart_re, across_re), SUB(apart_im, across_im), first);
            to[2 * s] = turned(SUB(even_re, odd_re), SUB(even_im, odd_im), second);
            to[3 * s] = turned(ADD(apart_re, across_re), ADD(apart_im, across_im), third);
        }
    }
}

INLINE void step_of_two(const row *x, row *y, int s)
{
    for (int q = 0; q < s; q++) {
        const row a = x[q], b = x[q + s];
        y[q].re = ADD(a.re, b.re);
        y[q].im = ADD(a.im, b.im);
        y[q + s].re = SUB(a.re, b.re);
        y[q + s].im = SUB(a.im, b.im);
    }
}

/* Half of real samples under a window, two and two as complex ones. */
INLINE void load(const float *const at[LANES], int length, const float *window, row *x)
{
    lanes *to = (lanes *)x;
    for (int i = 0; i < length; i += LANES, to += LANES) {
        lanes v[LANES];
        for (int j = 0; j < LANES; j++) memcpy(&v[j], at[j] + i, sizeof(lanes));
        exchange(v);
        for (int j = 0; j < LANES; j++) to[j] = SCALE(v[j], 0.5f * window[i + j]);
    }
}

/* Transform of half rows in x; y has room for as many. Where the result lies: in x or y. */
INLINE row *transformed(row *x, row *y, int half, const float *turns)
{
    int s = 1;
    for (int n = half; n > 1; n = n > 2 ? n / 4 : 1, s *= 4) {
        if (n == 2) step_of_two(x, y, s);
        else step_of_four(x, y, n, s, turns, 2 * half);
        row *swap = x;
        x = y;
        y = swap;
    }
    return x;
}

/* Whether `transformed` ends in y. */
INLINE int ends_apart(int half)
{
    int odd = 0;
    for (int n = half; n > 1; n = n > 2 ? n / 4 : 1) odd = !odd;
    return odd;
}

/* Half as many rows as eight frames have samples: what `bins_of` makes spectra of. Both work and
   out have room for them. */
INLINE void transform_halves(const float *const at[LANES], int length, const float *window,
                             const float *turns, row *work, row *out)
{
    int half = length / 2, apart = ends_apart(half);
    load(at, length, window, apart ? work : out);
    transformed(apart ? work : out, apart ? out : work, half, turns);
}

/* Bins k and half - k, k up to half of half. */
INLINE void bins_of(const row *halves, int half, int k, const float *turns, row *low, row *high)
{
    const row a = halves[k], b = halves[k ? half - k : 0];
    lanes even_re = ADD(a.re, b.re), even_im = SUB(a.im, b.im);
    row odd = turned(ADD(a.im, b.im), SUB(b.re, a.re), turns + 2 * k);
    low->re = ADD(even_re, odd.re);
    low->im = ADD(even_im, odd.im);
    high->re = SUB(even_re, odd.re);
    high->im = SUB(odd.im, even_im);
}

/* Spectra of eight frames: length / 2 + 1 rows, for which work has room too. */
INLINE void transform(const float *const at[LANES], int length, const float *window,
                      const float *turns, row *work, row *out)
{
    int half = length / 2;
    transform_halves(at, length, window, turns, out, work);
    for (int k = 0; k <= half / 2; k++) bins_of(work, half, k, turns, out + k, out + half - k);
}

/* Eight frames back from their spectra, which are lost: length / 2 rows of an odd sample and the
   even one before it, times length / 2. Where they lie: in spectrum or work. */
INLINE row *transform_back(row *spectrum, int length, const float *turns, row *work)
{
    int half = length / 2;
    for (int k = 0; k < half; k++) { /* parts exchanged: the way back is then the way there */
        const row a = spectrum[k], b = spectrum[half - k];
        const float back[2] = {turns[2 * k], -turns[2 * k + 1]};
        row odd = turned(SUB(a.re, b.re), ADD(a.im, b.im), back);
        work[k].re = SCALE(ADD(SUB(a.im, b.im), odd.re), 0.5f);
        work[k].im = SCALE(SUB(ADD(a.re, b.re), odd.im), 0.5f);
    }
    return transformed(work, spectrum, half, turns);
}

INLINE lanes power_of(row x) { return ADD(MUL(x.re, x.re), MUL(x.im, x.im)); }

#endif
