"""One look at a record: where to average, what the mean is, and what may still be to come."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from benchrig.measurement import noise, settling
from benchrig.measurement.averaging import (
    BATCHES,
    Average,
    Floats,
    average,
    batch_means,
    median,
    of_batches,
    student,
)
from benchrig.measurement.entries import Entries
from benchrig.measurement.events import (
    GAPLESS,
    NoWindow,
    Window,
    base_and_threshold,
    time_at,
    undeclared,
    whole_periods,
)
from benchrig.measurement.priors import Priors

FEWEST_AT_ALL = 5
"""Below this a Student interval is too wide and too fragile to print."""

FINE = 32
WHITE_DOF = FINE * (1.0 - 0.3) / (1.0 + 0.3) - 2.0
"""What 32 batches have left at a correlation of 0.3: with more of it the noise is not white."""


@dataclass(frozen=True)
class Figures:
    """What one look found. Times in s after the command, currents in A.

    `means`: the batch means, shape (k,). `allowed_A`: what the half-width and the bound may be
    for the current to count as settled. `window`: what was averaged, in entries of the record.
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
    window: Window
    flags: tuple[str, ...]

    @property
    def within_tolerance(self) -> bool:
        small = max(self.half_width_A, self.bound_A) <= self.allowed_A
        return small and self.window.representative


def examine(record: Entries, priors: Priors) -> Figures | NoWindow:
    """Figures of a record of 5 entries or more, or why it can't have any."""
    times, readings = record.times, record.means
    few = times.size < settling.FEWEST
    starts = (
        [min(times.size // 2, times.size - FEWEST_AT_ALL)]
        if few
        else settling.averaging_starts(readings)
    )
    start = starts[-1]
    if _rises(times, readings, start, priors):
        return _why_it_rises(times, readings, start)
    latest = None
    if priors.period_s is None and not few:
        latest = _latest_start(times, readings, start, priors)
        if latest is not None:
            starts = settling.averaging_starts(readings, latest)
    found = [_from(record, start, few, priors) for start in starts]
    figures = min(
        (figures for figures in found if isinstance(figures, Figures)),
        key=lambda figures: max(figures.half_width_A, figures.bound_A) / (figures.allowed_A or 1.0),
        default=None,
    )
    if figures is None:
        return found[0]
    if not math.isfinite(figures.bound_A):
        return NoWindow("few_readings", "the record is too short to show any settling")
    if latest is None:
        return figures
    return replace(figures, flags=(*figures.flags, "unsteady"))


def _from(record: Entries, start: int, few: bool, priors: Priors) -> Figures | NoWindow:
    if priors.period_s is not None:
        window = whole_periods(record.times, record.means, start, priors)
        return window if isinstance(window, NoWindow) else _figures(record, window, few, priors)
    edges = np.linspace(
        start, record.times.size, (record.times.size - start if few else BATCHES) + 1
    )
    window = undeclared(record.means, start, edges, priors.count_A)
    return _figures(record, window, few, priors)


def late_rise(record: Entries, priors: Priors) -> NoWindow | None:
    """A rise so late in the record that the averaged part could not start after it."""
    times, readings = record.times, record.means
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


def _figures(record: Entries, window: Window, few: bool, priors: Priors) -> Figures:
    times, edges = record.times, window.edges
    within = slice(int(edges[0]), math.ceil(edges[-1]))
    part = record.means[within]
    means = batch_means(record.means, edges)
    batches = student(means) if few else average(record.means, edges)
    mean = _widened(batches, record.means, window, few, priors)
    first_s, last_s = time_at(times, edges[0]), time_at(times, edges[-1])
    # Without half a count of noise the readings are rounded alike, and averaging finds nothing.
    scatter = math.sqrt(float(np.var(part)) + float(np.mean(record.scatter[within])))
    undithered = priors.count_A > 0.0 and scatter < priors.count_A / 2.0
    kappa = settling.still_to_come(first_s, last_s, priors.slowest_tau_s)
    change = batches if few else _change(batches, record.means, edges)
    bound = settling.settling_bound(change, kappa, priors.count_A / 2.0 if undithered else 0.0)
    unseen = priors.unseen_A(mean.mean, last_s - first_s)
    return Figures(
        first_s=first_s,
        last_s=last_s,
        readings=part.size * record.per_entry,
        mean=mean,
        means=means,
        half_width_A=math.hypot(mean.half_width, priors.count_A / 2.0),
        bound_A=max(bound, unseen),
        allowed_A=priors.allowed_A(mean.mean),
        base_A=median(part),
        window=window,
        flags=_flags(few, undithered, window, priors),
    )


def _change(batches: Average, readings: Floats, edges: Floats) -> Average:
    """The same change within the window, with the noise of finer batches where they show that
    the noise is white: they know it better."""
    if edges[-1] - edges[0] < 2.0 * FINE or edges.size != BATCHES + 1:
        return batches
    means = batch_means(readings, np.linspace(edges[0], edges[-1], FINE + 1))
    fine = of_batches(means)
    if fine.dof < WHITE_DOF:
        return batches
    return replace(batches, standard_uncertainty=fine.standard_uncertainty, dof=fine.dof)


def _widened(
    batches: Average, readings: Floats, window: Window, few: bool, priors: Priors
) -> Average:
    """The widest of what the batches, the long-run noise and the events say of the mean."""
    least = window.least_uncertainty_A
    mean = replace(batches, standard_uncertainty=max(batches.standard_uncertainty, least))
    if few or priors.period_s is not None:
        return mean
    edges = np.linspace(window.edges[0], window.edges[-1], noise.SHORT + 1)
    uncertainty, dof = noise.long_run(batch_means(readings, edges))
    long_run = replace(batches, standard_uncertainty=uncertainty, dof=dof)
    return max(mean, long_run, key=lambda candidate: candidate.half_width)


def _flags(few: bool, undithered: bool, window: Window, priors: Priors) -> tuple[str, ...]:
    declared = priors.period_s is not None
    flags = {
        "few_readings": few,
        "resolution_limited": undithered,
        "events_undeclared": not declared and window.clusters > 0,
        "wakeups_undersampled": declared and priors.dead_share > GAPLESS,
    }
    return tuple(name for name, holds in flags.items() if holds)


def _latest_start(times: Floats, readings: Floats, start: int, priors: Priors) -> int | None:
    """Where averaging has to start at the latest, so that no noise is cut off as a transient.

    After the guard the firmware is at rest: a sudden step between two levels, or a sudden rise, is
    then no settling but part of the current, such as telegraph noise or a sporadic event.
    """
    first = int(np.searchsorted(times, max(priors.guard_s, times[0] + settling.RESETTLING_S)))
    if start <= first:
        return None
    base, threshold = base_and_threshold(readings[start:], priors.count_A)
    least = priors.allowed_A(base) / 2.0 + 2.5 * priors.count_A
    cut = readings[first : start + 2 * noise.STEP_BLOCK]
    found = [noise.first_step(cut, least), noise.first_rise(readings[first:start], threshold)]
    places = [first + place for place in found if place is not None]
    return min(places) if places else None


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
