"""A long record of one state, cleaned and told apart by range, for its analysis as a whole."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchrig.measurement.averaging import Floats
from benchrig.measurement.record import NOT_A_NUMBER, SENTINEL

FEWEST = 100


@dataclass(frozen=True)
class Stretch:
    """Readings on one range of the meter, from index `first` of the record on.

    `offset_A`: how far the range may be off at no current, a limit; `count_A`: one count.
    """

    first: int
    full_scale_A: float
    offset_A: float = 0.0
    count_A: float = 0.0


@dataclass(frozen=True)
class LongRecord:
    """Valid readings alone; all arrays have the shape (n,).

    `times_s` since the command, at the ends of the apertures. Overloads stand as twice the largest
    reading: they were more, nobody knows how much. `offset_A`, `count_A` and `noise_A`, the white
    noise of a single reading, belong to the range of each reading; `stretch` counts the ranges.
    """

    times_s: Floats
    currents_A: Floats
    offset_A: Floats
    count_A: Floats
    noise_A: Floats
    stretch: NDArray[np.intp]
    overloads: int
    invalid: int

    @property
    def interval_s(self) -> float:
        return float(np.median(np.diff(self.times_s)))

    def longest_stretch(self, since: int) -> slice:
        """The part of the record from index `since` on that stays longest on one range."""
        rest = self.stretch[since:]
        limits = np.concatenate(([0], np.flatnonzero(np.diff(rest)) + 1, [rest.size])) + since
        longest = int(np.argmax(np.diff(self.times_s[np.minimum(limits, self.times_s.size - 1)])))
        return slice(int(limits[longest]), int(limits[longest + 1]))


def long_record(
    times_s: ArrayLike, currents_A: ArrayLike, stretches: Sequence[Stretch] = ()
) -> LongRecord:
    """Raises `ValueError` for arrays that make no sense, and for fewer than 100 valid readings."""
    times = np.asarray(times_s, dtype=np.float64)
    currents = np.asarray(currents_A, dtype=np.float64)
    if times.ndim != 1 or times.shape != currents.shape:
        raise ValueError(f"times and currents have shapes {times.shape} and {currents.shape}")
    if not (np.isfinite(times).all() and (np.diff(times) > 0.0).all()):
        raise ValueError("times must be finite, and each later than the one before")
    spans = tuple(stretches) or (Stretch(0, math.inf),)
    size = np.abs(currents)
    overload = (size >= SENTINEL) & ((size < NOT_A_NUMBER) | np.isinf(size))
    valid = overload | (size < SENTINEL)  # false for NaN
    if np.count_nonzero(valid & ~overload) < FEWEST:
        raise ValueError(f"a record is characterised from {FEWEST} valid readings or more")
    currents = np.where(overload, 2.0 * np.max(size[valid & ~overload]), currents)[valid]
    firsts = np.array([span.first for span in spans])
    number = np.searchsorted(firsts, np.arange(times.size), side="right") - 1
    stretch = np.maximum(number, 0)[valid]
    noise_A = np.array([_white(currents[stretch == index]) for index in range(len(spans))])
    return LongRecord(
        times[valid],
        currents,
        np.array([span.offset_A for span in spans])[stretch],
        np.array([span.count_A for span in spans])[stretch],
        noise_A[stretch],
        stretch,
        int(np.count_nonzero(overload)),
        int(np.count_nonzero(~valid)),
    )


def _white(readings: Floats) -> float:
    """From the differences of neighbours, robust against steps, wake-ups and slow changes."""
    if readings.size < 3:
        return 0.0
    return 1.4826 * float(np.median(np.abs(np.diff(readings)))) / math.sqrt(2.0)
