"""The sections on several results beside each other."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

from benchrig.pages.document import VERDICT, Block, Plot, Section, Table, Text, columns, number
from benchrig.pages.measured import Measured
from benchrig.pages.result_part import currents_words, verdicts
from benchrig.result import StateResult
from benchrig.row_text import value_words
from benchrig.units import format_quantity

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing


def lot_section(measured: Sequence[Measured]) -> Section:
    names = list(dict.fromkeys(row.name for each in measured for row in each.result.states))
    rows = {name: _rows(measured, name) for name in names}
    blocks: list[Block] = [_overview(measured), _spread(rows)]
    if len({each.result.session for each in measured}) > 1:
        words = "The results are of different sessions: states of one name may be different ones."
        blocks.insert(0, Text(words, "warning"))
    blocks += [
        Plot(
            f"lot-{number}",
            f"{name} in all results",
            currents_words(mine),
            partial(_draw_lot, tuple(mine)),
        )
        for number, (name, mine) in enumerate(rows.items(), start=1)
    ]
    return Section("All results", tuple(blocks), name="lot")


def _rows(measured: Sequence[Measured], name: str) -> list[tuple[str, StateResult]]:
    return [
        (each.result.serial_number or each.name, row)
        for each in measured
        for row in each.result.states
        if row.name == name
    ]


def _overview(measured: Sequence[Measured]) -> Table:
    names = columns("result", "serial number", "firmware", "measured", VERDICT, "not passed")
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

    return draw_currents([line_of(row, name) for name, row in rows])
