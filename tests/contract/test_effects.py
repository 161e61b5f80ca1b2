"""What every built-in effect promises, over the whole registry."""

import math
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from scipy.signal import correlate

import chainweigh.effects
from chainweigh.audio.array import from_db
from chainweigh.effects import NAMES, effect, masked_clip, resonance_cut
from chainweigh.effects.base import Effect, Kind, Reach, Setting, complete_settings
from chainweigh.measure.true_peak import true_peak

# Settings that make the effect work hard on noise that peaks near 0 dBFS.
AT_WORK: dict[str, list[dict[str, object]]] = {
    "clip": [
        {"ceiling": -6.0},
        {"ceiling": -9.0, "knee": 3.0, "oversample": 32, "link": True, "true_peak": True},
    ],
    "compress": [
        {"threshold": -24.0, "ratio": 4.0},
        {"threshold": -24.0, "ratio": 4.0, "detector": "rms", "link": 40.0, "mix": 70.0},
        {"threshold": -24.0, "ratio": 4.0, "lookahead": 5.0, "detector_low_cut": 100.0},
    ],
    "compress_bands": [
        {"split_1": 400.0, "threshold_1": -30.0, "threshold_2": -24.0, "ratio_2": 4.0},
        {
            "split_1": 300.0,
            "split_2": 1000.0,
            "split_3": 5000.0,
            "threshold_2": -30.0,
            "threshold_4": -30.0,
            "link": 40.0,
            "mix": 70.0,
            "detector": "rms",
        },
    ],
    "dc_block": [{}],
    "dither": [
        {"bits": 16},
        {"bits": 24, "noise": "rising"},
    ],
    "echo": [
        {"time": 12.5, "feedback": 30.0},
        {"time": 25.0, "feedback": 0.0, "mix": 100.0},
    ],
    "eq": [
        {"shape": "peak", "frequency": 1000.0, "gain": 6.0},
        {"shape": "low_shelf", "frequency": 100.0, "gain": -6.0},
        {"shape": "high_shelf", "frequency": 8000.0, "gain": 3.0},
        {"shape": "tilt", "frequency": 700.0, "gain": 3.0},
        {"shape": "low_cut", "frequency": 30.0, "slope": 48.0},
        {"shape": "high_cut", "frequency": 16000.0, "slope": 24.0},
        {"shape": "peak", "frequency": 1000.0, "gain": 6.0, "phase": "linear"},
        {"shape": "high_shelf", "frequency": 5000.0, "gain": 6.0, "on": "mid"},
    ],
    "gain": [{"gain": -3.0}],
    "mono_below": [{}, {"frequency": 300.0, "slope": 12.0, "amount": 50.0}],
    "resonance_cut": [
        {"margin": 0.0},
        {"margin": 0.0, "attack": 0.0, "release": 0.0, "smoothing": 0.3, "max_cut": 24.0},
    ],
    "masked_clip": [{"ceiling": -6.0}],
    "limit": [
        {"ceiling": -6.0},
        {"ceiling": -9.0, "attack": 40.0, "hold": 5.0, "release_kind": "programme", "link": 30.0},
        {"ceiling": -9.0, "lookahead": 0.0, "release": 0.0, "true_peak": False},
    ],
    "reverb": [{"room_size": 20.0}],
    "saturate": [
        {"ceiling": -6.0},
        {"ceiling": -6.0, "curve": "cubic", "bias": 20.0, "oversample": 1},
        {"ceiling": -12.0, "curve": "arctan", "bias": -30.0, "mix": 60.0, "oversample": 16},
    ],
    "shorten": [{"length": 60.0}, {"length": 20.0, "fade": 0.0, "depth": 12.0, "rise": 12.0}],
    "transient": [{"onset": 6.0, "body": -3.0}, {"onset": -12.0, "length": 80.0}],
    "width": [{"middle": -3.0, "sides": 0.0}, {"middle": 1.0, "sides": 160.0}],
}

