"""The sections on one result."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING

from benchrig.pages.document import (
    REMARKS,
    VERDICT,
    Block,
    Facts,
    Plot,
    Section,
    Table,
    Text,
    columns,
    number,
)
from benchrig.pages.evidence_part import (
    bench_section,
    budgets_section,
    events_section,
    settling_section,
)
from benchrig.pages.measured import Measured
from benchrig.pages.sweep_part import sweep_section
from benchrig.result import (
    ChargeResult,
    DerivedResult,
    SessionResult,
    StateResult,
)
from benchrig.row_text import fault_words, limit_words, margin_words, reason_words, value_words
from benchrig.units import format_quantity

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing


def result_section(measured: Measured, title: str) -> Section:
    result = measured.result
    blocks: list[Block] = [Facts(tuple(_about(result))), *doubts(result)]
    blocks += _states(result)
    blocks += [_derived(result)] if result.derived else []
    blocks += [_charges(result)] if result.charges else []
    blocks.append(settling_section(measured))
    blocks += [sweep_section(sweep) for sweep in result.sweeps]
    blocks += [budgets_section(result), events_section(result), bench_section(measured)]
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


def _states(result: SessionResult) -> Iterator[Block]:
    names = columns(
        "state",
        VERDICT,
        number("current ± U"),
        number("limits"),
        number("margin ± U"),
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
        row.verdict,
        value_words(row),
        limit_words(row),
        margin_words(row) or "-",
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
        "derived", VERDICT, number("value ± U"), number("limits"), number("margin ± U"), REMARKS
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
    return (row.name, row.verdict, value_words(row), limit_words(row), margin, remarks)


def _charges(result: SessionResult) -> Table:
    names = columns(
        "charge",
        VERDICT,
        number("charge per event ± U"),
        number("limits"),
        number("margin ± U"),
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
        row.verdict,
        value_words(row),
        limit_words(row),
        margin_words(row) or "-",
        format_quantity(row.period_s, "s"),
        "-" if row.periods is None else str(row.periods),
        "; ".join(filter(None, (f"{row.state} {base}", reason_words(row)))),
    )
