"""What VST 3 and all that pedalboard loads share: instances by normalised values."""

from abc import abstractmethod
from collections.abc import Mapping
from pathlib import Path

from chainweigh.errors import PluginError
from chainweigh.hosts.lifecycle import Instance
from chainweigh.hosts.normalised import Controller, Parameters
from chainweigh.hosts.records import PRESET, PluginParameter, PluginRecord


class NormalisedInstance(Instance):
    """An instance whose parameters a controller holds."""

    def __init__(self, record: PluginRecord, sample_rate_hz: int, controller: Controller) -> None:
        super().__init__(record, sample_rate_hz)
        self._parameters = Parameters(controller)

    def plain_of_text(self, parameter: PluginParameter, text: str) -> float | None:
        """The plug-in's own reading; may claim to know junk: the caller compares."""
        return self._parameters.plain_of_text(parameter, text)

    def actual(self, parameter: PluginParameter) -> float:
        """Plain value in the plug-in's own resolution."""
        return self._parameters.held(parameter)

    def displayed(self, parameter: PluginParameter, plain: float) -> str:
        """The choice, or the plug-in's own text."""
        return self._parameters.displayed(parameter, plain)

    def _set_values(self, plain: Mapping[int, float]) -> None:
        asked = [p for p in self.record.parameters if p.id in plain]
        for is_preset in (True, False):  # what a preset loads the others then change
            batch = [p for p in asked if (PRESET in p.flags) == is_preset]
            if batch:
                self._send({p.id: self._parameters.normalised(p, plain[p.id]) for p in batch})

    def _send(self, normalised: Mapping[int, float]) -> None:
        """Set normalised values."""
        for key, value in normalised.items():
            self._parameters.set(key, value)

    def _load_preset(self, preset: str) -> None:
        try:
            content = Path(preset).read_bytes()
        except OSError as error:
            raise PluginError(f"{preset}: cannot be read ({error.strerror})") from error
        self._take_content(content, Path(preset).name)

    def _restore_state(self, state: bytes) -> None:
        self._take_content(state, "the state")

    @abstractmethod
    def _take_content(self, content: bytes, name: str) -> None:
        """Load a preset or state of this plug-in; `name` names it where it is refused."""
