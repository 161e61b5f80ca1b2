"""An invented run: no number in it was measured; only how it is shown is under test."""

from dataclasses import replace

import pytest

from chainweigh.measure.image import Image, ImageChange
from chainweigh.measure.sections import Contrast
from chainweigh.measure.spectrum import SpectrumChange
from chainweigh.ranking import results as r
from chainweigh.ranking.ladder_results import Ladder, Rung

SILENT = "the file is silent"


def file_measures(integrated_lufs=-10.2, true_peak_dbtp=-0.31, **changes):
    values = {
        "integrated_lufs": integrated_lufs,
        "momentary_max_lufs": integrated_lufs + 3.4,
        "short_term_max_lufs": integrated_lufs + 1.9,
        "lra_lu": 5.25,
        "true_peak_dbtp": true_peak_dbtp,
        "true_peak_annex2_dbtp": true_peak_dbtp - 0.04,
        "sample_peak_dbfs": true_peak_dbtp - 0.2,
        "rms_db": integrated_lufs - 0.9,
        "rms_aes17_dbfs": integrated_lufs + 2.1,
        "rms_max_300ms_db": integrated_lufs + 4.1,
        "crest_db": 11.5,
        "plr_db": true_peak_dbtp - integrated_lufs,
        "psr_min_db": 7.85,
        "dc_offset": (0.00012, -0.00003),
    }
    return r.FileMeasures(**{**values, **changes})


def tone_measures(thdn_pct, **changes):
    frequencies = (31.5, 63.0, 250.0, 1000.0, 4000.0)
    levels = (-0.5, -3.5, -6.5, -12.5, -20.5)
    values = {
        "thdn_peak_pct": thdn_pct * 2.5,
        "thdn_steady_pct": thdn_pct * 0.9,
        "thdn_ridden_pct": thdn_pct * 1.1,
        "thdn_programme_pct": thdn_pct,
        "thdn_with_intended_pct": None,
        "frequencies_hz": frequencies,
        "levels_dbfs": levels,
        "thdn_pct": tuple(
            tuple(thdn_pct * 2.5 / (1 + i + 4 * j) for j in range(len(levels)))
            for i in range(len(frequencies))
        ),
        "undefined": {"thdn_with_intended_pct": "no stage of the chain is marked intended"},
    }
    return r.ToneMeasures(**{**values, **changes})


def programme_measures(rank, **changes):
    values = {
        "sdr_db": 31.4 - rank,
        "residual_pct": 2.7,
        "gain_movement_db": 0.42,
        "gain_low_s": 12.5,
        "low_band_residual_db": -33.6,
        "tone_gain_lu": 0.07,
        "punch_change_db": -0.36,
        "punch_worst_s": 3.25,
        "punch_low_change_db": -0.58,
        "punch_low_worst_s": 7.75,
        "punch_loss_db": 0.58,
    }
    return r.ProgrammeMeasures(**{**values, **changes})


def spectrum_change(**changes):
    values = {
        "centres_hz": (50.119, 1000.0, 7943.3),
        "change_db": (0.12, -0.04, 0.63),
        "largest_change_db": 0.63,
        "largest_change_hz": 7943.3,
        "flagged_hz": (),
    }
    return SpectrumChange(**{**values, **changes})


def image_change(**changes):
    values = {
        "reference": Image(0.71, -9.2, 1.35),
        "candidate": Image(0.73, -9.4, 1.29),
        "correlation_change": 0.02,
        "side_to_middle_change_db": -0.23,
        "fold_down_loss_change_lu": -0.06,
        "fold_down_flagged": False,
    }
    return ImageChange(**{**values, **changes})


def heard_measures(rank, **changes):
    values = {
        "nmr_mean_db": -14.2,
        "nmr_worst_db": -1.7,
        "disturbed_pct": 0.13,
        "disturbed_onsets_pct": 2.94,
        "worst_moments_s": (12.25 + rank, 40.5, 3.75),
    }
    return r.HeardMeasures(**{**values, **changes})


def stages(depth_db=3.0):
    setting = r.ResolvedSetting
    return (
        r.ResolvedStage(
            "clip",
            (
                setting("ceiling", f"peak - {depth_db:g} dB", -0.51 - depth_db, True),
                setting("knee", "2 dB", "2.00 dB", False),
                setting("oversample", None, 16, False),
            ),
            False,
        ),
        r.ResolvedStage("gain", (setting("gain", "1.5 dB", 1.5, False),), False),
    )


