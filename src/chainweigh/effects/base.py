"""What an effect is: its parameters, and one pure function over the whole programme."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import Enum

from chainweigh.audio.array import Samples

Setting = float | int | str | bool
Settings = Mapping[str, Setting]


class Kind(Enum):
    """How a parameter's value is written in a chain file, and the unit code receives it in."""

    LEVEL = "dBFS"  # an absolute level: "-6 dBFS", or a level expression
    GAIN = "dB"  # "3 dB", or a level expression
    TIME = "ms"  # "5 ms", "0.1 s"
    FREQUENCY = "Hz"  # "120 Hz", "2 kHz"
    SHARE = "%"  # "50 %"
    OCTAVES = "oct"  # "0.5 oct"
    SLOPE = "dB/oct"  # "24 dB/oct"
    RATIO = "ratio"  # bare number
    COUNT = "count"  # bare whole number
    CHOICE = "choice"  # text
    SWITCH = "switch"  # true or false


@dataclass(frozen=True)
class Parameter:
    """One parameter of an effect.

    `default` None means that the chain file must state it. `choices` lists the texts of a CHOICE
    or the only numbers allowed of a COUNT or SLOPE.
    """

    name: str
    kind: Kind
    about: str
    default: Setting | None = None
    minimum: float | None = None
    maximum: float | None = None
    choices: tuple[Setting, ...] = ()


Process = Callable[[Samples, int, Settings], Samples]
TailFrames = Callable[[int, Settings], int]
CheckAtRate = Callable[[int, Settings], None]


def _no_tail(sample_rate_hz: int, settings: Settings) -> int:
    return 0


def _no_check(sample_rate_hz: int, settings: Settings) -> None:
    return None


@dataclass(frozen=True)
class Effect:
    """A built-in effect.

    Attributes
    ----------
    process : callable (samples, sample_rate_hz, settings) -> samples
        Pure: input shape (n_channels, n_frames) is left untouched; output has the same channels
        and n_frames + tail_frames, aligned in time with the input. Settings arrive complete, in the
        units of their Kind, checked against range.
    tail_frames : callable (sample_rate_hz, settings) -> int
        Frames the output outlasts the input.
    check_at_rate : callable (sample_rate_hz, settings) -> None
        Raises ChainFileError for settings that cannot work together or at this rate.
    sides_alike : bool
        True when equal channels give equal output channels that match the mono output bit for bit,
        so test tones may run on one channel.
    source : str
        The published method behind it.
    """

    name: str
    about: str
    parameters: tuple[Parameter, ...]
    process: Process
    tail_frames: TailFrames = _no_tail
    check_at_rate: CheckAtRate = _no_check
    sides_alike: bool = True
    source: str = ""
