"""The table of results at the end of a session."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.text import Text

from benchrig.cli.layout import column_widths, grid, verdict_text
from benchrig.cli.sweep_words import deviation_line, fit_lines
from benchrig.cli.wording import VERDICT_STYLES, Pen
from benchrig.result import ChargeResult, DerivedResult, SessionResult, StateResult, SweepResult
from benchrig.row_text import fault_words, limit_words, point_words, value_words
from benchrig.units import format_quantity


def results_view(result: SessionResult, pen: Pen, width: int) -> RenderableType:
    """All of a result that somebody at the bench needs; wrapped at `width`, never cut."""
    return Group(*_results(result, pen, width))


def _results(result: SessionResult, pen: Pen, width: int) -> Iterator[RenderableType]:
    yield pen("")
    yield from _heading(result, pen)
    yield pen("")
    heads = ("state", "current ± U", "limits", "verdict", "wake")
    cells = [_state_cells(row, pen) for row in result.states]
    yield from _section(heads, cells, [_state_notes(row) for row in result.states], pen, width)
    if result.derived:
        yield pen("")
        heads = ("derived", "value ± U", "limits", "verdict", "")
        cells = [_derived_cells(row, pen) for row in result.derived]
        notes = [_derived_notes(row) for row in result.derived]
        yield from _section(heads, cells, notes, pen, width)
    if result.charges:
        yield pen("")
        heads = ("charge per event", "charge ± U", "limits", "verdict", "period")
        charges = [_charge_cells(row, pen) for row in result.charges]
        about = [_charge_notes(row) for row in result.charges]
        yield from _section(heads, charges, about, pen, width)
    for sweep in result.sweeps:
        yield pen("")
        yield from _sweep(sweep, pen, width)
    yield pen("")
    yield from _ending(result, pen)


def _charge_cells(row: ChargeResult, pen: Pen) -> list[Text]:
    period = format_quantity(row.period_s, "s", 3)
    words = [row.name, value_words(row), limit_words(row)]
    return [*map(pen, words), verdict_text(row.verdict, pen), pen(period)]


def _charge_notes(row: ChargeResult) -> list[str]:
    above = "the level between events" if row.base is None else row.base
    notes = [f"{row.state} above {above}"]
    if row.periods is not None:
        notes[0] += f", {row.periods} periods"
    return [*notes, *_state_notes(row)]


def _sweep(sweep: SweepResult, pen: Pen, width: int) -> Iterator[RenderableType]:
    heads = (sweep.name, "current ± U", "limits", "verdict", "at board")
    cells = []
    for point in sweep.points:
        row, left_V = point.row, point.row.board_voltage_V
        at = point_words(point.voltage_V, point.frequency_Hz)
        board = "" if left_V is None else format_quantity(left_V, "V")
        words = [at, value_words(row), limit_words(row)]
        cells.append([*map(pen, words), verdict_text(row.verdict, pen), pen(board)])
    notes = [_state_notes(point.row) for point in sweep.points]
    yield from _section(heads, cells, notes, pen, width)
    lines = [*fit_lines(sweep), *map(deviation_line, sweep.deviations)]
    if sweep.fault is not None:
        lines.append(fault_words(sweep.fault))
    for line in lines:
        yield Padding(pen(line), (0, 0, 0, 4))


def _heading(result: SessionResult, pen: Pen) -> Iterator[Text]:
    serial_number = result.serial_number or "unknown"
    firmware = result.firmware or "unknown"
    yield pen(f"{result.board.name}: serial number {serial_number}, firmware {firmware}")
    if result.bench.simulated_seed is not None:
        seed = result.bench.simulated_seed
        yield pen(f"simulated bench, seed {seed}: no real board was measured")


def _ending(result: SessionResult, pen: Pen) -> Iterator[Text]:
    for coverage in sorted({row.coverage for row in result.states if row.coverage is not None}):
        yield pen(f"U: expanded uncertainty at {100 * coverage:g} % coverage", "dim")
    for line in result.safe_end:
        yield pen(f"bench left: {line}", VERDICT_STYLES["fault"] if "NOT" in line else "dim")
    if result.fault is not None:
        yield pen(f"fault: {fault_words(result.fault)}", VERDICT_STYLES["fault"])
    if not result.complete:
        yield pen("the session was cut off before its end", VERDICT_STYLES["fault"])
    yield pen(f"{result.session}: ") + verdict_text(result.verdict, pen)


def _state_cells(row: StateResult, pen: Pen) -> list[Text]:
    wake_s = row.wake_latency_s
    return [
        pen(row.name),
        pen(value_words(row)),
        pen(limit_words(row)),
        verdict_text(row.verdict, pen),
        pen("" if wake_s is None else format_quantity(wake_s, "s", 3)),
    ]


def _state_notes(row: StateResult | ChargeResult) -> list[str]:
    notes = [f"flags: {', '.join(row.flags)}"] if row.flags else []
    return notes if row.fault is None else [*notes, fault_words(row.fault)]


def _derived_cells(row: DerivedResult, pen: Pen) -> list[Text]:
    return [
        pen(row.name),
        pen(value_words(row)),
        pen(limit_words(row)),
        verdict_text(row.verdict, pen),
        pen(""),
    ]


def _derived_notes(row: DerivedResult) -> list[str]:
    word = "minus" if row.kind == "difference" else "over"
    notes = [f"{row.of[0]} {word} {row.of[1]}"]
    return notes if row.fault is None else [*notes, fault_words(row.fault)]


def _section(
    heads: Sequence[str],
    lines: Sequence[Sequence[Text]],
    notes: Sequence[Sequence[str]],
    pen: Pen,
    width: int,
) -> Iterator[RenderableType]:
    """Aligned lines; below each its notes, which have the whole width."""
    head = [pen(word, "bold") for word in heads]
    widths = column_widths([head, *lines], width)
    for line, below in zip([head, *lines], [(), *notes], strict=True):
        row = grid(widths)
        row.add_row(*line)
        yield row
        for note in below:
            yield Padding(pen(note), (0, 0, 0, 4))
