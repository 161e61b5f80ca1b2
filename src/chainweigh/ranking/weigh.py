"""One candidate rendered, matched and measured, by itself; kept in the cache."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from chainweigh.audio.array import Samples, from_db, shifted
from chainweigh.chain.chain import AnyStage, Chain
from chainweigh.chain.values import NoteValue, RelativeValue
from chainweigh.errors import RenderError
from chainweigh.measure.image import ImageChange, compare_images, measure_image
from chainweigh.measure.level_match import level_match_db
from chainweigh.measure.loudness import LoudnessEnergies, loudness_energies
from chainweigh.measure.sections import Contrast, measure_contrast
from chainweigh.measure.spectrum import (
    SpectrumChange,
    compare_third_octaves,
    measure_third_octaves,
)
from chainweigh.measure.summary import FileMeasures, measure_file
from chainweigh.ranking.distortion import (
    Programme,
    ToneFit,
    measure_heard,
    measure_programme,
)
from chainweigh.ranking.plugin_results import with_plugin, with_verdicts
from chainweigh.ranking.reference import Reference, tones_of
from chainweigh.ranking.results import (
    HeardMeasures,
    ProgrammeMeasures,
    ResolvedSetting,
    ResolvedStage,
    ToneMeasures,
)
from chainweigh.render.align import align
from chainweigh.render.cache import Cache
from chainweigh.render.chain_run import RunStage, render_chain
from chainweigh.render.tone_bench import bench_tones

TAKE, FITTED = "take", "fitted"
NONE_INTENDED = "no stage is intended"


@dataclass(frozen=True)
class Weighed:
    """A candidate's own measures, or why there are none.

    `audio` and `fitted_audio` (the fitted reference in the windows) lie in the cache.
    """

    stages: tuple[ResolvedStage, ...] = ()
    shift_frames: int | None = None
    match_gain_db: float | None = None
    loudness_difference_lu: float | None = None
    file: FileMeasures | None = None
    tones: ToneMeasures | None = None
    programme: ProgrammeMeasures | None = None
    spectrum: SpectrumChange | None = None
    image: ImageChange | None = None
    contrast: Contrast | None = None
    soloed: HeardMeasures | None = None
    final_limiter_work_db_s: float | None = None
    tone_fit: ToneFit = field(default_factory=ToneFit)
    failure: str | None = None
    audio: Path | None = None
    fitted_audio: Path | None = None


def weigh(chain: Chain, reference: Reference, cache: Cache) -> Weighed:
    """Render a chain on its reference, match it, measure it; or fetch what was finished before.

    Returns
    -------
    The measures; a chain that fails on this programme returns its reason as `failure`.
    """
    key = cache.key("weighed", *identity(chain, reference))
    weighed = cache.load(key, Weighed)
    if weighed is None:
        try:
            weighed, takes = _weigh(chain, reference)
        except RenderError as error:
            return Weighed(failure=str(error))
        cache.store(key, weighed, takes, reference.sample_rate_hz)
    return replace(
        weighed,
        stages=with_verdicts(weighed.stages),
        audio=cache.audio_path(key, TAKE),
        fitted_audio=cache.audio_path(key, FITTED),
    )


def identity(chain: Chain, reference: Reference) -> list[object]:
    """What decides a candidate's audio and measures, for a key of the cache."""
    stages = stage_identities(chain)
    return [reference.digest, reference.windows.spans, stages, chain.gain_db]


def stage_identities(chain: Chain) -> list[object]:
    """What decides what a chain's stages do."""
    return [[*s.identity, s.written(), _note_times_ms(s), s.intended] for s in chain.stages]


def _note_times_ms(stage: AnyStage) -> dict[str, float | None]:
    return {k: v.time_ms for k, v in stage.settings.items() if isinstance(v, NoteValue)}


@dataclass(frozen=True)
class Matched:
    """A chain's output, aligned and as loud as its reference.

    `against` is what distortion is held against: the dry reference, or the intended part's output,
    which `intended` holds as it was rendered. `energies` are of `samples`.
    """

    samples: Samples
    energies: LoudnessEnergies
    against: Samples
    intended: Samples
    stages: tuple[RunStage, ...]
    shift_frames: int
    gain_db: float
    final_limiter_work_db_s: float | None


def render_matched(chain: Chain, reference: Reference) -> Matched:
    """A chain rendered on its reference, aligned and matched, neither measured nor kept.

    Raises
    ------
    RenderError
        As `render_chain`, or without gated loudness.
    """
    dry = reference.samples
    if not chain.stages:
        return Matched(dry, reference.energies, dry, dry, (), 0, 0.0, None)
    run = render_chain(chain, dry, reference.sample_rate_hz)
    aligned, shift = _aligned(chain.stages, run.samples, reference)
    energies = loudness_energies(aligned, reference.sample_rate_hz)
    gain_db = chain.gain_db
    if gain_db is None:
        gain_db = _gain_to_match(reference, energies)
    gain = np.float32(from_db(gain_db))
    against = dry
    if chain.split:
        against, _ = _aligned(chain.stages[: chain.split], run.intended, reference)
    owned = not any(np.may_share_memory(aligned, kept) for kept in (dry, run.intended))
    return Matched(
        samples=np.multiply(aligned, gain, out=aligned if owned else None),
        energies=energies.scaled(float(gain)),
        against=against,
        intended=run.intended,
        stages=run.stages,
        shift_frames=shift,
        gain_db=gain_db,
        final_limiter_work_db_s=run.final_limiter_work_db_s,
    )


