"""Events that come at a steady rate, averaged over whole periods.

What one of them takes is too short for the meter to follow, but all charge comes through it: the
mean over whole periods, less what flows without events, times the period is the charge of one.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from benchrig.measurement.averaging import Average, Floats, of_batches

RESOLVED = 10.0
"""An event is counted where it stands out of the scatter between periods without one by so much."""

TAIL_SHARE = 0.1


def whole_periods(
    times_s: Floats, currents_A: Floats, interval_s: float, edges_s: Floats
) -> Floats:
    """The mean current between `edges_s`, shape (k+1,) to (k,), of readings that end at `times_s`
    (n,). Each reading stands for the time since the one before it, dead time included."""
    before_s = np.concatenate(([times_s[0] - interval_s], times_s))
    charge_C = np.concatenate(([0.0], np.cumsum(currents_A * np.diff(before_s))))
    means: Floats = np.diff(np.interp(edges_s, before_s, charge_C)) / np.diff(edges_s)
    return means


def filled_period(currents_A: Floats, interval_s: float, period_s: float) -> float:
    """The mean current over a period of which the readings (n,), one each `interval_s`, cover all
    but the end: there it is that of the last of them, when the event was long over."""
    rest_s = period_s - currents_A.size * interval_s
    read = float(np.sum(currents_A)) * interval_s
    return (read + rest_s * end_of(currents_A)) / period_s


def end_of(currents_A: Floats) -> float:
    """The mean of the last tenth of some readings (n,)."""
    return float(np.mean(currents_A[-max(1, round(TAIL_SHARE * currents_A.size)) :]))


def events_in(
    means_A: Floats, base_A: float, scatter_A: float, count_A: float
) -> NDArray[np.int64] | None:
    """How many events each period held, (n,), from its mean current; None where one event does not
    stand out. `scatter_A`: the standard deviation of a period's mean without one."""
    excess_A = means_A - base_A
    usual_A = float(np.median(excess_A))
    if usual_A <= RESOLVED * math.hypot(scatter_A, count_A / math.sqrt(12.0)):
        return None
    return np.rint(excess_A / usual_A).astype(np.int64)


def mean_of_periods(means_A: Floats) -> Average:
    """Raises `ValueError` below 3 periods."""
    if means_A.size < 3:
        raise ValueError(f"{means_A.size} periods: their scatter needs 3 or more")
    return of_batches(means_A)


def discrepancy(phases: Floats) -> float:
    """The star discrepancy of phases in [0, 1), (n,): 1/(2n) where they are spread evenly, near 1
    where all are alike (Niederreiter 1992, theorem 2.6, from memory)."""
    ordered, size = np.sort(phases), phases.size
    middles = (2.0 * np.arange(1, size + 1) - 1.0) / (2.0 * size)
    return float(1.0 / (2.0 * size) + np.max(np.abs(ordered - middles)))


def blind_bound_A(
    peak_A: float, interval_s: float, dead_share: float, period_s: float, phases: Floats | None
) -> float:
    """How far the mean may be wrong because the meter is blind between readings.

    A pulse of height h that ends anywhere in the dead time d of a reading is read too large or too
    small by h d/(1 - dead share) at the most. With events at many phases of the readings that
    averages out: the error is at most its variation, twice that, times the discrepancy of the
    phases (Koksma's inequality; Niederreiter 1992, theorem 2.9, from memory). None: not known.
    """
    if dead_share <= 0.0:
        return 0.0
    one_C = peak_A * interval_s * dead_share / (1.0 - dead_share)
    spread = 1.0 if phases is None else min(1.0, 2.0 * discrepancy(phases))
    return one_C * spread / period_s
