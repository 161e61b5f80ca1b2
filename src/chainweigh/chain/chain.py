"""What a chain is: a name, a scope and ordered stages of effects or plug-ins."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from chainweigh.audio.array import Samples
from chainweigh.chain.plugin_stage import PluginStage
from chainweigh.chain.search import SearchRange
from chainweigh.chain.values import LevelExpression, NoteValue, Value, format_value
from chainweigh.effects import effect
from chainweigh.effects.base import (
    Effect,
    Kind,
    Parameter,
    Reach,
    Setting,
    complete_settings,
)
from chainweigh.errors import ChainFileError
from chainweigh.hosts.alignment import Alignment

SCOPES = ("bus", "master")


def _inside(parameter: Parameter) -> float:
    low = parameter.minimum if parameter.minimum is not None else 0.0
    high = parameter.maximum if parameter.maximum is not None else 0.0
    return min(max(0.0, low), high)


@dataclass(frozen=True)
class Stage:
    """One effect with its settings as the chain file gives them, defaults left out."""

    effect_name: str
    settings: Mapping[str, Value]
    intended: bool = False

    @property
    def effect(self) -> Effect:
        """The built-in effect this stage runs."""
        return effect(self.effect_name)

    @property
    def name(self) -> str:
        """The effect's name."""
        return self.effect_name

    @property
    def about(self) -> str:
        """What the effect does."""
        return self.effect.about

    @property
    def keeps_time(self) -> bool:
        """False where the output as a whole can be later than the input."""
        return self.effect.keeps_time

    @property
    def sides_alike(self) -> bool:
        """Whether equal channels give equal output channels."""
        return self.effect.sides_alike

    @property
    def odd(self) -> bool:
        """Whether the negated input gives the negated output."""
        return self.effect.odd

    def reach(self, sample_rate_hz: int, settings: Mapping[str, Setting]) -> Reach | None:
        """How far around a frame its output depends on the input; None: not bounded."""
        return self.effect.reach(sample_rate_hz, settings)

    def untouched_dbfs(self, settings: Mapping[str, Setting]) -> float:
        """True peak up to which a signal passes bit for bit; minus infinity: none."""
        return self.effect.untouched_dbfs(settings)

    @property
    def identity(self) -> list[str]:
        """What it is, whatever the settings."""
        return [self.effect_name]

    def completed(self, levels: Mapping[str, float] | None = None) -> dict[str, Setting]:
        """All settings with defaults, relative levels and note values replaced.

        Parameters
        ----------
        levels : resolved value in dB of each relative level; without it a value inside the
            parameter's range stands in, enough for checks that do not depend on level, and for
            note values without a tempo too.

        Raises
        ------
        ChainFileError
            A setting out of range, missing or unknown; with levels, a note value without a tempo.
        """
        given: dict[str, Setting] = {}
        ranges = {p.name: p for p in self.effect.parameters}
        for key, value in self.settings.items():
            if isinstance(value, NoteValue) and value.time_ms is not None:
                given[key] = value.time_ms
            elif isinstance(value, NoteValue) and levels is not None:
                raise ChainFileError(
                    f'{self.effect_name}: "{key}" is {value} of a whole note, but no tempo is '
                    "known; state it (tempo_bpm in song.toml), or a time in ms"
                )
            elif isinstance(value, LevelExpression) and levels is not None:
                given[key] = levels[key]
            elif isinstance(value, LevelExpression | NoteValue):
                given[key] = _inside(ranges[key])
            else:
                given[key] = value
        return complete_settings(self.effect, given)

    def at_tempo(self, tempo_bpm: float | None) -> "Stage":
        """The stage with its note values at a song's tempo."""
        settings = {
            key: replace(value, tempo_bpm=tempo_bpm) if isinstance(value, NoteValue) else value
            for key, value in self.settings.items()
        }
        return replace(self, settings=settings)

    def written(self) -> dict[str, Setting]:
        """Settings as a chain file writes them."""
        return {key: format_value(self._kinds[key], v) for key, v in self.settings.items()}

    def rendered(self, settings: Mapping[str, Setting]) -> dict[str, Setting]:
        """Completed settings as a chain file writes them."""
        return {key: format_value(self._kinds[key], value) for key, value in settings.items()}

    def unit(self, key: str) -> str:
        """Unit of a parameter."""
        return self._kinds[key].value

    @property
    def _kinds(self) -> dict[str, Kind]:
        return {p.name: p.kind for p in self.effect.parameters}

    def table(self) -> dict[str, object]:
        """The stage as a chain file's table."""
        return {"effect": self.effect_name, "intended": self.intended, **self.written()}

    def sheet(self) -> list[tuple[str, object, bool, str]]:
        """Key, value, whether it is a default, and purpose of every parameter."""
        written = self.written()
        return [
            (p.name, written.get(p.name, _default_text(p)), p.name not in written, p.about)
            for p in self.effect.parameters
        ]

    def thresholds_dbfs(self, settings: Mapping[str, Setting]) -> list[float]:
        """Settings that are absolute levels."""
        return [float(settings[key]) for key, kind in self._kinds.items() if kind is Kind.LEVEL]

    def tail_frames(self, sample_rate_hz: int) -> int:
        """Frames the output outlasts the input."""
        return self.effect.tail_frames(sample_rate_hz, self.completed())

    def check_at_rate(self, sample_rate_hz: int) -> None:
        """Refuse settings that cannot work at a sample rate.

        Raises
        ------
        ChainFileError
            Naming the setting.
        """
        self.effect.check_at_rate(sample_rate_hz, self.completed())

    def process(
        self,
        samples: Samples,
        sample_rate_hz: int,
        settings: Mapping[str, Setting],
        alignment: Alignment | None,
    ) -> tuple[Samples, None]:
        """Output aligned with the input, tail included; nothing to tell of how it came about."""
        return self.effect.process(samples, sample_rate_hz, settings), None


