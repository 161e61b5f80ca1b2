"""The least error under a ceiling: against a bounded least-squares solver, and against its twin.

Source: with the waveform y as the unknown the programme is min |L^-1 (y - x)|^2 subject to
|y| <= ceiling, K = L L', which scipy.optimize.lsq_linear solves by another method (BVLS) and an
accelerated projected gradient by a third (A. Beck, M. Teboulle, SIAM J. Imaging Sciences 2(1),
2009).
"""

import numpy as np
import pytest
from scipy.linalg import solve_triangular, toeplitz
from scipy.optimize import lsq_linear

from chainweigh.kernels.halfband import MARGIN_FRAMES, METERING, interpolate
from chainweigh.kernels.masked_clip import least_error, least_error_twin

LENGTH, PHASES = 16, 4
N_POINTS = LENGTH * PHASES
CEILING = 0.5


def _samples(n_channels, n_samples, seed=3):
    drawn = np.random.default_rng(seed).standard_normal((n_channels, n_samples))
    return (0.45 * drawn).astype(np.float32)


def _kernels(n_channels, n_points, slope=8.0, top=None):
    """Responses that fall over frequency as a mask does, joined between the channels."""
    spectrum = 1 / (1 + (np.arange(n_points + 1) / slope) ** 2)
    if top is not None:  # silent from there to the oversampled rate's half
        spectrum[top:] = 0
    own = np.fft.irfft(spectrum, 2 * n_points)[:n_points]
    rows = [own] if n_channels == 1 else [own, -0.4 * own, 0.7 * own]
    return np.array(rows)[None] / own[0]


def _oversampled(samples, start, length):
    wide = np.pad(samples, ((0, 0), (2 * MARGIN_FRAMES, 2 * MARGIN_FRAMES)))
    fine = np.array([interpolate(channel.astype(np.float64), 2, METERING) for channel in wide])
    first = (start + 2 * MARGIN_FRAMES) * PHASES
    return fine[:, first : first + length * PHASES]


def _factor(kernels, gate):
    rows = [toeplitz(row) for row in kernels[0]]
    whole = rows[0] if len(rows) == 1 else np.block([[rows[0], rows[1]], [rows[1], rows[2]]])
    weight = np.tile(gate, 1 if len(rows) == 1 else 2)
    return np.linalg.cholesky(whole * np.outer(weight, weight) + 1e-12 * np.eye(len(whole)))


def _cost(factor, error):
    return float(np.square(solve_triangular(factor, error.ravel(), lower=True)).sum())


@pytest.mark.parametrize("n_channels", [1, 2])
@pytest.mark.parametrize("seed", (1, 2))
def test_the_error_is_that_of_an_independent_solver(n_channels, seed):
    samples = _samples(n_channels, 60, seed)
    kernels, gate = _kernels(n_channels, N_POINTS), np.linspace(0.5, 1, LENGTH)
    fine = _oversampled(samples, 20, LENGTH)
    assert np.abs(fine).max() > 1.3 * CEILING
    gates = np.interp(np.arange(N_POINTS) / PHASES, np.arange(LENGTH), gate)
    factor = _factor(kernels, gates)
    inverse = solve_triangular(factor, np.eye(len(factor)), lower=True)
    truth = lsq_linear(
        inverse, inverse @ fine.ravel(), (-CEILING, CEILING), method="bvls", tol=1e-14
    )
    found = least_error(
        samples, np.array([20]), kernels, gate[None], ceiling=CEILING, tolerance=1e-9
    )
    expected = (truth.x - fine.ravel()).reshape(n_channels, N_POINTS)
    assert np.abs(expected).max() > 0.05
    # the ridge on each point's own response leaves about 1e-6 of the error
    assert found[0] == pytest.approx(expected[:, ::PHASES], abs=2e-4)
    plain = np.clip(fine, -CEILING, CEILING) - fine
    assert _cost(factor, expected) < 0.9 * _cost(factor, plain)


