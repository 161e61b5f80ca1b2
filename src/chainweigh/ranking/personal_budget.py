"""A listener's own budget: what a drive ladder measured just below where they first heard it."""

from dataclasses import replace
from pathlib import Path

import msgspec

from chainweigh.errors import RunFolderError
from chainweigh.ranking.settings import Budget

KIND = "drive ladder"


class MarkedRung(msgspec.Struct, frozen=True):
    """One rung as the page saves it."""

    drive_db: float
    disturbed_pct: float | None
    disturbed_onsets_pct: float | None


class MarkedLadder(msgspec.Struct, frozen=True):
    """A ladder with the listener's mark; without one they heard nothing up to the top."""

    kind: str
    rungs: tuple[MarkedRung, ...]
    first_heard_drive_db: float | None


def load_personal_budget(path: Path, budget: Budget) -> Budget:
    """A budget whose limits of audibility are those of the last rung that was not heard.

    Notes
    -----
    Where the lowest rung was heard already, nothing may be disturbed at all. A limit that this
    rung has no number for stays as it is.

    Raises
    ------
    RunFolderError
        The file cannot be read, is no saved ladder, or marks a drive that is none of its rungs.
    """
    try:
        saved = msgspec.json.decode(path.read_bytes(), type=MarkedLadder)
    except OSError as error:
        raise RunFolderError(f"{path}: cannot be read: {error.strerror}") from error
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise RunFolderError(f"{path}: not a ladder saved by a report: {error}") from error
    if saved.kind != KIND or not saved.rungs:
        raise RunFolderError(f'{path}: kind is "{saved.kind}"; a saved "{KIND}" is needed')
    unheard = _unheard(path, saved)
    if unheard is None:
        return replace(budget, disturbed_pct=0.0, disturbed_onsets_pct=0.0)
    limits = {
        name: value
        for name in ("disturbed_pct", "disturbed_onsets_pct")
        if (value := getattr(unheard, name)) is not None
    }
    return replace(budget, **limits)


def _unheard(path: Path, saved: MarkedLadder) -> MarkedRung | None:
    """The highest rung below the mark; None where the lowest was heard."""
    rungs = sorted(saved.rungs, key=lambda rung: rung.drive_db)
    mark_db = saved.first_heard_drive_db
    if mark_db is None:
        return rungs[-1]
    if mark_db not in [rung.drive_db for rung in rungs]:
        raise RunFolderError(f"{path}: first heard at {mark_db:+g} dB, which is none of its rungs")
    below = [rung for rung in rungs if rung.drive_db < mark_db]
    return below[-1] if below else None