def _default_text(parameter: Parameter) -> Setting | None:
    """A parameter's default as a chain file writes it."""
    if parameter.default is None:
        return None
    return format_value(parameter.kind, parameter.default)


AnyStage = Stage | PluginStage


@dataclass(frozen=True)
class Chain:
    """Ordered stages; no stages at all is the bypass.

    Searched settings stand at the gentle end of their ranges until `driven` sets them; `origin`
    is then the name of the chain that was searched. `gain_db` is an output gain kept from another
    render; without one the output is matched to the input's loudness.
    """

    name: str
    scope: str
    about: str
    stages: tuple[AnyStage, ...]
    searches: tuple[SearchRange, ...] = ()
    origin: str | None = None
    gain_db: float | None = None

    def driven(self, drives_db: Sequence[float]) -> "Chain":
        """The chain with every searched setting so many dB from the gentle end."""
        stages, labels = list(self.stages), []
        for search, drive_db in zip(self.searches, drives_db, strict=True):
            stage = stages[search.stage]
            settings = {**stage.settings, search.key: search.value(drive_db)}
            stages[search.stage] = replace(stage, settings=settings)
            labels.append(f"{search.key} {stages[search.stage].written()[search.key]}")
        name = f"{self.name}, {', '.join(labels)}"
        return replace(self, name=name, stages=tuple(stages), searches=(), origin=self.name)

    def stage_tables(self) -> list[dict[str, object]]:
        """The stages as a chain file's tables, searched settings with both ends."""
        tables = [stage.table() for stage in self.stages]
        for search in self.searches:
            table = tables[search.stage]
            settings = table.get("params", table)
            settings[search.key] = search.written()  # type: ignore[index]
        return tables

    def tail_frames(self, sample_rate_hz: int) -> int:
        """Frames the output outlasts the input, summed over stages."""
        return sum(stage.tail_frames(sample_rate_hz) for stage in self.stages)

    def at_tempo(self, tempo_bpm: float | None) -> "Chain":
        """The chain with its note values at a song's tempo; it still writes them as note values."""
        return replace(self, stages=tuple(stage.at_tempo(tempo_bpm) for stage in self.stages))

    def check_at_rate(self, sample_rate_hz: int) -> None:
        """Refuse settings that cannot work at the song's sample rate.

        Raises
        ------
        ChainFileError
            Naming chain, stage and setting.
        """
        for number, stage in enumerate(self.stages, start=1):
            try:
                stage.check_at_rate(sample_rate_hz)
            except ChainFileError as error:
                raise ChainFileError(f'chain "{self.name}": stage {number}: {error}') from error

    @property
    def split(self) -> int:
        """Number of leading stages whose output is the distortion's reference (`intended`)."""
        wanted = [i + 1 for i, stage in enumerate(self.stages) if stage.intended]
        return max(wanted, default=0)


BYPASS_NAME = "bypass"


def bypass(scope: str) -> Chain:
    """The chain that does nothing, a candidate in every comparison."""
    return Chain(BYPASS_NAME, scope, "Nothing at all: the dry reference itself.", ())
