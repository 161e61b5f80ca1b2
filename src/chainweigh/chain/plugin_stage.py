"""A stage that is a user's plug-in, with its parameters as the chain file writes them."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from math import inf

from chainweigh.audio.array import Samples
from chainweigh.chain.values import LEVEL_NAMES, LevelExpression, Value, parse_level
from chainweigh.effects.base import Setting
from chainweigh.errors import ChainFileError, PluginError, PluginFaultError
from chainweigh.hosts.alignment import Alignment
from chainweigh.hosts.plugin import Plugin, RenderFacts, kept_tail_frames
from chainweigh.hosts.presets import PresetFile
from chainweigh.hosts.records import RATE_SCALED, PluginParameter, Requested, Settled
from chainweigh.hosts.values import allowed, known_plain, quantity


@dataclass(frozen=True)
class PluginStage:
    """One plug-in with the parameters a chain file sets, by name or `id:N`.

    The rest stays as the preset has it, at the plug-in's defaults without one.
    """

    plugin: Plugin
    settings: Mapping[str, Value]
    intended: bool = False
    preset: PresetFile | None = None
    keeps_time = True  # aligned by the host
    sides_alike = False  # nobody knows
    odd = False

    def reach(self, sample_rate_hz: int, settings: Mapping[str, Setting]) -> None:
        """Nobody knows how far its output depends on the input."""

    def untouched_dbfs(self, settings: Mapping[str, Setting]) -> float:
        """Nobody knows what passes it untouched."""
        return -inf

    @property
    def name(self) -> str:
        """FORMAT:ID."""
        return self.plugin.reference

    @property
    def about(self) -> str:
        """Name, vendor and version."""
        record = self.plugin.record
        return ", ".join(text for text in (record.name, record.vendor, record.version) if text)

    @property
    def identity(self) -> list[str]:
        """What it is, whatever the settings."""
        preset = [self.preset.digest, self.preset.choice] if self.preset else []
        return [self.name, self.plugin.record.engine, self.plugin.digest, *preset]

    def completed(self, levels: Mapping[str, float] | None = None) -> dict[str, Setting]:
        """The settings with relative levels replaced.

        Parameters
        ----------
        levels : resolved value in dB of each relative level; without it they are left out
        """
        given: dict[str, Setting] = {}
        for key, value in self.settings.items():
            if not isinstance(value, LevelExpression):
                given[key] = _setting(value)
            elif levels is not None:
                given[key] = f"{levels[key]:.2f} {self.unit(key)}"
        return given

    def at_tempo(self, tempo_bpm: float | None) -> "PluginStage":
        """The stage itself: plug-ins take no note values."""
        return self

    def written(self) -> dict[str, Setting]:
        """Settings as a chain file writes them."""
        return {key: _setting(value) for key, value in self.settings.items()}

    def rendered(self, settings: Mapping[str, Setting]) -> dict[str, Setting]:
        """Completed settings as a chain file writes them."""
        return dict(settings)

    def unit(self, key: str) -> str:
        """Unit of a parameter, as the plug-in says."""
        return self.plugin.parameter(key).unit

    def table(self) -> dict[str, object]:
        """The stage as a chain file's table."""
        preset = {"preset": self.preset.written} if self.preset else {}
        return {
            "plugin": self.name,
            "intended": self.intended,
            **preset,
            "params": self.written(),
        }

    def sheet(self) -> list[tuple[str, object, bool, str]]:
        """Key, value, whether it is a default, and purpose of what the chain file sets."""
        return [
            (key, value, False, f"allowed: {allowed(self.plugin.parameter(key))}")
            for key, value in self.written().items()
        ]

    def thresholds_dbfs(self, settings: Mapping[str, Setting]) -> list[float]:
        """None known: a plug-in does not say which parameter is a threshold."""
        return []

    def tail_frames(self, sample_rate_hz: int) -> int:
        """The tail the plug-in reports with these settings, at most 30 s; 1 s if it reports none.

        A plug-in that cannot even be asked gets none: it fails when it is rendered.
        """
        settled = self._settled(sample_rate_hz)
        if not isinstance(settled, Settled):
            return 0
        return kept_tail_frames(settled, sample_rate_hz)

    def check_at_rate(self, sample_rate_hz: int) -> None:
        """Set the parameters on an instance at that rate and read them back.

        A crash or hang is left to the render, whose candidate it fails.

        Raises
        ------
        ChainFileError
            A value the plug-in cannot hold, or a rate it refuses.
        """
        settled = self._settled(sample_rate_hz)
        if isinstance(settled, PluginError):
            raise ChainFileError(f"{self.name}: {settled}") from settled

    def process(
        self,
        samples: Samples,
        sample_rate_hz: int,
        settings: Mapping[str, Setting],
        alignment: Alignment | None,
    ) -> tuple[Samples, RenderFacts]:
        """Output aligned with the input, tail included, and how it came about."""
        return self.plugin.render(
            samples,
            dict(self._requested(settings)),
            sample_rate_hz=sample_rate_hz,
            tail_frames=self.tail_frames(sample_rate_hz),
            alignment=alignment,
            preset=self.preset.source if self.preset else None,
        )

    def _settled(self, sample_rate_hz: int) -> Settled | PluginError | PluginFaultError:
        requested = self._requested(self.completed())
        return _settled(self.plugin, self.preset, requested, sample_rate_hz)

    def _requested(self, settings: Mapping[str, Setting]) -> tuple[tuple[int, Requested], ...]:
        if self.plugin.fault is not None:
            return ()
        return tuple((self.plugin.parameter(key).id, value) for key, value in settings.items())


