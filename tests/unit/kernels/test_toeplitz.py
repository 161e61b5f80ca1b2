"""Toeplitz equations against a general solver (numpy.linalg)."""

import numpy as np
import pytest

from chainweigh.kernels.toeplitz import SymmetricToeplitz, solve_toeplitz, solve_toeplitz_twin


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


@pytest.mark.parametrize("n", [130, 1300])  # by the recursion, by the inverse's first column
def test_many_targets_share_one_matrix(n):
    rng = np.random.default_rng(4)
    column = np.exp(-np.arange(n) / 20) * np.cos(np.arange(n) / 3)
    column[0] *= 1 + 1e-6
    shared = SymmetricToeplitz(column)
    matrix = column[np.abs(np.subtract.outer(np.arange(n), np.arange(n)))]
    for _ in range(2):
        wanted = rng.standard_normal(n)
        np.testing.assert_allclose(shared.times(wanted), matrix @ wanted, rtol=0, atol=1e-11)
        np.testing.assert_allclose(shared.solve(matrix @ wanted), wanted, rtol=0, atol=1e-9)


@pytest.mark.parametrize("n", [3, 1300])
def test_a_shared_singular_matrix_gives_no_finite_solution(n):
    assert not np.isfinite(SymmetricToeplitz(np.ones(n)).solve(np.arange(float(n)))).all()


def test_equations_that_an_inverse_cannot_come_close_to_are_left_to_the_recursion():
    """Of a constant, raised by no more than its rounding: the inverse is all rounding."""
    column = np.ones(1300)
    column[0] += 4e-16
    target = np.cos(np.arange(1300.0))
    expected = solve_toeplitz(column, target)
    np.testing.assert_array_equal(SymmetricToeplitz(column).solve(target), expected)
