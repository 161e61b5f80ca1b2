"""Symmetric Toeplitz equations, the normal equations of a filter."""

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native
from chainweigh.once import once

Floats = NDArray[np.float64]
Spectra = NDArray[np.complex128]

DIRECT = 1024  # equations that the recursion solves as fast as transforms do
CLOSE = 1e-6  # of the target: what one further solution of as good makes exact to rounding


class SymmetricToeplitz:
    """A symmetric Toeplitz matrix T, T[i, j] = column[|i - j|], and solutions for many targets.

    Parameters
    ----------
    column : float64, shape (n,), its first item above 0

    Notes
    -----
    The inverse of a large matrix is kept as the transform of its first column, which makes a
    solution some transforms of 2 n; it is refined once. Where that comes not close, as of a nearly
    singular matrix, the recursion of `solve_toeplitz` is used.

    References
    ----------
    I. C. Gohberg, A. A. Semencul, "On the inversion of finite Toeplitz matrices and their
    continuous analogs", Mat. Issled. 7(2), 1972.
    """

    def __init__(self, column: Floats) -> None:
        from scipy.fft import next_fast_len, rfft

        self.column, self._n = column, len(column)
        self._size = next_fast_len(2 * self._n, real=True)
        around = np.zeros(self._size)
        around[: self._n] = column
        around[self._size - self._n + 1 :] = column[:0:-1]
        self._around: Spectra = rfft(around)

    def times(self, x: Floats) -> Floats:
        """T x."""
        from scipy.fft import irfft, rfft

        return np.asarray(irfft(self._around * rfft(x, self._size), self._size)[: self._n])

    def solve(self, target: Floats) -> Floats:
        """Solution x of T x = target; not all finite where a leading minor of T is singular."""
        if self._n > DIRECT and np.isfinite(self._first_of_inverse).all():
            solution = self._inverse_times(target)
            error = self.times(solution) - target
            if np.abs(error).max() <= CLOSE * np.abs(target).max():
                return solution - self._inverse_times(error)
        return solve_toeplitz(self.column, target)

    @once
    def _first_of_inverse(self) -> Floats:
        return solve_toeplitz(self.column, np.eye(1, self._n)[0])

    @once
    def _factors(self) -> Spectra:
        """Transforms of the first columns of two triangular matrices that make up the inverse."""
        from scipy.fft import rfft

        first = self._first_of_inverse
        return np.asarray(rfft(np.stack([first, np.r_[0.0, first[:0:-1]]]), self._size))

    def _inverse_times(self, target: Floats) -> Floats:
        from scipy.fft import irfft, rfft

        size, n = self._size, self._n
        upper = irfft(np.conj(self._factors) * rfft(target, size), size)[:, :n]
        one, other = self._factors * rfft(upper, size)
        return np.asarray(irfft(one - other, size)[:n] / self._first_of_inverse[0])


def solve_toeplitz(column: Floats, target: Floats) -> Floats:
    """Solution x of T x = target, T symmetric with T[i, j] = column[|i - j|].

    Parameters
    ----------
    column : float64, shape (n,), its first item above 0
    target : float64, shape (n,)

    Returns
    -------
    float64, shape (n,); not all finite where a leading minor of T is singular.

    Notes
    -----
    4 n^2 operations; stable where T is positive definite and well conditioned.

    References
    ----------
    G. H. Golub, C. F. Van Loan, "Matrix Computations": Levinson's algorithm.
    """
    if not native.compiled:
        return solve_toeplitz_twin(column, target)
    solution, space = np.empty(len(target)), np.empty(4 * len(target))
    native.lib.cw_solve_toeplitz(
        native.pointer(np.ascontiguousarray(column)),
        native.pointer(np.ascontiguousarray(target)),
        len(target),
        native.pointer(space),
        native.pointer(solution),
    )
    return solution


def solve_toeplitz_twin(column: Floats, target: Floats) -> Floats:
    """Defines `solve_toeplitz`."""
    from scipy.linalg import solve_toeplitz as solve

    try:
        return np.asarray(solve(column, target))
    except np.linalg.LinAlgError:
        return np.full(len(target), np.nan)
