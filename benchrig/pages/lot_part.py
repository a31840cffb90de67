"""The sections on several results beside each other."""

from __future__ import annotations

import statistics
from collections.abc import Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING

from benchrig.pages.document import (
    VERDICT,
    Block,
    Column,
    Plot,
    Plots,
    Section,
    Table,
    Text,
    columns,
    number,
)
from benchrig.pages.measured import Measured, labels
from benchrig.pages.result_part import CURRENTS_LEGEND, currents_words, verdicts
from benchrig.result import SessionResult, StateResult
from benchrig.row_text import value_words
from benchrig.units import format_quantity

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing


def lot_section(measured: Sequence[Measured]) -> Section:
    names = list(dict.fromkeys(row.name for each in measured for row in each.result.states))
    rows = {name: _rows(measured, name) for name in names}
    plots = tuple(
        Plot(f"lot-{number}", name, currents_words(mine), partial(_draw_lot, tuple(mine)))
        for number, (name, mine) in enumerate(rows.items(), start=1)
    )
    blocks: list[Block] = [_overview(measured), _spread(rows)]
    if plots:
        blocks.append(Plots(plots, f"{CURRENTS_LEGEND} The scale is each state's own."))
    return Section("All results", tuple(blocks), name="lot")


def lot_doubts(measured: Sequence[Measured]) -> Iterator[Text]:
    """What stands beside the verdict of them all."""
    results = [(each.name, each.result) for each in measured]
    for words, names in (
        ("have a fault somewhere", [name for name, each in results if _any(each, "fault")]),
        ("are undecided somewhere", [name for name, each in results if _any(each, "undecided")]),
        ("were cut off before their end", [name for name, each in results if not each.complete]),
        (
            "are from a simulated bench, where no real board was measured",
            [name for name, each in results if each.bench.simulated_seed is not None],
        ),
    ):
        if len(names) == len(results):
            yield Text(f"All {words}.", "warning")
        elif names:
            yield Text(f"{len(names)} of {len(results)} {words}: {', '.join(names)}.", "warning")
    if len({each.session for _, each in results}) > 1:
        words = "The results are of different sessions: states of one name may be different ones."
        yield Text(words, "warning")


def _any(result: SessionResult, verdict: str) -> bool:
    return result.verdict == verdict or verdict in [its for _, its in verdicts(result)]


def _rows(measured: Sequence[Measured], name: str) -> list[tuple[str, StateResult]]:
    return [
        (label, row)
        for each, label in zip(measured, labels(measured), strict=True)
        for row in each.result.states
        if row.name == name
    ]


def _overview(measured: Sequence[Measured]) -> Table:
    names = columns(
        "result", "serial number", "firmware", "measured", VERDICT, Column("not passed", "note")
    )
    return Table("Results", names, tuple(_result(each) for each in measured))


def _result(each: Measured) -> tuple[str, ...]:
    result = each.result
    odd = [f"{name} {verdict}" for name, verdict in verdicts(result) if verdict != "pass"]
    odd += [] if result.fault is None else [result.fault.kind]
    return (
        each.name,
        result.serial_number or "unknown",
        result.firmware or "unknown",
        f"{result.started:%Y-%m-%d %H:%M} UTC",
        result.verdict,
        ", ".join(odd) or "-",
    )


def _spread(rows: dict[str, list[tuple[str, StateResult]]]) -> Table:
    names = columns(
        "state",
        number("with a value"),
        number("mean"),
        number("standard deviation"),
        number("lowest"),
        number("highest"),
        "verdicts",
    )
    return Table(
        "States over all results; values without a fault only",
        names,
        tuple(_state(name, [row for _, row in mine]) for name, mine in rows.items()),
    )


def _state(name: str, rows: list[StateResult]) -> tuple[str, ...]:
    good = [row for row in rows if row.current_A is not None and row.verdict != "fault"]
    values = [row.current_A for row in good if row.current_A is not None]
    told = ["-"] * 4
    if values:
        spread = format_quantity(statistics.stdev(values), "A", 2) if len(values) > 1 else "-"
        lowest, highest = (
            value_words(pick(good, key=lambda row: row.current_A or 0.0)) for pick in (min, max)
        )
        told = [format_quantity(statistics.fmean(values), "A"), spread, lowest, highest]
    verdicts = [row.verdict for row in rows]
    counts = ", ".join(f"{verdicts.count(each)} {each}" for each in dict.fromkeys(verdicts))
    return (name, f"{len(values)} of {len(rows)}", *told, counts)


def _draw_lot(rows: tuple[tuple[str, StateResult], ...]) -> Drawing:
    from benchrig.pages.plots import draw_currents, line_of

    return draw_currents([line_of(row, name) for name, row in rows], least_decades=0)
