"""One look at a record: where to average, what the mean is, and what may still be to come."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from benchrig.measurement import settling
from benchrig.measurement.averaging import BATCHES, Average, Floats, average, batch_means, student
from benchrig.measurement.events import (
    GAPLESS,
    NoWindow,
    Window,
    reading_limits,
    undeclared,
    whole_periods,
)
from benchrig.measurement.priors import Priors

FEWEST_AT_ALL = 5
"""Below this a Student interval is too wide and too fragile to print."""


@dataclass(frozen=True)
class Figures:
    """What one look found. Times in s after the command, currents in A.

    `means`: the batch means, shape (k,). `allowed_A`: what the half-width and the bound may be
    for the current to count as settled.
    """

    first_s: float
    last_s: float
    readings: int
    mean: Average
    means: Floats
    half_width_A: float
    bound_A: float
    allowed_A: float
    base_A: float
    flags: tuple[str, ...]

    @property
    def within_tolerance(self) -> bool:
        return max(self.half_width_A, self.bound_A) <= self.allowed_A


def examine(times: Floats, readings: Floats, priors: Priors) -> Figures | NoWindow:
    """Figures of a record of 5 valid readings or more, or why it can't have any.

    `times` and `readings` have shape (n,), without sentinels.
    """
    few = times.size < settling.FEWEST
    start = (
        min(times.size // 2, times.size - FEWEST_AT_ALL)
        if few
        else settling.averaging_start(readings)
    )
    if _rises(times, readings, start, priors):
        return _why_it_rises(times, readings, start)
    if priors.period_s is not None:
        window = whole_periods(times, readings, start, priors)
    else:
        batches = times.size - start if few else BATCHES
        edges = np.linspace(start, times.size, batches + 1)
        window = undeclared(readings, start, edges, priors.count_A)
    if isinstance(window, NoWindow):
        return window
    figures = _figures(times, readings, window, few, priors)
    if not math.isfinite(figures.bound_A):
        return NoWindow("few_readings", "the record is too short to show any settling")
    return figures


def late_rise(times: Floats, readings: Floats, priors: Priors) -> NoWindow | None:
    """A rise so late in the record that the averaged part could not start after it."""
    start = times.size * 3 // 4
    # A declared wake-up may well fill the last quarter.
    if priors.period_s is None and _rises(times, readings, start, priors):
        return _why_it_rises(times, readings, start)
    return None


def drifting(readings: Floats, figures: Figures, priors: Priors) -> tuple[float, float] | None:
    """Change over the last half of the record and its 95 % half-width, if it is a real one.

    Real: significant, and more than a quarter of what is allowed.
    """
    means = figures.means
    if priors.period_s is None and readings.size >= settling.FEWEST:
        means = batch_means(readings, np.linspace(readings.size // 2, readings.size, BATCHES + 1))
    change, half_width = settling.drift(means)
    real = abs(change) > max(half_width, figures.allowed_A / 4.0)
    return (change, half_width) if real and not figures.within_tolerance else None


def _figures(times: Floats, readings: Floats, window: Window, few: bool, priors: Priors) -> Figures:
    edges = window.edges
    part = readings[int(edges[0]) : math.ceil(edges[-1])]
    means = batch_means(readings, edges)
    mean = student(means) if few else average(readings, edges)
    uncertainty = max(mean.standard_uncertainty, window.least_uncertainty_A)
    mean = replace(mean, standard_uncertainty=uncertainty)
    limits = reading_limits(times)
    first_s, last_s = np.interp(edges[[0, -1]], np.arange(limits.size), limits)
    # Without half a count of noise the readings are rounded alike, and averaging finds nothing.
    undithered = priors.count_A > 0.0 and float(np.std(part)) < priors.count_A / 2.0
    kappa = settling.still_to_come(float(first_s), float(last_s), priors.slowest_tau_s)
    bound = settling.settling_bound(mean, kappa, priors.count_A / 2.0 if undithered else 0.0)
    return Figures(
        first_s=float(first_s),
        last_s=float(last_s),
        readings=part.size,
        mean=mean,
        means=means,
        half_width_A=math.hypot(mean.half_width, priors.count_A / 2.0),
        bound_A=bound,
        allowed_A=priors.allowed_A(mean.mean),
        base_A=float(np.median(part)),
        flags=_flags(few, undithered, window, priors),
    )


def _flags(few: bool, undithered: bool, window: Window, priors: Priors) -> tuple[str, ...]:
    declared = priors.period_s is not None
    flags = {
        "few_readings": few,
        "resolution_limited": undithered,
        "events_undeclared": not declared and window.clusters > 0,
        "wakeups_undersampled": declared and priors.dead_share > GAPLESS,
    }
    return tuple(name for name, holds in flags.items() if holds)


def _rises(times: Floats, readings: Floats, start: int, priors: Priors) -> bool:
    first = int(np.searchsorted(times, times[0] + settling.RESETTLING_S))
    # What the resolution, or what is allowed anyway, can feign.
    return settling.has_risen(readings, first, start, 3.0 * priors.count_A + priors.floor_A)


def _why_it_rises(times: Floats, readings: Floats, start: int) -> NoWindow:
    if settling.is_gradual(readings):
        return NoWindow("drifting", "still drifting: the current rises slowly, all along")
    return NoWindow(
        "disturbed",
        f"the current rose again before {times[start]:.3g} s, which settling never does: "
        "look for a reset, a brown-out or a wake-up that was not declared",
    )