def _by_projected_gradient(cost, x, n_steps):
    """Least e' cost e with |x + e| <= ceiling, from the plain clip on."""
    step = 1 / np.linalg.norm(cost, 2)
    y = ahead = np.clip(x, -CEILING, CEILING)
    inertia = 1.0
    for _ in range(n_steps):
        last, y = y, np.clip(ahead - step * (cost @ (ahead - x)), -CEILING, CEILING)
        before, inertia = inertia, (1 + np.sqrt(1 + 4 * inertia**2)) / 2
        ahead = y + (before - 1) / inertia * (y - last)
    return y - x


@pytest.mark.parametrize("n_channels", [1, 2])
def test_an_accelerated_projected_gradient_ends_at_the_same_error(n_channels):
    """The cost is strictly convex, so both have the one optimum; 20 steps are not yet there."""
    samples = _samples(n_channels, 60)
    kernels, gate = _kernels(n_channels, N_POINTS), np.linspace(0.5, 1, LENGTH)
    x = _oversampled(samples, 20, LENGTH).ravel()
    gates = np.interp(np.arange(N_POINTS) / PHASES, np.arange(LENGTH), gate)
    inverse = np.linalg.inv(_factor(kernels, gates))
    cost = inverse.T @ inverse
    early, late = (_by_projected_gradient(cost, x, n_steps) for n_steps in (20, 1000))
    found = least_error(
        samples, np.array([20]), kernels, gate[None], ceiling=CEILING, tolerance=1e-9
    )
    assert found.ravel() == pytest.approx(late[::PHASES], abs=2e-4)
    assert np.abs(early - late).max() > 1e-2


@pytest.mark.parametrize("n_channels", [1, 2])
@pytest.mark.parametrize("ceiling", [0.2, 0.5, 0.9])
def test_the_kernel_does_as_its_twin(n_channels, ceiling):
    """At the lowest ceiling more points bind than a frame may have."""
    length = 256
    samples = _samples(n_channels, 1500)
    starts = np.array([-300, -40, 0, 100, 800, 1400, 1490, 2500])
    kernels = np.repeat(_kernels(n_channels, length * PHASES), len(starts), axis=0)
    gates = np.clip(np.random.default_rng(5).uniform(-0.5, 2, (len(starts), length)), 0, 1)
    call = (samples, starts, kernels, gates)
    found = least_error(*call, ceiling=ceiling, tolerance=1e-3)
    assert found == pytest.approx(
        least_error_twin(*call, ceiling=ceiling, tolerance=1e-3), abs=1e-9
    )
    assert np.abs(found).max() > 0.05


def test_the_frame_stays_below_the_ceiling_between_the_samples_too():
    length = 256
    samples = _samples(1, 600)
    kernels, gates = _kernels(1, length * PHASES, 100.0, top=200), np.ones((1, length))
    error = least_error(samples, np.array([150]), kernels, gates, ceiling=0.9, tolerance=1e-3)
    held = samples.astype(np.float64)
    held[:, 150:406] += error[0]
    inner = _oversampled(held, 150 + MARGIN_FRAMES, length - 2 * MARGIN_FRAMES)
    before = _oversampled(samples, 150 + MARGIN_FRAMES, length - 2 * MARGIN_FRAMES)
    assert np.abs(before).max() > 1.2
    assert np.abs(inner).max() < 0.9 * 1.005


def test_nothing_is_added_where_nothing_is_over_or_the_gate_is_shut():
    samples = _samples(1, 600)
    kernels = _kernels(1, 256 * PHASES)
    open_gate, shut = np.ones((1, 256)), np.ones((1, 256))
    shut[:, 100:] = 0
    call = (samples, np.array([50]), kernels)
    assert not least_error(*call, open_gate, ceiling=3.0, tolerance=1e-3).any()
    part = least_error(*call, shut, ceiling=0.6, tolerance=1e-3)
    assert part[..., :100].any()
    assert not part[..., 100:].any()