# Settings that must hand on, bit for bit, a signal that peaks below -12 dBFS.
NEUTRAL: dict[str, list[dict[str, object]]] = {
    "clip": [{"ceiling": 0.0}, {"ceiling": 0.0, "oversample": 32, "true_peak": True}],
    "compress": [
        {"threshold": -20.0, "ratio": 1.0},
        {"threshold": 0.0, "ratio": 8.0},
        {"threshold": 0.0, "ratio": 8.0, "detector": "rms", "link": 50.0},
        {"threshold": -40.0, "ratio": 8.0, "mix": 0.0},
    ],
    "compress_bands": [
        {"split_1": 120.0, "split_2": 2500.0},
        {"split_1": 120.0, "threshold_1": -60.0, "ratio_1": 1.0},
        {"split_1": 120.0, "threshold_2": -60.0, "mix": 0.0},
    ],
    "echo": [{"time": 100.0, "feedback": 50.0, "mix": 0.0}],
    "eq": [
        {"shape": shape, "frequency": 1000.0, "gain": 0.0}
        for shape in ("peak", "low_shelf", "high_shelf", "tilt")
    ]
    + [{"shape": "peak", "frequency": 60.0, "gain": 0.0, "phase": "linear", "on": "side"}],
    "gain": [{"gain": 0.0}],
    "mono_below": [{"amount": 0.0}],
    "resonance_cut": [{"max_cut": 0.0}],
    "masked_clip": [{"ceiling": 0.0}],
    "limit": [
        {"ceiling": 0.0},
        {"ceiling": 0.0, "attack": 0.0, "hold": 5.0, "release_kind": "programme", "link": 0.0},
        {"ceiling": 0.0, "lookahead": 0.0, "release": 0.0, "true_peak": False},
    ],
    "reverb": [{"mix": 0.0}],
    "saturate": [{"ceiling": -20.0, "mix": 0.0}],
    "shorten": [{"length": 60.0, "depth": 0.0}],
    "transient": [{"onset": 0.0, "body": 0.0}],
    "width": [{"sides": 100.0, "middle": 0.0}],
}

# Effects that no setting makes neutral: the setting that comes nearest, and how far from the same
# signal (noise of -17.3 dBFS RMS at 48 kHz) it leaves the output, RMS in dBFS, at the most.
NEAREST_TO_NEUTRAL: dict[str, tuple[dict[str, object], float]] = {
    # first-order low-pass noise bandwidth pi/2 * 1 Hz of 24 kHz: -41.8 dB below the signal
    "dc_block": ({"frequency": 1.0}, -59.0),
    # Lipshitz, Wannamaker, Vanderkooy 1992: triangular dither leaves 1/4 step^2 at 24 bits
    "dither": ({"bits": 24}, -144.4),
}

# What an effect adds to a sound however soft, at full scale 1: 1.5 steps of 16 bits.
ADDED_PEAK = {"dither": 1.5 * 2.0**-15}

# A masked clip remembers what masked a frame until it has died away, not to the last bit.
FORWARD_MASKING = {"masked_clip": 2.0**-22}

# Effects that decide in steps, and how many frames a step is at 48 kHz: these treat a sound alike
# wherever it begins by whole steps. Noise of a dither follows from all that came before it.
STEP_FRAMES = {
    "clip": 32,  # of its true-peak trim; without that, of one frame
    "limit": 32,
    "masked_clip": 512,
    "resonance_cut": 512,
    "shorten": 16,
    "transient": 16,
}
NOISY = ("dither",)
# Rounding: a filter run backwards, or by transforms, has rung into silence by less than -225 dBFS;
# a limiter's gain is a mean taken up in 64-bit float; what is added up in 32-bit float, window by
# window, differs in its last bits by where the adding begins.
ROUNDING = {
    "compress_bands": 1e-24,
    "eq": 5e-12,
    "limit": 2.0**-23,
    "mono_below": 1e-24,
    "resonance_cut": 2.0**-22,
    **FORWARD_MASKING,
}

RATES_HZ = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)


def cases(table: dict[str, list[dict[str, object]]]) -> list[object]:
    return [
        pytest.param(name, given, id=f"{name}-{number}")
        for name in NAMES
        for number, given in enumerate(table.get(name, []))
    ]


def noise(n_frames: int, peak: float, n_channels: int = 2) -> np.ndarray:
    drawn = np.random.default_rng(7).uniform(-1, 1, (n_channels, n_frames))
    return np.asarray(drawn * peak, dtype=np.float32)


