"""Figures of a battery life, as people say them."""

from __future__ import annotations

from benchrig.units import YEAR_S, format_quantity

ENDS = {
    "charge": "its charge is used up",
    "voltage": "the voltage falls too low under load",
    "shelf life": "the shelf life of the cell is over",
}


def years(value: float) -> str:
    """Three significant digits; below a year also in days."""
    if value < 1.0:
        return f"{value * YEAR_S / 86400.0:.3g} days"
    return f"{value:.3g} years"


def days(value_years: float) -> str:
    return f"{value_years * YEAR_S / 86400.0:.3g} days"


def amount(value: float, unit: str) -> str:
    if unit == "C":
        return format_quantity(value, "C", 3) if value < 1.0 else f"{value / 3.6:.4g} mAh"
    if unit == "s":
        return _time(value)
    if unit == "1/s":
        return f"{value * 86400.0:.3g} /d"
    if unit == "1":
        return f"{value:.3g} times"
    return format_quantity(value, unit, 3)


def _time(seconds: float) -> str:
    for unit, size in (("d", 86400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= 2.0 * size:
            return f"{seconds / size:.3g} {unit}"
    return format_quantity(seconds, "s", 3)


def percent(share: float) -> str:
    return f"{100 * share:.3g} %"
