"""Sudden changes of level that last: the end of what the firmware does after a command, or a
board that woke."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchrig.measurement.averaging import Floats
from benchrig.measurement.long_record import LongRecord

WINDOWS = (125, 25, 5)
"""Readings on either side. Short ones see a sharp step where it is; long ones also the corner
where a level that held begins to decay slowly."""

LEAST = 0.03
"""Smaller steps than this share of the level after them are left to the tolerance."""

NOISE = 6.0
LASTING = 0.9
"""A step lasts if so many readings before it, and after it, lie on their own side of it."""

GLANCE = 4000
"""So many readings tell whether a step lasts."""


@dataclass(frozen=True)
class Step:
    """`index`: of the first reading after it; `time_s`: when that reading ended."""

    index: int
    time_s: float
    before_A: float
    after_A: float


def lasting_steps(record: LongRecord) -> tuple[Step, ...]:
    """All lasting steps in the order of time.

    A transient bends and changes most where it begins; a step comes after a level that held. A
    wake-up returns to where it came from, which is why it separates nothing.
    """
    found: list[Step] = []
    for window in WINDOWS:
        for step in _steps(record, window):
            # What a longer window saw as well, a shorter one places better.
            found = [other for other in found if abs(other.index - step.index) > 12 * window]
            found.append(step)
    return tuple(sorted(found, key=lambda step: step.index))


def _steps(record: LongRecord, window: int) -> list[Step]:
    size = record.times_s.size
    if size < 4 * window:
        return []
    medians = _running_medians(record.currents_A, window)
    change = medians[window:] - medians[:-window]
    before = np.concatenate((np.full(window, np.inf), change[:-window]))
    noise = _noise(record, change, window)
    least = np.maximum(NOISE * noise, LEAST * np.abs(medians[window:]))
    least = np.maximum(least, 3.0 * record.count_A[: change.size]) + _other_range(record, window)
    sudden = (np.abs(before) < np.abs(change) / 4.0 + noise) & (np.abs(change) > least)
    runs = np.split(at := np.flatnonzero(sudden), np.flatnonzero(np.diff(at) > 2 * window) + 1)
    steps = [_placed(record, medians, change, run, window) for run in runs if run.size]
    return [step for step in steps if _lasts(record, step)]


def _running_medians(values: Floats, window: int) -> Floats:
    if window <= 5:
        windows = np.lib.stride_tricks.sliding_window_view(values, window)
        return np.asarray(np.median(windows, axis=1), dtype=np.float64)
    # A median of medians costs a fraction, and wake-ups in a minority of them leave it alone.
    inner = _running_medians(values, window // 5)
    starts = np.arange(values.size - window + 1)[:, None] + np.arange(5) * (window // 5)
    return np.asarray(np.median(inner[starts], axis=1), dtype=np.float64)


def _noise(record: LongRecord, change: Floats, window: int) -> Floats:
    """Of a change between two windows: what white noise makes of it, or what is usual in the
    second half of the record, where noise may be correlated."""
    white = 1.2533 * record.noise_A[: change.size] * np.sqrt(2.0 / window)
    usual = 1.4826 * float(np.median(np.abs(change[change.size // 2 :])))
    return np.asarray(np.maximum(white, usual), dtype=np.float64)


def _other_range(record: LongRecord, window: int) -> Floats:
    """What a change of range between the two windows may look like."""
    size = record.times_s.size - 2 * window + 1
    first, last = record.stretch[:size], record.stretch[-size:]
    offsets = record.offset_A[:size] + record.offset_A[-size:]
    return np.asarray(np.where(first == last, 0.0, 2.0 * offsets), dtype=np.float64)


def _placed(
    record: LongRecord, medians: Floats, change: Floats, run: np.ndarray, window: int
) -> Step:
    """Where the change is largest; the last such place, to be on the safe side."""
    sizes = np.abs(change[run])
    at = int(run[np.flatnonzero(sizes >= 0.98 * sizes.max())[-1]])
    index = at + window
    return Step(
        index, float(record.times_s[index]), float(medians[at]), float(medians[at + window])
    )


def _lasts(record: LongRecord, step: Step) -> bool:
    middle_A = (step.before_A + step.after_A) / 2.0
    above = record.currents_A > middle_A
    before, after = above[: step.index], above[step.index :]
    before = before[:: max(1, before.size // GLANCE)]
    after = after[:: max(1, after.size // GLANCE)]
    if step.after_A > step.before_A:
        before, after = ~before, ~after
    return bool(np.mean(before) >= LASTING and np.mean(~after) >= LASTING)