def standing(rank, gain_lu, thdn_pct, *, over=False, front=False, why="", **changes):
    values = {
        "rank": rank,
        "loudness_gain_lu": gain_lu,
        "loudness_gain_dry_lu": gain_lu * 0.7,
        "loudness_gain_soloed_lu": gain_lu * 1.6 + 0.2,
        "tone_gain_lu": 0.03,
        "ranked_by": "tones",
        "ranked_distortion_pct": thdn_pct,
        "added_thdn_pct": thdn_pct,
        "score_lu": gain_lu - 0.1 * thdn_pct,
        "within_budget": not over,
        "breaches": (f"distortion {thdn_pct:.1f} %, allowed 10 %",) if over else (),
        "on_pareto_front": front,
        "tied_with_winner": False,
        "why": why or "0.33 LU behind: +0.40 LU for 1.02 % added distortion.",
    }
    return r.Standing(**{**values, **changes})


def candidate(name, rank, gain_lu, thdn_pct, *, folder="drums", **changes):
    own = (
        *("about", "audio", "failure", "stages", "tones", "programme", "in_mix", "file"),
        *("spectrum", "image", "in_mix_whole_song"),
        "match_gain_db",
    )
    given = {key: changes.pop(key) for key in own if key in changes}
    values = {
        "name": name,
        "about": "Cuts the tips of the hits.",
        "audio": f"audio/{folder}/{rank}.wav",
        "failure": None,
        "stages": stages(),
        "shift_frames": 0,
        "match_gain_db": 1.234,
        "loudness_difference_lu": 0.0,
        "file": file_measures(-14.2 + 0.1 * rank),
        "tones": tone_measures(thdn_pct),
        "programme": programme_measures(rank),
        "spectrum": spectrum_change(),
        "image": image_change(),
        "contrast": Contrast(9.4, 9.1, -0.31, 0.27),
        "soloed": heard_measures(rank, disturbed_pct=4.25, nmr_worst_db=2.4),
        "in_mix": heard_measures(rank),
        "in_mix_whole_song": heard_measures(rank, disturbed_pct=0.21) if rank < 3 else None,
        "standing": standing(rank, gain_lu, thdn_pct, **changes),
    }
    return r.Candidate(**{**values, **given})


def failed(name, rank, failure):
    return r.Candidate(
        name=name,
        about="",
        audio=None,
        failure=failure,
        stages=(),
        shift_frames=None,
        match_gain_db=None,
        loudness_difference_lu=None,
        file=None,
        tones=None,
        programme=None,
        spectrum=None,
        image=None,
        contrast=None,
        soloed=None,
        in_mix=None,
        in_mix_whole_song=None,
        standing=r.Standing(
            rank=rank,
            loudness_gain_lu=None,
            loudness_gain_dry_lu=None,
            loudness_gain_soloed_lu=None,
            tone_gain_lu=None,
            ranked_by="tones",
            ranked_distortion_pct=None,
            added_thdn_pct=None,
            score_lu=None,
            within_budget=False,
            breaches=(),
            on_pareto_front=False,
            tied_with_winner=False,
            why=f"Failed: {failure}.",
        ),
    )


def comparison(name, candidates, *, scope="bus", winner=None, price_range=None):
    return r.Comparison(
        name=name,
        folder=name,
        scope=scope,
        reference_audio=f"audio/{name}/reference.wav",
        reference=file_measures(-14.2),
        candidates=tuple(candidates),
        winner=winner or candidates[0].name,
        price_range=price_range or r.PriceRange(0.02, 0.31, "Deep clip", "bypass"),
    )


def drums():
    return comparison(
        "drums",
        [
            candidate("Firm clip", 1, 1.42, 2.31, front=True, why="Best score within budget."),
            candidate("Soft clip", 2, 1.13, 1.05, front=True, tied_with_winner=True),
            candidate("Fast limiter", 3, 1.21, 2.9),
            candidate("Clip into limiter", 4, 1.02, 3.6),
            candidate("bypass", 5, 0.0, 0.0, front=True, stages=(), why="nothing at all"),
            candidate("Slow compressor", 6, -0.21, 0.004),
            candidate("Deep clip", 7, 1.71, 12.4, over=True, front=True),
            failed("Broken fold", 8, "stage 2 (clip): output is not finite at 3.21 s"),
        ],
    )


