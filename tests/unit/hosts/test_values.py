"""Values of plug-in parameters that follow from the record alone."""

import pytest

from chainweigh.errors import PluginError
from chainweigh.hosts.records import READ_ONLY, SWITCH, PluginParameter
from chainweigh.hosts.values import find_parameter, known_plain, quantity

GAIN = PluginParameter(1, "Gain", "dB", -24.0, 24.0, 0.0)
MODE = PluginParameter(2, "Mode", "", 3.0, 5.0, 3.0, 2, ("Soft", "Firm", "10 bit"))
ON = PluginParameter(3, "On", "", 0.0, 1.0, 0.0, 1, ("off", "on"), (SWITCH,))
STEPS = PluginParameter(4, "Order", "", 1.0, 8.0, 2.0, 7)
FIRST, SECOND = (PluginParameter(number, "Amount", "", 0.0, 1.0) for number in (5, 6))
METER = PluginParameter(7, "Meter", "", 0.0, 1.0, flags=(READ_ONLY,))
ALL = (GAIN, MODE, ON, STEPS, FIRST, SECOND, METER)


@pytest.mark.parametrize(
    ("parameter", "written", "plain"),
    [
        (GAIN, -12.3456, -12.3456),
        (GAIN, "-12.3456 dB", -12.3456),
        (MODE, "firm", 4.0),
        (MODE, "10 bit", 5.0),
        (MODE, 3, 3.0),
        (ON, True, 1.0),
        (ON, "off", 0.0),
        (STEPS, 8, 8.0),
    ],
)
def test_a_number_choice_switch_or_text_with_unit_is_its_plain_value(parameter, written, plain):
    assert known_plain(parameter, written) == plain


@pytest.mark.parametrize(
    ("parameter", "written", "said"),
    [
        (GAIN, 24.1, "-24 to 24 dB"),
        (GAIN, "-25 dB", "out of range"),
        (GAIN, float("nan"), "finite"),
        (GAIN, True, "no switch"),
        (STEPS, 2.5, "between two steps"),
    ],
)
def test_what_a_parameter_cannot_hold_is_an_error_not_clamped(parameter, written, said):
    with pytest.raises(PluginError, match=said):
        known_plain(parameter, written)


def test_a_text_in_another_unit_is_left_to_the_plug_in():
    assert known_plain(GAIN, "50 %") is None


def test_parameters_of_one_name_are_reached_by_number():
    with pytest.raises(PluginError, match=r'2 parameters.*"id:5" or "id:6"'):
        find_parameter(ALL, "Amount")
    assert find_parameter(ALL, "id:6") is SECOND


def test_an_unknown_name_lists_the_closest_and_one_that_cannot_be_set_says_so():
    with pytest.raises(PluginError, match=r"did you mean Mode"):
        find_parameter(ALL, "Mood")
    with pytest.raises(PluginError, match="read-only"):
        find_parameter(ALL, "Meter")


@pytest.mark.parametrize(
    ("text", "found"),
    [("-1.5 dB", (-1.5, "dB")), ("440Hz", (440.0, "Hz")), ("1e3", (1000.0, "")), ("Soft", None)],
)
def test_a_display_text_is_split_into_number_and_unit(text, found):
    assert quantity(text) == found
