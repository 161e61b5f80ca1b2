"""Intake checks: what makes stems unusable, found before anything is rendered."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from chainweigh.audio.array import Samples, from_db, to_db
from chainweigh.audio.files import AudioHeader
from chainweigh.audio.slug import slug
from chainweigh.errors import SongError

MASTER_NAME = "master"
SILENCE_DBFS = -120.0


def check_group_names(folder: Path, names: Iterable[str]) -> None:
    """Refuse an empty or reserved name, and names that would share a file name.

    Raises
    ------
    SongError
        Naming the group or both groups.
    """
    owners: dict[str, str] = {}
    for name in names:
        if not name.strip():
            raise SongError(f"{folder}: a group has no name; give it one")
        if slug(name) == MASTER_NAME:
            raise SongError(
                f'{folder}: group "{name}": the name {MASTER_NAME} is reserved for the whole mix; '
                "rename the group (or, for a bounce of the mix, name it as mix in song.toml)"
            )
        other = owners.setdefault(slug(name), name)
        if other != name:
            raise SongError(
                f'{folder}: groups "{other}" and "{name}" would both be written as "{slug(name)}"; '
                "names must differ in letters or digits"
            )


def check_file_names(folder: Path, names: Iterable[str]) -> None:
    """Refuse names that are not UTF-8: results and reports could not spell them.

    Raises
    ------
    SongError
        Showing the bytes that stand out.
    """
    for name in names:
        try:
            name.encode()
        except UnicodeEncodeError:
            shown = name.encode("utf-8", "backslashreplace").decode()
            raise SongError(f"{folder}: the name {shown} is not UTF-8; rename the file") from None


def check_one_rate(folder: Path, headers: Mapping[str, AudioHeader]) -> int:
    """The sample rate in Hz that all files share.

    Raises
    ------
    SongError
        Naming a file that strays and one that keeps to the commonest rate.
    """
    counts = Counter(header.sample_rate_hz for header in headers.values())
    common_hz, n_common = counts.most_common(1)[0]
    stray = next((n for n, h in headers.items() if h.sample_rate_hz != common_hz), None)
    if stray is None:
        return common_hz
    typical = next(n for n, h in headers.items() if h.sample_rate_hz == common_hz)
    others = f" and {n_common - 1} more" if n_common > 1 else ""
    raise SongError(
        f"{folder}: {stray} is at {headers[stray].sample_rate_hz} Hz, {typical}{others} at "
        f"{common_hz} Hz; a song has one sample rate: bounce {stray} again at {common_hz} Hz, "
        f"or convert with --resample {common_hz}"
    )


def is_silent(samples: Samples) -> bool:
    """True when no sample is above -120 dBFS."""
    return _peak(samples) <= from_db(SILENCE_DBFS)


def check_audible(folder: Path, group: str, samples: Samples) -> None:
    """Refuse a silent group.

    Raises
    ------
    SongError
        Naming the group and its peak.
    """
    if not is_silent(samples):
        return
    peak = _peak(samples)
    level = f"its peak is {to_db(peak):.1f} dBFS" if peak > 0 else "every sample is zero"
    raise SongError(
        f'{folder}: group "{group}" is silent: {level}; above {SILENCE_DBFS:g} dBFS is needed, '
        "so bounce it again or take it out"
    )


@dataclass(frozen=True)
class BounceDifference:
    """How far a mix lies from its bounce, in dB re the RMS of the bounce.

    `at_best_gain_db` is the difference that is left once the bounce is turned up by
    `best_gain_db`, re the bounce so turned up; minus infinity where nothing is left, None where no
    positive gain helps.
    """

    difference_db: float
    best_gain_db: float | None
    at_best_gain_db: float | None


def compare_with_bounce(bounce: Samples, mix: Samples) -> BounceDifference | None:
    """Level of mix - bounce as it stands, and with the gain that makes it least.

    Returns
    -------
    BounceDifference or None
        None when the two are equal to the last bit. The bounce must not be silent.
    """
    if np.array_equal(bounce, mix):
        return None
    b, m = bounce.astype(np.float64).ravel(), mix.astype(np.float64).ravel()
    energy, shared = float(b @ b), float(b @ m)
    difference_db = _level_re(m - b, energy)
    if shared <= 0:
        return BounceDifference(difference_db, None, None)
    gain = shared / energy
    return BounceDifference(difference_db, to_db(gain), _level_re(m - gain * b, gain**2 * energy))


def _level_re(difference: NDArray[np.float64], energy: float) -> float:
    return to_db(float(np.sqrt(difference @ difference / energy)))


def _peak(samples: Samples) -> float:
    return float(max(samples.max(), -samples.min()))
