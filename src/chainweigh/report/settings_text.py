"""Settings of a stage in words: what the chain file wrote, what was rendered."""

from chainweigh.chain.values import format_value
from chainweigh.effects import effect
from chainweigh.effects.base import Effect, Kind
from chainweigh.errors import ChainFileError
from chainweigh.ranking.results import Candidate, ResolvedSetting, ResolvedStage, Results, Written

_LEVELS = (Kind.LEVEL, Kind.GAIN)


def _built_in(name: str) -> Effect | None:
    try:
        return effect(name)
    except (ChainFileError, ImportError):  # results of an installation that has more effects
        return None


def rendered_text(stage: ResolvedStage, setting: ResolvedSetting) -> str:
    """The value that was rendered, with its unit where the effect is known here."""
    value = setting.rendered
    found = _built_in(stage.effect)
    kind = (
        next((p.kind for p in found.parameters if p.name == setting.key), None) if found else None
    )
    if kind is None or isinstance(value, (str, bool)):
        return plain_text(value)
    if kind in _LEVELS:
        return f"{value:.2f} {kind.value}"
    return plain_text(format_value(kind, value))


def written_text(setting: ResolvedSetting) -> str:
    """The value as the chain file has it; a default is said to be one, a note is added."""
    text = "default" if setting.written is None else plain_text(setting.written)
    return f"{text}; {setting.note}" if setting.note else text


def plain_text(value: Written) -> str:
    """A bare value; switches read on and off."""
    if isinstance(value, bool):
        return "on" if value else "off"
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def key_text(setting: ResolvedSetting) -> str:
    """A setting's key as words."""
    return setting.key.replace("_", " ")


def candidate_settings(candidate: Candidate) -> str:
    """All stages of a candidate on one line, with the values that were rendered."""
    return "; ".join(_stage_text(stage) for stage in candidate.stages)


def _stage_text(stage: ResolvedStage) -> str:
    settings = ", ".join(f"{key_text(s)} {rendered_text(stage, s)}" for s in stage.settings)
    return f"{stage.effect}: {settings}" if settings else stage.effect


def find_candidate(results: Results, comparison: str, name: str) -> Candidate | None:
    """A candidate by the names of its comparison and itself."""
    for found in results.comparisons:
        if found.name == comparison:
            return next((c for c in found.candidates if c.name == name), None)
    return None
