"""Plain aligned tables, wrapped at the width of the screen and never cut."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console, RenderableType

from benchrig.cli.layout import column_widths, grid
from benchrig.cli.say import put
from benchrig.cli.wording import Pen


class Page:
    """Prints lines and tables, all of it through a `Pen`. In a file or a pipe a line stays one
    line, however long; where nobody reads any more, the exit status stays what it is."""

    def __init__(self) -> None:
        self._console = Console(highlight=False)
        self._pen = Pen(self._console.encoding)

    def line(self, words: str = "", style: str = "") -> None:
        self._print(self._pen(words, style), soft_wrap=not self._console.is_terminal)

    def table(self, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        """A table with an empty line before it."""
        self.line()
        lines = [[self._pen(word, "bold") for word in heads]]
        lines += [[self._pen(word) for word in row] for row in rows]
        table = grid(column_widths(lines, self._console.width))
        for line in lines:
            table.add_row(*line)
        self._print(table)

    def _print(self, what: RenderableType, *, soft_wrap: bool = False) -> None:
        with self._console.capture() as shown:
            self._console.print(what, soft_wrap=soft_wrap)
        put(shown.get())
