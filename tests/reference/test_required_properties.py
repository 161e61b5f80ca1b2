"""What the measures must find on the demo songs' groups, judged in the mix by the default budget.

What each chain does is known beforehand; the limits are those the ranking applies. A song is
four of its bars in which every group plays, faded at both ends.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest

from chainweigh.audio.array import padded
from chainweigh.chain.chain import bypass
from chainweigh.chain.files import parse_chain
from chainweigh.measure.level_match import level_match_db
from chainweigh.measure.loudness import loudness_energies
from chainweigh.measure.onsets import find_onsets
from chainweigh.measure.ridden_tones import thdn_ridden_pct
from chainweigh.ranking.distortion import Programme, measure_heard, measure_programme
from chainweigh.ranking.mix import MixAround, MixGain
from chainweigh.ranking.order import Entry, breaches
from chainweigh.ranking.reference import Reference
from chainweigh.ranking.results import HeardMeasures
from chainweigh.ranking.settings import RankSettings
from chainweigh.ranking.weigh import Weighed, weigh
from chainweigh.ranking.weighed_group import WeighedGroup
from chainweigh.ranking.windows import loudest_windows
from chainweigh.render.cache import Cache
from chainweigh.render.chain_run import render_chain, run_frozen
from chainweigh.song import sum_of

RATE_HZ = 44_100
BARS_S = {1: (20.625, 28.125), 2: (16.667, 23.333)}  # four bars at 128 and at 144 bpm
FADE_S = 0.02
ECHO_TAIL_S = 0.02
GROUPS = ("percussion", "sub", "keys", "stabs", "voice")


@dataclass(frozen=True)
class Judged:
    """One chain on one group, as the ranking sees it."""

    weighed: Weighed
    heard: HeardMeasures
    gain: MixGain
    entry: Entry
    group: WeighedGroup

    @property
    def breaches(self):
        return breaches(self.entry, RankSettings())


class Excerpt:
    """The groups of the excerpt, each chain judged in the dry mix around its group."""

    def __init__(self, groups, span_s, cache):
        self.dry = {name: excerpt_of(samples, span_s) for name, samples in groups.items()}
        mix = np.sum(list(self.dry.values()), axis=0)
        self.windows = loudest_windows(mix, RATE_HZ)
        self.onsets = find_onsets(mix, RATE_HZ)
        self.references = {g: Reference(g, x, self.windows) for g, x in self.dry.items()}
        self.around = {g: MixAround(g, self.dry, RATE_HZ) for g in groups}
        self._cache = cache

    def heard(self, name, fitted, candidate):
        others = [self.windows.cut(x) for group, x in self.dry.items() if group != name]
        dry, wet = (sum_of([*others, part]) for part in (fitted, candidate))
        return measure_heard(dry, wet, self.onsets, self.windows)

    def weigh(self, name, chain):
        return weigh(chain, self.references[name], self._cache)

    def judge(self, name, *stages):
        tried = chain_of(*stages)
        chains = [bypass("bus"), tried]
        weighed = {chain.name: self.weigh(name, chain) for chain in chains}
        assert weighed[tried.name].failure is None
        by_name = {chain.name: chain for chain in chains}
        group = WeighedGroup(self.references[name], chains, (), by_name, weighed)
        heard = self.heard(name, group.fitted(tried.name), group.windowed(tried.name))
        toned = group.toned(tried.name)
        gain = self.around[name].gains_lu(group.samples_of(tried.name), toned)
        entry = group.entry(tried.name, gain, None, heard)
        return Judged(weighed[tried.name], heard, gain, entry, group)


def excerpt_of(samples, span_s):
    first, last = (round(at * RATE_HZ) for at in span_s)
    rise = np.hanning(2 * round(FADE_S * RATE_HZ))[: round(FADE_S * RATE_HZ)]
    part = samples[:, first:last].copy()
    part[:, : len(rise)] *= rise
    part[:, -len(rise) :] *= rise[::-1]
    return padded(part, part.shape[1] + round(ECHO_TAIL_S * RATE_HZ))


@pytest.fixture(scope="module")
def excerpts(demo_groups, tmp_path_factory):
    """From a song's number to its excerpt."""
    store = Cache(tmp_path_factory.mktemp("cache"))
    return cache(lambda number: Excerpt(demo_groups(number), BARS_S[number], store))


@pytest.fixture
def excerpt(excerpts):
    return excerpts(1)


