"""A document on the screen."""

from __future__ import annotations

from collections.abc import Sequence

from benchrig.cli.tables import Page
from benchrig.cli.wording import VERDICT_STYLES
from benchrig.pages.document import SIGNS, Block, Document, Facts, Section, Table, Text

_STYLES = {"plain": "", "strong": "bold", "warning": "bold yellow", "caution": "yellow"}

_LEADS = {"plain": "", "strong": "", "warning": "WARNING: ", "caution": "caution: "}


def show_document(document: Document) -> None:
    page = Page()
    _title(page, document.title, document.verdict)
    _show(page, document.lead)
    _show(page, document.sections)


def show_section(section: Section) -> None:
    _show(Page(), [section])


def _title(page: Page, title: str, verdict: str | None) -> None:
    if verdict is None:
        page.line(title, "bold")
    else:
        page.line(f"{title}: {SIGNS[verdict]} {verdict}", VERDICT_STYLES[verdict])


def _show(page: Page, blocks: Sequence[Block]) -> None:
    for block in blocks:
        if isinstance(block, Text):
            page.line(f"{_LEADS[block.kind]}{block.words}", _STYLES[block.kind])
        elif isinstance(block, Facts):
            for name, value in block.pairs:
                page.line(f"{name}: {value}")
        elif isinstance(block, Table):
            page.line()
            page.line(block.caption, "bold")
            _table(page, block)
        elif isinstance(block, Section) and block.has_words:
            page.line()
            _title(page, block.title, block.verdict)
            _show(page, block.blocks)


def _table(page: Page, table: Table) -> None:
    shown = [place for place, column in enumerate(table.columns) if column.kind != "note"]
    heads, rows = _cells(table, shown)
    if not page.fits(heads, rows):
        heads, rows = _cells(table, [p for p in shown if not table.columns[p].aside])
    last = table.columns[-1].kind == "note"
    page.table(heads, rows, [row[-1] for row in table.rows] if last else ())


def _cells(table: Table, places: Sequence[int]) -> tuple[list[str], list[list[str]]]:
    heads = [table.columns[place].name for place in places]
    return heads, [[row[place] for place in places] for row in table.rows]
