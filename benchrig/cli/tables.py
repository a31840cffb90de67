"""Plain aligned tables, wrapped at the width of the screen and never cut."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console

from benchrig.cli.layout import column_widths, grid
from benchrig.cli.wording import Pen


class Page:
    """Prints lines and tables, all of it through a `Pen`."""

    def __init__(self) -> None:
        self._console = Console(highlight=False)
        self._pen = Pen(self._console.encoding)

    def line(self, words: str = "", style: str = "") -> None:
        self._console.print(self._pen(words, style))

    def table(self, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        """A table with an empty line before it."""
        self.line()
        lines = [[self._pen(word, "bold") for word in heads]]
        lines += [[self._pen(word) for word in row] for row in rows]
        table = grid(column_widths(lines, self._console.width))
        for line in lines:
            table.add_row(*line)
        self._console.print(table)
