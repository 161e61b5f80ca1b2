"""Intake checks: what makes stems unusable, found before anything is rendered."""

from collections import Counter
from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np

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


def level_of_difference_db(reference: Samples, candidate: Samples) -> float | None:
    """RMS of candidate - reference in dB re the RMS of the reference.

    Returns
    -------
    float or None
        None when the two are equal to the last bit, or the reference is all zeros.
    """
    difference = np.subtract(candidate, reference, dtype=np.float64).ravel()
    energy = float(np.einsum("cn,cn->", reference, reference, dtype=np.float64))
    lost = float(difference @ difference)
    return to_db(float(np.sqrt(lost / energy))) if lost > 0 and energy > 0 else None


def _peak(samples: Samples) -> float:
    return float(max(samples.max(), -samples.min()))
