"""The readings of one state on one range, checked, counted and kept, as they come."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from benchrig.measurement.averaging import Floats
from benchrig.measurement.entries import Entries

SENTINEL = 1e36
"""SCPI-99 vol. 1, 7.2.1: infinity is 9.9E37, not a number 9.91E37; no current is that large."""

LEAST_TAKEN = 256
NOT_A_NUMBER = 9.905e37
MOST_DROPPED = 1.0 / 50.0

CLOCK_S = 1e-6
"""Times are compared no finer than this: after months, a float of seconds is good for 2e-9 s."""


class Record:
    """Valid readings of one state on one range, and how many were none.

    `entered_s`: the time of the command, on the clock of the readings; `None`: the first valid
    reading stands for it. `since_s`: readings that end before it, on the same clock, are left
    out; `None`, or earlier than the command: those that end before the command are.

    What the record gives out is in seconds after the command. From some length on it holds merged
    readings (`entries`): `times` and `readings`, shape (entries,), then have fewer elements than
    `size`, the number of valid readings. Raises `ValueError` for a time that is not finite.
    """

    def __init__(self, entered_s: float | None = None, since_s: float | None = None) -> None:
        for name, time_s in (("entered_s", entered_s), ("since_s", since_s)):
            if time_s is not None and not math.isfinite(time_s):
                raise ValueError(f"{name} is {time_s!r}: it must be a finite number, or None")
        self._entered_s = entered_s
        bounds_s = [] if since_s is None else [since_s]
        bounds_s += [] if entered_s is None else [entered_s - CLOCK_S]
        self._begin_s = max(bounds_s, default=-math.inf)
        self._last_time_s = -math.inf
        self.entries = Entries()
        self.last_valid_s = -math.inf
        self.overloads = 0
        self.invalid = 0

    @property
    def size(self) -> int:
        return self.entries.size

    @property
    def times(self) -> Floats:
        return self.entries.times

    @property
    def readings(self) -> Floats:
        return self.entries.means

    @property
    def dropped(self) -> int:
        return self.overloads + self.invalid

    @property
    def too_many_dropped(self) -> bool:
        # A single one is few, however short the record: it would only delay the next looks.
        return self.dropped > max(MOST_DROPPED * (self.size + self.dropped), 1.0)

    def why_too_many(self) -> tuple[Literal["overloaded", "invalid_readings"], str]:
        """Name and reason of an outcome without value."""
        return "overloaded" if self.overloads >= self.invalid else "invalid_readings", (
            f"{self.overloads} overloads and {self.invalid} invalid readings among "
            f"{self.size + self.dropped}: more than 1 in 50"
        )

    def check(self, times: Floats, currents: Floats) -> None:
        """Raises `ValueError` if the arrays don't make sense, or don't follow what came before."""
        if times.ndim != 1 or times.shape != currents.shape:
            raise ValueError(
                f"times and currents must be two lists of one length, not of shapes "
                f"{times.shape} and {currents.shape}"
            )
        if not np.isfinite(times).all():
            raise ValueError("times must be finite")
        before = np.concatenate(((self._last_time_s,), times))[:-1]
        if not (later := times > before).all():
            wrong = int(np.argmin(later))
            raise ValueError(
                f"times must increase: reading {wrong} at {times[wrong]:g} s follows "
                f"one at {before[wrong]:g} s"
            )

    def take(
        self, times: Floats, currents: Floats, until_size: int, not_before_s: float = -math.inf
    ) -> int:
        """Takes checked arrays in, no further than `until_size` valid readings, one of them
        `not_before_s` after the command or later; gives how many it took, valid or not.

        So a look at a record comes at the same reading however the readings are divided into
        calls. When all have been taken, whether it is due is for the caller to say.
        """
        # Not all of a long array is looked through for each of its looks.
        most = max(until_size - self.size, self.size, LEAST_TAKEN)
        times, currents = times[:most], currents[:most]
        valid = np.abs(currents) < SENTINEL  # false for NaN
        if self._entered_s is None and valid.any():
            self._entered_s = float(times[valid.argmax()])
        if times[0] < self._begin_s:
            valid &= times >= self._begin_s
        every = bool(valid.all())
        valid_s = times if every else times[valid]
        last = max(until_size - self.size - 1, 0)
        if not_before_s > self.last_valid_s:
            since_s = valid_s - (self._entered_s or 0.0)
            last = max(last, int(since_s.searchsorted(not_before_s)))
        if last >= valid_s.size:
            taken = times.size
        else:
            taken = 1 + (last if every else int(valid.nonzero()[0][last]))
        self._last_time_s = float(times[taken - 1])
        if every:
            self._keep(times[:taken], currents[:taken])
        else:
            self._sort_out(times[:taken], currents[:taken], valid[:taken])
        return taken

    def _sort_out(self, times: Floats, currents: Floats, valid: np.ndarray) -> None:
        none = np.abs(currents[~valid & (times >= self._begin_s)])
        none = none[~(none < SENTINEL)]
        overload = (none < NOT_A_NUMBER) | np.isinf(none)
        self.overloads += int(np.count_nonzero(overload))
        self.invalid += int(np.count_nonzero(~overload))
        self._keep(times[valid], currents[valid])

    def _keep(self, times: Floats, currents: Floats) -> None:
        if times.size:
            assert self._entered_s is not None
            self.entries.add(times - self._entered_s, currents)
            self.last_valid_s = float(times[-1]) - self._entered_s
