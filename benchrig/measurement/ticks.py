"""Short wake-ups in a long record: a tick with a period, or events that come as they like."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchrig.measurement.averaging import Floats
from benchrig.measurement.line_fit import fit_line
from benchrig.measurement.periodicity import find_wave
from benchrig.measurement.quantiles import poisson_limits

FEWEST = 4
REGULAR = 0.9
"""So many intervals must be whole periods, or there is none."""

SEEN = 0.5
"""... and so many of the periods must have their wake-up."""

PURE = 0.1
"""An exponential has an overtone of a half of its fundamental or more."""

BASE_BLOCKS = 16
BASE_GROWTH = 1.3
BASE_READINGS = 20
RESOLVED = 3


@dataclass(frozen=True)
class WakeUps:
    """Events above the current between them. Times in s since the command.

    period_s        None where they come as they like; its standard uncertainty
    onsets_s        when each began, as far as the readings tell
    duration_s      median time above the threshold, of a reading at least; `resolved`: it is three
                    readings or more, else the event may be much shorter
    charge_C        mean charge of one above the base, and its standard uncertainty
    peak_A          the largest reading
    current_A       what they add to the mean
    rate_low_per_s  exact 95 % counting interval of their rate
    rate_high_per_s
    missed          periods in which none was seen
    smeared         none stands out by itself: the readings rise and fall with the period. Charge
                    and current are then what lies above the lowest readings: the least they are
    pure            ... and do so like a sine, as hum does
    """

    onsets_s: tuple[float, ...]
    period_s: float | None
    period_uncertainty_s: float | None
    duration_s: float
    resolved: bool
    charge_C: float
    charge_uncertainty_C: float
    peak_A: float
    current_A: float
    rate_low_per_s: float
    rate_high_per_s: float
    missed: int = 0
    smeared: bool = False
    pure: bool = False


def find_wake_ups(
    times_s: Floats, currents_A: Floats, count_A: float
) -> tuple[NDArray[np.bool_], WakeUps | None]:
    """Which readings belong to a wake-up, with a neighbour on each side, shape (n,); and what is
    told of them, if there are any."""
    masked, seen = _found(times_s, currents_A, count_A, BASE_READINGS)
    if seen is None:
        return masked, None
    # Once more, with blocks in which wake-ups as long as these are the minority.
    step_s = float(np.median(np.diff(times_s)))
    block_s = 3.0 * seen.duration_s
    if seen.period_s is not None and seen.duration_s > 0.25 * seen.period_s:
        block_s = 2.0 * seen.period_s
    shortest = max(BASE_READINGS, round(block_s / step_s))
    masked, seen = _found(times_s, currents_A, count_A, shortest)
    if seen is not None and seen.period_s is not None:
        masked |= _due(times_s, seen, seen.period_s, step_s)
    return masked, seen


def find_smeared(times_s: Floats, currents_A: Floats) -> tuple[Floats, WakeUps | None]:
    """The wave that smeared wake-ups make of the current, shape (n,), and what it tells of them.

    It is looked for in the second half of the record, where little is left of a tail.
    """
    late = slice(times_s.size // 2, None)
    wave = find_wave(times_s[late], currents_A[late])
    if wave is None:
        return np.zeros_like(times_s), None
    period_s, begin_s, end_s = wave.period_s, float(times_s[0]), float(times_s[-1])
    first, last = (math.ceil((at_s - wave.trough_s) / period_s) for at_s in (begin_s, end_s))
    low, high = poisson_limits(last - first, 0.025)
    waving_A, one_A = wave.at(times_s), wave.softened().at(np.linspace(0.0, period_s, 200))
    rest_A = float(np.std((currents_A - waving_A)[late]))
    free = 2.0 * len(wave.harmonics_A)
    return waving_A, WakeUps(
        onsets_s=tuple(wave.trough_s + period_s * number for number in range(first, last)),
        period_s=period_s,
        period_uncertainty_s=wave.uncertainty_s,
        duration_s=float(np.mean(one_A > 0.0)) * period_s,
        resolved=False,
        charge_C=-float(np.min(one_A)) * period_s,
        charge_uncertainty_C=rest_A * math.sqrt(2.0 * free / times_s.size) * period_s,
        peak_A=float(np.max(currents_A[late])),
        current_A=-float(np.min(one_A)),
        rate_low_per_s=low / (end_s - begin_s),
        rate_high_per_s=high / (end_s - begin_s),
        smeared=True,
        pure=len(wave.harmonics_A) > 1 and abs(wave.harmonics_A[1]) < PURE * wave.amplitude_A,
    )


def _due(times_s: Floats, seen: WakeUps, period_s: float, step_s: float) -> NDArray[np.bool_]:
    """Where a wake-up is due, whether it was seen or not: on a steep tail it may be hidden."""
    onsets = np.array(seen.onsets_s)
    before = np.clip(np.searchsorted(onsets, times_s) - 1, 0, onsets.size - 1)
    since_s = (times_s - step_s - onsets[before]) % period_s
    late = since_s > period_s - 1.5 * step_s
    return np.asarray(late | (since_s < seen.duration_s + step_s), dtype=np.bool_)


def _found(
    times_s: Floats, currents_A: Floats, count_A: float, shortest: int
) -> tuple[NDArray[np.bool_], WakeUps | None]:
    base, spread = _base_level(times_s, currents_A, shortest)
    excess = currents_A - base
    # As in the settling rule: none of these is reached by noise.
    usual = 1.4826 * float(np.median(np.abs(excess)))
    threshold = np.maximum(8.0 * np.maximum(spread, usual), 3.0 * count_A)
    threshold = np.maximum(threshold, 0.02 * np.abs(base))
    event = excess > threshold
    # The beginning of a steep tail stands out as well, but only a wake-up rises.
    early = slice(1, BASE_READINGS)
    lowest = np.minimum.accumulate(currents_A[:BASE_READINGS])[:-1]
    event[early] &= currents_A[early] - lowest > threshold[early]
    event[0] = False
    starts = np.flatnonzero(event & ~np.concatenate(([False], event[:-1])))
    masked = event | np.concatenate((event[1:], [False])) | np.concatenate(([False], event[:-1]))
    if starts.size == 0:
        return masked, None
    return masked, _wake_ups(times_s, currents_A, excess, event, starts, masked)


def _base_level(times_s: Floats, currents_A: Floats, shortest: int) -> tuple[Floats, Floats]:
    """The current between wake-ups, and its robust spread, at each reading: medians of blocks, the
    `shortest` where a tail is steep."""
    step_s, whole_s = float(np.median(np.diff(times_s))), float(times_s[-1] - times_s[0])
    least_s, most_s = shortest * step_s, max(whole_s / BASE_BLOCKS, shortest * step_s)
    limits = [0.0]
    while limits[-1] < whole_s:
        limits.append(limits[-1] + min(max(limits[-1] * (BASE_GROWTH - 1.0), least_s), most_s))
    edges = np.unique(np.searchsorted(times_s, times_s[0] + np.array(limits[1:-1])))
    parts = [part for part in np.split(np.arange(times_s.size), edges) if part.size]
    middles = [float(np.median(times_s[part])) for part in parts]
    medians = [float(np.median(currents_A[part])) for part in parts]
    base = np.interp(times_s, middles, medians)
    spreads = [1.4826 * float(np.median(np.abs(currents_A[part] - base[part]))) for part in parts]
    # Where the base is steep, it is known no better than it changes from block to block.
    steep = np.abs(np.diff(medians, prepend=medians[0], append=medians[-1]))
    unsure = np.hypot(spreads, np.maximum(steep[:-1], steep[1:]) / 4.0)
    return base, np.repeat(unsure, [part.size for part in parts])


def _wake_ups(
    times_s: Floats,
    currents_A: Floats,
    excess_A: Floats,
    event: NDArray[np.bool_],
    starts: NDArray[np.intp],
    masked: NDArray[np.bool_],
) -> WakeUps:
    step_s = float(np.median(np.diff(times_s)))
    whole_s = float(times_s[-1] - times_s[0]) + step_s
    lengths = np.add.reduceat(event.astype(np.float64), starts)
    charges = np.add.reduceat(np.where(masked, excess_A, 0.0), np.maximum(starts - 1, 0)) * step_s
    onsets_s = times_s[starts] - step_s
    period = _period(onsets_s, step_s)
    low, high = poisson_limits(int(starts.size), 0.025)
    spread_C = float(np.std(charges, ddof=1)) if charges.size > 1 else abs(float(charges[0]))
    charge_C, length = float(np.mean(charges)), float(np.median(lengths))
    return WakeUps(
        onsets_s=tuple(float(at) for at in onsets_s),
        period_s=None if period is None else period[0],
        period_uncertainty_s=None if period is None else period[1],
        duration_s=length * step_s,
        resolved=length >= RESOLVED,
        charge_C=charge_C,
        charge_uncertainty_C=spread_C / math.sqrt(charges.size),
        peak_A=float(np.max(currents_A[event])),
        current_A=charge_C * charges.size / whole_s,
        rate_low_per_s=low / whole_s,
        rate_high_per_s=high / whole_s,
        missed=0 if period is None else period[2],
    )


def _period(onsets_s: Floats, step_s: float) -> tuple[float, float, int] | None:
    """Period, its standard uncertainty and how many periods lack their event; None where the
    events follow no line."""
    if onsets_s.size < FEWEST:
        return None
    # Some may be missing: the median interval could be two periods, the short ones are not.
    first_s = float(np.median(np.diff(onsets_s)))
    # Noise on a slow slope crosses the threshold more than once.
    onsets_s = onsets_s[np.diff(onsets_s, prepend=-math.inf) > first_s / 4.0]
    intervals_s = np.diff(onsets_s)
    if onsets_s.size < FEWEST:
        return None
    whole = np.maximum(np.round(intervals_s / first_s), 1.0)
    off_s = np.abs(intervals_s - whole * first_s)
    if np.mean(off_s <= np.maximum(2.0 * step_s, 0.05 * first_s)) < REGULAR:
        return None
    number = np.concatenate(([0.0], np.cumsum(whole)))
    missed = int(number[-1]) + 1 - onsets_s.size
    if onsets_s.size < SEEN * (number[-1] + 1.0):
        return None
    line = fit_line(number.tolist(), onsets_s.tolist())
    # A reading is known to its interval: a rectangle, however well the line fits.
    grain_s = step_s / math.sqrt(12.0) / float(number[-1])
    return line.slope, math.hypot(line.slope_uncertainty, grain_s), missed
