"""Scales of a plot's axes: from where to where, and which round values are marked."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from matplotlib.ticker import MaxNLocator

from benchrig.figures import exactly

MOST_DECADES = 7
WITHOUT_PREFIX = ("%", "years")


@dataclass(frozen=True)
class Scale:
    """`ticks`: values with what is written at them."""

    kind: Literal["linear", "log"]
    low: float
    high: float
    ticks: tuple[tuple[float, str], ...]


def decades(low: float, high: float, unit: str, *, snug: bool = False) -> Scale:
    """Logarithmic over positive values, with a tick at each decade or every few. Unless `snug` it
    reaches from decade to decade."""
    first, last = math.floor(math.log10(low) + 1e-9), math.ceil(math.log10(high) - 1e-9)
    last = max(last, first + 1)
    step = math.ceil((last - first) / MOST_DECADES)
    ticks = [10.0**power for power in range(first, last + 1, step)]
    ends = (low, high) if snug else (10.0**first, 10.0**last)
    return _scale("log", *ends, ticks, unit)


def linear(low: float, high: float, unit: str, *, snug: bool = False) -> Scale:
    """Linear with a few round ticks. Unless `snug` it reaches from tick to tick."""
    if not high > low:
        reach = 0.05 * abs(low) or 1.0
        low, high = low - reach, high + reach
    round_ones = MaxNLocator(5, steps=[1, 2, 2.5, 5, 10])
    ticks = [float(tick) for tick in round_ones.tick_values(low, high)]
    span = ticks[-1] - ticks[0]
    # What remains of adding floats, 1e-19 A say, is zero.
    ticks = [0.0 if abs(tick) < 1e-9 * span else tick for tick in ticks]
    ends = (low, high) if snug else (ticks[0], ticks[-1])
    return _scale("linear", *ends, ticks, unit)


def log_or_linear(low: float, high: float, unit: str, *, snug: bool = False) -> Scale:
    """Logarithmic where there is more than a factor of ten between positive values."""
    fits = low > 0.0 and high > 10.0 * low
    return (decades if fits else linear)(low, high, unit, snug=snug)


def _scale(
    kind: Literal["linear", "log"], low: float, high: float, ticks: Sequence[float], unit: str
) -> Scale:
    rim = 1e-9 * (high - low)
    inside = [tick for tick in ticks if low - rim <= tick <= high + rim]
    return Scale(kind, low, high, tuple((tick, _label(tick, unit)) for tick in inside))


def _label(tick: float, unit: str) -> str:
    return f"{tick:.6g} {unit}" if unit in WITHOUT_PREFIX else exactly(tick, unit)