def chain_of(*stages):
    (chain,) = parse_chain({"name": "tried", "scope": "bus", "stage": list(stages)}, where="here")
    return chain


def rendered(dry, *stages):
    return render_chain(chain_of(*stages), dry, RATE_HZ)


def eq(shape, frequency, **settings):
    return {"effect": "eq", "shape": shape, "frequency": frequency, **settings}


def compress(threshold, ratio, attack, release):
    settings = {"threshold": threshold, "ratio": ratio, "attack": attack, "release": release}
    return {"effect": "compress", **settings}


def reduction_db(dry, wet):
    """What a needle on the compressor reaches: the 95th percentile over 10 ms that sound."""
    n_block = RATE_HZ // 100
    n_frames = dry.shape[1] // n_block * n_block
    before, after = (
        np.square(x[:, :n_frames], dtype=np.float64).sum(axis=0).reshape(-1, n_block).sum(axis=1)
        for x in (dry, wet)
    )
    sounds = before > 1e-5 * before.max()
    return float(np.percentile(10 * np.log10(before[sounds] / after[sounds]), 95))


def glue(dry):
    """A 2:1 compressor, 10 ms and 100 ms, whose threshold makes it turn down by 2 dB."""
    low_dbfs, high_dbfs = -50.0, 0.0
    while high_dbfs - low_dbfs > 0.02:
        middle_dbfs = (low_dbfs + high_dbfs) / 2
        stage = compress(f"{middle_dbfs:.3f} dBFS", 2.0, "10 ms", "100 ms")
        wet = rendered(dry, stage).samples
        too_deep = reduction_db(dry, wet) > 2.0
        low_dbfs, high_dbfs = (middle_dbfs, high_dbfs) if too_deep else (low_dbfs, middle_dbfs)
    return stage


@pytest.mark.parametrize("name", GROUPS)
def test_identity_reads_the_floor(excerpt, name):
    dry = excerpt.windows.cut(excerpt.dry[name])
    heard = excerpt.heard(name, dry, dry)
    assert heard.nmr_mean_db < -100
    assert heard.disturbed_pct == heard.disturbed_onsets_pct == 0
    nothing = excerpt.weigh(name, bypass("bus"))
    assert "identical" in nothing.programme.undefined["residual_pct"]
    assert nothing.tones.thdn_programme_pct < 1e-3


@pytest.mark.parametrize("name", GROUPS)
def test_a_gain_and_a_delay_move_nothing(excerpt, name):
    late = {"effect": "echo", "time": "10 ms", "mix": "100 %"}
    judged = excerpt.judge(name, {"effect": "gain", "gain": "-6 dB"}, late)
    assert not judged.breaches
    assert judged.heard.disturbed_pct == judged.heard.disturbed_onsets_pct == 0
    assert judged.heard.nmr_mean_db < -80
    assert judged.weighed.programme.gain_movement_db < 0.01
    assert judged.weighed.programme.punch_loss_db < 0.01
    assert "identical" in judged.weighed.programme.undefined["residual_pct"]
    assert judged.entry.added_pct == pytest.approx(0, abs=0.01)
    assert judged.gain.loudness_lu == pytest.approx(0, abs=0.01)
    assert judged.gain.tone_lu == 0


@pytest.mark.parametrize("name", GROUPS)
def test_an_equaliser_is_tone_and_neither_distortion_nor_movement(excerpt, name):
    up, down = (eq("peak", f, gain=g, q=1.0) for f, g in (("60 Hz", "6 dB"), ("1 kHz", "-6 dB")))
    judged = excerpt.judge(name, up, down, eq("peak", "8 kHz", gain="6 dB", q=1.0))
    assert judged.heard.disturbed_pct == judged.heard.disturbed_onsets_pct == 0
    assert judged.heard.nmr_worst_db < -40
    assert judged.weighed.programme.gain_movement_db < 0.01
    assert judged.entry.added_pct == pytest.approx(0, abs=0.1)
    assert judged.gain.loudness_lu == pytest.approx(0, abs=0.01)
    assert judged.weighed.programme.punch_loss_db < 0.01
    assert not judged.breaches


@pytest.mark.parametrize("song", [1, 2])
@pytest.mark.parametrize("name", GROUPS)
def test_a_bus_compressor_passes_the_budget(excerpts, song, name):
    excerpt = excerpts(song)
    judged = excerpt.judge(name, glue(excerpt.dry[name]))
    assert not judged.breaches
    assert judged.heard.disturbed_pct == 0
    assert judged.weighed.tones.thdn_programme_pct < 0.1
    assert not judged.weighed.tone_fit.changes_tone


