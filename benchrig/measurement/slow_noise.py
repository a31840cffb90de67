"""How long noise stays on one level, from a long record: what a settled current has to wait for."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchrig.measurement.averaging import Floats
from benchrig.measurement.quantiles import poisson_limits

BLOCK = 5
"""Readings in a block: so many have to agree that the level is another one."""

NOISE = 5.0
"""White noise of a block, in standard deviations, takes no level for another one."""

HEAVY = 4.0
"""Of n stays of exponential length the longest is ln(n) times their mean, and in 1 of 55 records
4 means longer: then the lengths are of more than one kind, as those of 1/f noise are."""


@dataclass(frozen=True)
class SlowNoise:
    """Levels of the current, in blocks of readings. Currents in A, times in s since the command.

    level_A      the median of the blocks; a level is another one if it is further from it than
    least_A      this, and is back when it is nearer than half of it
    switches_s   when it changed
    longest_s    the longest stay on a level, the last one as far as the record goes
    stays_s      longest mean stay, of those on the median level, above and below it, that agrees
                 with the record at 97.5 %: exact, from the number of changes; infinite without any
    """

    level_A: float
    least_A: float
    switches_s: tuple[float, ...]
    longest_s: float
    stays_s: float


def find_slow_noise(times_s: Floats, currents_A: Floats, least_A: float) -> SlowNoise:
    """Of readings, shape (n,), from which tail and wake-ups were taken out; at least 2 blocks of
    them. `least_A`: levels nearer than that are not told apart."""
    whole = times_s.size // BLOCK * BLOCK
    ends_s = times_s[:whole].reshape(-1, BLOCK)[:, -1]
    means = currents_A[:whole].reshape(-1, BLOCK).mean(axis=1)
    level_A = float(np.median(means))
    white_A = 1.4826 * float(np.median(np.abs(np.diff(means)))) / math.sqrt(2.0)
    least_A = max(least_A, NOISE * white_A)
    levels = _levels(means - level_A, least_A)
    places = np.flatnonzero(np.diff(levels)) + 1
    limits_s = np.concatenate(([times_s[0]], ends_s[places - 1], [ends_s[-1]]))
    stays_s, on = np.diff(limits_s), levels[np.concatenate(([0], places))]
    kinds = [_longest_mean_s(stays_s[on == kind], kind == on[-1]) for kind in np.unique(on)]
    return SlowNoise(
        level_A,
        least_A,
        tuple(float(at_s) for at_s in limits_s[1:-1]),
        float(np.max(stays_s)),
        max(kinds),
    )


def _levels(away_A: Floats, least_A: float) -> np.ndarray:
    """-1, 0 or 1 for each block, with a hysteresis; shape (n,)."""
    far = np.where(np.abs(away_A) > least_A, np.sign(away_A), 0.0)
    known = (far != 0.0) | (np.abs(away_A) < least_A / 2.0)
    # A block in between is on the level of the one before it.
    last = np.maximum.accumulate(np.where(known, np.arange(known.size), 0))
    return np.asarray(far[last], dtype=np.intp)


def _longest_mean_s(stays_s: Floats, unfinished: bool) -> float:
    """The upper 97.5 % limit of the mean of exponential stays, the last of which may not have
    ended; longer if one of them is so long that they have no common mean."""
    left = stays_s.size - unfinished
    if left == 0:
        return math.inf
    fewest = poisson_limits(left, 0.025)[0]
    return max(float(np.sum(stays_s)) / fewest, float(np.max(stays_s)) / (math.log(left) + HEAVY))
