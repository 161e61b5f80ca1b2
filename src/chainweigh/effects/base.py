"""What an effect is: its parameters, and one pure function over the whole programme."""

import difflib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from enum import Enum
from math import inf, isfinite
from numbers import Real

from chainweigh.audio.array import Samples
from chainweigh.errors import ChainFileError

Setting = float | int | str | bool
Settings = Mapping[str, Setting]


PEAK_ROOM_DB = 0.01  # two ways to interpolate read true peaks this close


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


@dataclass(frozen=True)
class Reach:
    """Frames before and after a frame of input that its output depends on; stages in a row add."""

    n_before: int = 0
    n_after: int = 0

    def __add__(self, other: "Reach") -> "Reach":
        return Reach(self.n_before + other.n_before, self.n_after + other.n_after)


Process = Callable[[Samples, int, Settings], Samples]
TailFrames = Callable[[int, Settings], int]
CheckAtRate = Callable[[int, Settings], None]
ReachAtRate = Callable[[int, Settings], Reach | None]
UntouchedDbfs = Callable[[Settings], float]


def _no_tail(sample_rate_hz: int, settings: Settings) -> int:
    return 0


def _no_bound(sample_rate_hz: int, settings: Settings) -> None:
    return None


def _touches_all(settings: Settings) -> float:
    return -inf


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
    keeps_time : bool
        False where the output as a whole can be later than the input (an echo without the dry
        sound), so that a render is searched for a delay.
    odd : bool
        True when the negated input gives the negated output bit for bit, 4096 frames later as well,
        so that half a period of a test tone tells the other.
    reach : callable (sample_rate_hz, settings) -> Reach or None
        How far before and after a frame its output depends on the input; None where nothing bounds
        that, as in what remembers. Test tones need not sound where nobody listens.
    untouched_dbfs : callable (settings) -> float
        A signal whose true peak is no higher passes bit for bit and leaves nothing behind that
        lasts 2 s; minus infinity where nothing is known to. Test tones that pass are not run.
    source : str
        The published method behind it.
    notes : str
        What a user should know beyond the parameters: look-ahead, limits, what it leaves alone.
    """

    name: str
    about: str
    parameters: tuple[Parameter, ...]
    process: Process
    tail_frames: TailFrames = _no_tail
    check_at_rate: CheckAtRate = _no_check
    sides_alike: bool = True
    keeps_time: bool = True
    odd: bool = False
    reach: ReachAtRate = _no_bound
    untouched_dbfs: UntouchedDbfs = _touches_all
    source: str = ""
    notes: str = ""


def complete_settings(effect: Effect, given: Mapping[str, object]) -> dict[str, Setting]:
    """Every parameter's value: the given ones checked, the rest from the defaults.

    Parameters
    ----------
    given : parameter name -> value, numbers already in the unit of the parameter's Kind

    Raises
    ------
    ChainFileError
        Unknown or missing parameter; wrong type, not finite, out of range or not among the choices.
    """
    names = [parameter.name for parameter in effect.parameters]
    for name in given:
        if name not in names:
            raise ChainFileError(f'{effect.name}: unknown parameter "{name}"; {_near(name, names)}')
    return {p.name: _setting(effect.name, p, given) for p in effect.parameters}


def _near(name: object, names: Iterable[object]) -> str:
    texts = [str(each) for each in names]
    close = difflib.get_close_matches(str(name), texts, n=3, cutoff=0.5)
    return f"did you mean {', '.join(close)}?" if close else f"known: {', '.join(texts)}"


def _setting(effect_name: str, parameter: Parameter, given: Mapping[str, object]) -> Setting:
    where = f'{effect_name}: "{parameter.name}"'
    if parameter.name not in given:
        if parameter.default is None:
            raise ChainFileError(f"{where} must be given: {parameter.about} ({allowed(parameter)})")
        return parameter.default
    value = given[parameter.name]
    if parameter.kind is Kind.SWITCH:
        if not isinstance(value, bool):
            raise ChainFileError(f"{where} is {value!r}; true or false is needed")
        return value
    if parameter.kind is Kind.CHOICE:
        if not isinstance(value, str) or value not in parameter.choices:
            raise ChainFileError(f'{where} is "{value}"; {_near(value, parameter.choices)}')
        return value
    return _number(where, parameter, value)


def _number(where: str, parameter: Parameter, value: object) -> float | int:
    if isinstance(value, bool) or not isinstance(value, Real):
        raise ChainFileError(f"{where} is {value!r}; a number is needed, {allowed(parameter)}")
    number = float(value)
    said = f"{where} is {_with_unit(number, parameter.kind)}"
    if not isfinite(number) and number != parameter.maximum:
        raise ChainFileError(f"{said}; a finite number is needed, {allowed(parameter)}")
    if parameter.kind is Kind.COUNT and not number.is_integer():
        raise ChainFileError(f"{said}; a whole number is needed, {allowed(parameter)}")
    low, high = parameter.minimum, parameter.maximum
    outside = (low is not None and number < low) or (high is not None and number > high)
    if outside or (parameter.choices and number not in parameter.choices):
        raise ChainFileError(f"{said}; allowed: {allowed(parameter)}")
    return int(number) if parameter.kind is Kind.COUNT else number


def _with_unit(number: float, kind: Kind) -> str:
    bare = kind in (Kind.RATIO, Kind.COUNT)
    return f"{number:.10g}" if bare else f"{number:.10g} {kind.value}"


def check_below_nyquist(
    effect_name: str, parameter_name: str, sample_rate_hz: int, settings: Settings
) -> None:
    """Refuse a frequency that the sample rate cannot hold.

    Raises
    ------
    ChainFileError
        The frequency is half the sample rate or more.
    """
    frequency_hz = float(settings[parameter_name])
    if frequency_hz >= sample_rate_hz / 2:
        raise ChainFileError(
            f'{effect_name}: "{parameter_name}" is {frequency_hz:g} Hz; at {sample_rate_hz} Hz '
            f"sample rate it must be below {sample_rate_hz / 2:g} Hz"
        )


def allowed(parameter: Parameter) -> str:
    """The allowed values in words, with their unit, such as "0 to 100 %" or "12, 24 dB/oct"."""
    kind = parameter.kind
    if kind is Kind.SWITCH:
        return "true or false"
    if kind is Kind.CHOICE:
        return " or ".join(str(choice) for choice in parameter.choices)
    unit = "" if kind in (Kind.RATIO, Kind.COUNT) else f" {kind.value}"
    if parameter.choices:
        return ", ".join(f"{choice:g}" for choice in parameter.choices) + unit
    low, high = parameter.minimum, parameter.maximum
    if low is None and high is None:
        return f"any number{unit}"
    if low is None or high is None:
        return f"at most {high:g}{unit}" if low is None else f"at least {low:g}{unit}"
    return f"{low:g} to {high:g}{unit}"
