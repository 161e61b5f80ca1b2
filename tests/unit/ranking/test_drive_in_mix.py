"""Drive searches on programmes whose answer is known in closed form."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from chainweigh.chain.chain import bypass
from chainweigh.chain.files import parse_chain
from chainweigh.measure.onsets import find_onsets
from chainweigh.ranking.drive_in_mix import DriveInMix
from chainweigh.ranking.jobs import no_progress
from chainweigh.ranking.reference import Reference
from chainweigh.ranking.set_search import SetSearch
from chainweigh.ranking.settings import Budget, RankSettings
from chainweigh.ranking.weighed_group import weigh_all
from chainweigh.ranking.windows import loudest_windows
from chainweigh.render.cache import Cache

RATE_HZ = 48_000
FREE = dict.fromkeys(
    ("disturbed_pct", "disturbed_onsets_pct", "punch_loss_db", "gain_movement_db"), 100.0
)


def thdn_pct(depth_db):
    """AES17 THD+N of a 997 Hz sine clipped that deep, 20 Hz to 20 kHz, by its Fourier series."""
    ratio = 10 ** (-depth_db / 20)
    angle = np.arccos(ratio)
    n = np.arange(3, 20, 2)
    first = 2 / np.pi * (np.arcsin(ratio) + ratio * np.sqrt(1 - ratio**2))
    higher = np.sin((n - 1) * angle) / (n * (n - 1)) - np.sin((n + 1) * angle) / (n * (n + 1))
    rest = ((2 / np.pi * higher) ** 2).sum()
    return 100 * np.sqrt(rest / (first**2 + rest))


def searched(tmp_path, ends, limit_pct, price=0.0, n_clips=1, n_trials=0):
    """A held 997 Hz sine clipped by search; the group's comparison afterwards."""
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    tone = np.tile(0.5 * np.sin(2 * np.pi * 997 * time_s), (2, 1)).astype(np.float32)
    stage = {"effect": "clip", "ceiling": {"search": ends}, "oversample": 16}
    (chain,) = parse_chain(
        {"name": "Clip", "scope": "bus", "stage": [stage] * n_clips}, where="test"
    )
    (dry,) = parse_chain(
        {"name": "Dry", "scope": "bus", "stage": [{"effect": "clip", "ceiling": "peak + 6 dB"}]},
        where="test",
    )
    cache = Cache(tmp_path)
    reference = Reference("tone", tone, loudest_windows(tone, RATE_HZ))
    groups = weigh_all([reference], {"tone": [dry, chain]}, cache, threads=1, progress=no_progress)
    settings = RankSettings(price_lu_per_pct=price, budget=Budget(limit_pct, **FREE))
    onsets = find_onsets(tone, RATE_HZ)
    search = SetSearch(groups, onsets, settings, cache, 1, n_pareto_trials=n_trials)
    DriveInMix(search, "tone", search.dry, chain).find()
    return search, groups["tone"]


def test_a_clip_whose_distortion_is_computable_is_driven_to_within_a_tenth_of_the_limit(tmp_path):
    limit_pct = 3.0
    exact_db = brentq(lambda depth: thdn_pct(depth) - limit_pct, 0.01, 6)
    search, group = searched(tmp_path, ["peak", "peak - 4 dB"], limit_pct)
    (found,) = group.searches[group.chains[-1].name]
    assert exact_db - 0.1 <= -found.found_db <= exact_db
    assert (found.ended, found.stopped_by) == ("budget", "thdn_programme_pct")
    assert -found.crossed_at_db > exact_db
    for point in found.curve:
        assert point.within_budget == (-point.setting_db <= exact_db)
        if point.setting_db < -0.3:
            assert point.thdn_programme_pct == pytest.approx(thdn_pct(-point.setting_db), rel=0.02)
    standings = search.standings(search.dry)["tone"]
    assert all(standing.within_budget for _, standing in standings)


