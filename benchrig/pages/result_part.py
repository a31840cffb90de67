"""The sections on one result."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING

from benchrig.events import ROUTINE
from benchrig.pages.document import (
    REMARKS,
    VERDICT,
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
from benchrig.pages.sweep_part import sweep_section
from benchrig.result import (
    ChargeResult,
    ContributionRecord,
    DerivedResult,
    EventRecord,
    SessionResult,
    StateResult,
)
from benchrig.row_text import fault_words, limit_words, margin_words, reason_words, value_words
from benchrig.units import format_quantity

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing

MOST_EVENTS = 200
# Told elsewhere on the page.
_TOLD = frozenset({"meter", "supply", "powered", "identity", "step"})


def result_section(measured: Measured, title: str) -> Section:
    result = measured.result
    blocks: list[Block] = [Facts(tuple(_about(result))), *doubts(result)]
    blocks += _states(result)
    blocks += [_derived(result)] if result.derived else []
    blocks += [_charges(result)] if result.charges else []
    blocks.append(_settling(measured))
    blocks += [sweep_section(sweep) for sweep in result.sweeps]
    blocks += [_budgets(result), _events(result), _how(measured)]
    return Section(title, tuple(blocks), result.verdict, measured.name)


def doubts(result: SessionResult) -> Iterator[Text]:
    """What stands beside the verdict, because the figures alone look sounder than they are."""
    if result.fault is not None:
        yield Text(f"The session has a fault. {fault_words(result.fault)}", "warning")
    if not result.complete:
        yield Text("The session was cut off before its end.", "warning")
    for verdict, words in (
        ("fault", "No valid measurement, so no current to rely on"),
        ("undecided", "Undecided, since the limit lies inside the uncertainty"),
    ):
        names = [name for name, its in verdicts(result) if its == verdict]
        if names:
            yield Text(f"{words}: {', '.join(dict.fromkeys(names))}.", "warning")
    if result.bench.simulated_seed is not None:
        seed = result.bench.simulated_seed
        yield Text(f"Simulated bench, seed {seed}: no real board was measured.", "warning")


def verdicts(result: SessionResult) -> Iterator[tuple[str, str]]:
    """The name of each row, and its verdict."""
    for state in result.states:
        yield state.name, state.verdict
    for row in result.derived:
        yield row.name, row.verdict
    for charge in result.charges:
        yield charge.name, charge.verdict
    for sweep in result.sweeps:
        yield sweep.name, sweep.verdict


def _about(result: SessionResult) -> Iterator[tuple[str, str]]:
    yield "session", result.session
    yield "serial number", result.serial_number or "unknown"
    yield "firmware", result.firmware or "unknown"
    yield "measured", f"{result.started:%Y-%m-%d %H:%M:%S} UTC"
    if result.operator is not None:
        yield "operator", result.operator
    if result.note is not None:
        yield "note", result.note


# -- what was measured ----------------------------------------------------------------------


def _states(result: SessionResult) -> Iterator[Block]:
    names = columns(
        "state",
        number("current ± U"),
        number("limits"),
        number("margin ± U"),
        VERDICT,
        number("awake after"),
        REMARKS,
    )
    coverages = sorted({row.coverage for row in result.states if row.coverage is not None})
    stated = " and ".join(f"{100 * coverage:g} %" for coverage in coverages)
    caption = "States" + (f" (U: expanded uncertainty at {stated} coverage)" if stated else "")
    yield Table(caption, names, tuple(_state_cells(row) for row in result.states))
    if result.states:
        yield Plot(
            "currents",
            f"Currents, limits and uncertainty. {CURRENTS_LEGEND}",
            currents_words([(row.name, row) for row in result.states]),
            partial(_draw_currents, result.states),
        )


def _state_cells(row: StateResult) -> tuple[str, ...]:
    wake_s = row.wake_latency_s
    return (
        row.name,
        value_words(row),
        limit_words(row),
        margin_words(row) or "-",
        row.verdict,
        "-" if wake_s is None else format_quantity(wake_s, "s", 3),
        "; ".join(_remarks(row)),
    )


def _remarks(row: StateResult) -> Iterator[str]:
    if reason := reason_words(row):
        yield reason
    flags = ", ".join(row.flags)
    if flags and flags != reason:
        yield f"flags: {flags}"
    if row.events:
        charge = row.event_charge_C
        each = "" if charge is None else f" of {format_quantity(charge, 'C', 3)} each"
        yield f"{row.events} events that nobody declared{each}"


CURRENTS_LEGEND = (
    "A dot is a current, the bar through it its uncertainty; the band reaches from limit to limit."
)


def currents_words(rows: Sequence[tuple[str, StateResult]]) -> str:
    told = [
        f"{name}: {value_words(row)}, limits {limit_words(row)}, {row.verdict}"
        for name, row in rows
    ]
    return f"{CURRENTS_LEGEND} {'; '.join(told)}."


def _draw_currents(rows: tuple[StateResult, ...]) -> Drawing:
    from benchrig.pages.plots import draw_currents, line_of

    return draw_currents([line_of(row) for row in rows])


def _derived(result: SessionResult) -> Table:
    names = columns(
        "derived", number("value ± U"), number("limits"), number("margin ± U"), VERDICT, REMARKS
    )
    return Table(
        "Differences and ratios",
        names,
        tuple(_derived_cells(row) for row in result.derived),
    )


def _derived_cells(row: DerivedResult) -> tuple[str, ...]:
    word = "minus" if row.kind == "difference" else "over"
    remarks = "; ".join(filter(None, (f"{row.of[0]} {word} {row.of[1]}", reason_words(row))))
    margin = margin_words(row) or "-"
    return (row.name, value_words(row), limit_words(row), margin, row.verdict, remarks)


def _charges(result: SessionResult) -> Table:
    names = columns(
        "charge",
        number("charge per event ± U"),
        number("limits"),
        number("margin ± U"),
        VERDICT,
        number("period"),
        number("periods"),
        REMARKS,
    )
    return Table(
        "Charge per event",
        names,
        tuple(_charge_cells(row) for row in result.charges),
    )


def _charge_cells(row: ChargeResult) -> tuple[str, ...]:
    base = "above the level between events" if row.base is None else f"above {row.base}"
    return (
        row.name,
        value_words(row),
        limit_words(row),
        margin_words(row) or "-",
        row.verdict,
        format_quantity(row.period_s, "s"),
        "-" if row.periods is None else str(row.periods),
        "; ".join(filter(None, (f"{row.state} {base}", reason_words(row)))),
    )


_LEGEND = (
    "The line is the mean of readings close by, the area around it reaches from the smallest to "
    "the largest. The shaded part after the upright line was averaged, the heavy line across it is "
    "the current; dashed lines are limits."
)


def _settling(measured: Measured) -> Section:
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


# -- why it can be believed -----------------------------------------------------------------

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


def _budgets(result: SessionResult) -> Section:
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


def _events(result: SessionResult) -> Section:
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


def _how(measured: Measured) -> Section:
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
