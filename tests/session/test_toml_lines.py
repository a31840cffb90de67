from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.session.toml_lines import KeyPath, locate

TEXT = """\
# a remark
top = 1
a.dotted."key with = and #" = 2    # a remark

[table]
text = "# no remark [not.a.table] \\" = "
literal = 'C:\\'
many = \"\"\"
[not.a.table]
not_a_key = 1
quotes at the end\"\"\"\"\"
after = '''
x = "
''''
inline = { one = 1, "two" = { three.four = 4 } }
array = [
    1, # one
    [2, 3],

    { key = "]}", other = [4,
      5] },
]

[table.sub]
date = 2026-01-02T03:04:05Z

[[rows]]
name = "first"
[[rows.cells]]
value = 1
[[rows.cells]]
value = 2

[[rows]]
name = "second"
[rows.more]
x = true
[[rows.cells]]
value = 3

["quoted \\u00b5\\"".'li"teral']
end = 0x10
"""


@pytest.mark.parametrize(
    ("path", "line"),
    [
        ((), 1),
        (("top",), 2),
        (("a",), 3),
        (("a", "dotted", "key with = and #"), 3),
        (("table",), 5),
        (("table", "text"), 6),
        (("table", "literal"), 7),
        (("table", "many"), 8),
        (("table", "after"), 12),
        (("table", "inline"), 15),
        (("table", "inline", "two", "three", "four"), 15),
        (("table", "array"), 16),
        (("table", "array", 0), 17),
        (("table", "array", 1), 18),
        (("table", "array", 1, 1), 18),
        (("table", "array", 2), 20),
        (("table", "array", 2, "other"), 20),
        (("table", "array", 2, "other", 1), 21),
        (("table", "sub"), 24),
        (("table", "sub", "date"), 25),
        (("rows",), 27),
        (("rows", 0), 27),
        (("rows", 0, "cells", 1), 31),
        (("rows", 0, "cells", 1, "value"), 32),
        (("rows", 1), 34),
        (("rows", 1, "more", "x"), 37),
        (("rows", 1, "cells", 0, "value"), 39),
        (('quoted µ"', 'li"teral', "end"), 42),
    ],
)
def test_each_key_is_found_on_its_line(path: KeyPath, line: int) -> None:
    assert locate(TEXT)[path] == line
    assert locate(TEXT.replace("\n", "\r\n"))[path] == line


def test_nothing_is_found_that_is_not_there() -> None:
    assert set(locate(TEXT)) == set(paths(tomllib.loads(TEXT)))


def test_a_table_gets_its_own_line_though_its_children_come_first() -> None:
    assert locate("[a.b]\nx = 1\n\n[a]\ny = 2\n")[("a",)] == 4


