"""How long a loop is: whole bars where they fit, else whole beats."""

import pytest

from chainweigh.ranking.listening import whole_beats_s

BEAT_S = 60 / 128  # 128 bpm: a bar of four is 1.875 s


@pytest.mark.parametrize(
    ("length_s", "expected_s"),
    [
        (10.0, 5 * 4 * BEAT_S),
        (3.0, 6 * BEAT_S),  # one bar would be less than 2 s
        (2.0, 2.0),  # four beats would be too
    ],
)
def test_a_loop_is_whole_bars_or_beats_of_at_least_2_s(length_s, expected_s):
    assert whole_beats_s(length_s, 128, 4, least_s=2.0) == pytest.approx(expected_s)


def test_without_a_tempo_a_loop_is_as_long_as_asked_for():
    assert whole_beats_s(3.3, None, None, least_s=2.0) == 3.3