def run(
    name: str, given: dict[str, object], samples: np.ndarray, sample_rate_hz: int = 48_000
) -> np.ndarray:
    found = effect(name)
    settings = complete_settings(found, given)
    found.check_at_rate(sample_rate_hz, settings)
    return found.process(samples, sample_rate_hz, settings)


def tail_of(name: str, given: dict[str, object], sample_rate_hz: int = 48_000) -> int:
    found = effect(name)
    return found.tail_frames(sample_rate_hz, complete_settings(found, given))


def test_the_registry_lists_every_effect_file_and_the_tables_cover_it() -> None:
    folder = Path(chainweigh.effects.__file__).parent
    files = {p.stem for p in folder.glob("*.py") if "\nEFFECT = " in p.read_text(encoding="utf-8")}
    assert NAMES
    assert set(NAMES) == files == set(AT_WORK) == {*NEUTRAL, *NEAREST_TO_NEUTRAL}
    assert not set(NEUTRAL) & set(NEAREST_TO_NEUTRAL)


@pytest.mark.parametrize(("name", "given"), cases(NEUTRAL))
def test_neutral_settings_pass_every_bit(name: str, given: dict[str, object]) -> None:
    samples = noise(9_000, peak=from_db(-12.5))
    assert np.array_equal(run(name, given, samples), samples)


@pytest.mark.parametrize("name", NEAREST_TO_NEUTRAL)
def test_without_a_neutral_setting_the_deviation_is_the_stated_one(name: str) -> None:
    given, most_dbfs = NEAREST_TO_NEUTRAL[name]
    samples = noise(9_000, peak=from_db(-12.5))
    added = run(name, given, samples).astype(np.float64) - samples
    assert added.any()
    assert 10 * np.log10(np.mean(added**2)) <= most_dbfs


@pytest.mark.parametrize(("name", "given"), cases(AT_WORK))
def test_settings_at_work_change_the_signal(name: str, given: dict[str, object]) -> None:
    samples = noise(9_000, peak=1.0)
    assert not np.array_equal(run(name, given, samples)[:, :9_000], samples)


@pytest.mark.parametrize(("name", "given"), [*cases(AT_WORK), *cases(NEUTRAL)])
def test_the_input_is_left_untouched_and_shares_no_memory(
    name: str, given: dict[str, object]
) -> None:
    samples = noise(9_000, peak=1.0)
    kept = samples.copy()
    samples.flags.writeable = False
    out = run(name, given, samples)
    assert np.array_equal(samples, kept)
    assert not np.shares_memory(out, samples)


@pytest.mark.parametrize("sample_rate_hz", RATES_HZ)
@pytest.mark.parametrize(("name", "given"), cases(AT_WORK))
def test_the_output_is_input_plus_tail_at_every_rate(
    name: str, given: dict[str, object], sample_rate_hz: int
) -> None:
    for n_channels in (1, 2):
        samples = noise(4_001, peak=0.9, n_channels=n_channels)
        out = run(name, given, samples, sample_rate_hz)
        assert out.shape == (n_channels, 4_001 + tail_of(name, given, sample_rate_hz))
        assert out.dtype == np.float32
        assert out.flags.c_contiguous
        assert np.isfinite(out).all()


@pytest.mark.parametrize("n_frames", [0, 1, 2, 511, 513])
@pytest.mark.parametrize(("name", "given"), cases(AT_WORK))
def test_the_shortest_inputs_work(name: str, given: dict[str, object], n_frames: int) -> None:
    out = run(name, given, noise(n_frames, peak=0.9))
    assert out.shape == (2, n_frames + tail_of(name, given))
    assert np.isfinite(out).all()


@pytest.mark.parametrize(("name", "given"), cases(AT_WORK))
def test_two_runs_give_the_same_bytes(name: str, given: dict[str, object]) -> None:
    samples = noise(20_000, peak=1.0)
    first = run(name, given, samples)
    run(name, given, noise(3_000, peak=0.5))
    assert run(name, given, samples).tobytes() == first.tobytes()