def paths(value: Any, path: KeyPath = ()) -> Iterator[KeyPath]:
    """Every path that leads to something in a parsed text."""
    yield path
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from paths(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from paths(inner, (*path, index))


# What follows writes TOML and keeps the line of every key by itself.

LEAVES = (
    st.integers(-99, 99).map(str)
    | st.booleans().map(lambda truth: str(truth).lower())
    | st.sampled_from(["1.5e-3", "nan", "2026-01-02", "07:32:00", "0xBEEF", "2026-01-02 03:04:05"])
    | st.sampled_from(['""', "''", '"a # [b] = \\" \\\\"', "'\\'", '"],}"', "'''a\n[b]\nc = 1'''"])
    | st.sampled_from(
        ['"""\n"""', '"""a\\\n  b"""', '"""x""\\""""', '"""two more"""""', "''''a''''"]
    )
)
BARE = st.text("abcXYZ019_-", min_size=1, max_size=4)
KEYS = (
    BARE.map(lambda key: (key, key))
    | st.text("ab .#=]'µ", max_size=4).map(lambda key: (f'"{key}"', key))
    | st.text('ab .#=]"\\', max_size=4).map(lambda key: (f"'{key}'", key))
    | st.sampled_from([(r'"\u00e9\""', 'é"'), (r'"\\t\t"', "\\t\t")])
)
BLANKS = st.sampled_from(["", " ", "\t"])
GAPS = st.sampled_from(["", "\n", " # a remark, [with] = { all\n", "\n\n  "])


class Writer:
    """Draws a text piece by piece and notes on which line it put what."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.text = ""
        self.lines: dict[KeyPath, int] = {}

    def note(self, path: KeyPath) -> None:
        self.lines[path] = self.text.count("\n") + 1

    def keys(self, at_most: int) -> list[tuple[str, str]]:
        return self.draw(st.lists(KEYS, max_size=at_most, unique_by=lambda key: key[1]))

    def pairs(self, path: KeyPath, at_most: int = 3) -> None:
        for written, key in self.keys(at_most):
            self.pair((*path, key), written, depth=2)
            self.text += self.draw(BLANKS) + self.draw(st.sampled_from(["\n", "# x = 1\n", "\n\n"]))

    def pair(self, path: KeyPath, written: str, depth: int) -> None:
        self.text += self.draw(BLANKS)
        self.note(path)
        self.text += written
        if self.draw(st.booleans()):
            dotted, key = self.draw(KEYS)
            path = (*path, key)
            self.note(path)
            self.text += self.draw(BLANKS) + "." + self.draw(BLANKS) + dotted
        self.text += self.draw(BLANKS) + "=" + self.draw(BLANKS)
        self.value(path, depth)

    def value(self, path: KeyPath, depth: int) -> None:
        kind = self.draw(st.sampled_from(["leaf", "leaf", "array", "inline"])) if depth else "leaf"
        if kind == "leaf":
            self.text += self.draw(LEAVES)
        elif kind == "array":
            self.array(path, depth - 1)
        else:
            self.inline(path, depth - 1)

    def array(self, path: KeyPath, depth: int) -> None:
        self.text += "["
        size = self.draw(st.integers(0, 3))
        for index in range(size):
            self.text += self.draw(GAPS)
            self.note((*path, index))
            self.value((*path, index), depth)
            self.text += self.draw(GAPS)
            if index < size - 1 or self.draw(st.booleans()):
                self.text += ","
        self.text += self.draw(GAPS) + "]"

    def inline(self, path: KeyPath, depth: int) -> None:
        self.text += "{"
        for index, (written, key) in enumerate(self.keys(2)):
            self.text += "," if index else ""
            self.pair((*path, key), written, depth)
            self.text += self.draw(BLANKS)
        self.text += "}"

    def section(self, written: str, path: KeyPath) -> None:
        """A table, or several tables of an array, with tables in them."""
        if self.draw(st.booleans()):
            for index in range(self.draw(st.integers(1, 3))):
                if index == 0:
                    self.note(path)
                self.table(f"[[{written}]]", written, (*path, index))
        else:
            self.table(f"[{written}]", written, path)

    def table(self, header: str, written: str, path: KeyPath) -> None:
        self.note(path)
        self.text += f"{header}{self.draw(BLANKS)}\n"
        self.pairs(path)
        if len(path) < 3 and self.draw(st.booleans()):
            # Keys of three letters and more, so that none meets one of the pairs.
            self.section(f"{written} . inner", (*path, "inner"))


@st.composite
def documents(draw: st.DrawFn) -> tuple[str, dict[KeyPath, int]]:
    writer = Writer(draw)
    writer.note(())
    writer.pairs(())
    for name in draw(st.lists(st.sampled_from(["tables", "others", "thirds"]), unique=True)):
        writer.section(name, (name,))
    return writer.text, writer.lines


@settings(deadline=None)
@given(documents())
def test_what_was_written_is_found_where_it_was_written(
    document: tuple[str, dict[KeyPath, int]],
) -> None:
    text, lines = document
    assert set(paths(tomllib.loads(text))) == set(lines), "the text does not hold what was drawn"
    assert locate(text) == lines


@settings(deadline=None)
@given(st.text() | st.text("ab1.=[]{}\"'#,\\\n\r \t", max_size=40))
def test_no_text_makes_it_raise_or_never_end(text: str) -> None:
    assert all(1 <= line <= text.count("\n") + 1 for line in locate(text).values())


@settings(deadline=None)
@given(documents(), st.data())
def test_nor_does_a_text_that_ends_too_early(
    document: tuple[str, dict[KeyPath, int]], data: st.DataObject
) -> None:
    text, _ = document
    cut = text[: data.draw(st.integers(0, len(text)))]
    for path, line in locate(cut).items():
        assert line <= cut.count("\n") + 1, path


def test_a_text_nested_without_end_is_given_up() -> None:
    assert locate("a = " + "[" * 100_000)[("a",)] == 1
