"""JSON text without the numbers that JSON does not have."""

import dataclasses
import math
from typing import Any

import msgspec

from chainweigh.errors import RunFolderError


def strict_json(value: Any, what: str) -> str:
    """A record as JSON: fields in the order of the data model, indented by 2.

    Parameters
    ----------
    value : dataclasses, mappings, sequences and what JSON holds
    what : its name, for the message

    Raises
    ------
    RunFolderError
        A number is not finite (named by its path); None with a reason says more.
    """
    _check_finite(value, what)
    return msgspec.json.format(msgspec.json.encode(value), indent=2).decode()


def _check_finite(value: Any, where: str) -> None:
    if isinstance(value, float):
        if not math.isfinite(value):
            raise RunFolderError(
                f"{where} is {value}: not written; a value that is not defined is None "
                "with its reason under `undefined`"
            )
    elif dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            _check_finite(getattr(value, field.name), f"{where}.{field.name}")
    elif isinstance(value, dict):
        for key, item in value.items():
            _check_finite(item, f"{where}[{key!r}]")
    elif isinstance(value, (tuple, list)):
        for index, item in enumerate(value):
            _check_finite(item, f"{where}[{index}]")
