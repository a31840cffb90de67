"""Plain aligned tables, wrapped at the width of the screen and never cut."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import zip_longest

from rich.console import Console, RenderableType
from rich.padding import Padding

from benchrig.cli.layout import column_widths, grid
from benchrig.cli.say import put
from benchrig.cli.wording import Pen

WIDEST = 10_000


class Page:
    """Prints lines and tables, all of it through a `Pen`. In a file or a pipe a line stays one
    line, however long; where nobody reads any more, the exit status stays what it is."""

    def __init__(self) -> None:
        self._console = Console(highlight=False)
        self._pen = Pen(self._console.encoding)

    def line(self, words: str = "", style: str = "") -> None:
        self._print(self._pen(words, style), soft_wrap=not self._console.is_terminal)

    def table(
        self, heads: Sequence[str], rows: Sequence[Sequence[str]], notes: Sequence[str] = ()
    ) -> None:
        """A table with an empty line before it; below a row its note, if it has one."""
        self.line()
        lines = [[self._pen(word, "bold") for word in heads]]
        lines += [[self._pen(word) for word in row] for row in rows]
        widths = column_widths(lines, self._console.width)
        for line, note in zip_longest(lines, ["", *notes], fillvalue=""):
            row = grid(widths)
            row.add_row(*line)
            self._print(row)
            if note:
                self._print(Padding(self._pen(note), (0, 0, 0, 4)))

    def fits(self, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> bool:
        """Whether no cell of a table has to be wrapped."""
        lines = [[self._pen(word) for word in row] for row in (heads, *rows)]
        room = self._console.width
        return column_widths(lines, room) == column_widths(lines, WIDEST)

    def _print(self, what: RenderableType, *, soft_wrap: bool = False) -> None:
        with self._console.capture() as shown:
            self._console.print(what, soft_wrap=soft_wrap)
        put(shown.get())
