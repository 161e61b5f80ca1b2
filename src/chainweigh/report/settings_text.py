"""Settings of a stage in words: what the chain file wrote, what was rendered."""

from chainweigh.chain.values import format_value
from chainweigh.effects import effect
from chainweigh.effects.base import Effect, Kind
from chainweigh.errors import ChainFileError
from chainweigh.ranking.results import (
    Candidate,
    ResolvedPlugin,
    ResolvedSetting,
    ResolvedStage,
    Results,
    Written,
)

_LEVELS = (Kind.LEVEL, Kind.GAIN)


def _built_in(name: str) -> Effect | None:
    try:
        return effect(name)
    except (ChainFileError, ImportError):  # results of an installation that has more effects
        return None


def rendered_text(stage: ResolvedStage, setting: ResolvedSetting) -> str:
    """The value that was rendered, with its unit where the effect is known here."""
    if setting.displayed is not None:
        return setting.displayed
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


def plugin_text(stage: ResolvedStage) -> str:
    """Which plug-in rendered a stage, how late it is and what was noted; "" of an effect."""
    plugin = stage.plugin
    if plugin is None:
        return ""
    late = {
        "agreed": f"{plugin.shift_frames} frames late, as it reports",
        "corrected": f"reports {plugin.latency_frames} frames of latency, measured and corrected "
        f"to {plugin.shift_frames}",
        "unverified": f"reports {plugin.latency_frames} frames of latency, unverified",
    }[plugin.alignment]
    named = " ".join(text for text in (plugin.name, plugin.version) if text)
    facts = [f"{plugin.format.upper()} plug-in {named}: {late}", *plugin.notes]
    if plugin.preset:
        facts.insert(0, f"preset {plugin.preset}")
    return "; ".join([*facts, f"trust: {_verdict_text(plugin)}"])


def plugin_verdicts(candidate: Candidate) -> tuple[str, ...]:
    """How far each plug-in of a candidate can be trusted, as its test has found."""
    plugins = {stage.effect: stage.plugin for stage in candidate.stages if stage.plugin}
    return tuple(f"Plug-in {name}: {_verdict_text(found)}" for name, found in plugins.items())


def _verdict_text(plugin: ResolvedPlugin) -> str:
    return ": ".join(filter(None, (plugin.verdict, "; ".join(plugin.verdict_reasons))))


def find_candidate(results: Results, comparison: str, name: str) -> Candidate | None:
    """A candidate by the names of its comparison and itself."""
    for found in results.comparisons:
        if found.name == comparison:
            return next((c for c in found.candidates if c.name == name), None)
    return None
