"""Every measure that takes samples: what it refuses, and what it makes of signals that hold little.

The measures are found by their signatures, so a new one is held to the same contract.
"""

import dataclasses
import inspect
import math
import pkgutil
from importlib import import_module

import numpy as np
import pytest

import chainweigh.measure
from chainweigh.errors import SignalError
from chainweigh.measure.onsets import find_onsets
from chainweigh.measure.true_peak import true_peak

RATE = 44_100
# work on what a measure has checked
INNER = {"block_peaks", "follow_gains", "least_psr_db", "measure_residual"}


def public_functions():
    for module in pkgutil.iter_modules(chainweigh.measure.__path__):
        loaded = import_module(f"chainweigh.measure.{module.name}")
        for name, function in inspect.getmembers(loaded, inspect.isfunction):
            if function.__module__ == loaded.__name__ and name[0] != "_" and name not in INNER:
                yield name, function


def taking(*first):
    return {
        name: function
        for name, function in public_functions()
        if list(inspect.signature(function).parameters)[: len(first)] == list(first)
        and "sample_rate_hz" in inspect.signature(function).parameters
    }


ONE = taking("samples") | taking("fitted", "sample_rate_hz")
TWO = taking("reference", "candidate") | taking("fitted", "candidate")


def noise(n_frames=RATE, channels=2):
    rng = np.random.default_rng(7)
    return (0.1 * rng.standard_normal((channels, n_frames))).astype(np.float32)


def called(name, *signals, rate=RATE):
    """A measure with whatever else it needs, made from a signal that is in order."""
    others = {
        "frequency_hz": lambda: 997.0,
        "ceiling_dbfs": lambda: -12.0,
        "true_peak": lambda: true_peak,
        "onsets": lambda: find_onsets(noise(), RATE),
    }
    parameters = inspect.signature((ONE | TWO)[name]).parameters
    needed = [
        n for n in others if n in parameters and parameters[n].default is inspect.Parameter.empty
    ]
    return (ONE | TWO)[name](*signals, sample_rate_hz=rate, **{n: others[n]() for n in needed})


def alike(name, samples):
    """As many times as the measure takes signals."""
    return [samples] if name in ONE else [samples, samples.copy()]


def test_the_measures_were_found():
    assert {"measure_loudness", "true_peak", "measure_levels", "measure_hits"} <= set(ONE)
    assert {"measure_audibility", "measure_against", "fit_reference", "measure_punch"} <= set(TWO)


@pytest.mark.parametrize("name", [*ONE, *TWO])
def test_a_sample_that_is_not_finite_is_refused_with_its_place(name):
    for value in (np.nan, np.inf, -np.inf):
        spoilt = noise()
        spoilt[1, 1234] = value
        for signals in [(spoilt,)] if name in ONE else [(spoilt, noise()), (noise(), spoilt)]:
            with pytest.raises(SignalError, match="sample 1234 of channel 1 is NaN or Inf"):
                called(name, *signals)


SHAPES = [
    (np.ascontiguousarray(noise().T), "44100 channels.*channels come first"),
    (noise()[0], r"\(n_channels, n_frames\) is needed"),
    (noise().astype(np.float64), "a float32 array is needed"),
]


@pytest.mark.parametrize("name", [*ONE, *TWO])
def test_another_shape_or_type_is_refused_with_what_is_needed(name):
    for wrong, said in SHAPES:
        with pytest.raises(SignalError, match=said):
            called(name, *alike(name, wrong))


@pytest.mark.parametrize("name", [*ONE, *TWO])
def test_a_rate_out_of_range_is_refused_with_the_range(name):
    for rate in (0, -44_100, 44.1, 1e6):
        with pytest.raises(SignalError, match="8000 to 384000 Hz is allowed"):
            called(name, *alike(name, noise()), rate=rate)


@pytest.mark.parametrize("name", TWO)
def test_two_signals_that_differ_in_shape_are_refused_with_both_shapes(name):
    for other in (noise(RATE - 1), noise(channels=1)):
        with pytest.raises(SignalError, match=r"\(2, 44100\).*\([12], (44099|44100)\)"):
            called(name, noise(), other)


LITTLE = [
    np.zeros((2, RATE), np.float32),
    np.full((2, RATE), 0.25, np.float32),
    np.full((2, 1), 0.5, np.float32),
    noise(17_595),  # 399 ms
]


def odd_numbers(result):
    """NaN anywhere in a record, and fields that are None without a reason."""
    if not dataclasses.is_dataclass(result):
        return
    reasons = getattr(result, "undefined", None)
    for field in dataclasses.fields(result):
        value = getattr(result, field.name)
        if value is None and reasons is not None and field.name not in reasons:
            yield f"{field.name} is None without a reason"
        if isinstance(value, float) and not math.isfinite(value):
            yield f"{field.name} is {value}"
        yield from odd_numbers(value)


NEED_MORE = {"thdn_notched_pct", "measure_punch"}  # over a second; onsets of the same signal


@pytest.mark.parametrize("name", [n for n in (*ONE, *TWO) if n not in NEED_MORE])
def test_signals_that_hold_little_give_numbers_or_reasons(name):
    for samples in LITTLE:
        assert not list(odd_numbers(called(name, *alike(name, samples))))
