"""What the battery found of a plug-in, its verdict, and where that is kept: by file digest."""

from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import msgspec

from chainweigh.audio.atomic import write_bytes
from chainweigh.hosts.records import Requested

KEPT_AS = "qualified-2.json"  # the number goes up when the battery finds other things

SOUND, CARE, FAULT, NOT_TESTED = "sound", "care", "fault", "not tested"
SAFE, WITH_CARE, UNTRUSTED = "safe to rank", "usable with care", "do not trust"


@dataclass(frozen=True)
class Finding:
    """One line of the battery: what was looked at, how it stands, what was found.

    `grade` is `sound`, `care` where the user should know, `fault` where the numbers of a ranking
    could be wrong, or `not tested`.
    """

    check: str
    grade: str
    text: str


@dataclass(frozen=True)
class Qualification:
    """All findings of one plug-in with the settings it was tested with, the rest at default."""

    reference: str
    name: str
    digest: str
    settings: dict[str, Requested]
    findings: tuple[Finding, ...]

    @property
    def verdict(self) -> str:
        """`safe to rank`, `usable with care` or `do not trust`."""
        grades = {finding.grade for finding in self.findings}
        return UNTRUSTED if FAULT in grades else WITH_CARE if CARE in grades else SAFE

    @property
    def reasons(self) -> tuple[str, ...]:
        """What keeps it from the verdict above: the faults, or what wants care."""
        worst = FAULT if self.verdict == UNTRUSTED else CARE
        return tuple(finding.text for finding in self.findings if finding.grade == worst)

    @property
    def summary(self) -> str:
        """Verdict and reasons in a sentence."""
        return f"{self.verdict}: {'; '.join(self.reasons)}" if self.reasons else self.verdict


class Qualifications:
    """Every qualification with default settings, kept in a folder; one of a changed file is none.

    Parameters
    ----------
    folder : made when first written to
    """

    def __init__(self, folder: Path) -> None:
        self._kept = folder / KEPT_AS
        self._known = _read(self._kept)

    @classmethod
    def at_default_place(cls) -> "Qualifications":
        """In $XDG_CACHE_HOME/chainweigh or the platform's place."""
        from platformdirs import user_cache_path

        return cls(user_cache_path("chainweigh", appauthor=False))

    def find(self, reference: str, digest: str) -> Qualification | None:
        """That of a plug-in, FORMAT:ID, in a file of that digest; None where it was not tested."""
        return self._known.get((reference, digest))

    def keep(self, qualification: Qualification) -> None:
        """Write it down; one with settings of its own is not kept."""
        if qualification.settings:
            return
        self._known[qualification.reference, qualification.digest] = qualification
        with suppress(OSError):  # a place that cannot be written keeps nothing
            self._kept.parent.mkdir(parents=True, exist_ok=True)
            write_bytes(self._kept, msgspec.json.encode(list(self._known.values())))


def _read(kept: Path) -> dict[tuple[str, str], Qualification]:
    try:
        found = msgspec.json.decode(kept.read_bytes(), type=list[Qualification])
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError):
        return {}
    return {(each.reference, each.digest): each for each in found}
