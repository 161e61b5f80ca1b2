"""Records and values of parameters that run from 0 to 1, from a controller made up here."""

import math

import pytest

from chainweigh.hosts.normalised import NormalisedParameter, Parameters

KNOWN = {
    "Gain": ("dB", 0, 0.5, False),
    "Cut": ("", 0, 0.0, False),
    "Taps": ("", 3, 1 / 3, True),
    "Poles": ("", 4, 0.25, False),
    "On": ("", 1, 1.0, False),
    "Odd": ("", 0, 0.5, False),
}


class MadeUp:
    """Gain is -24 to 24 dB and its texts go without the unit; Poles are 2 to 6."""

    def __init__(self):
        self.values = dict.fromkeys(range(len(KNOWN)), 0.0)

    def parameters(self):
        for number, (name, (unit, n_steps, start, is_list)) in enumerate(KNOWN.items()):
            yield NormalisedParameter(number, name, unit, n_steps, start, is_list, ())

    def to_plain(self, number, normalised):
        own = {0: 48 * normalised - 24, 3: 2 + round(4 * normalised), 5: math.nan}
        return own.get(number, normalised)

    def to_normalised(self, number, plain):
        return (plain + 24) / 48 if number == 0 else plain

    def text(self, number, normalised):
        cut = f"{20 * 1000**normalised:.1f} Hz"
        taps = f"{2 ** round(3 * normalised)}x"
        return {0: f"{48 * normalised - 24:.2f}", 1: cut, 2: taps}.get(number, "")

    def value_of_text(self, number, text):
        try:
            return (float(text) + 24) / 48 if number == 0 else None
        except ValueError:
            return None

    def get(self, number):
        return self.values[number]

    def set(self, number, normalised):
        self.values[number] = normalised


@pytest.fixture
def parameters():
    return Parameters(MadeUp())


@pytest.fixture
def known(parameters):
    return {record.name: record for record in parameters.records()}


def test_records_tell_range_unit_choices_and_whether_another_scale_is_shown(known):
    gain, cut, taps, poles, on, odd = known.values()
    assert (gain.minimum, gain.maximum, gain.default, gain.unit) == (-24, 24, 0, "dB")
    assert (cut.minimum, cut.maximum, cut.unit, cut.flags) == (0, 1, "Hz", ("scaled",))
    assert (taps.choices, taps.default) == (("1x", "2x", "4x", "8x"), 1)
    assert (poles.minimum, poles.maximum, poles.steps, poles.default) == (2, 6, 4, 3)
    assert (on.choices, on.flags, on.default) == (("off", "on"), ("switch",), 1)
    assert (odd.minimum, odd.maximum) == (0, 1)


def test_values_go_there_and_back(parameters, known):
    for name, plain in (("Gain", -12.3456), ("Taps", 2), ("Poles", 5), ("On", 1)):
        normalised = parameters.normalised(known[name], plain)
        assert 0 <= normalised <= 1
        parameters.set(known[name].id, normalised)
        assert parameters.held(known[name]) == pytest.approx(plain, abs=1e-14)


def test_texts_are_shown_with_the_unit_and_read_without(parameters, known):
    assert parameters.displayed(known["Gain"], -6) == "-6.00 dB"
    assert parameters.displayed(known["Cut"], 1) == "20000.0 Hz"
    assert parameters.displayed(known["Taps"], 3) == "8x"
    assert parameters.displayed(known["Poles"], 4) == "4"
    assert parameters.plain_of_text(known["Gain"], " -6 db ") == -6
    assert parameters.plain_of_text(known["Gain"], "99 dB") is None
    assert parameters.plain_of_text(known["Cut"], "much") is None
