"""What a plug-in did of a stage, as results.json holds it."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from chainweigh.chain.chain import AnyStage, Chain
from chainweigh.chain.plugin_stage import PluginStage
from chainweigh.hosts.plugin import RenderFacts
from chainweigh.hosts.qualification import Qualifications
from chainweigh.ranking.results import ResolvedPlugin, ResolvedStage


def with_plugin(resolved: ResolvedStage, stage: AnyStage, facts: RenderFacts) -> ResolvedStage:
    """A resolved stage with its plug-in, and each setting as the plug-in held and displayed it."""
    assert isinstance(stage, PluginStage)
    held = {value.id: value for value in facts.values}
    settings = tuple(
        replace(setting, actual=value.actual, displayed=value.displayed)
        for setting in resolved.settings
        for value in (held[stage.plugin.parameter(setting.key).id],)
    )
    record = stage.plugin.record
    plugin = ResolvedPlugin(
        format=record.format,
        id=record.id,
        name=record.name,
        vendor=record.vendor,
        version=record.version,
        digest=stage.plugin.digest,
        latency_frames=facts.latency_frames,
        shift_frames=facts.alignment.shift_frames,
        alignment=facts.alignment.how,
        notes=facts.notes,
        preset=stage.preset.kept_as if stage.preset else None,
    )
    return replace(resolved, settings=settings, plugin=plugin)


def preset_files(chains: Iterable[Chain]) -> dict[str, Path]:
    """Files and bundles a run's folder keeps a copy of, by their place there."""
    presets = (s.preset for c in chains for s in c.stages if isinstance(s, PluginStage))
    return {p.kept_as.partition("#")[0]: p.path for p in presets if p and p.uri is None}


def with_verdicts(stages: Sequence[ResolvedStage]) -> tuple[ResolvedStage, ...]:
    """Stages with what the battery has said of their plug-ins by now."""
    if not any(stage.plugin for stage in stages):
        return tuple(stages)
    known = Qualifications.at_default_place()
    return tuple(_with_verdict(stage, known) for stage in stages)


def _with_verdict(stage: ResolvedStage, known: Qualifications) -> ResolvedStage:
    plugin = stage.plugin
    found = known.find(stage.effect, plugin.digest) if plugin else None
    if plugin is None or found is None:
        return stage
    told = replace(plugin, verdict=found.verdict, verdict_reasons=found.reasons)
    return replace(stage, plugin=told)
