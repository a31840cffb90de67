"""Wake-up ticks: short events on top of a base current, with or without a declared period.

The mean with its events is what drains the battery, so events are never taken out. They decide
where a window may begin and end, and how uncertain it is that the window holds a fair share.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchrig.measurement.averaging import BATCHES, Floats, even_edges, median, running_sum, steps
from benchrig.measurement.level import Level
from benchrig.measurement.outcome import Kind
from benchrig.measurement.periodicity import FEWEST_PERIODS as FEWEST_WAVES
from benchrig.measurement.periodicity import find_wave
from benchrig.measurement.priors import Priors
from benchrig.measurement.quantiles import poisson_limits, t_quantile

FEWEST_PERIODS = 3
FEWEST_DRAWS = 12
WHOLE = 0.02
ONSET_READINGS = 1.2
PERIOD_ERROR = 0.05
GAPLESS = 0.02
"""A meter that is blind for no more than this sees the onsets well enough to lock onto them."""
LASTING = 1.25
"""Entries per event, above which a meter that is blind between them misses none."""


class Window(NamedTuple):
    """The part of a record to average, and the least uncertainty that its events leave.

    `edges`: batch limits as positions in the record, shape (k+1,), may lie within a reading.
    `events_A`: what the events add to the mean. `representative`: not so few different parts of
    the events were seen that all of them may have missed the same.
    Of events that nobody declared, `clusters` were seen to begin, in `chances` entries of the
    record: only after one without an event can another be told. `lasting`: they are longer than
    what a meter may be blind between two readings.
    """

    edges: Floats
    events_A: float = 0.0
    least_uncertainty_A: float = 0.0
    clusters: int = 0
    representative: bool = True
    chances: int = 0
    lasting: bool = False

    def rate_per_s(self, seen: float, length_s: float, blind: float) -> float:
        """The rate of undeclared events of which `seen` were to be expected where `clusters` were,
        in a window of `length_s`; a meter may have missed a share `blind` of all of them.

        As a counter with dead time: two events in one entry, or in neighbouring ones, are seen as
        one. An entry shows an event with p = 1 - exp(-rate times its length).
        """
        p = self.clusters / (self.chances + 1.0)
        merged = -math.log1p(-p) / p if p > 0.0 else 1.0
        seeing_s = length_s * (self.chances / float(self.edges[-1] - self.edges[0]))
        return seen * merged / (seeing_s * (1.0 - blind))


@dataclass(frozen=True)
class NoWindow:
    """Why there is no window to average, and the flags that the outcome gets for it."""

    kind: Kind
    reason: str
    flags: tuple[str, ...] = ()


def undeclared(part: Floats, level: Level, edges: Floats, count_A: float) -> Window:
    """The window of the `part` at the end of a record, priced for events that nobody declared.

    `clusters` events at random give a Poisson count, and unequal ones a compound one: what they
    add is as uncertain as the exact counting interval, in events of their root-mean-square
    charge. Excursions in both directions count: telegraph noise spends its time on either level.
    """
    excess = part - level.base_A
    event = np.abs(excess) > level.threshold_A(count_A)
    onsets = _onsets(event)
    if not onsets.size:
        return Window(edges, chances=part.size)
    charges = np.add.reduceat(np.where(event, excess, 0.0), onsets) / part.size
    size = math.sqrt(float(np.mean(charges**2)))
    clusters = int(onsets.size)
    more = poisson_limits(clusters, 0.025)[1] - clusters
    chances = part.size - int(event[:-1].sum())
    # Short ones, each on one entry, make runs of 1/(1 - p) on average where they come by chance.
    entries = float(event.sum()) / clusters
    return Window(
        edges,
        float(charges.sum()),
        size * more / t_quantile(math.inf),
        clusters,
        chances=chances,
        lasting=entries * (1.0 - clusters / (chances + 1.0)) > LASTING,
    )


def whole_periods(
    times: Floats,
    readings: Floats,
    start: int,
    level: Level,
    priors: Priors,
) -> Window | NoWindow:
    """The window from `start`, whose readings have that `level`, cut to whole wake-up periods;
    `priors.period_s` must be declared."""
    assert priors.period_s is not None
    gap_s = median(steps(times))
    aperture_periods = gap_s * (1.0 - priors.dead_share) / priors.period_s
    if aperture_periods > 0.5 and abs(aperture_periods - round(aperture_periods)) <= WHOLE:
        # Each reading averages whole periods: there is nothing to see, nothing to miss.
        return Window(even_edges(start, times.size, BATCHES), clusters=times.size - start)
    excess = readings[start:] - level.base_A
    onsets_s = times[start + _onsets(excess > level.threshold_A(priors.count_A))]
    if priors.dead_share > GAPLESS:
        cut = _blind(onsets_s, float(times[start]), float(times[-1]), priors.period_s)
    else:
        cut = _gapless(onsets_s, float(times[start]), float(times[-1]), gap_s, priors.period_s)
    if isinstance(cut, NoWindow):
        return _smeared(times, readings, start, level, priors, gap_s, cut)
    if cut.periods < FEWEST_PERIODS:
        return NoWindow(
            "wakeups_not_seen",
            f"only {cut.periods} whole wake-up periods of {cut.period_s:.4g} s were recorded: "
            f"{FEWEST_PERIODS} are needed",
        )
    edges = np.interp(_batch_edges(cut), reading_limits(times, gap_s), np.arange(times.size + 1.0))
    events = _mean(readings, edges) - level.base_A
    draws = _draws(cut, times, gap_s)
    # A short event is seen or not (Bernoulli).
    missed = math.sqrt(priors.dead_share / (1.0 - priors.dead_share) / draws)
    # Where the meter is locked on, the ends are known to about a reading: 1.9 of them at 95 %.
    gapless = priors.dead_share <= GAPLESS
    ends = 0.95 * gap_s / (cut.period_s * cut.periods) if gapless else 0.0
    # A tick that the board leaves out now and then is a Bernoulli trial as well.
    left_out = math.sqrt(cut.left_out / (1.0 - cut.left_out) / cut.periods)
    error = abs(events) * math.hypot(missed, ends, left_out)
    return Window(edges, events, error, cut.periods, gapless or draws >= FEWEST_DRAWS)


def _smeared(
    times: Floats,
    readings: Floats,
    start: int,
    level: Level,
    priors: Priors,
    gap_s: float,
    unseen: NoWindow,
) -> Window | NoWindow:
    """The window of whole periods where shunt and decoupling capacitor leave no events to see, but
    a wave; `unseen` where there is none either, or could be."""
    assert priors.period_s is not None
    part_s, part = times[start:], readings[start:]
    if part_s[-1] - part_s[0] < FEWEST_WAVES * (1.0 - PERIOD_ERROR) * priors.period_s:
        return unseen
    wave = find_wave(part_s, part, (priors.period_s, PERIOD_ERROR))
    if wave is None:
        hint = "nor does the current rise and fall with it; a smaller shunt smears wake-ups less"
        return replace(unseen, reason=f"{unseen.reason}, {hint}")
    if priors.dead_share > GAPLESS and not wave.smooth:
        # A blind meter sees a part of short events, and a part may well have their period.
        return unseen
    if abs(wave.period_s / priors.period_s - 1.0) > PERIOD_ERROR:
        return NoWindow(
            "period_not_as_declared",
            f"the current rises and falls every {wave.period_s:.4g} s; declared are "
            f"{priors.period_s:g} s",
        )
    before = math.ceil((part_s[0] - wave.trough_s) / wave.period_s)
    first_s = wave.trough_s + wave.period_s * before
    cut = _Cut(first_s, wave.period_s, int((part_s[-1] - first_s) / wave.period_s))
    edges = np.interp(_batch_edges(cut), reading_limits(times, gap_s), np.arange(times.size + 1.0))
    # The wave jumps once a period, by what it spans at most, somewhere in a reading or, where the
    # meter is blind, between two; and a wrong period leaves a part of a wave at the end.
    span = float(np.ptp(wave.at(np.linspace(0.0, wave.period_s, 100))))
    jumps = span * gap_s / cut.period_s / math.sqrt(12.0)
    blind = priors.dead_share / math.sqrt(_draws(cut, times, gap_s))
    ends = span / 2.0 * wave.uncertainty_s / cut.period_s
    error = math.hypot(jumps * blind, jumps / cut.periods, ends)
    events = _mean(readings, edges) - level.base_A
    return Window(edges, events, error, cut.periods)


def _mean(readings: Floats, edges: Floats) -> float:
    """Of all readings that lie between the outer `edges`, in whole or in part."""
    inside = readings[int(edges[0]) : int(edges[-1]) + 1]
    return float(np.add.reduce(inside)) / inside.size


def reading_limits(times: Floats, gap_s: float) -> Floats:
    """Times between readings, shape (n+1,), from their ends, usually `gap_s` apart: limit i is
    where reading i begins."""
    return np.concatenate(((times[0] - gap_s,), times))


def time_at(times: Floats, position: float) -> float:
    """The time at a position in the record; reading i lies between i and i + 1."""
    whole = int(position)
    begin_s = float(times[whole - 1] if whole else times[0] - median(steps(times)))
    end_s = float(times[min(whole, times.size - 1)])
    return begin_s + (position - whole) * (end_s - begin_s)


class _Cut(NamedTuple):
    """A number of whole periods from `first_s` on; `left_out`: share of those without an event."""

    first_s: float
    period_s: float
    periods: int
    left_out: float = 0.0


def _blind(onsets_s: Floats, start_s: float, last_s: float, period_s: float) -> _Cut | NoWindow:
    """Whole declared periods, counted back from the end.

    A meter that is blind between readings misses events, so their times can't be trusted to
    correct the declared period.
    """
    periods = int((last_s - start_s) / period_s + 1e-9)
    first_s = last_s - periods * period_s
    inside = onsets_s[onsets_s >= first_s]
    seen = len(set(np.floor((inside - first_s) / period_s).tolist()))
    if 2 * seen < periods:
        return NoWindow(
            "wakeups_not_seen",
            f"a wake-up every {period_s:g} s was declared, but only {seen} of {periods} were seen",
        )
    return _Cut(first_s, period_s, periods)


def _gapless(
    onsets_s: Floats, start_s: float, last_s: float, gap_s: float, period_s: float
) -> _Cut | NoWindow:
    """Lock onto the onsets: the straight line through them is the true period.

    A declared period that is 1 % off would let the ends of the window drift over the events.
    """
    apart = onsets_s[steps(np.concatenate(((-math.inf,), onsets_s))) > period_s / 4.0]
    line = _line_of_onsets(apart, ONSET_READINGS * gap_s)
    if line is None:
        return NoWindow(
            "wakeups_not_seen",
            f"a wake-up every {period_s:g} s was declared, but no regular wake-ups were seen "
            f"in {last_s - start_s:.3g} s",
        )
    true_s, origin_s, numbers = line
    if abs(true_s / period_s - 1.0) > PERIOD_ERROR:
        return NoWindow(
            "period_not_as_declared",
            f"wake-ups come every {true_s:.4g} s; declared are {period_s:g} s",
        )
    # Cut half-way between events, where a small error of the cut takes no charge in or out.
    first = 0 if origin_s - true_s / 2.0 >= start_s else 1
    past = int((last_s - origin_s) / true_s + 0.5)
    periods, seen = past - first, int(np.count_nonzero((numbers >= first) & (numbers < past)))
    if 2 * seen < periods:
        return NoWindow(
            "wakeups_not_seen",
            f"a wake-up every {period_s:g} s was declared, but only {seen} of {periods} were seen",
        )
    left_out = 1.0 - seen / periods if periods else 0.0
    return _Cut(origin_s + true_s * (first - 0.5), true_s, periods, left_out)


def _line_of_onsets(onsets_s: Floats, within_s: float) -> tuple[float, float, Floats] | None:
    """Period and first one of the latest onsets that lie on one straight line, and their numbers
    on it, from 0 on: one that is left out leaves its number out."""
    while onsets_s.size >= FEWEST_PERIODS:
        apart_s = steps(onsets_s)
        numbers = running_sum(np.maximum(np.round(apart_s / median(apart_s)), 1.0))
        period_s, offset_s = np.polyfit(numbers, onsets_s - onsets_s[0], 1)
        if np.max(np.abs(onsets_s - onsets_s[0] - offset_s - period_s * numbers)) <= within_s:
            return float(period_s), float(onsets_s[0] + offset_s), numbers
        onsets_s = onsets_s[1:]
    return None


def _batch_edges(cut: _Cut) -> Floats:
    """Times between batches of equally many whole periods: as many as possible, at most 16."""
    per_batch = math.ceil(cut.periods / BATCHES)
    batches = cut.periods // per_batch
    skipped = cut.periods - batches * per_batch
    edges: Floats = cut.first_s + cut.period_s * (skipped + per_batch * np.arange(batches + 1.0))
    return edges


def _draws(cut: _Cut, times: Floats, gap_s: float) -> int:
    """How many different phases of the readings the events fell on.

    Events that fall on the same phase repeat one draw. The readings may have been started at
    random on purpose, so that they don't.
    """
    events_s = cut.first_s + cut.period_s * np.arange(cut.periods)
    following = times[np.minimum(times.searchsorted(events_s), times.size - 1)]
    phases = (following - events_s) / gap_s % 1.0
    return len(set((np.rint(phases * cut.periods) % cut.periods).tolist()))


def _onsets(event: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Positions where events begin."""
    onsets = event.copy()
    np.greater(event[1:], event[:-1], out=onsets[1:])
    return onsets.nonzero()[0]
