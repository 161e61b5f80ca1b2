"""The order of candidates, checked against hand-worked cases of the stated rules."""

from dataclasses import replace

import numpy as np
import pytest

from chainweigh.ranking.empty_budget import kept_by_none
from chainweigh.ranking.order import Entry, first_breach, price_range, rank
from chainweigh.ranking.settings import READABLE_THDN_PCT, Budget, RankSettings

SETTINGS = RankSettings(price_lu_per_pct=0.1, tie_lu=0.1, budget=Budget(thdn_programme_pct=10.0))


def entry(name, gain, thdn, *, failure=None, soloed=None, **limits):
    soloed = soloed if soloed is not None else gain
    limited = {"thdn_programme_pct": thdn, **limits}
    return Entry(name, failure, gain, gain, soloed, thdn, distortion_pct=thdn, limited=limited)


BYPASS = entry("bypass", 0.0, 0.0)


def order(*entries):
    return [e.name for e, _ in rank([BYPASS, *entries], SETTINGS)]


def standing(name, *entries):
    return next(s for e, s in rank([BYPASS, *entries], SETTINGS) if e.name == name)


def test_the_score_is_gain_less_price_times_added_distortion():
    assert standing("a", entry("a", 2.0, 5.0)).score_lu == pytest.approx(1.5)


def test_the_higher_score_within_budget_leads():
    assert order(entry("a", 1.0, 1.0), entry("b", 2.0, 2.0)) == ["b", "a", "bypass"]


def test_closer_than_a_tenth_lu_is_a_tie_that_goes_to_less_distortion():
    louder, cleaner = entry("louder", 2.0, 3.0), entry("cleaner", 1.75, 1.0)
    assert order(louder, cleaner)[:2] == ["cleaner", "louder"]
    assert standing("louder", louder, cleaner).tied_with_winner
    assert "Tied with cleaner" in standing("louder", louder, cleaner).why


def test_a_tenth_lu_apart_is_no_tie():
    assert order(entry("louder", 2.0, 3.0), entry("cleaner", 1.69, 1.0))[0] == "louder"


def test_over_budget_stands_below_everything_usable_by_how_far_over():
    names = order(entry("far", 9.0, 30.0), entry("near", 5.0, 11.0), entry("ok", 0.5, 1.0))
    assert names == ["ok", "bypass", "near", "far"]
    why = standing("far", entry("far", 9.0, 30.0)).why
    assert "Over budget" in why and "30.0 %" in why and "10 %" in why


def test_a_failed_candidate_is_last_with_its_reason():
    broken = entry("broken", None, None, failure="stage 1 (clip): no")
    assert order(broken, entry("far", 9.0, 30.0))[-1] == "broken"
    assert standing("broken", broken).why == "Failed: stage 1 (clip): no."


def test_a_soloed_gain_that_does_not_reach_the_mix_cannot_win_and_is_said():
    bass = entry("bass", -0.05, 1.0, soloed=2.5)
    assert order(bass) == ["bypass", "bass"]
    assert "soloed gain of +2.50 LU does not reach the mix" in standing("bass", bass).why


def test_the_pareto_front_holds_what_nothing_beats_on_both_counts():
    a, b, c = entry("a", 1.0, 1.0), entry("b", 2.0, 3.0), entry("c", 1.5, 4.0)
    front = {e.name for e, s in rank([BYPASS, a, b, c], SETTINGS) if s.on_pareto_front}
    assert front == {"bypass", "a", "b"}


def test_the_price_range_ends_where_scores_cross():
    # a: 2 LU for 4 %, b: 1 LU for 1 %: equal at 1/3 LU per percent; bypass equal to a at 0.5.
    a, b = entry("a", 2.0, 4.0), entry("b", 1.0, 1.0)
    found = price_range([BYPASS, a, b], "a", replace(SETTINGS, tie_lu=0.0))
    assert found.from_lu_per_pct == 0.0
    assert found.to_lu_per_pct == pytest.approx(1 / 3)
    assert found.winner_above == "b"
    assert found.winner_below is None


def test_the_price_range_of_a_winner_by_a_tie_holds_the_price_set():
    # louder leads cleaner by 0.25 LU - 2 % x price: less than 0.1 LU, a tie, from 0.075 on.
    # cleaner stays over a tenth above the bypass, which adds less still, up to 1.65 LU per percent.
    louder, cleaner = entry("louder", 2.0, 3.0), entry("cleaner", 1.75, 1.0)
    entries = [BYPASS, louder, cleaner]
    assert rank(entries, SETTINGS)[0][0].name == "cleaner"
    found = price_range(entries, "cleaner", SETTINGS)
    assert found.from_lu_per_pct == pytest.approx(0.075)
    assert found.to_lu_per_pct == pytest.approx(1.65)
    assert (found.winner_below, found.winner_above) == ("louder", "bypass")
    assert price_range(entries, "louder", SETTINGS) is None


