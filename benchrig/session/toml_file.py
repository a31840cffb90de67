"""Reading a TOML file into a typed model, with every problem named by file, line and key."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, ClassVar, Generic, TypeVar

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from benchrig.errors import FileProblem, FileProblems
from benchrig.session.fields import CHECKS_LATER, UNKNOWN, FileModel
from benchrig.session.toml_lines import KeyPath, locate
from benchrig.session.wording import (
    closest,
    key_unknown,
    known_keys,
    not_toml,
    shown,
    spell,
    value_wrong,
)


class TomlFile(FileModel):
    """The top of a TOML file."""

    FORMAT: ClassVar[str]

    @staticmethod
    def references(raw: dict[str, Any]) -> Iterator[tuple[KeyPath, str]]:
        """Problems between tables, found on the raw data: a name counts as defined even where
        it is not a valid one. `raw` may hold anything that TOML can."""
        yield from ()

    def conflicts(self) -> Iterator[tuple[KeyPath, str]]:
        """Problems that can be looked for only once every single value is valid."""
        yield from ()


Model = TypeVar("Model", bound=TomlFile)


def read_toml(path: Path, model: type[Model]) -> Model:
    """The file as a `model`. Raises `FileProblems` with everything that is wrong in it."""
    name = str(path)
    try:
        data = path.read_bytes()
        # Some editors put a byte-order mark in front, which TOML does not know.
        text = data.decode("utf-8-sig")
    except OSError as error:
        problem = FileProblem(name, None, "", f"cannot be read: {error.strerror or error}")
        raise FileProblems([problem]) from None
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        message = f"is not UTF-8 text (byte {error.start}); save it with the encoding UTF-8"
        raise FileProblems([FileProblem(name, line, "", message)]) from None
    return parse_toml(text, name, model)


def located(path: Path, found: Iterable[tuple[KeyPath, str]]) -> FileProblems:
    """Problems that came to light after the file at `path` was read, each with its line."""
    lines = locate(path.read_text(encoding="utf-8-sig"))
    problems = []
    for key, message in found:
        at = key
        while at not in lines:
            at = at[:-1]
        problems.append(FileProblem(str(path), lines[at], spell(key), message))
    return FileProblems(problems)


def parse_toml(text: str, name: str, model: type[Model]) -> Model:
    """Like `read_toml`, for a text that is already here; `name` is used in messages."""
    try:
        raw, lines = tomllib.loads(text), locate(text)
    except RecursionError:
        raise FileProblems([FileProblem(name, None, "", "is nested too deeply")]) from None
    except ValueError as error:  # also an integer with more digits than Python converts
        raise FileProblems([_syntax_problem(str(error), text, name)]) from None
    return _Reading(raw, lines, name, model).result()


def _syntax_problem(error: str, text: str, name: str) -> FileProblem:
    found = re.search(r" \(at line (\d+), column \d+\)| \(at end of document\)", error)
    rows = text.rstrip().split("\n")
    row = int(found[1]) if found and found[1] else len(rows)
    line = rows[row - 1] if row <= len(rows) else ""
    reason = error if found is None else error[: found.start()]
    keys = [path for path in locate(line) if path]
    return FileProblem(name, row, spell(keys[-1]) if keys else "", not_toml(reason, line))


class _Reading(Generic[Model]):
    """One pass from the raw data to the model, collecting problems.

    What is wrong is told and then mended in `raw` (a misspelt key is respelt, a wrong value
    becomes `UNKNOWN`), so that it hides nothing of what else is wrong.
    """

    def __init__(
        self, raw: dict[str, Any], lines: dict[KeyPath, int], name: str, model: type[Model]
    ) -> None:
        self._raw, self._lines, self._name, self._model = raw, lines, name, model
        self._problems: dict[tuple[KeyPath, str], FileProblem] = {}

    def result(self) -> Model:
        if not self._is_of_another_format():
            self._respell_keys()
            self._tell_all(self._model.references(self._raw))
            value = self._validated()
            if value is not None:
                self._tell_all(_checked(value, ()))
                if not self._problems:
                    self._tell_all(value.conflicts())
                if not self._problems:
                    return value
        raise FileProblems(sorted(self._problems.values(), key=lambda problem: problem.line or 0))

    def _tell(self, path: KeyPath, message: str) -> None:
        at: KeyPath = path
        while at not in self._lines:
            at = at[:-1]
        problem = FileProblem(self._name, self._lines[at], spell(path), message)
        self._problems.setdefault((path, message), problem)

    def _tell_all(self, found: Iterator[tuple[KeyPath, str]]) -> None:
        for path, message in found:
            self._tell(path, message)

    def _is_of_another_format(self) -> bool:
        """Whether the rest is not worth reading: another kind of file, or another version."""
        given, expected = self._raw.get("format", self._model.FORMAT), self._model.FORMAT
        if given == expected:
            return False
        message = f"is {shown(given)}; this version of benchrig reads {expected!r}"
        self._tell(("format",), message)
        self._raw["format"] = UNKNOWN
        _, expected_kind, expected_version = expected.split("/")
        found = re.fullmatch(r"benchrig/(.+)/(\d+)", str(given))
        if found is None:
            return False  # garbled; what it was meant to be is plain from the call
        return found[2] != expected_version or closest(found[1], [expected_kind]) is None

    def _respell_keys(self) -> None:
        while unknown := [each for each in self._tried()[1] if each["type"] == "extra_forbidden"]:
            for entry in unknown:
                *parent, key = path = entry["loc"]
                close = closest(str(key), known_keys(self._model, tuple(parent)))
                self._tell(path, key_unknown(path, self._model, close))
                table = self._at(tuple(parent))
                value = table.pop(key)
                if close is not None and close not in table:
                    table[close] = value
                    self._move_lines(path, (*parent, close))
                elif close is not None and isinstance(value, list):
                    self._append(value, path, table[close], (*parent, close))

    def _append(self, more: list[Any], old: KeyPath, entries: Any, new: KeyPath) -> None:
        """Add the tables of an array that is misspelt in some places only."""
        for index, entry in enumerate(more if isinstance(entries, list) else []):
            self._move_lines((*old, index), (*new, len(entries)))
            entries.append(entry)

    def _move_lines(self, old: KeyPath, new: KeyPath) -> None:
        for path, line in list(self._lines.items()):
            if path[: len(old)] == old:
                self._lines[(*new, *path[len(old) :])] = line

    def _validated(self) -> Model | None:
        """The model with `UNKNOWN` in place of all that is wrong; None if it is beyond that."""
        while True:
            value, errors = self._tried()
            if value is not None:
                return value
            paths = [_path(entry) for entry in errors]
            for entry, path in zip(errors, paths, strict=True):
                # An array with wrong entries counts as too short as well.
                hollow = entry["type"] == "too_short" and any(
                    other[: len(path)] == path and other != path for other in paths
                )
                if hollow:
                    continue
                if not _is_about_unknown(entry):
                    self._tell(path, value_wrong(entry, self._model, path))
                if not self._give_up(path):
                    return None

    def _tried(self) -> tuple[Model | None, list[ErrorDetails]]:
        try:
            return self._model.model_validate(self._raw, context=CHECKS_LATER), []
        except ValidationError as error:
            return None, error.errors(include_url=False)

    def _give_up(self, path: KeyPath) -> bool:
        """Make the value at `path` unknown, or what it stands in, if it is unknown already."""
        while path:
            table, key = self._at(path[:-1]), path[-1]
            if table is UNKNOWN:  # given up for another complaint
                return True
            missing = isinstance(table, dict) and key not in table
            if missing or table[key] is not UNKNOWN:
                table[key] = UNKNOWN
                return True
            path = path[:-1]
        return False

    def _at(self, path: KeyPath) -> Any:
        at: Any = self._raw
        for key in path:
            at = at if at is UNKNOWN else at[key]
        return at


def _path(entry: ErrorDetails) -> KeyPath:
    return tuple(part for part in entry["loc"] if part != "[key]")


def _is_about_unknown(entry: ErrorDetails) -> bool:
    """Whether a complaint rests on a value that was told to be wrong before."""
    value = entry["input"]
    of_table = entry["type"] == "value_error" and isinstance(value, dict)
    return value is UNKNOWN or (of_table and any(each is UNKNOWN for each in value.values()))


def _checked(value: Any, path: KeyPath) -> Iterator[tuple[KeyPath, str]]:
    """What the `checks` of all tables find."""
    if value is UNKNOWN:
        return
    if isinstance(value, FileModel):
        for where, message in value.checks():
            yield (*path, *where), message
        for key in type(value).model_fields:
            yield from _checked(getattr(value, key), (*path, key))
    elif isinstance(value, tuple):
        for index, entry in enumerate(value):
            yield from _checked(entry, (*path, index))
