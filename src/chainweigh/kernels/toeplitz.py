"""Symmetric Toeplitz equations, the normal equations of a filter."""

import numpy as np
from numpy.typing import NDArray

from chainweigh.kernels import native_library as native

Floats = NDArray[np.float64]


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