def bass():
    return comparison(
        "bass",
        [
            candidate("Rounded tops", 1, 0.38, 0.92, front=True, folder="bass"),
            candidate(
                "bypass", 2, 0.0, 0.0, front=True, folder="bass", stages=(), match_gain_db=0.0
            ),
            candidate("Warm drive", 3, 0.11, 4.2, folder="bass"),
        ],
    )


def master():
    return comparison(
        "master",
        [
            candidate("Clip, then limit", 1, 3.21, 1.84, front=True, folder="master"),
            candidate("Limit only", 2, 2.77, 1.52, front=True, folder="master"),
            candidate("bypass", 3, 0.0, 0.0, front=True, folder="master", stages=()),
        ],
        scope="master",
        price_range=r.PriceRange(0.0, 1.375, None, "Limit only"),
    )


def chosen_set():
    return r.ChosenSet(
        choices=(
            r.Choice("drums", "Firm clip", 1.42, 0.99, 2.31, ("clip: ceiling -3.51 dBFS",)),
            r.Choice("bass", "Rounded tops", 0.38, 0.12, 0.92, ("clip: ceiling -5.02 dBFS",)),
        ),
        mix_headroom_db=1.93,
        sum_of_gains_dry_lu=1.11,
        thdn_groups_pct=1.62,
        thdn_with_master_pct=2.45,
        rounds=2,
        within_budget=True,
        verdict="Firm clip on drums and Rounded tops on bass hands the mix 1.9 dB of headroom; "
        "with Clip, then limit on the master (+3.2 LU) the song reaches -6.9 LUFS at -1 dBTP, "
        "with 2.5 % THD+N on test tones.",
        mix=file_measures(-12.1),
        master="Clip, then limit",
        master_settings=("clip: ceiling -1.20 dBFS", "limit: ceiling -1.00 dBFS"),
        master_gain_lu=3.21,
        master_file=file_measures(-6.9, -1.0),
        master_audio="masters/master.wav",
        ceiling_dbtp=-1.0,
    )


def ladder():
    rungs = [
        Rung(float(d), f"ladder/drive{d:+d}dB.wav", None, 0.5 * d, 0.2 * (d + 2), 1.0 + d)
        for d in range(-1, 3)
    ]
    failed = Rung(3.0, None, "gain is out of range", None, None, None)
    return Ladder("drums", "Firm clip", (*rungs, failed))


def rank_results():
    group = r.SourceGroup
    return r.Results(
        schema=r.SCHEMA,
        program="chainweigh",
        version="0.1.0",
        kind="rank",
        engine={"kernels": "compiled", "numpy": "2.4.6"},
        settings=r.RankSettings(),
        source=r.Source(
            title="Paper Lanterns",
            folder="song-1",
            sample_rate_hz=48000,
            duration_s=61.5,
            tempo_bpm=128.0,
            beats_per_bar=4,
            groups=(
                group("drums", (r.SourceFile("drums/kick.wav", "a1" * 16),), 61.2),
                group("bass", (r.SourceFile("bass/sub.wav", "b2" * 16),), 24.05),
            ),
            notes=("bass/sub.wav is 0.20 s shorter than the longest stem; padded.",),
            mix=file_measures(-14.03),
        ),
        comparisons=(drums(), bass(), master()),
        chosen=chosen_set(),
        notes=("The tone bench drove every chain at the level of its programme.",),
        ladder=ladder(),
    )


@pytest.fixture
def results():
    return rank_results()


@pytest.fixture
def applied(results):
    return replace(
        results,
        kind="apply",
        expectations=(
            r.Expectation("drums", "loudness_gain_lu", 1.42, 1.18, "close"),
            r.Expectation("drums", "thdn_programme_pct", 2.31, 4.77, "twice as much"),
            r.Expectation("bass", "loudness_gain_lu", 0.38, None, "the bass is silent"),
        ),
        warnings=("drums: distortion is more than one and a half times what it won with.",),
    )


class Make:
    """The builders above, for tests that need another run."""

    file_measures = staticmethod(file_measures)
    candidate = staticmethod(candidate)
    spectrum_change = staticmethod(spectrum_change)
    image_change = staticmethod(image_change)
    comparison = staticmethod(comparison)
    failed = staticmethod(failed)
    standing = staticmethod(standing)
    programme_measures = staticmethod(programme_measures)
    heard_measures = staticmethod(heard_measures)
    stages = staticmethod(stages)


@pytest.fixture
def make():
    return Make
