"""Figures for people: rounded from their uncertainty, with SI prefixes."""

from __future__ import annotations

import math
from decimal import Decimal

from benchrig.measurement.rounding import EXACT, PREFIXES, paired, rounded, si_power
from benchrig.units import format_quantity


def with_uncertainty(value: float, uncertainty: float | None, unit: str) -> str:
    """``"(1.2043 ± 0.0012) mA"``: the uncertainty with two significant digits, the value to the
    same decimal place (GUM 7.2.2 and 7.2.6, from memory). Without `unit`, without prefix."""
    if uncertainty is None or not _can_be_joined(value, uncertainty):
        return format_quantity(value, unit).strip()
    return paired(*rounded(value, uncertainty), unit)


def _can_be_joined(value: float, uncertainty: float) -> bool:
    if not (math.isfinite(value) and math.isfinite(uncertainty)) or uncertainty <= 0:
        return False
    # Outside these, the digits would run on over the line.
    return 1e-20 < uncertainty < 1e11 and abs(value) < 1e9 * uncertainty


def exactly(value: float, unit: str) -> str:
    """A quantity that somebody chose, as short as it is: ``"1.5 mA"``."""
    number = Decimal(f"{value:.6g}")
    power = si_power(number) if unit and number else 0
    shown = f"{EXACT.scaleb(number, -power).normalize():f}"
    return f"{shown} {PREFIXES[power]}{unit}" if unit else shown


def limits(low: float | None, high: float | None, unit: str) -> str:
    if low is not None and high is not None:
        return f"{exactly(low, unit)} to {exactly(high, unit)}"
    if high is not None:
        return f"max {exactly(high, unit)}"
    return "none" if low is None else f"min {exactly(low, unit)}"