def _weigh(chain: Chain, reference: Reference) -> tuple[Weighed, dict[str, Samples]]:
    rate = reference.sample_rate_hz
    matched = render_matched(chain, reference)
    file = measure_file(matched.samples, rate, energies=matched.energies)
    against = held_against(reference, matched.against)
    programme = measure_programme(against, matched.samples, matched.energies)
    weighed = Weighed(
        stages=tuple(_resolved(stage) for stage in matched.stages),
        shift_frames=matched.shift_frames,
        match_gain_db=matched.gain_db,
        loudness_difference_lu=_difference(file, reference.file),
        file=file,
        tones=_measure_tones(chain, matched, reference),
        programme=programme.measures,
        spectrum=compare_third_octaves(
            reference.third_octaves, measure_third_octaves(matched.samples, rate)
        ),
        image=compare_images(reference.image, measure_image(matched.samples, rate)),
        contrast=measure_contrast(reference.short_term, matched.energies.short_term()),
        soloed=_soloed(chain, programme.fitted, matched.samples, reference),
        final_limiter_work_db_s=matched.final_limiter_work_db_s,
        tone_fit=programme.tone_fit,
    )
    return weighed, {TAKE: matched.samples, FITTED: programme.fitted}


def held_against(reference: Reference, samples: Samples) -> Programme:
    """What distortion is held against: the reference, or the intended part's output."""
    if samples is reference.samples:
        return reference.programme
    return Programme(samples, reference.onsets, reference.windows)


def _soloed(
    chain: Chain, fitted: Samples, matched: Samples, reference: Reference
) -> HeardMeasures | None:
    if not chain.stages:
        return None
    windows = reference.windows
    return measure_heard(fitted, windows.cut(matched), reference.onsets, windows)


def _aligned(
    stages: Sequence[AnyStage], render: Samples, reference: Reference
) -> tuple[Samples, int]:
    n_frames = reference.samples.shape[1]  # ends in silence as long as any chain's tail
    if all(stage.keeps_time for stage in stages):
        return shifted(render, 0, n_frames), 0
    return align(reference.samples, render, reference.sample_rate_hz, n_frames)


def _gain_to_match(reference: Reference, energies: LoudnessEnergies) -> float:
    if reference.energies.integrated_lufs() is None:
        reason = reference.file.undefined["integrated_lufs"]
        raise RenderError(f"cannot be level-matched: loudness of the reference: {reason}")
    gain_db = level_match_db(reference.energies, energies)
    if gain_db is None:
        raise RenderError("cannot be level-matched: the output has no gated loudness")
    return gain_db


def _difference(file: FileMeasures, reference: FileMeasures) -> float | None:
    if file.integrated_lufs is None or reference.integrated_lufs is None:
        return None
    return file.integrated_lufs - reference.integrated_lufs


def _resolved(run: RunStage) -> ResolvedStage:
    written, rendered = run.stage.written(), run.stage.rendered(run.settings)
    settings = tuple(
        ResolvedSetting(
            key=key,
            written=written.get(key),
            rendered=value,
            relative=isinstance(run.stage.settings.get(key), RelativeValue),
            note=run.notes.get(key),
        )
        for key, value in rendered.items()
    )
    plain = ResolvedStage(run.stage.name, settings, run.stage.intended)
    return with_plugin(plain, run.stage, run.facts) if run.facts else plain


def _measure_tones(chain: Chain, run: Matched, reference: Reference) -> ToneMeasures:
    """Tones through the stages after the last intended one, driven as the programme drives them."""
    driven = reference.tones
    with_intended, why = None, {"thdn_with_intended_pct": NONE_INTENDED}
    if chain.split:
        why = {}
        _, whole = bench_tones(run.stages, driven.grid, driven.bands, driven.ridden)
        with_intended = whole.thdn_programme_pct
        driven = tones_of(run.intended, reference.sample_rate_hz)
    stages = run.stages[chain.split :]
    results, distortion = bench_tones(stages, driven.grid, driven.bands, driven.ridden)
    return ToneMeasures(
        thdn_peak_pct=distortion.thdn_peak_pct,
        thdn_steady_pct=distortion.thdn_steady_pct,
        thdn_ridden_pct=distortion.thdn_ridden_pct,
        thdn_programme_pct=distortion.thdn_programme_pct,
        thdn_with_intended_pct=with_intended,
        frequencies_hz=tuple(map(float, driven.grid.frequencies_hz)),
        levels_dbfs=tuple(map(float, driven.grid.levels_dbfs)),
        thdn_pct=tuple(map(tuple, results.thdn_pct.tolist())),
        undefined={**results.undefined, **distortion.undefined, **why},
    )
