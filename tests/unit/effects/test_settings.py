import math

import numpy as np
import pytest

from chainweigh.effects.base import Effect, Kind, Parameter, allowed, complete_settings
from chainweigh.errors import ChainFileError

EFFECT = Effect(
    name="press",
    about="For these tests.",
    parameters=(
        Parameter("level", Kind.LEVEL, "where it starts", minimum=-60, maximum=0),
        Parameter("attack", Kind.TIME, "how fast", 5.0, 0.1, 100),
        Parameter("ratio", Kind.RATIO, "how much", 2.0, 1, 20),
        Parameter("oversample", Kind.COUNT, "times", 8, choices=(1, 2, 4, 8)),
        Parameter("slope", Kind.SLOPE, "steepness", 12, choices=(12, 24)),
        Parameter("n_bands", Kind.COUNT, "bands", 3, 1, 5),
        Parameter("shape", Kind.CHOICE, "form", "round", choices=("round", "square")),
        Parameter("soft", Kind.SWITCH, "softer", False),
    ),
    process=lambda samples, sample_rate_hz, settings: samples,
)


def test_defaults_fill_what_is_not_given() -> None:
    assert complete_settings(EFFECT, {"level": -6, "soft": True}) == {
        "level": -6.0,
        "attack": 5.0,
        "ratio": 2.0,
        "oversample": 8,
        "slope": 12,
        "n_bands": 3,
        "shape": "round",
        "soft": True,
    }


def test_numbers_take_the_type_of_their_kind() -> None:
    done = complete_settings(EFFECT, {"level": np.float32(-6), "n_bands": 4.0, "ratio": 3})
    assert type(done["level"]) is float
    assert type(done["n_bands"]) is int
    assert type(done["ratio"]) is float


@pytest.mark.parametrize("value", [-60, 0])
def test_the_ends_of_a_range_are_allowed(value: float) -> None:
    assert complete_settings(EFFECT, {"level": value})["level"] == value


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"level": -6, "atack": 3}, 'press: unknown parameter "atack"; did you mean attack?'),
        ({"level": -6, "xyzzy": 3}, 'unknown parameter "xyzzy"; known: level, attack, ratio'),
        ({}, '"level" must be given: where it starts (-60 to 0 dBFS)'),
        ({"level": 0.5}, '"level" is 0.5 dBFS; allowed: -60 to 0 dBFS'),
        ({"level": -60.001}, '"level" is -60.001 dBFS; allowed: -60 to 0 dBFS'),
        ({"level": -6, "attack": 0}, '"attack" is 0 ms; allowed: 0.1 to 100 ms'),
        ({"level": -6, "ratio": 21}, '"ratio" is 21; allowed: 1 to 20'),
        ({"level": -6, "oversample": 3}, '"oversample" is 3; allowed: 1, 2, 4, 8'),
        ({"level": -6, "slope": 13}, '"slope" is 13 dB/oct; allowed: 12, 24 dB/oct'),
        ({"level": -6, "n_bands": 2.5}, '"n_bands" is 2.5; a whole number is needed, 1 to 5'),
        ({"level": -6, "shape": "rond"}, '"shape" is "rond"; did you mean round?'),
        ({"level": -6, "shape": 3}, '"shape" is "3"; known: round, square'),
        ({"level": -6, "soft": 1}, '"soft" is 1; true or false is needed'),
        ({"level": "-6"}, "\"level\" is '-6'; a number is needed, -60 to 0 dBFS"),
        ({"level": True}, '"level" is True; a number is needed'),
        ({"level": None}, '"level" is None; a number is needed'),
        ({"level": math.nan}, '"level" is nan dBFS; a finite number is needed'),
        ({"level": -math.inf}, '"level" is -inf dBFS; a finite number is needed'),
    ],
)
def test_a_wrong_setting_is_refused_saying_what_is_allowed(
    given: dict[str, object], says: str
) -> None:
    with pytest.raises(ChainFileError) as refusal:
        complete_settings(EFFECT, given)
    assert says in str(refusal.value)


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (None, None, "any number Hz"),
        (20, None, "at least 20 Hz"),
        (None, 20_000, "at most 20000 Hz"),
        (20, 20_000, "20 to 20000 Hz"),
    ],
)
def test_open_ranges_are_put_in_words(low: float | None, high: float | None, text: str) -> None:
    parameter = Parameter("f", Kind.FREQUENCY, "f", minimum=low, maximum=high)
    assert allowed(parameter) == text
