"""How each quantity reads, and what is said where it is not defined."""

import unicodedata
from collections.abc import Callable, Mapping

MINUS = "\N{MINUS SIGN}"
NO_REASON = "no reason was recorded"


def signed(value: float, decimals: int = 2) -> str:
    """A change or difference: always with its sign, except zero."""
    text = f"{value:+.{decimals}f}"
    return text[1:] if float(text) == 0 else text


def plain(value: float, decimals: int = 2) -> str:
    """A level or quantity, never a negative zero."""
    text = f"{value:.{decimals}f}"
    return text[1:] if float(text) == 0 and text.startswith("-") else text


def percent(value: float) -> str:
    """Percent with 2 decimals; what would round to zero but is not reads <0.01."""
    return "<0.01" if 0 < value < 0.005 else plain(value, 2)


_FORMATS: tuple[tuple[str, Callable[[float], str]], ...] = (
    ("loudness_gain", signed),
    ("loudness_difference", signed),
    ("score", signed),
    ("match_gain", signed),
    ("master_gain", signed),
    ("sum_of_gains", signed),
    ("mix_headroom", signed),
    ("tone_gain", signed),
    ("punch_change", signed),
    ("punch_low_change", signed),
    ("largest_change_db", signed),
    ("correlation_change", signed),
    ("side_to_middle_change", signed),
    ("fold_down_loss_change", signed),
    ("contrast_change", signed),
    ("quiet_change", signed),
    ("nmr", lambda value: plain(value, 1)),
    ("sdr", lambda value: plain(value, 1)),
)
UNITS = {
    "lufs": "LUFS",
    "lu": "LU",
    "dbtp": "dBTP",
    "dbfs": "dBFS",
    "db": "dB",
    "pct": "%",
    "hz": "Hz",
    "frames": "frames",
    "s": "s",
    "db_s": "dB s",
    "bpm": "BPM",
}


def unit(field: str) -> str:
    """The unit a field's suffix stands for, or nothing."""
    *_, before, last = ["", *field.split("_")]
    return UNITS.get(f"{before}_{last}") or UNITS.get(last, "")


def number(field: str, value: float) -> str:
    """A measured value as tables show it, by the name of its field, without its unit."""
    if field.endswith("_pct"):
        return percent(value)
    if isinstance(value, int):
        return str(value)
    for start, write in _FORMATS:
        if field.startswith(start):
            return write(value)
    return plain(value)


def reason(undefined: Mapping[str, str] | None, field: str) -> str:
    """Why a field is None."""
    return (undefined or {}).get(field) or NO_REASON


def with_minus(text: str) -> str:
    """A formatted number with the typographic minus."""
    return text.replace("-", MINUS)


def clean(text: str) -> str:
    """Text without control characters, direction overrides or halves of surrogate pairs.

    Line ends and tabs stay; everything else a terminal or browser would act on becomes U+FFFD.
    """
    return "".join(_shown(character) for character in text)


def _shown(character: str) -> str:
    if character in "\n\t":
        return character
    control = unicodedata.category(character) in ("Cc", "Cs")
    steers = character in "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
    return "\N{REPLACEMENT CHARACTER}" if control or steers else character


def one_line(text: str) -> str:
    """Clean text with every run of white space as one space."""
    return " ".join(clean(text).split())


class Notes:
    """Reasons collected while a table is written, numbered in order, each once."""

    def __init__(self, prefix: str = "") -> None:
        self.prefix = prefix
        self.reasons: list[str] = []

    def mark(self, text: str) -> int:
        """The number of this reason, from 1."""
        if text not in self.reasons:
            self.reasons.append(text)
        return self.reasons.index(text) + 1
