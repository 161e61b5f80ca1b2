"""Toeplitz equations against a general solver (numpy.linalg)."""

import numpy as np
import pytest

from chainweigh.kernels.toeplitz import solve_toeplitz, solve_toeplitz_twin


@pytest.mark.parametrize("n", [1, 2, 3, 8, 9, 16, 130])
@pytest.mark.parametrize("solver", [solve_toeplitz, solve_toeplitz_twin])
def test_equations_are_solved(solver, n):
    rng = np.random.default_rng(n)
    signal = rng.standard_normal(400)
    column = np.correlate(signal, signal, "full")[399:][:n]
    matrix = column[np.abs(np.subtract.outer(np.arange(n), np.arange(n)))]
    wanted = rng.standard_normal(n)
    np.testing.assert_allclose(solver(column, matrix @ wanted), wanted, rtol=0, atol=1e-11)


@pytest.mark.parametrize("solver", [solve_toeplitz, solve_toeplitz_twin])
def test_singular_equations_give_no_finite_solution(solver):
    assert not np.isfinite(solver(np.ones(3), np.array([1.0, 2.0, 3.0]))).all()
