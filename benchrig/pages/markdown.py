"""A document as Markdown: with tables, and without plots."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from benchrig.harmless import harmless
from benchrig.pages.document import SIGNS, Block, Document, Facts, Section, Table, Text

# All that means something to a reader of Markdown (CommonMark 0.31, 2.4: any ASCII punctuation may
# be escaped), as far as it does in the middle of a line.
_MEANT = re.compile(r"([\\`*_\[\]<>|~$&#!])")
_AT_START = re.compile(r"^(\d*)([-+=.)])(?=\s|$)")


def to_markdown(document: Document) -> str:
    lines = [f"# {escaped(document.title)}: {_verdict(document.verdict)}", ""]
    lines += _blocks(document.lead, 1)
    lines += _blocks(document.sections, 1)
    return "\n".join(lines).rstrip("\n") + "\n"


def escaped(words: str) -> str:
    """As text and nothing else, on one line."""
    return _MEANT.sub(r"\\\1", harmless(words))


def _verdict(word: str) -> str:
    return f"{SIGNS[word]} {word}"


def _blocks(blocks: Sequence[Block], level: int) -> Iterator[str]:
    for block in blocks:
        if isinstance(block, Text):
            yield from (_text(block), "")
        elif isinstance(block, Facts):
            yield from (f"- {escaped(name)}: {escaped(value)}" for name, value in block.pairs)
            yield ""
        elif isinstance(block, Table):
            yield from _table(block)
        elif isinstance(block, Section) and block.has_words:
            verdict = "" if block.verdict is None else f": {_verdict(block.verdict)}"
            yield from (f"{'#' * (level + 1)} {escaped(block.title)}{verdict}", "")
            yield from _blocks(block.blocks, level + 1)


def _text(block: Text) -> str:
    words = _AT_START.sub(r"\1\\\2", escaped(block.words))
    if block.kind == "plain":
        return words
    return f"**{words}**" if block.kind == "strong" else f"**{block.kind.capitalize()}:** {words}"


def _table(table: Table) -> Iterator[str]:
    yield from (f"**{escaped(table.caption)}**", "")
    yield _row([escaped(column.name) for column in table.columns])
    yield _row(["---:" if column.kind == "number" else "---" for column in table.columns])
    for row in table.rows:
        pairs = zip(row, table.columns, strict=True)
        yield _row([_verdict(c) if column.kind == "verdict" else escaped(c) for c, column in pairs])
    yield ""


def _row(cells: Sequence[str]) -> str:
    return f"| {' | '.join(cells)} |"
