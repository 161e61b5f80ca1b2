"""How numbers and names read."""

import pytest

from chainweigh.report.formats import clean, number, one_line, percent, signed, with_minus


@pytest.mark.parametrize(
    ("field", "value", "text"),
    [
        ("loudness_gain_lu", 1.426, "+1.43"),
        ("loudness_gain_lu", -0.214, "-0.21"),
        ("loudness_gain_lu", 0.0, "0.00"),
        ("loudness_gain_lu", -0.001, "0.00"),
        ("added_thdn_pct", 2.314, "2.31"),
        ("added_thdn_pct", 0.0, "0.00"),
        ("added_thdn_pct", 0.004, "<0.01"),
        ("added_thdn_pct", 0.006, "0.01"),
        ("sdr_db", 31.44, "31.4"),
        ("true_peak_dbtp", -0.004, "0.00"),
        ("integrated_lufs", -14.03, "-14.03"),
        ("shift_frames", 12, "12"),
    ],
)
def test_each_quantity_has_its_decimals_and_sign(field, value, text):
    assert number(field, value) == text


def test_no_zero_has_a_sign():
    assert signed(-0.0) == signed(0.004) == "0.00"
    assert percent(-0.001) == "0.00"


def test_the_page_uses_the_typographic_minus():
    assert with_minus("-1.20") == "\u22121.20"


@pytest.mark.parametrize("hostile", ["\x00", "\x1b", "\x9b", "\x07", "\u202e", "\u2066", "\ud800"])
def test_characters_that_steer_a_terminal_or_the_direction_of_text_are_replaced(hostile):
    assert clean(f"a{hostile}b") == "a\N{REPLACEMENT CHARACTER}b"


def test_letters_of_every_script_and_joined_emoji_stay():
    text = "é 鼓 מגביל نظام 👩‍🚀"
    assert clean(text) == text


def test_one_line_folds_white_space():
    assert one_line(" a\n b\t\tc ") == "a b c"
