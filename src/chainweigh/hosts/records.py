"""What is known of a plug-in and what became of its parameters; all of it travels as JSON."""

import math
from dataclasses import dataclass

Requested = float | str | bool

SWITCH = "switch"  # off or on
SCALED = "scaled"  # the plain number is not the one displayed
RATE_SCALED = "rate-scaled"  # bounds are multiples of the sample rate
BYPASS = "bypass"
READ_ONLY = "read-only"
HIDDEN = "hidden"
POINTS = "points"  # only certain values, between which lie others it does not take
PRESET = "preset"  # loads several values, which the others then change

PEDALBOARD = "vst3 by pedalboard"  # an engine


@dataclass(frozen=True)
class PluginParameter:
    """One parameter of a plug-in.

    Attributes
    ----------
    id : the plug-in's own number for it
    unit : unit of the number displayed, "" where none is known
    minimum, maximum, default : plain values; None where the plug-in gives none
    steps : number of steps from minimum to maximum; None where continuous
    choices : texts of minimum, minimum + 1 and so on
    flags : of `switch`, `scaled`, `rate-scaled`, `points`, `bypass`, `read-only`, `hidden`,
        `preset`
    """

    id: int
    name: str
    unit: str = ""
    minimum: float | None = None
    maximum: float | None = None
    default: float | None = None
    steps: int | None = None
    choices: tuple[str, ...] = ()
    flags: tuple[str, ...] = ()

    @property
    def start(self) -> float:
        """The default; without one the bound nearest to zero, or zero."""
        if self.default is not None:
            return self.default
        low = -math.inf if self.minimum is None else self.minimum
        high = math.inf if self.maximum is None else self.maximum
        return min(max(0.0, low), high)

    @property
    def settable(self) -> bool:
        """Whether a chain file may set it."""
        return not {READ_ONLY, HIDDEN} & set(self.flags)


@dataclass(frozen=True)
class PluginRecord:
    """One plug-in of a file. `n_inputs` and `n_outputs` count channels of its main audio ports.

    `refusal` says why it cannot be a stage, for example because it is an instrument. `engine` is
    what runs it where that is not our own host of the format.
    """

    format: str
    id: str
    name: str
    vendor: str
    version: str
    n_inputs: int
    n_outputs: int
    parameters: tuple[PluginParameter, ...] = ()
    notes: tuple[str, ...] = ()
    refusal: str | None = None
    engine: str = ""

    @property
    def host(self) -> str:
        """Name of what runs it, as workers know it."""
        return self.engine or self.format


@dataclass(frozen=True)
class ParameterValue:
    """A parameter as asked for, as the plug-in then held it, and as it displays that."""

    id: int
    name: str
    requested: Requested
    actual: float
    displayed: str


@dataclass(frozen=True)
class Settled:
    """A plug-in with its parameters set, before any audio. `tail_frames` None: it does not say."""

    values: tuple[ParameterValue, ...]
    latency_frames: int
    tail_frames: int | None


@dataclass(frozen=True)
class RenderJob:
    """What one render asks of a worker; audio lies in the shared memory.

    Attributes
    ----------
    preset : file or, of LV2, URI of what is loaded before the parameters are set
    restarted : play the signal once before, then deactivate and activate the instance
    from_state : set a second instance from the state the first one saves, and play that
    """

    plugin_id: str
    sample_rate_hz: int
    requested: dict[int, Requested]
    n_channels: int
    n_frames: int
    tail_frames: int
    find_impulse: bool
    block_frames: int
    preset: str | None = None
    restarted: bool = False
    from_state: bool = False


@dataclass(frozen=True)
class RenderReply:
    """What a worker says of a render.

    The output, latency and tail included, follows the input in the shared memory.
    `latency_frames` is the latency reported before the audio, `last_latency_frames` that after it.
    `impulse_frames` is where the peak of an impulse's response lies; None if not looked for or
    silent.
    """

    values: tuple[ParameterValue, ...]
    n_output_frames: int
    latency_frames: int
    last_latency_frames: int
    impulse_frames: int | None
    notes: tuple[str, ...]
    mode_changed: bool


def audio_refusal(n_inputs: int, n_outputs: int) -> str | None:
    """Why a plug-in with so many channels cannot be a stage of a stereo chain."""
    if n_outputs == 0:
        return "it has no audio output"
    if n_inputs == 0:
        return "it has no audio input: an instrument or generator, not an effect"
    if (n_inputs, n_outputs) not in ((1, 1), (2, 2)):
        return f"it has {n_inputs} inputs and {n_outputs} outputs; 1 and 1 or 2 and 2 are needed"
    return None
