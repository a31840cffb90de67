"""Files with mistakes in them, and the messages that they must bring.

A mistake is marked by a comment on its own line: ``#! key: a part of the message``.
"""

from __future__ import annotations

import pytest

from benchrig.errors import FileProblems
from benchrig.session.toml_file import TomlFile, parse_toml

NAME = "file.toml"


def problems(text: str, model: type[TomlFile]) -> list[tuple[int | None, str, str]]:
    """Line, key and message of all that is told about a text."""
    with pytest.raises(FileProblems) as caught:
        parse_toml(text, NAME, model)
    assert all(problem.file == NAME for problem in caught.value.problems)
    return [(each.line, each.key, each.message) for each in caught.value.problems]


def only_problem(text: str, model: type[TomlFile]) -> tuple[int | None, str, str]:
    (problem,) = problems(text, model)
    return problem


def check_marked(text: str, model: type[TomlFile]) -> None:
    """Exactly one message for each mark, with its line and key, and none besides."""
    told = problems(text, model)
    marked = [
        (line, *mark.strip().split(": ", 1))
        for line, row in enumerate(text.split("\n"), start=1)
        for mark in row.split("#!")[1:]
    ]
    places = sorted((line, key) for line, key, _ in marked)
    assert sorted((line, key) for line, key, _ in told) == places, "\n".join(map(str, told))
    for line, key, part in marked:
        messages = [message for *place, message in told if place == [line, key]]
        assert any(part in message for message in messages), (line, key, part, messages)
