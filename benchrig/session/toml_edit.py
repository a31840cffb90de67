"""Puts values into the text of a session file; comments and layout stay as they are.

Only this module knows tomlkit: everything else reads TOML with the standard library.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from benchrig.errors import FileProblem, FileProblems
from benchrig.files import write_atomically
from benchrig.session.session_file import Session
from benchrig.session.toml_file import parse_toml

Values = Mapping[str, Mapping[str, str]]
"""By table of a state (``settling``, ``ticks``), its keys and their values as in the file."""


def with_values(text: str, state: str, values: Values) -> str:
    """`text` with these values in the state's tables; those that are not there yet are added.
    Raises `KeyError` for a state that is not there."""
    import tomlkit

    document = tomlkit.parse(text)
    entry = _state(document, state)
    for table, keys in values.items():
        present = entry.get(table)
        if present is None or _is_inline(present):
            entry[table] = tomlkit.value(_inline({**(present or {}), **keys}))
        else:
            present.update(keys)
    return tomlkit.dumps(document)


def lines_with(text: str, state: str, values: Values) -> list[str]:
    """Each of the state's tables as it stands with these values, in a line to paste over what is
    there. Raises `KeyError` for a state that is not there."""
    entry = _state(tomllib.loads(text), state)
    return [
        f"{table} = {_inline({**entry.get(table, {}), **keys})}" for table, keys in values.items()
    ]


def _inline(table: Mapping[str, Any]) -> str:
    import tomlkit

    items = {key: tomlkit.item(value).as_string() for key, value in table.items()}
    return "{ " + ", ".join(f"{key} = {text}" for key, text in items.items()) + " }"


def _state(document: Any, name: str) -> Any:
    for entry in document["states"]:
        if entry.get("name") == name:
            return entry
    raise KeyError(name)


def _is_inline(table: Any) -> bool:
    from tomlkit.items import InlineTable

    return isinstance(table, InlineTable)


def write_values(path: Path, state: str, values: Values) -> None:
    """Edit a session file in place, at once or not at all. Raises `FileProblems` for a file that
    would not load afterwards, which is then left as it was, and `OSError`."""
    data = path.read_bytes()
    mark = "\ufeff" if data.startswith(b"\xef\xbb\xbf") else ""
    before = data.decode("utf-8-sig")
    after = with_values(before, state, values)
    expected = tomllib.loads(before)
    for table, keys in values.items():
        _state(expected, state).setdefault(table, {}).update(keys)
    if tomllib.loads(after) != expected:
        message = f"{state} cannot be changed without changing more; write the values by hand"
        raise FileProblems([FileProblem(str(path), None, "states", message)])
    parse_toml(after, str(path), Session)
    # A link stays a link.
    write_atomically(path.resolve(), mark + after)
