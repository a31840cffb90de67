"""Reading a TOML file into a typed model, with every problem named by file, line and key."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, ClassVar, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from benchrig.errors import FileProblem, FileProblems
from benchrig.session.fields import FileModel
from benchrig.session.toml_lines import KeyPath, locate


class TomlFile(FileModel):
    """The top of a TOML file. `references` yields what one field cannot see by itself."""

    FORMAT: ClassVar[str]

    @staticmethod
    def references(raw: dict[str, Any]) -> Iterator[tuple[KeyPath, str]]:
        """Problems between tables, found on the raw data so that they are told even where
        a value elsewhere is wrong. `raw` may hold anything that TOML can."""
        yield from ()

    def conflicts(self) -> Iterator[tuple[KeyPath, str]]:
        """Problems between values, found once every single one is valid."""
        yield from ()


Model = TypeVar("Model", bound=TomlFile)


def read_toml(path: Path, model: type[Model]) -> Model:
    """The file as a `model`. Raises `FileProblems` with everything that is wrong in it."""
    name = str(path)
    try:
        text = path.read_bytes().decode("utf-8")
    except OSError as error:
        problem = FileProblem(name, None, "", f"cannot be read: {error.strerror or error}")
        raise FileProblems([problem]) from None
    except UnicodeDecodeError as error:
        problem = FileProblem(name, None, "", f"is not UTF-8 text (byte {error.start})")
        raise FileProblems([problem]) from None
    return parse_toml(text, name, model)


def parse_toml(text: str, name: str, model: type[Model]) -> Model:
    """Like `read_toml`, for a text that is already here; `name` is used in messages."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = re.search(r" \(at line (\d+)", str(error))
        line = int(found[1]) if found else None
        problem = FileProblem(name, line, "", f"is not valid TOML: {error}")
        raise FileProblems([problem]) from None
    except RecursionError:
        raise FileProblems([FileProblem(name, None, "", "is nested too deeply")]) from None
    lines = locate(text)
    found_problems: dict[tuple[KeyPath, str], FileProblem] = {}

    def add(path: KeyPath, message: str) -> None:
        problem = FileProblem(name, _line_of(path, lines), _spell(path), message)
        found_problems.setdefault((path, message), problem)

    if "format" in raw and raw["format"] != model.FORMAT:
        add(("format",), f"is {raw['format']!r}; this version of benchrig reads {model.FORMAT!r}")
        raise FileProblems(list(found_problems.values()))
    for path, message in model.references(raw):
        add(path, message)
    value, errors = _validate(raw, model)
    for path, message in errors:
        add(path, message)
    if value is not None:
        for path, message in value.conflicts():
            add(path, message)
    if found_problems or value is None:
        ordered = sorted(found_problems.values(), key=lambda problem: problem.line or 0)
        raise FileProblems(ordered)
    return value


def _validate(
    raw: dict[str, Any], model: type[Model]
) -> tuple[Model | None, list[tuple[KeyPath, str]]]:
    """Validate; where something is wrong, take it out and look again, since a validator of a
    whole table runs only once its values are valid."""
    problems: list[tuple[KeyPath, str]] = []
    told: set[KeyPath] = set()
    for _ in range(4):
        try:
            return model.model_validate(raw), problems
        except ValidationError as error:
            details = error.errors(include_url=False)
        # A list whose entries are wrong counts as too short as well: one of the two is enough.
        fresh = [
            entry
            for entry in details
            if entry["loc"] not in told and not (entry["type"] == "too_short" and entry["input"])
        ]
        if not fresh:
            break
        for entry in fresh:
            told.add(entry["loc"])
            problems.append((entry["loc"], _message(entry, model)))
        raw = _without(raw, [entry["loc"] for entry in fresh if entry["type"] != "missing"])
    return None, problems


def _without(raw: dict[str, Any], paths: Iterable[KeyPath]) -> dict[str, Any]:
    def rebuild(value: Any, path: KeyPath) -> Any:
        if isinstance(value, dict):
            return {
                key: rebuild(inner, (*path, key))
                for key, inner in value.items()
                if (*path, key) not in dropped
            }
        if isinstance(value, list):
            # An entry of a list is kept even if it is wrong as a whole: the others must keep
            # their numbers, by which the messages name them.
            return [rebuild(inner, (*path, index)) for index, inner in enumerate(value)]
        return value

    dropped = set(paths)
    return dict(rebuild(raw, ()))


def _message(entry: ErrorDetails, model: type[BaseModel]) -> str:
    kind = entry["type"]
    context = entry.get("ctx", {})
    if kind == "missing":
        return "is missing"
    if kind == "extra_forbidden":
        known = _known_keys(model, entry["loc"][:-1])
        close = difflib.get_close_matches(str(entry["loc"][-1]), known, n=1)
        hint = f"did you mean {close[0]!r}?" if close else f"known here: {', '.join(known)}"
        return f"is not a known key; {hint}"
    if kind == "value_error":
        return str(context["error"])
    if kind == "literal_error":
        return f"is {entry['input']!r}; it must be {context['expected']}"
    if kind == "string_pattern_mismatch":
        return (
            f"is {entry['input']!r}; a name starts with a letter or digit and holds "
            "letters, digits, '_', '-' and '.'"
        )
    text = entry["msg"].removeprefix("Input ")
    shown = repr(entry["input"])
    return f"is {shown}; it {text}" if len(shown) < 60 else text


def _known_keys(model: type[BaseModel], path: KeyPath) -> list[str]:
    """The keys of the table at `path`, found by walking the models."""
    schema = model.model_json_schema()
    definitions = schema.get("$defs", {})

    def resolve(node: dict[str, Any]) -> dict[str, Any]:
        for option in node.get("anyOf", []):
            if option.get("type") != "null":
                node = option
                break
        if "$ref" in node:
            return resolve(definitions[node["$ref"].rpartition("/")[2]])
        return node

    node = schema
    for part in path:
        node = resolve(node)
        if isinstance(part, int):
            node = node.get("items", {})
        else:
            node = node.get("properties", {}).get(part) or node.get("additionalProperties", {})
    return sorted(resolve(node).get("properties", {}))


def _spell(path: KeyPath) -> str:
    """``states[2].limit.max``, counted from 1 as people count."""
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def _line_of(path: KeyPath, lines: dict[KeyPath, int]) -> int | None:
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return None
