"""The range of a searched setting: how far a stage may be driven, and the value at each drive."""

from dataclasses import dataclass, replace

from chainweigh.chain.values import LevelExpression, Value, format_value
from chainweigh.effects.base import Kind, Setting
from chainweigh.errors import ChainFileError
from chainweigh.hosts.values import quantity

STEP_DB = 0.01
SHORTEST_DB = 0.1


@dataclass(frozen=True)
class SearchRange:
    """One searched setting: drive 0 dB is the gentle end `start`, `reach_db` the deep end `stop`.

    `stage` counts from 0; `unit` is that of the two ends, `level` the level they are relative to.
    `turned` where the programme showed that the deep end stood first, and they were exchanged.
    """

    stage: int
    key: str
    start: Value
    stop: Value
    unit: str
    turned: bool = False

    @property
    def level(self) -> str | None:
        """Name of the level both ends are relative to; None where they are absolute."""
        return self.start.name if isinstance(self.start, LevelExpression) else None

    @property
    def reach_db(self) -> float:
        """Distance of the ends."""
        return round(abs(_number(self.stop) - _number(self.start)), 2)

    def setting_db(self, drive_db: float) -> float:
        """The setting as a number, of a relative level its offset, rounded to 0.01 dB."""
        start, stop = _number(self.start), _number(self.stop)
        return round(start + (drive_db if stop > start else -drive_db), 2)

    def value(self, drive_db: float) -> Value:
        """The setting as the stage takes it."""
        number = self.setting_db(drive_db)
        if isinstance(self.start, LevelExpression):
            return LevelExpression(self.start.name, number)
        return f"{number:g} {self.unit}" if isinstance(self.start, str) else number

    def turned_round(self) -> "SearchRange":
        """The range with its ends exchanged."""
        return replace(self, start=self.stop, stop=self.start, turned=not self.turned)

    def written(self) -> dict[str, list[Setting]]:
        """The setting as a chain file writes it."""
        return {"search": [format_value(_KINDS[self.unit], e) for e in (self.start, self.stop)]}

    def __str__(self) -> str:
        """Both ends."""
        return " to ".join(map(str, self.written()["search"]))


_KINDS = {"dB": Kind.GAIN, "dBFS": Kind.LEVEL}


def _number(value: Value) -> float:
    if isinstance(value, LevelExpression):
        return value.offset_db
    if isinstance(value, str):
        found = quantity(value)
        return found[0] if found else 0.0
    return float(value)  # type: ignore[arg-type]


def moved(value: Value, by_db: float) -> Value:
    """A level or gain so many dB higher, to 0.01 dB, written as it was.

    Raises
    ------
    ChainFileError
        A value that is no number.
    """
    if isinstance(value, LevelExpression):
        return LevelExpression(value.name, round(value.offset_db + by_db, 2))
    if isinstance(value, str):
        found = quantity(value)
        if found is None:
            raise ChainFileError(f'"{value}" is not a number of dB')
        return f"{round(found[0] + by_db, 2):g} {found[1]}".rstrip()
    return round(float(value) + by_db, 2)  # type: ignore[arg-type]


def search_range(stage: int, key: str, unit: str, start: Value, stop: Value) -> SearchRange:
    """The range between two values of a parameter in dB.

    Parameters
    ----------
    unit : of the parameter

    Raises
    ------
    ChainFileError
        A parameter that is not in dB, ends relative to different levels, or no way between them.
    """
    units = {known.casefold(): known for known in _KINDS}
    if unit.casefold() not in units:
        raise ChainFileError("only a setting in dB can be searched; state a value or a sweep")
    ends = {type(end) for end in (start, stop)}
    names = {end.name for end in (start, stop) if isinstance(end, LevelExpression)}
    if len(names) > 1 or len(ends) > 1:
        raise ChainFileError("both ends of a search must be relative to the same level, or neither")
    found = SearchRange(stage, key, start, stop, units[unit.casefold()])
    if found.reach_db < SHORTEST_DB:
        raise ChainFileError(
            f"a search from {found} has {found.reach_db:g} dB to go; it needs {SHORTEST_DB:g} dB"
        )
    return found
