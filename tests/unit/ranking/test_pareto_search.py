"""The Pareto front of two settings, on curves whose front is known in closed form."""

import sys

import pytest

from chainweigh.errors import SettingsError
from chainweigh.ranking.pareto_search import (
    N_TRIALS,
    Outcome,
    check_optimiser,
    non_dominated,
    search_front,
    seed_of,
)

REACH_DB = 6.0
LIMIT_PCT = 18.0
MOST_LU = (LIMIT_PCT / (2 / 3)) ** 0.5


class Bowl:
    """Gain x + y for x^2 + 2 y^2 of distortion; the whole song reads `more` times as much.

    For a gain s the least distortion is at x = 2s/3, y = s/3 (Lagrange), where it is 2 s^2 / 3.
    """

    def __init__(self, more=1.0):
        self.more, self.asked, self.confirmed = more, [], []

    def outcomes(self, drives):
        self.asked += drives
        return [self.outcome(*at) for at in drives]

    def outcome(self, x, y):
        added = x**2 + 2 * y**2
        return None if x == y == REACH_DB else Outcome(x + y, added, added / LIMIT_PCT - 1)

    def keeps(self, drives):
        self.confirmed.append(drives)
        return self.more * self.outcome(*drives).added_pct <= LIMIT_PCT


def covered(front):
    """Area between the front and the most distortion allowed, of gains from 0 up."""
    area, past = 0.0, 0.0
    for x, y in front:
        gain, added = x + y, x**2 + 2 * y**2
        area += (gain - past) * (LIMIT_PCT - added)
        past = gain
    return area


def front_of(judge, seed=1, **options):
    return search_front([REACH_DB, REACH_DB], judge, seed=seed, **options)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_front_found_covers_nearly_what_the_exact_one_does(seed):
    # Left of the curve 2 s^2 / 3: the integral of 18 - 2 s^2 / 3 over s from 0 to its root.
    exact = LIMIT_PCT * MOST_LU - 2 / 9 * MOST_LU**3
    judge = Bowl()
    front = front_of(judge, seed)
    assert 0.9 * exact < covered(front) <= exact
    assert len(front) >= 8
    assert len(judge.asked) <= N_TRIALS


def test_points_rise_together_keep_the_budget_over_the_whole_song_and_were_all_tried():
    judge = Bowl(more=1.3)
    front = front_of(judge)
    points = [judge.outcome(*at) for at in front]
    gains, added = [p.gain_lu for p in points], [p.added_pct for p in points]
    assert gains == sorted(gains) and added == sorted(added) and len(set(gains)) == len(gains)
    assert 1.3 * max(added) <= LIMIT_PCT
    assert set(front) <= set(judge.confirmed) and set(front) <= set(judge.asked)
    assert any(not judge.keeps(at) for at in judge.confirmed[:])


def test_equal_content_gives_an_equal_front_and_what_is_begun_with_takes_part():
    best = (2 * MOST_LU / 3 - 0.01, MOST_LU / 3)
    first, second = (front_of(Bowl(), seed_of(["clip", 1]), begin=[best]) for _ in range(2))
    assert first == second and best in first
    assert seed_of(["clip", 1]) != seed_of(["clip", 2])


def test_where_nothing_keeps_the_budget_there_is_no_front():
    judge = Bowl(more=float("inf"))
    judge.outcome = lambda x, y: Outcome(x + y, 100.0, 4.5)
    assert front_of(judge, n_trials=8) == [] and not judge.confirmed


def test_equal_points_are_both_on_the_front_and_a_beaten_one_is_not():
    points = {"a": (1.0, 2.0), "b": (1.0, 2.0), "c": (1.0, 2.1), "d": (0.9, 2.0), "e": (0.5, 1.0)}
    assert non_dominated(points) == ["a", "b", "e"]


def test_without_the_optional_extra_the_line_that_installs_it_is_said(monkeypatch):
    check_optimiser()
    monkeypatch.setitem(sys.modules, "optuna", None)
    with pytest.raises(SettingsError, match=r"pip install 'chainweigh\[pareto\]'"):
        check_optimiser()
