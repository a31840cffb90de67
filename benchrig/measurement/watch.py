"""Watches readings as they come and says when the current has settled.

The record is kept whole. Looks are few (each 15 % more readings than the last), because a rule
that looks after every reading stops at a lucky moment; two looks in a row have to agree.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from benchrig.measurement.averaging import Floats
from benchrig.measurement.events import NoWindow
from benchrig.measurement.look import FEWEST_AT_ALL, Figures, drifting, examine, late_rise
from benchrig.measurement.outcome import Kind, Outcome
from benchrig.measurement.priors import Priors
from benchrig.measurement.settling import FEWEST

SENTINEL = 1e36
"""SCPI-99 vol. 1, 7.2.1: infinity is 9.9E37, not a number 9.91E37; no current is that large."""

NOT_A_NUMBER = 9.905e37
MOST_DROPPED = 1.0 / 50.0
LOOK_GROWTH = 1.15
LOOKS_IN_A_ROW = 2


class SettlingWatch:
    """One record of one state on one range; feed it, and read the last outcome.

    `since_s`: the record counts from here, in seconds after the command that entered the state;
    readings before it are left out. Set it to the last change of range, after which the supply
    at the board settles again.
    """

    def __init__(self, priors: Priors, *, since_s: float = 0.0) -> None:
        if not math.isfinite(since_s):
            raise ValueError(f"since_s is {since_s!r}: it must be a finite number")
        self._priors = priors
        self._since_s = since_s
        self._times = np.empty(0)
        self._readings = np.empty(0)
        self._size = 0
        self._last_time_s = -math.inf
        self._overloads = 0
        self._invalid = 0
        self._next_look = FEWEST
        self._agreeing = 0
        self._outcome = Outcome("waiting", "no readings yet", still_needed_s=priors.guard_s)

    def add(self, times_s: ArrayLike, currents_A: ArrayLike) -> Outcome:
        """Takes readings in and says "waiting" or "settled"; after "settled" nothing changes.

        `times_s`, shape (n,): end of each reading in seconds after the command, strictly
        increasing, also from call to call. `currents_A`, shape (n,): sentinels, NaN and
        infinities are counted and left out.
        The outcome does not depend on how the readings are divided into calls.
        Raises `ValueError`, and takes nothing in, if the arrays don't make sense.
        """
        times = np.asarray(times_s, dtype=np.float64)
        currents = np.asarray(currents_A, dtype=np.float64)
        self._check(times, currents)
        if times.size == 0 or self._settled:
            return self._outcome
        self._last_time_s = float(times[-1])
        begun = times >= self._since_s
        self._keep(times[begun], currents[begun])
        while not self._settled and self._look_is_due():
            self._look(self._next_look)
            self._next_look = math.ceil(self._next_look * LOOK_GROWTH)
        return self._outcome

    def finish(self) -> Outcome:
        """The outcome at the time-out: never "waiting", and "settled" only if it was before."""
        return self._outcome if self._settled else self._final()

    def _check(self, times: Floats, currents: Floats) -> None:
        if times.ndim != 1 or times.shape != currents.shape:
            raise ValueError(
                f"times and currents must be two lists of one length, not of shapes "
                f"{times.shape} and {currents.shape}"
            )
        if not np.all(np.isfinite(times)):
            raise ValueError("times must be finite")
        steps = np.diff(times, prepend=self._last_time_s)
        if times.size and not np.all(steps > 0.0):
            wrong = int(np.argmin(steps > 0.0))
            before = times[wrong - 1] if wrong else self._last_time_s
            raise ValueError(
                f"times must increase: reading {wrong} at {times[wrong]:g} s follows "
                f"one at {before:g} s"
            )

    def _keep(self, times: Floats, currents: Floats) -> None:
        valid = np.abs(currents) < SENTINEL  # false for NaN
        overload = (np.abs(currents) >= SENTINEL) & (np.abs(currents) < NOT_A_NUMBER)
        overload |= np.isinf(currents)
        self._overloads += int(np.count_nonzero(overload))
        self._invalid += int(np.count_nonzero(~valid & ~overload))
        fresh = int(np.count_nonzero(valid))
        while self._size + fresh > self._times.size:
            room = np.empty(max(self._times.size, 256))
            self._times = np.concatenate((self._times, room))
            self._readings = np.concatenate((self._readings, room))
        self._times[self._size : self._size + fresh] = times[valid]
        self._readings[self._size : self._size + fresh] = currents[valid]
        self._size += fresh

    def _look_is_due(self) -> bool:
        """Whether the record holds the next look; before the guard ends there is none."""
        if self._size < self._next_look:
            return False
        if self._times[self._next_look - 1] < self._priors.guard_s:
            at = int(np.searchsorted(self._times[: self._size], self._priors.guard_s))
            self._next_look = at + 1
            left_s = self._priors.guard_s - float(self._times[self._size - 1])
            self._outcome = Outcome(
                "waiting",
                f"the firmware may still be at work until {self._priors.guard_s:g} s",
                still_needed_s=max(left_s, 0.0),
            )
        return self._size >= self._next_look

    def _look(self, size: int) -> None:
        found = examine(self._times[:size], self._readings[:size], self._priors)
        agrees = (
            isinstance(found, Figures) and found.within_tolerance and not self._too_many_dropped
        )
        self._agreeing = self._agreeing + 1 if agrees else 0
        if isinstance(found, Figures) and self._agreeing >= LOOKS_IN_A_ROW:
            self._outcome = self._with_value("settled", _settled(found), found)
            return
        next_s = (LOOK_GROWTH - 1.0) * float(self._times[size - 1] - self._times[0])
        if isinstance(found, NoWindow):
            self._outcome = Outcome("waiting", found.reason, dropped=self._dropped)
        elif self._too_many_dropped:
            self._outcome = Outcome("waiting", self._dropped_reason(), dropped=self._dropped)
        elif agrees:
            reason = "within tolerance; one more look has to confirm it"
            self._outcome = Outcome("waiting", reason, next_s, dropped=self._dropped)
        else:
            needed_s = max(next_s, _still_needed_s(found, self._priors))
            reason = _not_yet(found)
            self._outcome = Outcome("waiting", reason, needed_s, dropped=self._dropped)

    def _final(self) -> Outcome:
        times, readings = self._times[: self._size], self._readings[: self._size]
        if self._too_many_dropped:
            kind: Kind = "overloaded" if self._overloads >= self._invalid else "invalid_readings"
            return self._without_value(kind, self._dropped_reason())
        if self._size < FEWEST_AT_ALL:
            return self._without_value("few_readings", f"only {self._size} valid readings came")
        if times[-1] < self._priors.guard_s:
            return self._without_value(
                "few_readings",
                f"the record ends at {times[-1]:.3g} s, while the firmware may be at work until "
                f"{self._priors.guard_s:g} s",
            )
        found = examine(times, readings, self._priors)
        if isinstance(found, Figures):
            found = late_rise(times, readings, self._priors) or found
        if isinstance(found, NoWindow):
            return self._without_value(found.kind, found.reason)
        change = drifting(readings, found, self._priors)
        if change is not None:
            return self._without_value("drifting", _drifts(change, found))
        if self._size < FEWEST:
            reason = f"only {self._size} readings: too few to see how they hang together"
            return self._with_value("few_readings", reason, found)
        return self._with_value("noise_limited", _not_yet(found), found)

    @property
    def _settled(self) -> bool:
        return self._outcome.kind == "settled"

    @property
    def _dropped(self) -> int:
        return self._overloads + self._invalid

    @property
    def _too_many_dropped(self) -> bool:
        return self._dropped > MOST_DROPPED * (self._size + self._dropped)

    def _dropped_reason(self) -> str:
        return (
            f"{self._overloads} overloads and {self._invalid} invalid readings among "
            f"{self._size + self._dropped}: more than 1 in 50"
        )

    def _without_value(self, kind: Kind, reason: str) -> Outcome:
        flags = ("readings_dropped",) if self._dropped else ()
        return Outcome(
            kind, reason, count_A=self._priors.count_A, dropped=self._dropped, flags=flags
        )

    def _with_value(self, kind: Kind, reason: str, found: Figures) -> Outcome:
        return Outcome(
            kind,
            reason,
            current_A=found.mean.mean,
            standard_uncertainty_A=found.mean.standard_uncertainty,
            dof=found.mean.dof,
            settling_bound_A=found.bound_A,
            settled_after_s=found.first_s,
            averaged_for_s=found.last_s - found.first_s,
            readings=found.readings,
            base_A=found.base_A,
            count_A=self._priors.count_A,
            dropped=self._dropped,
            flags=found.flags + (("readings_dropped",) if self._dropped else ()),
        )


def settle(
    times_s: ArrayLike, currents_A: ArrayLike, priors: Priors, *, since_s: float = 0.0
) -> Outcome:
    """The outcome of a stored record: the same figures as live, from the same looks."""
    watch = SettlingWatch(priors, since_s=since_s)
    watch.add(times_s, currents_A)
    return watch.finish()


def _still_needed_s(found: Figures, priors: Priors) -> float:
    """A guess: transients shrink exponentially, noise with the square root of the time."""
    excess = max(found.bound_A, found.half_width_A) / found.allowed_A if found.allowed_A else 1.0
    if abs(found.mean.first_minus_second) > 2.0 * found.mean.half_width:
        return priors.slowest_tau_s * math.log(max(excess, 1.0))
    return (found.last_s - found.first_s) * max(excess**2 - 1.0, 0.0)


def _settled(found: Figures) -> str:
    return f"settled after {found.first_s:.3g} s, averaged for {found.last_s - found.first_s:.3g} s"


def _not_yet(found: Figures) -> str:
    def percent(part_A: float) -> str:
        return f"{100.0 * part_A / abs(found.mean.mean):.2g} %" if found.mean.mean else "unbounded"

    return (
        f"allowed is {percent(found.allowed_A)} of the mean; averaging knows it to "
        f"{percent(found.half_width_A)}, and {percent(found.bound_A)} may still be to come"
    )


def _drifts(change: tuple[float, float], found: Figures) -> str:
    share = 100.0 * change[0] / abs(found.mean.mean) if found.mean.mean else math.inf
    return f"still drifting: {share:+.2g} % of the mean over the last half of the record"
