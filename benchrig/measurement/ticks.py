"""Wake-up ticks: averaging over whole periods."""

from __future__ import annotations

import numpy as np

MOST_BATCHES = 16
FEWEST_PERIODS = 3


def onsets(times: np.ndarray, values: np.ndarray, count_A: float) -> np.ndarray:
    """The times at which readings rise above the base level by more than its noise."""
    base = float(np.median(values))
    noise = 1.4826 * float(np.median(np.abs(values - base)))
    high = values > base + max(8 * noise, 3 * count_A, 0.02 * abs(base))
    rises = np.flatnonzero(high[1:] & ~high[:-1]) + 1
    found: np.ndarray = times[rises]
    return found


def fitted_period(found: np.ndarray, interval_s: float) -> tuple[float, np.ndarray] | None:
    """The period of onsets (k,), and those that lie on it; None if fewer than four do."""
    while len(found) > FEWEST_PERIODS:
        steps = np.arange(len(found))
        period, start = np.polyfit(steps, found, 1)
        if np.max(np.abs(found - (start + period * steps))) <= 1.2 * interval_s:
            return float(period), found
        found = found[1:]
    return None


def means_of_periods(
    times: np.ndarray, values: np.ndarray, start_s: float, period_s: float, periods: int
) -> np.ndarray:
    """Means over batches of whole periods (k,), 3 <= k <= 16; edges that fall into a reading
    share it, by interpolation in the cumulative charge."""
    interval_s = float(np.median(np.diff(times)))
    batches = min(periods, MOST_BATCHES)
    cuts = np.round(np.linspace(0, periods, batches + 1))
    edges = start_s + cuts * period_s
    charge = np.concatenate(([0.0], np.cumsum(values) * interval_s))
    ends = np.concatenate(([times[0] - interval_s], times))
    means: np.ndarray = np.diff(np.interp(edges, ends, charge)) / np.diff(edges)
    return means
