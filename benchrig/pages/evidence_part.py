"""The sections on why a result can be believed: how the states settled, the uncertainty budgets,
what happened, and how it was measured."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING

from benchrig.events import ROUTINE
from benchrig.pages.document import (
    Block,
    Column,
    Facts,
    Plot,
    Plots,
    Section,
    Table,
    Text,
    columns,
    number,
)
from benchrig.pages.measured import Curve, Measured
from benchrig.result import ContributionRecord, EventRecord, SessionResult, StateResult
from benchrig.row_text import value_words
from benchrig.units import format_quantity

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing

MOST_EVENTS = 200
# Told elsewhere on the page.
_TOLD = frozenset({"meter", "supply", "powered", "identity", "step"})

_LEGEND = (
    "The line is the mean of readings close by, the area around it reaches from the smallest to "
    "the largest. The shaded part after the upright line was averaged, the heavy line across it is "
    "the current; dashed lines are limits."
)


def settling_section(measured: Measured) -> Section:
    states = measured.result.states
    pairs = list(zip(states, measured.curves, strict=True))
    # A state may be measured several times in one session.
    plots = [
        Plot(
            f"settling-{number}",
            f"{row.name}: settling",
            _settling_words(row),
            partial(_draw_settling, curve, row),
        )
        for number, (row, curve) in enumerate(pairs, start=1)
        if curve is not None
    ]
    blocks: list[Block] = [Plots(tuple(plots), _LEGEND)] if plots else []
    if measured.lacking:
        words = f"The readings are missing, and with them all curves. {measured.lacking}"
        blocks.append(Text(words, "warning"))
    elif without := [row.name for row, curve in pairs if curve is None]:
        blocks.append(Text(f"No readings, so no curve: {', '.join(without)}."))
    return Section("How the states settled", tuple(blocks))


def _settling_words(row: StateResult) -> str:
    if row.settled_after_s is None or row.averaged_for_s is None:
        return f"{row.name}: no part of it was averaged; {row.verdict}."
    return (
        f"{row.name}: averaged from {row.settled_after_s:.3g} s on for {row.averaged_for_s:.3g} s, "
        f"{row.readings} readings; {value_words(row)}."
    )


def _draw_settling(curve: Curve, row: StateResult) -> Drawing:
    from benchrig.pages.plots import draw_settling

    return draw_settling(curve, row)


_BUDGET = columns(
    "source",
    Column("quantity", aside=True),
    number("estimate", aside=True),
    number("half-width or s", aside=True),
    Column("distribution", aside=True),
    number("divisor", aside=True),
    number("standard uncertainty", aside=True),
    number("sensitivity", aside=True),
    number("contribution"),
    number("share of variance"),
    number("degrees of freedom"),
    "type",
)


def budgets_section(result: SessionResult) -> Section:
    tables = [_budget(_combined(row), row.budget) for row in result.states if row.budget]
    tables += [
        _budget(f"{row.name}: mean current; times {row.period_s:g} s a charge", row.budget)
        for row in result.charges
        if row.budget
    ]
    words = (
        "In the style of GUM (JCGM 100:2008), table H.1. Shares are of the sum of the squares; "
        "lines that one statement of a data sheet limits together add linearly, so that the whole "
        "may be above the root of that sum."
    )
    empty = Text("No state has a budget.")
    return Section("Uncertainty budgets", (Text(words), *tables) if tables else (empty,))


def _combined(row: StateResult) -> str:
    if row.standard_uncertainty_A is None:
        return row.name
    combined = format_quantity(row.standard_uncertainty_A, "A", 3)
    return f"{row.name}: combined standard uncertainty {combined}"


def _budget(caption: str, budget: tuple[ContributionRecord, ...]) -> Table:
    whole = sum(part.contribution_A**2 for part in budget)
    return Table(caption, _BUDGET, tuple(_budget_cells(part, whole) for part in budget))


def _budget_cells(part: ContributionRecord, whole: float) -> tuple[str, ...]:
    unit = "" if part.unit == "1" else part.unit
    dof = part.degrees_of_freedom
    return (
        part.name,
        part.quantity,
        _number(part.estimate, unit),
        _number(part.half_width, unit),
        part.distribution,
        f"{part.divisor:.3g}",
        _number(part.standard_uncertainty, unit),
        f"{part.sensitivity:.3g}",
        _number(part.contribution_A, "A"),
        "-" if whole == 0.0 else f"{100 * part.contribution_A**2 / whole:.1f} %",
        "∞" if dof is None or dof > 1e6 else f"{dof:.3g}",
        part.evaluation,
    )


def _number(value: float, unit: str) -> str:
    return (
        "0" if value == 0.0 else format_quantity(value, unit, 3).strip() if unit else f"{value:.3g}"
    )


def notable(result: SessionResult) -> list[EventRecord]:
    """The events that do not belong to every session."""
    passed_over = ROUTINE | _TOLD
    return [event for event in result.events if event.kind not in passed_over]


def events_section(result: SessionResult) -> Section:
    told = notable(result)
    shown = told[:MOST_EVENTS]
    routine = f"{len(result.events) - len(told)} routine events are in the result file."
    if not shown:
        words = f"Nothing happened that does not belong to every session. {routine}"
        return Section("Events and faults", (Text(words),))
    words = f"{len(told)} events that do not belong to every session, numbered as in the table."
    rows = tuple(
        (str(place), f"{event.time_s:.3f} s", event.kind, event.state or "-", event.text)
        for place, event in enumerate(shown, start=1)
    )
    names = columns(number("number"), number("time"), "kind", "state", "what happened")
    blocks: list[Block] = [
        Plot("timeline", "What happened when", words, partial(_draw_timeline, result)),
        Table("Events and faults", names, rows),
    ]
    if len(told) > len(shown):
        blocks.append(Text(f"{len(told) - len(shown)} more are in the result file.", "warning"))
    return Section("Events and faults", (*blocks, Text(routine)))


def _draw_timeline(result: SessionResult) -> Drawing:
    from benchrig.pages.plots import draw_timeline

    return draw_timeline(result, [event.time_s for event in notable(result)[:MOST_EVENTS]])


def bench_section(measured: Measured) -> Section:
    return Section("How it was measured", (Facts(tuple(_bench(measured))),))


def _bench(measured: Measured) -> Iterator[tuple[str, str]]:
    result = measured.result
    board, meter = result.board, result.meter
    yield "board", f"{board.name}, at {board.address}"
    yield "identity of the board", board.identity or "unknown"
    yield (
        "supply voltage",
        f"{board.supply_voltage_V:g} V; the board needs {board.minimum_voltage_V:g} V",
    )
    yield "bench", result.bench.name
    yield "meter", f"{meter.identity or 'unknown'}, at {meter.address}"
    yield "meter sheet", meter.sheet or "none: the meter's own accuracy is not in the uncertainty"
    if meter.reading_format is not None:
        yield "readings", meter.reading_format
    if meter.aperture_s is not None:
        yield "aperture", format_quantity(meter.aperture_s, "s", 3)
    yield "supply", result.bench.supply or "none under control"
    if result.bench.simulated_seed is not None:
        yield "seed of the simulation", str(result.bench.simulated_seed)
    yield "started", f"{result.started:%Y-%m-%d %H:%M:%S} UTC"
    yield "ended", f"{result.ended:%Y-%m-%d %H:%M:%S} UTC"
    yield "bench left", "; ".join(result.safe_end) or "unknown"
    yield "benchrig", result.benchrig
    yield "result file, SHA-256", measured.sha256
