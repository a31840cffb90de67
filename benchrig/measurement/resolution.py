"""One count of the meter, where nobody declared it, from the readings themselves.

Readings that are all equal are no proof of a current without uncertainty: what moves by less than
one count was not seen.
"""

from __future__ import annotations

from decimal import Decimal

import numpy as np

from benchrig.measurement.averaging import EPSILON, Floats, steps

FEW = 0.25
"""Readings on a grid repeat themselves: at most this share of them are different values."""

ON_GRID = 0.01
"""A value lies on the grid if it is no further from it, in counts."""

MOST_DIGITS = 10
"""Of a reading. A float with more of them is no decimal that a meter has sent."""


def count_of(readings: Floats, per_entry: int = 1) -> float | None:
    """One count in A; 0 if the readings show no grid, `None` if they are all equal and don't tell.

    The smallest step between different values, if all steps are whole multiples of it. If all are
    equal: one in their last decimal digit, as a meter sends them; a zero has none. `readings`,
    shape (n,): each the mean of `per_entry` readings, which divides their grid by as much.
    """
    ordered = readings.copy()
    ordered.sort()
    rounding = 8.0 * EPSILON * max(abs(float(ordered[0])), abs(float(ordered[-1])))
    apart = steps(ordered)
    if not (apart > rounding).any():
        return _last_digit(float(ordered[0]))
    if np.count_nonzero(apart) + 1 > max(FEW * readings.size, 2.0):
        return 0.0
    real = apart[apart > rounding]
    count = float(real.min())
    off_grid = np.abs(real / count - np.round(real / count))
    return count * per_entry if np.all(off_grid <= ON_GRID + rounding / count) else 0.0


def _last_digit(value: float) -> float | None:
    """10 to the power of the last decimal place that `value` has in its shortest form."""
    _, digits, exponent = Decimal(repr(value)).as_tuple()
    if value == 0.0 or len(digits) > MOST_DIGITS or not isinstance(exponent, int):
        return None
    # "1.0" and "20.0" are written with a place that the float does not have.
    while len(digits) > 1 and digits[-1] == 0 and exponent < 0:
        digits, exponent = digits[:-1], exponent + 1
    return float(10.0**exponent)