@pytest.mark.parametrize(("name", "given"), cases(AT_WORK))
def test_mono_equals_each_of_two_equal_sides_where_the_effect_says_so(
    name: str, given: dict[str, object]
) -> None:
    mono = noise(9_000, peak=1.0, n_channels=1)
    alone, both = run(name, given, mono), run(name, given, np.repeat(mono, 2, axis=0))
    alike = all(np.array_equal(side, alone[0]) for side in both)
    assert alike == effect(name).sides_alike


def settled(name: str, given: dict[str, object]) -> tuple[Effect, dict[str, Setting]]:
    return effect(name), complete_settings(effect(name), given)


def reach_of(name: str, given: dict[str, object]) -> Reach | None:
    found, settings = settled(name, given)
    return found.reach(48_000, settings)


def untouched_dbfs(name: str, given: dict[str, object]) -> float:
    found, settings = settled(name, given)
    return found.untouched_dbfs(settings)


def cases_where(holds: Callable[[str, dict[str, object]], bool]) -> list[object]:
    return cases({name: [g for g in given if holds(name, g)] for name, given in AT_WORK.items()})


@pytest.mark.parametrize("peak", [1.0, 0.1], ids=["as loud", "louder"])
@pytest.mark.parametrize(
    ("name", "given"), cases_where(lambda name, given: reach_of(name, given) is not None)
)
def test_what_lies_beyond_the_stated_reach_changes_nothing(
    name: str, given: dict[str, object], peak: float
) -> None:
    reach = reach_of(name, given)
    assert reach is not None
    first = 2_000 + reach.n_before
    last = first + 2_000
    whole = noise(last + reach.n_after + 2_000, peak=1.0)
    near = slice(2_000, last + reach.n_after)
    whole[:, near] *= peak
    alone = np.zeros_like(whole)
    alone[:, near] = whole[:, near]
    apart = np.abs(run(name, given, whole) - run(name, given, alone))[:, first:last].max()
    assert apart <= FORWARD_MASKING.get(name, 0.0)


@pytest.mark.parametrize(("name", "given"), cases_where(lambda name, given: effect(name).odd))
def test_the_negated_input_gives_the_negated_output_where_the_effect_says_so(
    name: str, given: dict[str, object]
) -> None:
    samples = noise(9_000, peak=1.0)
    assert np.array_equal(run(name, given, -samples), -run(name, given, samples))


@pytest.mark.parametrize("hz", [40.0, 5_000.0, None], ids=["40 Hz", "5 kHz", "noise"])
@pytest.mark.parametrize(
    ("name", "given"),
    cases_where(lambda name, given: untouched_dbfs(name, given) > -math.inf),
)
def test_what_is_no_louder_than_stated_passes_bit_for_bit_and_is_forgotten(
    name: str, given: dict[str, object], hz: float | None
) -> None:
    n_quiet, n_loud = 3 * 48_000, 4_800
    samples = noise(n_quiet + n_loud, peak=1.0)
    if hz:
        samples[:] = np.sin(2 * np.pi * hz / 48_000 * np.arange(n_quiet + n_loud))
    quiet = samples[:, :n_quiet].copy()
    quiet *= np.float32(from_db(untouched_dbfs(name, given)) / true_peak(quiet, 48_000))
    samples[:, :n_quiet] = quiet
    assert np.array_equal(run(name, given, quiet), quiet)
    fresh = samples.copy()
    fresh[:, :48_000] = 0.0
    after, afresh = (run(name, given, each)[:, n_quiet:] for each in (samples, fresh))
    assert np.abs(after - afresh).max() <= ROUNDING.get(name, 0.0)
    assert not np.array_equal(after, samples[:, n_quiet:])


@pytest.mark.parametrize(("name", "given"), cases(AT_WORK))
def test_silence_stays_silent(name: str, given: dict[str, object]) -> None:
    assert not run(name, given, np.zeros((2, 9_000), np.float32)).any()


@pytest.mark.parametrize("peak", [100.0, 1e-39, 1e-44], ids=["+40 dBFS", "denormal", "smallest"])
@pytest.mark.parametrize(("name", "given"), cases(AT_WORK))
def test_the_output_is_finite_for_very_loud_and_denormal_input(
    name: str, given: dict[str, object], peak: float
) -> None:
    out = run(name, given, noise(9_000, peak=peak))
    assert np.isfinite(out).all()
    assert np.abs(out).max() <= 1_000 * peak + 1e-6 + ADDED_PEAK.get(name, 0.0)


