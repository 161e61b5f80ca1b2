"""The drive search on made-up curves whose answers are known."""

import math

import pytest

from chainweigh.ranking.drive_search import (
    Ended,
    first_drives,
    search_drive,
    search_drives,
)


class Curve:
    """A curve of worth over drive with stretches inside the budget; remembers what was asked."""

    def __init__(self, inside, worth=lambda drive: drive, whole_song=None):
        self.inside, self.worth = inside, worth
        self.whole_song = whole_song or inside
        self.asked, self.confirmed = [], []

    def worth_lu(self, drive_db):
        self.asked.append(drive_db)
        return self.worth(drive_db)

    def keeps_budget(self, drive_db, *, whole_song):
        keeps = self.whole_song if whole_song else self.inside
        if whole_song and keeps(drive_db):
            self.confirmed.append(drive_db)
        return keeps(drive_db)


@pytest.mark.parametrize("edge_db", [0.03, 0.77, 1.0, 2.5, 3.333, 6.99])
def test_a_rising_curve_ends_within_a_tenth_below_the_budgets_edge(edge_db):
    curve = Curve(lambda drive: drive <= edge_db)
    found = search_drive(7.0, curve)
    assert found.ended is Ended.BUDGET
    assert edge_db - 0.1 <= found.drive_db <= edge_db < found.edge_db
    assert found.drive_db in curve.confirmed
    assert len(set(curve.asked)) <= 13


def test_a_range_that_never_leaves_the_budget_gives_its_deep_end_and_says_so():
    found = search_drive(7.0, Curve(lambda drive: True))
    assert (found.drive_db, found.ended, found.edge_db) == (7.0, Ended.RANGE, None)


def test_a_range_that_never_meets_the_budget_stays_at_its_gentle_end_and_says_so():
    found = search_drive(7.0, Curve(lambda drive: False))
    assert (found.drive_db, found.ended) == (0.0, Ended.NEVER)


def test_of_several_stretches_inside_the_budget_the_deepest_is_taken():
    curve = Curve(lambda drive: drive <= 1.2 or 3.0 <= drive <= 5.61)
    found = search_drive(8.0, curve)
    assert 5.51 <= found.drive_db <= 5.61


@pytest.mark.parametrize("peak_db", [0.4, 2.0, 3.17, 5.2])
def test_a_curve_whose_worth_falls_again_ends_at_its_top(peak_db):
    curve = Curve(lambda drive: drive <= 6, lambda drive: 40 - (drive - peak_db) ** 2)
    found = search_drive(8.0, curve)
    assert found.ended is Ended.NO_HELP
    assert found.drive_db == pytest.approx(peak_db, abs=0.1)


def test_a_curve_that_goes_flat_ends_where_it_does():
    curve = Curve(lambda drive: True, lambda drive: min(drive, 3.3))
    found = search_drive(8.0, curve)
    assert found.ended is Ended.NO_HELP
    assert found.drive_db == pytest.approx(3.3, abs=0.1)


def test_a_setting_the_whole_song_puts_over_budget_is_left_for_one_it_does_not():
    curve = Curve(lambda drive: drive <= 4.0, whole_song=lambda drive: drive <= 2.62)
    found = search_drive(8.0, curve)
    assert found.ended is Ended.BUDGET
    assert 2.52 <= found.drive_db <= 2.62
    assert found.drive_db in curve.confirmed


def test_jagged_curves_never_end_over_budget():
    for seed in range(40):

        def jagged(drive, seed=seed):
            return math.sin(3 * drive + seed) + 0.7 * math.sin(11 * drive + 2 * seed) > -0.4

        curve = Curve(
            lambda drive, jagged=jagged: jagged(drive),
            lambda drive, seed=seed: 2 + math.sin(1.3 * drive + seed),
            lambda drive, jagged=jagged: jagged(drive) and math.sin(5 * drive) > -0.5,
        )
        found = search_drive(6.0, curve)
        if found.ended is Ended.NEVER:
            continue
        assert found.drive_db in curve.confirmed
        assert curve.whole_song(found.drive_db)
        assert round(found.drive_db, 2) == found.drive_db


def test_a_curve_worth_nothing_stays_at_its_gentle_end_after_the_first_drives():
    curve = Curve(lambda drive: True, lambda drive: -0.1 * drive)
    found = search_drive(8.0, curve)
    assert (found.drive_db, found.ended) == (0.0, Ended.NO_HELP)
    assert len(set(curve.asked)) == 5


def test_two_settings_end_where_neither_can_move_to_advantage():
    plane = Curve(
        lambda drives: sum(drives) <= 6,
        lambda drives: 40 - (drives[0] - 1.5) ** 2 - (drives[1] - 2.0) ** 2,
    )
    drives, found = search_drives((4.0, 6.0), plane)
    assert drives == pytest.approx((1.5, 2.0), abs=0.1)
    assert [each.ended for each in found] == [Ended.NO_HELP, Ended.NO_HELP]


def test_spent_trials_leave_the_last_whole_search_standing():
    plane = Curve(lambda drives: sum(drives) <= 5, sum)
    drives, found = search_drives((4.0, 4.0, 4.0), plane, max_trials=12)
    assert len(set(plane.asked)) <= 12
    assert drives in plane.confirmed
    assert {each.ended for each in found} == {Ended.TRIALS}


def test_a_short_range_begins_with_drives_no_closer_than_the_resolution():
    assert first_drives(0.1) == [0.0, 0.1]
    assert first_drives(0.25) == [0.0, 0.12, 0.25]
    assert first_drives(8.0) == [0.0, 2.0, 4.0, 6.0, 8.0]
