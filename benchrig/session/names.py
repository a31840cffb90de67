"""Names in the raw data of a file, which may hold anything that TOML can, and what is wrong with
them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from benchrig.session.toml_lines import KeyPath
from benchrig.session.wording import closest, spell


def tables_in(value: Any) -> list[dict[str, Any]]:
    """The tables of an array; an empty one for each entry that is none."""
    entries = value if isinstance(value, list) else []
    return [entry if isinstance(entry, dict) else {} for entry in entries]


def names_in(value: Any) -> list[str]:
    """The names of the tables of an array; an empty text for each without one."""
    names = [entry.get("name") for entry in tables_in(value)]
    return [name if isinstance(name, str) else "" for name in names]


def undefined(what: str, name: str, known: Sequence[str]) -> str:
    """That a name is used and not defined, and which was meant."""
    known = sorted({each for each in known if each})
    close = closest(name, known)
    listed = "defined: " + (", ".join(known) or "none")
    hint = listed if close is None else f"did you mean {close!r}?"
    return f"{what} {name!r} is not defined; {hint}"


def repeated(table: str, names: Sequence[str]) -> Iterator[tuple[KeyPath, str]]:
    for index, name in enumerate(names):
        if name and name in names[:index]:
            yield (table, index, "name"), f"{name!r} is used twice; names must differ"


def derived_names(raw: dict[str, Any], states: set[str]) -> Iterator[tuple[KeyPath, str]]:
    """Rows of a result are told apart by their names, whatever tables they come from."""
    used: dict[str, str] = {}
    for table in ("differences", "ratios", "charges", "sweeps"):
        for index, name in enumerate(names_in(raw.get(table))):
            path = (table, index)
            if name in states:
                yield (*path, "name"), f"{name!r} is the name of a state; choose another"
            elif name in used:
                message = f"{name!r} is used twice, by {used[name]} as well; names must differ"
                yield (*path, "name"), message
            if name:
                used.setdefault(name, spell(path))


def same_twice(of: Any) -> str | None:
    """What is wrong with a pair of names that are the same."""
    if isinstance(of, list) and len(of) == 2 and isinstance(of[0], str) and of[0] == of[1]:
        return f"names {of[0]!r} twice; name two different states"
    return None
