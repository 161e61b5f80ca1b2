"""The protocol every plug-in format follows: a library, its plug-ins, and their instances' states.

A library is opened from a file, describes its plug-ins and creates instances. An instance goes

    created -> active -> created -> destroyed

Parameters are set and read while it is created; audio is processed while it is active.
"""

from abc import ABC, abstractmethod
from collections.abc import Mapping
from enum import Enum
from pathlib import Path

from chainweigh.audio.array import Samples
from chainweigh.errors import PluginError
from chainweigh.hosts.records import PluginParameter, PluginRecord


class State(Enum):
    """Where an instance is in its life."""

    CREATED = "created"
    ACTIVE = "active"
    DESTROYED = "destroyed"


class Instance(ABC):
    """One running copy of a plug-in. Public methods keep the order of states, formats fill in."""

    def __init__(self, record: PluginRecord, sample_rate_hz: int) -> None:
        self.record = record
        self.sample_rate_hz = sample_rate_hz
        self.state = State.CREATED

    def _require(self, *states: State) -> None:
        if self.state not in states:
            wanted = " or ".join(state.value for state in states)
            raise RuntimeError(f"{self.record.id} is {self.state.value}; must be {wanted}")

    def set_values(self, plain: Mapping[int, float]) -> None:
        """Set parameters, id -> plain value."""
        self._require(State.CREATED)
        self._set_values(plain)

    def activate(self, block_frames: int) -> None:
        """Get ready for blocks of that length."""
        self._require(State.CREATED)
        self._activate(block_frames)
        self.state = State.ACTIVE

    def process(self, block: Samples) -> Samples:
        """Output of one block; input and output have shape (n_channels, block_frames)."""
        self._require(State.ACTIVE)
        return self._process(block)

    def latency_frames(self) -> int:
        """Latency as the plug-in reports it now, while active; negative where that is no number."""
        self._require(State.ACTIVE)
        return self._latency_frames()

    def tail_frames(self) -> int | None:
        """Tail as the plug-in reports it now, while active; None where it does not."""
        self._require(State.ACTIVE)
        return self._tail_frames()

    def deactivate(self) -> None:
        """Stop processing."""
        self._require(State.ACTIVE)
        self._deactivate()
        self.state = State.CREATED

    def destroy(self) -> None:
        """Free it, from any state."""
        if self.state is State.ACTIVE:
            self.deactivate()
        if self.state is State.CREATED:
            self.state = State.DESTROYED
            self._destroy()

    def load_preset(self, preset: str) -> None:
        """Load a preset's file or, where the format has them, URI.

        Raises
        ------
        PluginError
            It is none, or one of another plug-in; the format or the plug-in knows none.
        """
        self._require(State.CREATED)
        self._load_preset(preset)

    def saved_state(self) -> bytes:
        """All it keeps, as it writes it.

        Raises
        ------
        PluginError
            The format or the plug-in keeps no state.
        """
        self._require(State.CREATED)
        return self._saved_state()

    def restore_state(self, state: bytes) -> None:
        """Bring it to a state it has written.

        Raises
        ------
        PluginError
            It does not take it.
        """
        self._require(State.CREATED)
        self._restore_state(state)

    def notes(self) -> tuple[str, ...]:
        """What is worth knowing of how it ran."""
        return ()

    def parameters(self) -> tuple[PluginParameter, ...]:
        """Its parameters, bounds at this sample rate."""
        return self.record.parameters

    @abstractmethod
    def plain_of_text(self, parameter: PluginParameter, text: str) -> float | None:
        """Plain value of a display text; None where the plug-in does not know it."""

    @abstractmethod
    def actual(self, parameter: PluginParameter) -> float:
        """Plain value the plug-in holds."""

    @abstractmethod
    def displayed(self, parameter: PluginParameter, plain: float) -> str:
        """Text the plug-in shows for a plain value."""

    @abstractmethod
    def _set_values(self, plain: Mapping[int, float]) -> None: ...

    def _load_preset(self, preset: str) -> None:
        raise PluginError(f"{self.record.format.upper()} plug-ins load no presets")

    def _saved_state(self) -> bytes:
        raise PluginError(f"{self.record.format.upper()} plug-ins keep no state that can be read")

    def _restore_state(self, state: bytes) -> None:
        raise PluginError(f"{self.record.format.upper()} plug-ins keep no state that can be set")

    @abstractmethod
    def _activate(self, block_frames: int) -> None: ...

    @abstractmethod
    def _process(self, block: Samples) -> Samples: ...

    @abstractmethod
    def _latency_frames(self) -> int: ...

    @abstractmethod
    def _tail_frames(self) -> int | None: ...

    @abstractmethod
    def _deactivate(self) -> None: ...

    @abstractmethod
    def _destroy(self) -> None: ...


class Library(ABC):
    """An opened plug-in file. Opening runs code of the file: workers do it, nobody else."""

    path: Path
    records: tuple[PluginRecord, ...]

    @abstractmethod
    def create(self, plugin_id: str, sample_rate_hz: int) -> Instance:
        """A new instance.

        Raises
        ------
        PluginError
            No such plug-in in the file, or it refuses to be created.
        """

    def record(self, plugin_id: str) -> PluginRecord:
        """The record of one plug-in of the file."""
        return next(record for record in self.records if record.id == plugin_id)


def restarted(n_times: int) -> tuple[str, ...]:
    """The note on a plug-in that asked to be restarted while it was active."""
    if not n_times:
        return ()
    return (f"asked to be restarted {'once' if n_times == 1 else f'{n_times} times'}",)