@lru_cache(maxsize=256)
def _settled(
    plugin: Plugin,
    preset: PresetFile | None,
    requested: tuple[tuple[int, Requested], ...],
    sample_rate_hz: int,
) -> Settled | PluginError | PluginFaultError:
    """What a plug-in makes of its settings, asked once; or how it failed."""
    try:
        source = preset.source if preset else None
        return plugin.settle(dict(requested), sample_rate_hz, source)
    except (PluginError, PluginFaultError) as error:
        return error


def _setting(value: Value) -> Setting:
    return value if isinstance(value, bool | int | float | str) else str(value)


def parse_plugin_value(plugin: Plugin, key: str, value: object) -> Value:
    """One value of `params`: a number, a switch, a choice, a display text or a level expression.

    Raises
    ------
    ChainFileError
        An unknown or ambiguous parameter, or a value it plainly cannot hold.
    """
    if not isinstance(value, bool | int | float | str):
        raise ChainFileError(f"{value!r} is not a number, true, false or text")
    if plugin.fault is not None:
        return value
    try:
        parameter = plugin.parameter(key)
        if isinstance(value, str) and _is_level(parameter, value):
            return parse_level(value)
        if RATE_SCALED not in parameter.flags:
            known_plain(parameter, value)
    except PluginError as error:
        raise ChainFileError(str(error)) from error
    return value


def _is_level(parameter: PluginParameter, text: str) -> bool:
    """Whether a text is a level expression; a choice of that name comes first.

    Raises
    ------
    PluginError
        It is one, but the parameter is not in dB; or no choice, where there are choices.
    """
    said = text.strip().casefold()
    if said in (choice.casefold() for choice in parameter.choices):
        return False
    if said.split("+")[0].split("-")[0].strip() in LEVEL_NAMES:
        if parameter.unit.casefold() not in ("db", "dbfs"):
            unit = f'is in "{parameter.unit}"' if parameter.unit else "has no known unit"
            raise PluginError(f'parameter "{parameter.name}" {unit}; only dB takes a level')
        return True
    if parameter.choices and quantity(text) is None:
        raise PluginError(
            f'parameter "{parameter.name}" has no choice "{text}"; allowed: {allowed(parameter)}'
        )
    return False
