"""Reading a TOML file into a typed model, with every problem named by file, line and key."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from os import PathLike, fspath
from pathlib import Path
from typing import Any, ClassVar, Generic, TypeVar

from pydantic import PrivateAttr, ValidationError
from pydantic_core import ErrorDetails

from benchrig.errors import FileProblem, FileProblems, UsageError
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

T = TypeVar("T")


@dataclass(frozen=True)
class _Place:
    """Where a model was read. All places are equal: what a file says does not depend on them."""

    name: str = field(default="", compare=False)
    lines: Mapping[KeyPath, int] = field(default_factory=dict, compare=False)


class TomlFile(FileModel):
    """The top of a TOML file."""

    FORMAT: ClassVar[str]

    _place: _Place = PrivateAttr(default=_Place())

    @staticmethod
    def references(raw: dict[str, Any]) -> Iterator[tuple[KeyPath, str]]:
        """Problems between tables, found on the raw data: a name counts as defined even where
        it is not a valid one. `raw` may hold anything that TOML can."""
        yield from ()

    def conflicts(self) -> Iterator[tuple[KeyPath, str]]:
        """What only shows in the whole, and is looked for where no part of it is wrong."""
        yield from ()

    def problem(self, path: KeyPath, message: str) -> FileProblem:
        """What is wrong at `path`, found out after reading: together with another file, say."""
        place = self._place
        line = next((place.lines[at] for at in _upwards(path) if at in place.lines), None)
        return FileProblem(place.name or self.FORMAT, line, spell(path), message)

    def referred(self, path: KeyPath, load: Callable[[], T]) -> T:
        """What the file named at `path` holds. Raises `FileProblems`; for one that cannot be read
        at all they name the place where it is referred to."""
        try:
            return load()
        except FileProblems as found:
            problems = (
                self.problem(path, f"names {each.file}, which {each.message}")
                if each.line is None and not each.key
                else each
                for each in found.problems
            )
            raise FileProblems(tuple(problems)) from None


def _upwards(path: KeyPath) -> Iterator[KeyPath]:
    return (path[:length] for length in range(len(path), -1, -1))


Model = TypeVar("Model", bound=TomlFile)


def read_toml(path: Path, model: type[Model]) -> Model:
    """The file as a `model`. Raises `FileProblems` with everything that is wrong in it."""
    name = str(path)
    try:
        data = path.read_bytes()
        # Some editors put a byte-order mark in front, which TOML does not know.
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        message = f"is not UTF-8 text (byte {error.start}); save it with the encoding UTF-8"
        raise FileProblems([FileProblem(name, line, "", message)]) from None
    except (OSError, ValueError) as error:
        raise unreadable(path, error) from None
    return parse_toml(text, name, model)


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
                    value._place = _Place(self._name, self._lines)
                    return value
        raise FileProblems(sorted(self._problems.values(), key=lambda problem: problem.line or 0))

    def _tell(self, path: KeyPath, message: str) -> None:
        line = next(self._lines[at] for at in _upwards(path) if at in self._lines)
        problem = FileProblem(self._name, line, spell(path), message)
        self._problems.setdefault((path, message), problem)

    def _tell_all(self, found: Iterator[tuple[KeyPath, str]]) -> None:
        for path, message in found:
            self._tell(path, message)

    def _is_of_another_format(self) -> bool:
        """Whether the rest is not worth reading: another kind of file. Of another version or a
        garbled one, what it was meant to be is plain from the call."""
        given, expected = self._raw.get("format", self._model.FORMAT), self._model.FORMAT
        if given == expected:
            return False
        self._raw["format"] = UNKNOWN
        found = re.fullmatch(r"benchrig/(.+)/\d+", str(given))
        kind = expected.split("/")[1]
        other = found is not None and closest(found[1], [kind]) is None
        reads = f"a file of {expected!r} goes here" if other else f"benchrig reads {expected!r}"
        self._tell(("format",), f"is {shown(given)}; {reads}")
        return other

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


def as_path(given: object, what: str) -> Path:
    """`given` as the path of a file. Raises `UsageError` for what is none."""
    path = fspath(given) if isinstance(given, str | PathLike) else None
    if isinstance(path, str) and path:
        return Path(path)
    found = "an empty text" if path == "" else "nothing" if given is None else _kind(given)
    raise UsageError(f"{found} is given for the {what}; give the path of its file")


def _kind(value: object) -> str:
    return f"a value of the type {type(value).__name__}"


def unreadable(path: Path, error: Exception) -> FileProblems:
    """What to raise for a file that cannot be read: `ValueError` is what Python says of a name
    that no system takes, one with a NUL in it, say."""
    reason = getattr(error, "strerror", None) or error
    return FileProblems([FileProblem(str(path), None, "", f"cannot be read: {reason}")])


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
