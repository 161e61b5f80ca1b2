"""results.json: written strictly, read with its schema checked."""

import dataclasses
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from chainweigh.audio.atomic import write_text
from chainweigh.errors import RunFolderError
from chainweigh.ranking.results import SCHEMA, Results
from chainweigh.report.strict_json import strict_json

FILE_NAME = "results.json"


class _Head(msgspec.Struct):
    """The part of the file that says how to read the rest."""

    schema: str


def write_results(results: Results, path: Path) -> None:
    """Write results as strict JSON: fields in the order of the data model, indented by 2.

    Raises
    ------
    RunFolderError
        A number is not finite (named by its path), or the file cannot be written.
    """
    write_text(path, results_text(results))


def results_text(results: Results) -> str:
    """The text of results.json, newline at the end.

    Raises
    ------
    RunFolderError
        A number is not finite; JSON has no such number and None with a reason says more.
    """
    return strict_json(results, "results") + "\n"


def load_results(run_folder: Path) -> Results:
    """The results of a run's folder.

    A newer minor version of the schema is read; what this version does not know is left out, and
    a note of the results says so.

    Raises
    ------
    RunFolderError
        No such folder or file, not JSON, another major version, or not the schema (with the path
        of the value that does not fit).
    """
    if not run_folder.is_dir():
        raise RunFolderError(f"{run_folder}: no such folder; a run's folder holds {FILE_NAME}")
    file = run_folder / FILE_NAME
    try:
        data = file.read_bytes()
    except FileNotFoundError as error:
        raise RunFolderError(f"{run_folder}: not a run's folder: no {FILE_NAME} in it") from error
    except OSError as error:
        raise RunFolderError(f"{file}: cannot be read: {error.strerror}") from error
    written = _decode(data, _Head, file).schema
    newer = _is_newer_minor(written, file)
    results = _decode(data, Results, file)
    return _with_note(results, file.name) if newer else results


_T = TypeVar("_T")


def _decode(data: bytes, kind: type[_T], file: Path) -> _T:
    try:
        return msgspec.json.decode(data, type=kind)
    except msgspec.ValidationError as error:
        raise RunFolderError(f"{file}: does not follow the schema: {error}") from error
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise RunFolderError(f"{file}: not JSON: {error}") from error


def _version(schema: str, file: Path) -> tuple[int, int]:
    major, dot, minor = schema.partition(".")
    if not (dot and major.isascii() and major.isdigit() and minor.isascii() and minor.isdigit()):
        raise RunFolderError(f'{file}: schema "{schema}" is not a version such as "{SCHEMA}"')
    return int(major), int(minor)


def _is_newer_minor(written: str, file: Path) -> bool:
    major, minor = _version(written, file)
    own_major, own_minor = _version(SCHEMA, file)
    if major != own_major:
        raise RunFolderError(
            f"{file}: written by schema {written}; this version reads {own_major}.x"
        )
    return minor > own_minor


def _with_note(results: Results, file_name: str) -> Results:
    note = (
        f"{file_name} was written by schema {results.schema}; this version knows {SCHEMA} and "
        "leaves out what came later."
    )
    if note in results.notes:
        return results
    return dataclasses.replace(results, notes=(*results.notes, note))


def results_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of results.json, made from the data model."""
    schema = msgspec.json.schema(Results)
    schema["$defs"]["Results"]["properties"]["schema"]["pattern"] = (
        rf"^{SCHEMA.partition('.')[0]}\.[0-9]+$"
    )
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
