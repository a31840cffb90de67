"""Watches readings as they come and says when the current has settled.

The record is kept whole. Looks are few (each 15 % more readings than the last), because a rule
that looks after every reading stops at a lucky moment; two looks in a row have to agree.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchrig.measurement import events, settling
from benchrig.measurement.averaging import BATCHES, Average, Floats, average, batch_means, student
from benchrig.measurement.outcome import Kind, Outcome
from benchrig.measurement.priors import Priors

SENTINEL = 1e36
"""SCPI-99 vol. 1, 7.2.1: infinity is 9.9E37, not a number 9.91E37; no current is that large."""

NOT_A_NUMBER = 9.905e37
MOST_DROPPED = 1.0 / 50.0
LOOK_GROWTH = 1.15
LOOKS_IN_A_ROW = 2
FEWEST_AT_ALL = 5


@dataclass(frozen=True)
class _Figures:
    """What one look found: positions, the average and the bound of a transient."""

    first: float
    last: float
    mean: Average
    bound_A: float
    base_A: float
    means: Floats
    flags: tuple[str, ...]


class SettlingWatch:
    """One record of one state on one range; feed it, and read the last outcome.

    `since_s`: the record counts from here, in seconds after the command that entered the state;
    readings before it are left out. Set it to the last change of range, after which the supply
    at the board settles again.
    """

    def __init__(self, priors: Priors, *, since_s: float = 0.0) -> None:
        if not (math.isfinite(since_s) and since_s >= 0.0):
            raise ValueError(f"since_s is {since_s!r}: it must be a finite number, 0 or more")
        self._priors = priors
        self._since_s = since_s
        self._times = np.empty(0)
        self._readings = np.empty(0)
        self._size = 0
        self._last_time_s = -math.inf
        self._overloads = 0
        self._invalid = 0
        self._next_look = settling.FEWEST
        self._agreeing = 0
        self._outcome = Outcome("waiting", "no readings yet", still_needed_s=priors.guard_s)

    def add(self, times_s: ArrayLike, currents_A: ArrayLike) -> Outcome:
        """Takes readings in and says "waiting" or "settled"; after "settled" nothing changes.

        `times_s`, shape (n,): seconds after the command, strictly increasing, also from call to
        call. `currents_A`, shape (n,): sentinels, NaN and infinities are counted and left out.
        The outcome does not depend on how the readings are divided into calls.
        Raises `ValueError`, and takes nothing in, if the arrays don't make sense.
        """
        times = np.asarray(times_s, dtype=np.float64)
        currents = np.asarray(currents_A, dtype=np.float64)
        self._check(times, currents)
        if times.size == 0 or self._outcome.kind == "settled":
            return self._outcome
        self._last_time_s = float(times[-1])
        begun = times >= self._since_s
        self._keep(times[begun], currents[begun])
        while self._outcome.kind != "settled" and self._look_is_due():
            self._look(self._next_look)
            self._next_look = math.ceil(self._next_look * LOOK_GROWTH)
        return self._outcome

    def finish(self) -> Outcome:
        """The outcome at the time-out: never "waiting", and "settled" only if it was before."""
        if self._outcome.kind == "settled":
            return self._outcome
        return self._final()

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