@pytest.mark.parametrize(("name", "given"), cases(AT_WORK))
def test_what_comes_later_changes_nothing_earlier(name: str, given: dict[str, object]) -> None:
    """Time-aligned: beyond a look-ahead of 50 ms, nothing is heard before it happens."""
    samples = noise(12_000, peak=0.9)
    changed = samples.copy()
    changed[:, 9_000:] = 0
    look_ahead = 2_400
    before = slice(0, 9_000 - look_ahead)
    assert np.array_equal(
        run(name, given, samples)[:, before], run(name, given, changed)[:, before]
    )


@pytest.mark.parametrize(
    ("name", "given"), cases({n: g for n, g in AT_WORK.items() if n not in NOISY})
)
def test_a_silent_lead_in_delays_the_output_and_changes_nothing_else(
    name: str, given: dict[str, object]
) -> None:
    """Neither where internal blocks begin nor how long silence lasts can be heard."""
    in_steps = name in STEP_FRAMES and given.get("true_peak", name != "clip")
    step = STEP_FRAMES[name] if in_steps else 1
    samples = np.pad(noise(40_001, peak=1.0), ((0, 0), (4_800, 0)))
    expected = run(name, given, samples)
    for lead in {step, 333 // step * step or step, 4_097 // step * step}:
        late = run(name, given, np.pad(samples, ((0, 0), (lead, 0))))
        apart = np.abs(late - np.pad(expected, ((0, 0), (lead, 0)))).max()
        assert apart <= ROUNDING.get(name, 0.0), lead


@pytest.mark.parametrize("n_at_a_time", [1, 7, 1_000])
@pytest.mark.parametrize(
    ("name", "module", "constant"),
    [("resonance_cut", resonance_cut, "CHUNK"), ("masked_clip", masked_clip, "BATCH")],
)
def test_how_many_windows_are_worked_on_at_a_time_changes_nothing(
    monkeypatch: pytest.MonkeyPatch, name: str, module: ModuleType, constant: str, n_at_a_time: int
) -> None:
    samples = noise(40_001, peak=1.0)
    expected = run(name, AT_WORK[name][0], samples)
    monkeypatch.setattr(module, constant, n_at_a_time)
    assert np.abs(run(name, AT_WORK[name][0], samples) - expected).max() <= ROUNDING[name]


@pytest.mark.parametrize(
    ("name", "given"), cases({n: g for n, g in AT_WORK.items() if effect(n).keeps_time})
)
def test_the_latency_is_none_as_stated(name: str, given: dict[str, object]) -> None:
    samples = noise(12_000, peak=0.9)
    alike = correlate(run(name, given, samples)[0], samples[0])
    assert int(alike.argmax()) == samples.shape[1] - 1


@pytest.mark.parametrize("name", NAMES)
def test_every_effect_and_parameter_is_documented(name: str) -> None:
    found: Effect = effect(name)
    assert found.name == name
    assert found.about.endswith(".")
    assert found.source
    assert found.parameters
    names = [p.name for p in found.parameters]
    assert len(set(names)) == len(names)
    for parameter in found.parameters:
        assert parameter.about.strip(), parameter.name
        assert parameter.name == parameter.name.lower()


@pytest.mark.parametrize("name", NAMES)
def test_every_number_has_a_range_or_choices_with_its_default_inside(name: str) -> None:
    for parameter in effect(name).parameters:
        default: Setting | None = parameter.default
        if parameter.choices:
            assert default is None or default in parameter.choices, parameter.name
        elif parameter.kind is not Kind.SWITCH:
            assert parameter.minimum is not None, parameter.name
            assert parameter.maximum is not None, parameter.name
            assert parameter.minimum < parameter.maximum, parameter.name
            assert default is None or parameter.minimum <= default <= parameter.maximum


@pytest.mark.parametrize("name", NAMES)
def test_choices_are_stated_for_every_choice(name: str) -> None:
    for parameter in effect(name).parameters:
        if parameter.kind is Kind.CHOICE:
            assert len(set(parameter.choices)) >= 2, parameter.name