@pytest.mark.parametrize("tie_lu", [0.0, 0.1, 0.4])
def test_the_price_range_is_where_ranking_at_each_price_gives_the_same_winner(tie_lu):
    rng = np.random.default_rng(5)
    entries = [BYPASS, *(entry(f"e{i}", *rng.uniform((0, 0), (3, 9))) for i in range(9))]

    def winner(price):
        settings = replace(SETTINGS, tie_lu=tie_lu, price_lu_per_pct=price)
        return rank(entries, settings)[0][0].name

    for price in (0.0, 0.07, 0.2, 0.31, 1.0):
        settings = replace(SETTINGS, tie_lu=tie_lu, price_lu_per_pct=price)
        found = price_range(entries, winner(price), settings)
        high = found.to_lu_per_pct if found.to_lu_per_pct is not None else 9.0
        inside = np.linspace(found.from_lu_per_pct + 1e-6, high - 1e-6, 50)
        assert {winner(at) for at in inside} == {winner(price)}
        if found.winner_above is not None:
            assert winner(high + 1e-6) == found.winner_above
        if found.winner_below is not None:
            assert winner(found.from_lu_per_pct - 1e-6) == found.winner_below


def test_without_ties_the_score_alone_decides():
    louder, cleaner = entry("louder", 2.0, 3.0), entry("cleaner", 1.75, 1.0)
    found = rank([BYPASS, louder, cleaner], replace(SETTINGS, tie_lu=0.0))
    assert [e.name for e, _ in found] == ["louder", "cleaner", "bypass"]


def test_where_nothing_is_defined_the_bypass_leads_and_says_why():
    silent = entry("bypass", None, None)
    (first, place), *_ = rank([silent, entry("a", None, None)], SETTINGS)
    assert first.name == "bypass"
    assert place.score_lu is None and place.undefined["score_lu"]


@pytest.mark.parametrize(
    ("limit", "value", "said"),
    [
        ("disturbed_pct", 1.4, "disturbed frames in the mix 1.4 %, allowed 1 %"),
        ("disturbed_onsets_pct", 7.8, "disturbed onsets in the mix 7.8 %, allowed 5 %"),
        ("punch_loss_db", 1.3, "punch lost 1.3 dB, allowed 1 dB"),
        ("gain_movement_db", 4.6, "gain movement 4.6 dB, allowed 3 dB"),
        ("punch_loss_db", 1.004, "punch lost 1.004 dB, allowed 1 dB"),
    ],
)
def test_every_limit_of_the_budget_rejects_by_name(limit, value, said):
    over = entry("over", 3.0, 1.0, **{limit: value})
    assert order(over) == ["bypass", "over"]
    assert said in standing("over", over).why


def test_a_limit_that_is_crossed_says_where_it_is_worst():
    over = replace(entry("over", 3.0, 1.0, punch_loss_db=2.5), moments_s={"punch_loss_db": (7.25,)})
    assert "punch lost 2.5 dB, allowed 1 dB, worst at 7.2 s" in standing("over", over).why
    assert first_breach(over, SETTINGS) == ("punch_loss_db", (7.25,))


def test_a_value_on_its_limit_is_within_budget():
    on = entry("on", 3.0, 10.0, disturbed_pct=1.0, punch_loss_db=1.0, gain_movement_db=3.0)
    assert standing("on", on).within_budget


def test_the_least_distortion_a_budget_may_ask_for_is_what_32_bit_float_tones_can_show():
    phase = 2 * np.pi * 997 / 48_000 * np.arange(48_000)
    for peak in (1.0, 0.3, 1e-3):
        tone = peak * np.sin(phase)
        rounding = tone.astype(np.float32) - tone
        read_pct = 100 * np.sqrt(np.mean(rounding**2) / np.mean(tone**2))
        assert READABLE_THDN_PCT / 10 < read_pct < READABLE_THDN_PCT


def test_limits_that_no_chain_keeps_are_named_with_the_nearest_reading():
    settings = RankSettings(budget=Budget(thdn_programme_pct=1.0, punch_loss_db=0.5))
    deep = {"thdn_programme_pct": 4.0, "punch_loss_db": 0.7}
    light = {"thdn_programme_pct": 1.25, "punch_loss_db": 0.1}
    entries = [
        Entry(name, None, 1.0, 1.0, 1.0, 1.0, limited=limits)
        for name, limits in (("bypass", {}), ("Deep", deep), ("Light", light))
    ]
    assert kept_by_none(entries, settings) == (
        "distortion over 1 % on all 2, 1.2 % at the least; punch lost over 0.5 dB on 1 of 2"
    )
    assert kept_by_none(entries, RankSettings()) is None
    assert kept_by_none(entries[:1], settings) is None
