"""One look at a record: where to average, what the mean is, and what may still be to come."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from benchrig.measurement import noise, settling
from benchrig.measurement.averaging import (
    BATCHES,
    Average,
    Floats,
    Sums,
    batch_means,
    even_edges,
    mean_square,
    median,
    noise_of,
    of_means,
    student,
)
from benchrig.measurement.entries import Entries
from benchrig.measurement.events import (
    GAPLESS,
    NoWindow,
    Window,
    time_at,
    undeclared,
    whole_periods,
)
from benchrig.measurement.level import Level
from benchrig.measurement.priors import Priors
from benchrig.measurement.record import CLOCK_S
from benchrig.measurement.resolution import count_of
from benchrig.measurement.rest import at_rest

FEWEST_AT_ALL = 5
"""Below this a Student interval is too wide and too fragile to print."""

FINE = noise.SHORT
WHITE_DOF = FINE * (1.0 - 0.3) / (1.0 + 0.3) - 2.0
"""What 32 batches have left at a correlation of 0.3: with more of it the noise is not white."""

UNKNOWN_RESOLUTION = NoWindow(
    "invalid_readings",
    "all readings are equal, and nobody knows what the meter resolves: declare its count",
    ("resolution_unknown",),
)


class Figures(NamedTuple):
    """What one look found. Times in s after the command, currents in A.

    `allowed_A`: what the half-width and the bound may be for the current to count as settled.
    `to_come_A`: bound of what is left of the transient;
    `unseen_A`: of noise that was not seen in the `seen_s` for which the current was seen at rest.
    `count_A`: as declared, or as the readings show it. `window`: what was averaged, in entries of
    the record.
    """

    first_s: float
    last_s: float
    readings: int
    mean: Average
    half_width_A: float
    to_come_A: float
    unseen_A: float
    allowed_A: float
    seen_s: float
    base_A: float
    count_A: float
    window: Window
    flags: tuple[str, ...]

    @property
    def bound_A(self) -> float:
        return max(self.to_come_A, self.unseen_A)

    @property
    def known_to_A(self) -> float:
        """The larger of what the averaging leaves and what may still be to come."""
        return max(self.half_width_A, self.to_come_A)

    @property
    def within_tolerance(self) -> bool:
        return self.known_to_A <= self.allowed_A and self.window.representative


class _Known:
    """What a look works on. `priors`: as declared, but for a count that the readings told. What
    both windows need of the readings is worked out once."""

    def __init__(self, record: Entries, declared: Priors, priors: Priors, few: bool) -> None:
        self.record, self.declared, self.priors, self.few = record, declared, priors, few
        self.times, self.readings = record.times, record.means
        self._levels: dict[int, Level] = {}
        self._sums: Sums | None = None

    @property
    def sums(self) -> Sums:
        if self._sums is None:
            self._sums = Sums(self.readings)
        return self._sums

    def level(self, start: int) -> Level:
        """Of the part of the record from some entry on."""
        if start not in self._levels:
            self._levels[start] = Level.of(self.readings[start:])
        return self._levels[start]

    def base_A(self, within: slice) -> float:
        """The median of some entries."""
        if within.start in self._levels and within.stop == self.times.size:
            return self._levels[within.start].base_A
        return median(self.readings[within])

    def scatter_A(self, within: slice) -> float:
        """Standard deviation of the readings themselves, however many are in an entry."""
        inside = self.record.scatter[within]
        of_entries = mean_square(self.readings[within])
        return math.sqrt(of_entries + float(np.add.reduce(inside)) / inside.size)


def examine(record: Entries, declared: Priors) -> Figures | NoWindow:
    """Figures of a record of 5 entries or more, or why it can't have any."""
    times, readings = record.times, record.means
    few = times.size < settling.FEWEST
    starts = (
        [min(times.size // 2, times.size - FEWEST_AT_ALL)]
        if few
        else settling.averaging_starts(readings)
    )
    start = starts[-1]
    count_A = declared.count_A or count_of(readings[start:], record.per_entry)
    if count_A is None:
        return UNKNOWN_RESOLUTION
    priors = declared if count_A == declared.count_A else replace(declared, count_A=count_A)
    known = _Known(record, declared, priors, few)
    level = known.level(start)
    if _rises(times, readings, start, level, priors):
        return _why_it_rises(times, readings, start)
    found: list[Figures | NoWindow]
    if few or declared.period_s is not None:
        found = [_from(known, start, start, ()) for start in starts]
    else:
        rest = at_rest(times, readings, start, level, priors)
        if rest.unsteady:
            starts = settling.averaging_starts(readings, rest.latest_start)
        flags = ("unsteady",) if rest.unsteady else ()
        found = [_from(known, start, rest.since(start), flags) for start in starts]
    figures = min(
        (figures for figures in found if isinstance(figures, Figures)),
        key=lambda figures: figures.known_to_A / (figures.allowed_A or 1.0),
        default=None,
    )
    if figures is None:
        return found[0]
    if not math.isfinite(figures.bound_A):
        return NoWindow("few_readings", "the record is too short to show any settling")
    return figures


def _from(known: _Known, start: int, rest: int, flags: tuple[str, ...]) -> Figures | NoWindow:
    times, readings, priors = known.times, known.readings, known.priors
    level = known.level(start)
    if priors.period_s is not None:
        window = whole_periods(times, readings, start, level, priors)
        return window if isinstance(window, NoWindow) else _figures(known, window, None, flags)
    edges = even_edges(start, times.size, times.size - start if known.few else BATCHES)
    window = undeclared(readings[start:], level, edges, priors.count_A)
    return _figures(known, window, rest, flags)


def late_rise(record: Entries, priors: Priors) -> NoWindow | None:
    """A rise so late in the record that the averaged part could not start after it."""
    times, readings = record.times, record.means
    start = times.size * 3 // 4
    # A declared wake-up may well fill the last quarter.
    level = Level.of(readings[start:])
    if priors.period_s is None and _rises(times, readings, start, level, priors):
        return _why_it_rises(times, readings, start)
    return None


def drifting(readings: Floats, figures: Figures, priors: Priors) -> tuple[float, float] | None:
    """Change over the last half of the record and its 95 % half-width, if it is a real one.

    Real: more than a quarter of what is allowed, and significant or one way all along.
    """
    edges = figures.window.edges
    if priors.period_s is None and readings.size >= settling.FEWEST:
        edges = even_edges(readings.size // 2, readings.size, BATCHES)
    means = batch_means(readings, edges)
    change, half_width = settling.drift(means)
    beyond_noise = abs(change) > half_width or settling.goes_one_way(means)
    real = beyond_noise and abs(change) > figures.allowed_A / 4.0
    return (change, half_width) if real and not figures.within_tolerance else None


def _figures(known: _Known, window: Window, rest: int | None, flags: tuple[str, ...]) -> Figures:
    """`rest`: since which entry the current is seen at rest; None: for the window alone."""
    priors, few = known.priors, known.few
    times, edges = known.times, window.edges
    first, last = float(edges[0]), float(edges[-1])
    within = slice(int(first), math.ceil(last))
    means = known.sums.means(edges)
    fine = None if few else known.sums.means(even_edges(first, last, FINE))
    batches = student(means) if few else of_means(means)
    mean = _widened(batches, fine, window, priors)
    first_s, last_s = _after_command(times, first), time_at(times, last)
    # Without half a count of noise the readings are rounded alike, and averaging finds nothing.
    count_A = priors.count_A
    undithered = count_A > 0.0 and known.scatter_A(within) < count_A / 2.0
    kappa = settling.still_to_come(first_s, last_s, priors.slowest_tau_s)
    change = _change(batches, fine, edges)
    bound = settling.settling_bound(change, kappa, count_A / 2.0 if undithered else 0.0)
    seen_s = last_s - (first_s if rest is None else _after_command(times, rest))
    return Figures(
        first_s=first_s,
        last_s=last_s,
        readings=(within.stop - within.start) * known.record.per_entry,
        mean=mean,
        half_width_A=math.hypot(mean.half_width, count_A / 2.0),
        to_come_A=bound,
        unseen_A=known.declared.unseen_A(mean.mean, seen_s),
        allowed_A=known.declared.allowed_A(mean.mean),
        seen_s=seen_s,
        base_A=known.base_A(within),
        count_A=count_A,
        window=window,
        flags=(*_flags(known, undithered, window), *flags),
    )


def _after_command(times: Floats, position: float) -> float:
    """Never negative: a first reading that stands for the command has begun before it."""
    time_s = time_at(times, position)
    return time_s if time_s > CLOCK_S else 0.0


def _change(batches: Average, means: Floats | None, edges: Floats) -> Average:
    """The same change within the window, with the noise of finer batches, of these `means`, where
    they show that the noise is white: they know it better."""
    if means is None or edges[-1] - edges[0] < 2.0 * FINE or edges.size != BATCHES + 1:
        return batches
    uncertainty, dof = noise_of(means)
    return batches.known_to(uncertainty, dof) if dof >= WHITE_DOF else batches


def _widened(batches: Average, means: Floats | None, window: Window, priors: Priors) -> Average:
    """The widest of what the batches, the long-run noise in the `means` of finer ones, and the
    events say of the mean."""
    least = window.least_uncertainty_A
    mean = batches.known_to(max(batches.standard_uncertainty, least), batches.dof)
    if means is None or priors.period_s is not None:
        return mean
    long_run = batches.known_to(*noise.long_run(means))
    return max(mean, long_run, key=lambda candidate: candidate.half_width)


def _flags(known: _Known, undithered: bool, window: Window) -> tuple[str, ...]:
    declared = known.declared.period_s is not None
    flags = {
        "few_readings": known.few,
        "resolution_limited": undithered,
        "resolution_estimated": known.priors.count_A != known.declared.count_A,
        "events_undeclared": not declared and window.clusters > 0,
        "wakeups_undersampled": declared and known.declared.dead_share > GAPLESS,
    }
    return tuple(name for name, holds in flags.items() if holds)


def _rises(times: Floats, readings: Floats, start: int, level: Level, priors: Priors) -> bool:
    first = int(times.searchsorted(times[0] + settling.RESETTLING_S))
    # What the resolution, or what is allowed anyway, can feign.
    return settling.has_risen(readings, first, start, level, 3.0 * priors.count_A + priors.floor_A)


def _why_it_rises(times: Floats, readings: Floats, start: int) -> NoWindow:
    if settling.is_gradual(readings):
        return NoWindow("drifting", "still drifting: the current rises slowly, all along")
    return NoWindow(
        "disturbed",
        f"the current rose again before {times[start]:.3g} s, which settling never does: "
        "look for a reset, a brown-out or a wake-up that was not declared",
    )
