"""What a page shows, before it is written as HTML, as Markdown or on a terminal."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing

Kind = Literal["text", "number", "verdict", "note"]
SIGNS = {"pass": "✓", "fail": "✗", "undecided": "?", "fault": "!"}
"""Beside the word of a verdict, so that colour is never the only sign."""


@dataclass(frozen=True)
class Text:
    """A paragraph. A `warning` says that a figure is not as sound as it looks; a `caution` that
    something is dangerous."""

    words: str
    kind: Literal["plain", "strong", "warning", "caution"] = "plain"


@dataclass(frozen=True)
class Facts:
    """Names with their values."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Column:
    """A `note` has its own line where there is little room; what is `aside` is left out there."""

    name: str
    kind: Kind = "text"
    aside: bool = False


@dataclass(frozen=True)
class Table:
    """The first column names its row. A cell of a verdict is that word alone."""

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Plot:
    """`name`: for a file, unique in its section; `words` say what is to be seen to someone who
    sees nothing. It is drawn when somebody needs it."""

    name: str
    title: str
    words: str
    draw: Callable[[], Drawing]


@dataclass(frozen=True)
class Plots:
    """Small ones that stand side by side where there is room; `legend` says how to read them."""

    each: tuple[Plot, ...]
    legend: str


@dataclass(frozen=True)
class Section:
    title: str
    blocks: tuple[Block, ...]
    verdict: str | None = None
    name: str = ""
    """For files of its plots."""

    @property
    def has_words(self) -> bool:
        """Whether there is anything for whoever shows no plots."""
        return any(
            block.has_words if isinstance(block, Section) else not isinstance(block, Plot | Plots)
            for block in self.blocks
        )


@dataclass(frozen=True)
class Document:
    title: str
    verdict: str
    lead: tuple[Block, ...]
    sections: tuple[Section, ...]


Block = Text | Facts | Table | Plot | Plots | Section


def number(name: str, *, aside: bool = False) -> Column:
    return Column(name, "number", aside)


VERDICT = Column("verdict", "verdict")
REMARKS = Column("remarks", "note")


def columns(*names: str | Column) -> tuple[Column, ...]:
    """A bare name is one of text."""
    return tuple(Column(name) if isinstance(name, str) else name for name in names)
