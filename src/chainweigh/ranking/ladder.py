"""The drive ladder: a chosen chain at rising drive, for the ear to say where it is first heard.

Notes
-----
Drive is gain in front of the chain, whose levels stay as they were resolved for the set: the same
device, fed hotter. Each rung is matched and heard in the mix like a candidate.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path

from chainweigh.chain.chain import AnyStage, Chain, Stage
from chainweigh.chain.values import LevelExpression, Value, parse_value
from chainweigh.errors import RenderError
from chainweigh.measure.onsets import Onsets
from chainweigh.ranking.distortion import measure_heard
from chainweigh.ranking.jobs import no_progress, run_jobs
from chainweigh.ranking.ladder_results import Ladder, Rung
from chainweigh.ranking.reference import Reference
from chainweigh.ranking.results import HeardMeasures, ResolvedStage
from chainweigh.ranking.weigh import TAKE, held_against, identity, render_matched
from chainweigh.ranking.weighed_group import WeighedGroup
from chainweigh.render.cache import Cache
from chainweigh.song import sum_of

DRIVES_DB = tuple(float(drive) for drive in range(-2, 6))
NOT_JUDGED = "not measured: this drive could not be rendered"


@dataclass(frozen=True)
class LadderRun:
    """A ladder and the cached files of its rungs, by path in the run's folder."""

    ladder: Ladder
    audio: dict[str, Path]


def climb(
    group: WeighedGroup,
    pick: str,
    others: Sequence[tuple[WeighedGroup, str]],
    onsets: Onsets,
    cache: Cache,
    *,
    threads: int,
) -> LadderRun:
    """Render, match and measure every rung of a group's chosen chain; one that fails says why.

    Parameters
    ----------
    others : the other groups with their picks
    onsets : of the dry mix, in song time
    """
    chain = next(c for c in group.chains if c.name == pick)
    stages = group.weighed[pick].stages
    mix = _Mix(others, onsets, cache)
    chains = [driven(chain, stages, drive_db) for drive_db in DRIVES_DB]
    jobs = [lambda c=c: mix.climb(c, group.reference) for c in chains]
    done = run_jobs(jobs, threads=threads, progress=no_progress, what="")
    rungs = [_rung(drive_db, step) for drive_db, step in zip(DRIVES_DB, done, strict=True)]
    audio = {
        rung_path(drive_db): step.audio
        for drive_db, step in zip(DRIVES_DB, done, strict=True)
        if step.audio is not None
    }
    return LadderRun(Ladder(group.reference.name, pick, tuple(rungs)), audio)


@dataclass(frozen=True)
class _Step:
    """A rung as it was rendered and heard, or why not; `audio` lies in the cache."""

    match_gain_db: float | None = None
    heard: HeardMeasures | None = None
    failure: str | None = None
    audio: Path | None = None


class _Mix:
    """The mix around a group, for chains that are no candidates of it."""

    def __init__(
        self, others: Sequence[tuple[WeighedGroup, str]], onsets: Onsets, cache: Cache
    ) -> None:
        self._onsets, self._cache = onsets, cache
        self._identities = [group.identity(pick) for group, pick in others]
        self._others = [group.windowed(pick) for group, pick in others]

    def climb(self, chain: Chain, reference: Reference) -> _Step:
        """A chain rendered, matched and heard in the mix, or fetched from the cache."""
        key = self._cache.key("rung", identity(chain, reference), self._identities)
        step = self._cache.load(key, _Step)
        if step is None:
            try:
                matched = render_matched(chain, reference)
            except RenderError as error:
                return _Step(failure=str(error))
            windows = reference.windows
            programme = held_against(reference, matched.against)
            fitted = programme.follow(programme.fit(matched.samples), matched.samples)
            dry = sum_of([*self._others, fitted.samples])
            wet = sum_of([*self._others, windows.cut(matched.samples)])
            heard = measure_heard(dry, wet, self._onsets, windows)
            step = _Step(matched.gain_db, heard)
            self._cache.store(key, step, {TAKE: matched.samples}, reference.sample_rate_hz)
        return replace(step, audio=self._cache.audio_path(key, TAKE))


def driven(chain: Chain, stages: Sequence[ResolvedStage], drive_db: float) -> Chain:
    """A chain with its levels as they were resolved, and its input turned up or down."""
    frozen = [_frozen(stage, found) for stage, found in zip(chain.stages, stages, strict=True)]
    drive = Stage("gain", {"gain": drive_db}, intended=bool(chain.split))
    return replace(chain, name=f"{chain.name}, {drive_db:+g} dB", stages=(drive, *frozen))


def _frozen(stage: AnyStage, resolved: ResolvedStage) -> AnyStage:
    """A stage with what its relative levels were resolved to in their place."""
    rendered = {setting.key: setting.rendered for setting in resolved.settings}
    levels = {k for k, value in stage.settings.items() if isinstance(value, LevelExpression)}
    frozen: dict[str, Value] = {key: rendered[key] for key in levels}
    if isinstance(stage, Stage):
        parameters = {p.name: p for p in stage.effect.parameters}
        frozen = {key: parse_value(parameters[key], value) for key, value in frozen.items()}
    return replace(stage, settings={**stage.settings, **frozen})


def rung_path(drive_db: float) -> str:
    """Where a rung lies in the run's folder."""
    return f"ladder/drive{drive_db:+g}dB.wav"


def _rung(drive_db: float, step: _Step) -> Rung:
    heard = step.heard
    rung = Rung(
        drive_db=drive_db,
        audio=rung_path(drive_db) if step.audio else None,
        failure=step.failure,
        match_gain_db=step.match_gain_db,
        disturbed_pct=heard.disturbed_pct if heard else None,
        disturbed_onsets_pct=heard.disturbed_onsets_pct if heard else None,
    )
    told = heard.undefined if heard else {}
    measures = [f.name for f in fields(rung) if f.name != "failure"]
    missing = [name for name in measures if getattr(rung, name) is None]
    return replace(rung, undefined={name: told.get(name, NOT_JUDGED) for name in missing})
