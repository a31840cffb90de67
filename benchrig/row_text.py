"""A row of a result in words: what was measured, what was allowed, and how far apart they are."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from benchrig.figures import exactly, limits, with_uncertainty
from benchrig.result import (
    ChargeResult,
    DerivedResult,
    FaultRecord,
    SessionResult,
    StateResult,
    SweepResult,
)
from benchrig.units import format_quantity

Row = StateResult | DerivedResult | ChargeResult


def rows_of(result: Row | SessionResult) -> list[Row]:
    """All rows of a session, those of the points of its sweeps named by them; of a row, itself."""
    if isinstance(result, SessionResult):
        points = [row for sweep in result.sweeps for row in _points_of(sweep)]
        return [*result.states, *result.derived, *result.charges, *points]
    return [result]


def _points_of(sweep: SweepResult) -> Iterator[StateResult]:
    for point in sweep.points:
        name = f"{sweep.name} at {point_words(point.voltage_V, point.frequency_Hz)}"
        yield point.row.model_copy(update={"name": name})
    if sweep.fault is not None:
        yield StateResult(name=sweep.name, verdict="fault", fault=sweep.fault)


def point_words(voltage_V: float, frequency_Hz: float | None) -> str:
    at = exactly(voltage_V, "V")
    return at if frequency_Hz is None else f"{at}, {exactly(frequency_Hz, 'Hz')}"


@dataclass(frozen=True)
class _Figures:
    """What the rows have in common. `unit` is empty for a ratio."""

    value: float | None
    uncertainty: float | None
    low: float | None
    high: float | None
    unit: str


def _figures(row: Row) -> _Figures:
    if isinstance(row, StateResult):
        uncertainty_A = row.expanded_uncertainty_A
        return _Figures(row.current_A, uncertainty_A, row.limit_min_A, row.limit_max_A, "A")
    if isinstance(row, ChargeResult):
        uncertainty_C = row.expanded_uncertainty_C
        return _Figures(row.charge_C, uncertainty_C, row.limit_min_C, row.limit_max_C, "C")
    unit = "" if row.unit == "1" else row.unit
    return _Figures(row.value, row.expanded_uncertainty, row.limit_min, row.limit_max, unit)


def value_words(row: Row) -> str:
    """The value; the bounds of a current, where only the verdict was wanted."""
    figures = _figures(row)
    if figures.value is not None:
        return with_uncertainty(figures.value, figures.uncertainty, figures.unit)
    if isinstance(row, StateResult):
        return _bounds_words(row.lower_bound_A, row.upper_bound_A)
    return "-"


def _bounds_words(low_A: float | None, high_A: float | None) -> str:
    low = "" if low_A is None or low_A <= 0.0 else format_quantity(low_A, "A", 3)
    high = "" if high_A is None else format_quantity(high_A, "A", 3)
    if low and high:
        return f"{low} to {high}"
    return f"below {high}" if high else f"above {low}" if low else "-"


def limit_words(row: Row) -> str:
    figures = _figures(row)
    return limits(figures.low, figures.high, figures.unit)


def margin_words(row: Row) -> str:
    """The distance to the nearer limit, above zero inside; empty where there is none. A limit is
    exact, so the distance is as uncertain as the value."""
    figures = _figures(row)
    if figures.value is None:
        return ""
    distances = []
    if figures.low is not None:
        distances.append(figures.value - figures.low)
    if figures.high is not None:
        distances.append(figures.high - figures.value)
    if not distances:
        return ""
    return with_uncertainty(min(distances), figures.uncertainty, figures.unit)


def fault_words(fault: FaultRecord) -> str:
    return f"{fault.kind}: {fault.message}"


def reason_words(row: Row) -> str:
    """Why the verdict is what it is, as far as the figures do not tell."""
    if row.fault is not None:
        return fault_words(row.fault)
    earlier = row.earlier if isinstance(row, StateResult) else ()
    if row.verdict == "undecided" and earlier:
        return f"{earlier[0].verdict} at first; not confirmed when it was measured once more"
    if row.verdict == "undecided":
        return "the value is too uncertain to tell on which side of its limit it lies"
    return "" if isinstance(row, DerivedResult) else ", ".join(row.flags)


def row_text(row: Row) -> str:
    """All of it, a line each:

    deep_sleep: fail
      measured  (1.523 ± 0.012) µA
      limits    max 900 nA
      margin    (-623 ± 12) nA
      reason    above_limit
    """
    told = {
        "measured": value_words(row),
        "limits": limit_words(row),
        "margin": margin_words(row),
        "reason": reason_words(row),
    }
    lines = [f"  {name:9} {words}" for name, words in told.items() if words]
    return "\n".join([f"{row.name}: {row.verdict}", *lines])