def test_a_range_written_from_its_deep_end_finds_the_same_and_says_so(tmp_path):
    found, turned = (
        group.searches[group.chains[-1].name][0]
        for ends in (["peak", "peak - 4 dB"], ["peak - 4 dB", "peak"])
        for _, group in [searched(tmp_path, ends, 3.0)]
    )
    order = " The range has its deep end first; it was searched from peak to peak - 4 dB."
    assert turned == replace(found, said=found.said + order)
    assert found.ended == "budget"
    _, group = searched(tmp_path, ["peak - 6 dB", "peak - 3 dB"], 3.0)
    (never,) = group.searches[group.chains[-1].name]
    assert (never.found, never.ended) == ("peak - 3 dB", "never within budget")


def test_a_range_outside_the_budget_leaves_the_gentle_end_as_a_row_that_says_so(tmp_path):
    _, group = searched(tmp_path, ["peak - 3 dB", "peak - 6 dB"], 3.0)
    (found,) = group.searches[group.chains[-1].name]
    assert found.found_db is None and found.ended == "never within budget"
    assert found.found == "peak - 3 dB"
    assert "keeps the budget" in found.said and "allowed 3 %" in found.said


def test_a_price_above_what_the_drive_gains_keeps_the_gentle_end(tmp_path):
    _, group = searched(tmp_path, ["peak", "peak - 4 dB"], 50.0, price=10.0)
    (found,) = group.searches[group.chains[-1].name]
    assert (found.found, found.ended, found.n_evaluated) == ("peak", "no help", 5)


def test_drives_of_a_group_that_is_not_in_the_way_are_rendered_but_not_weighed(tmp_path):
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    loud = 0.8 * np.sin(2 * np.pi * 310 * time_s) * np.exp(-20 * (time_s % 0.5))
    soft = 0.001 * np.sin(2 * np.pi * 997 * time_s)
    stems = {n: np.tile(x, (2, 1)).astype(np.float32) for n, x in (("a", loud), ("b", soft))}
    stage = {"effect": "clip", "ceiling": {"search": ["peak + 1 dB", "peak - 9 dB"]}}
    (chain,) = parse_chain({"name": "Clip", "scope": "bus", "stage": [stage]}, where="test")
    cache = Cache(tmp_path)
    windows = loudest_windows(stems["a"], RATE_HZ)
    references = [Reference(name, samples, windows) for name, samples in stems.items()]
    chains = {name: [bypass("bus"), chain] for name in stems}
    groups = weigh_all(references, chains, cache, threads=1, progress=no_progress)
    settings = RankSettings(budget=Budget(50.0, **FREE))
    search = SetSearch(groups, find_onsets(stems["a"], RATE_HZ), settings, cache, 1)
    DriveInMix(search, "b", search.dry, chain).find()
    (found,) = groups["b"].searches[groups["b"].chains[-1].name]
    assert (found.found_db, found.ended) == (1.0, "no help")
    assert set(groups["b"].weighed) == {"bypass", "Clip, ceiling peak + 1 dB"}
    assert [point.within_budget for point in found.curve] == [True] + [None] * 4
    assert all(point.loudness_gain_lu <= 0.01 for point in found.curve)


def test_the_front_of_two_clips_in_a_row_is_that_of_their_common_depth(tmp_path):
    # The second clip counts from the peak the first left: together they clip x + y deep, less up
    # to 0.2 dB by which band-limiting raises that peak over the first ceiling.
    limit_pct, raised_db = 3.0, 0.2
    exact_db = brentq(lambda depth: thdn_pct(depth) - limit_pct, 0.01, 6)
    _, group = searched(tmp_path, ["peak", "peak - 2 dB"], limit_pct, n_clips=2, n_trials=4)
    name = group.chains[-1].name
    front = group.fronts[name]
    assert front.points and front.n_evaluated > 4
    for point in front.points:
        offsets = (text.removeprefix("ceiling peak") for text in point.settings)
        depth_db = sum(float(text.strip(" -dB") or 0) for text in offsets)
        assert point.added_thdn_pct <= limit_pct and depth_db <= exact_db + raised_db
        if depth_db > 0.5:
            least, most = thdn_pct(depth_db - raised_db), thdn_pct(depth_db)
            assert 0.98 * least <= point.added_thdn_pct <= 1.02 * most
    best = max(front.points, key=lambda point: point.loudness_gain_lu)
    assert name == f"Clip, {', '.join(best.settings)}"
    said = [search.said.partition(": ")[0] for search in group.searches[name]]
    assert said == ["Stage 1 (clip)", "Stage 2 (clip)"]
