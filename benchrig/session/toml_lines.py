"""Line numbers of the keys of a TOML text.

The standard library's parser gives no positions, so this is a second pass over a text that is
already known to be valid TOML, which is why it can be so short. Of any other text it tells as
much as it understands.
"""

from __future__ import annotations

import re
import tomllib
from contextlib import suppress

KeyPath = tuple[str | int, ...]

_BLANK = re.compile(r"(?:\s|#[^\n]*)*")
_KEY_PART = re.compile(r"""\s*(?:"((?:[^"\\]|\\.)*)"|'([^']*)'|([A-Za-z0-9_-]+))\s*""")


def locate(text: str) -> dict[KeyPath, int]:
    """Line numbers, from 1, of the tables and keys of a TOML text.

    Keys inside inline tables and arrays get the line on which they stand; array entries are
    counted from 0. A table without a line of its own (``b`` in ``[a.b.c]``) gets that of the
    first that stands in it; the file itself, the empty path, line 1.
    """
    locator = _Locator(text)
    # Either ends a text that is not valid TOML, or is nested deeper than its parser goes.
    with suppress(IndexError, RecursionError):
        locator.walk()
    lines: dict[KeyPath, int] = {(): 1, **locator.lines}
    for path, line in locator.lines.items():
        for length in range(1, len(path)):
            lines.setdefault(path[:length], line)
    return lines


def _unescaped(key: re.Match[str]) -> str:
    basic, literal, bare = key.groups()
    if basic is None:
        return str(bare if literal is None else literal)
    try:
        return str(tomllib.loads(f'key = "{basic}"')["key"])
    except tomllib.TOMLDecodeError:
        return str(basic)


class _Locator:
    """Walks the text once."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._table: KeyPath = ()
        self._counts: dict[KeyPath, int] = {}
        self._line, self._counted_to = 1, 0
        self.lines: dict[KeyPath, int] = {}

    def walk(self) -> None:
        while self._skip_blank():
            if self._text.startswith("[[", self._at):
                self._at += 2
                self._table = self._in_arrays(self._keys(), last_is_array=True)
                self._note(self._table)
                self._at += 2
            elif self._text[self._at] == "[":
                self._at += 1
                self._table = self._in_arrays(self._keys(), last_is_array=False)
                self._note(self._table)
                self._at += 1
            else:
                self._pair(self._table)

    def _note(self, path: KeyPath) -> None:
        self._line += self._text.count("\n", self._counted_to, self._at)
        self._counted_to = self._at
        self.lines.setdefault(path, self._line)

    def _skip_blank(self) -> bool:
        found = _BLANK.match(self._text, self._at)
        assert found is not None
        self._at = found.end()
        return self._at < len(self._text)

    def _keys(self) -> KeyPath:
        parts: list[str] = []
        while found := _KEY_PART.match(self._text, self._at):
            self._at = found.end()
            parts.append(_unescaped(found))
            if self._text[self._at] != ".":
                break
            self._at += 1
        return tuple(parts)

    def _in_arrays(self, keys: KeyPath, last_is_array: bool) -> KeyPath:
        path: KeyPath = ()
        for position, key in enumerate(keys):
            path = (*path, key)
            if position == len(keys) - 1 and last_is_array:
                self._counts[path] = self._counts.get(path, -1) + 1
            if path in self._counts:
                path = (*path, self._counts[path])
        return path

    def _pair(self, table: KeyPath) -> None:
        path = (*table, *self._keys())
        self._note(path)
        self._at += 1  # the equals sign
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        self._skip_blank()
        text, at = self._text, self._at
        for quote in ('"""', "'''", '"', "'"):
            if text.startswith(quote, at):
                self._at = self._end_of_string(quote)
                return
        if text[at] == "[":
            self._sequence(path, "]", keyed=False)
        elif text[at] == "{":
            self._sequence(path, "}", keyed=True)
        else:
            # Past the first character in any case, so that every text comes to an end.
            self._at += 1
            while self._at < len(text) and text[self._at] not in ",]}\n#":
                self._at += 1

    def _sequence(self, path: KeyPath, end: str, keyed: bool) -> None:
        self._at += 1
        index = 0
        while self._skip_blank() and self._text[self._at] != end:
            if self._text[self._at] == ",":
                self._at += 1
            elif keyed:
                self._pair(path)
            else:
                self._note((*path, index))
                self._value((*path, index))
                index += 1
        self._at += 1

    def _end_of_string(self, quote: str) -> int:
        at = self._at + len(quote)
        while not self._text.startswith(quote, at):
            at += 2 if self._text[at] == "\\" and quote[0] == '"' else 1
        at += len(quote)
        # A multi-line string may end in up to two more quotes that belong to it.
        while len(quote) == 3 and self._text.startswith(quote[0], at):
            at += 1
        return at
