/* Symmetric Toeplitz equations by Levinson's recursion, what it reverses kept reversed. */
#include "common.h"
#include "toeplitz.h"

#define LANES 8

INLINE double dot(const double *a, const double *b, int n)
{
    int whole = n & ~(LANES - 1);
    double lane[LANES] = {0.0}, sum = 0.0;
    for (int k = 0; k < whole; k += LANES)
        for (int j = 0; j < LANES; j++) lane[j] += a[k + j] * b[k + j];
    for (int k = whole; k < n; k++) sum += a[k] * b[k];
    for (int j = 0; j < LANES; j++) sum += lane[j];
    return sum;
}

/* space: 4 n. Not finite where a leading minor is singular. */
WIDE void cw_solve_toeplitz(const double *column, const double *target, int n, double *space,
                            double *solution)
{
    double *lags = space, *reversed = lags + n; /* of the column but its first item, re that one */
    double *ahead = reversed + n, *behind = ahead + n; /* the predictor, and backwards to its end */
    double *x = solution, left = 1.0, reflection;
    for (int k = 0; k + 1 < n; k++) {
        lags[k] = column[k + 1] / column[0];
        reversed[n - 2 - k] = lags[k];
    }
    x[0] = target[0] / column[0];
    if (n == 1) return;
    behind += n - 1;
    ahead[0] = behind[0] = reflection = -lags[0];
    for (int k = 1; k < n; k++) {
        left *= 1.0 - reflection * reflection;
        double next = (target[k] / column[0] - dot(reversed + n - 1 - k, x, k)) / left;
        reflection = k + 1 < n ? -(lags[k] + dot(lags, behind, k)) / left : 0.0;
        for (int i = 0; i < k; i++) {
            double forward = ahead[i], backward = behind[i];
            x[i] += next * backward;
            ahead[i] = forward + reflection * backward;
            behind[i] = backward + reflection * forward;
        }
        x[k] = next;
        ahead[k] = *--behind = reflection;
    }
}