@pytest.mark.parametrize("name", GROUPS)
def test_a_limiter_that_pumps_by_10_db_fails_the_budget(excerpt, name):
    judged = excerpt.judge(
        name, {"effect": "limit", "ceiling": "peak - 10 dB", "release": "150 ms"}
    )
    assert any("gain movement" in breach for breach in judged.breaches)


def compressor_into_clip(attack):
    into = compress("peak - 20 dB", 4.0, attack, "150 ms")
    return into, {"effect": "clip", "ceiling": "peak - 3.5 dB", "oversample": 16}


def taken_pct(alone, clipped):
    """Known: what a clip takes of what reaches it."""
    reaches, leaves = (run.samples.astype(np.float64) for run in (alone, clipped))
    kept = np.sum(reaches * leaves) / np.sum(reaches**2)
    return 100 * np.linalg.norm(leaves - kept * reaches) / np.linalg.norm(leaves)


@pytest.mark.parametrize("song", [1, 2])
@pytest.mark.parametrize("name", GROUPS)
def test_a_compressor_feeding_a_clip_does_not_read_as_clean(excerpts, song, name):
    """Steady tones miss what the clip takes, ridden ones do not."""
    excerpt = excerpts(song)
    into, clip = compressor_into_clip("20 ms")
    dry = excerpt.dry[name]
    taken = taken_pct(rendered(dry, into), rendered(dry, into, clip))
    judged, alone = excerpt.judge(name, into, clip), excerpt.judge(name, into)
    tones = judged.weighed.tones
    assert taken > 1.5
    assert tones.thdn_steady_pct < taken / 10
    assert tones.thdn_programme_pct > taken / 4
    assert tones.thdn_programme_pct > 5 * alone.weighed.tones.thdn_programme_pct
    assert judged.entry.distortion_pct > taken
    assert not judged.weighed.tone_fit.changes_tone


@pytest.mark.parametrize("attack", ["5 ms", "1 ms"])
@pytest.mark.parametrize("song", [1, 2])
@pytest.mark.parametrize("name", GROUPS)
def test_nor_does_one_with_a_quick_attack(excerpts, song, name, attack):
    """By ridden tones alone: what such compressors do to low notes, steady ones see already."""
    excerpt = excerpts(song)
    dry, ridden = excerpt.dry[name], excerpt.references[name].tones.ridden
    into, clip = compressor_into_clip(attack)
    runs = [rendered(dry, into), rendered(dry, into, clip)]
    alone_pct, clipped_pct = (
        thdn_ridden_pct(run_frozen(run.stages, ridden.signal, RATE_HZ), ridden) for run in runs
    )
    assert clipped_pct > taken_pct(*runs) / 4
    assert clipped_pct > 5 * alone_pct


@pytest.mark.parametrize("name", GROUPS)
def test_a_low_cut_is_tone_gain_and_not_loudness_gain(excerpt, name):
    judged = excerpt.judge(name, eq("low_cut", "120 Hz", slope="24 dB/oct"))
    assert judged.gain.loudness_lu == pytest.approx(0, abs=0.01)
    assert judged.entry.gain_soloed_lu == pytest.approx(0, abs=0.01)
    assert abs(judged.weighed.programme.tone_gain_lu) > 1
    if name in ("percussion", "sub"):  # that much of the mix
        assert abs(judged.gain.tone_lu) > 1


@pytest.mark.parametrize("name", GROUPS)
def test_deeper_clipping_never_lowers_the_mean_noise_to_mask_ratio(excerpt, name):
    reference, dry = excerpt.references[name], excerpt.dry[name]
    means_db = []
    for depth_db in (1, 2, 4, 8, 16):
        ceiling = np.abs(dry).max() * np.float32(10 ** (-depth_db / 20))
        clipped = np.clip(dry, -ceiling, ceiling)
        gain_db = level_match_db(reference.energies, loudness_energies(clipped, RATE_HZ))
        matched = clipped * np.float32(10 ** (gain_db / 20))
        programme = Programme(dry, reference.onsets, excerpt.windows)
        found = measure_programme(programme, matched)
        heard = excerpt.heard(name, found.fitted, excerpt.windows.cut(matched))
        means_db.append(heard.nmr_mean_db)
    assert np.diff(means_db).min() > -0.1
