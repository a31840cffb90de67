"""Noise that averaging does not remove, and steps that are noise.

White noise averages away with the root of the time. 1/f noise does not: the variance of block
means stays where it is however long the blocks are, and the mean of a record is only one draw of
what the mean of another will be. How the variance changes from short to long blocks (the Allan
variance over the averaging time; IEEE Std 1139, from memory) tells which it is.
"""

from __future__ import annotations

import math

import numpy as np

from benchrig.measurement.averaging import Floats, median, running_sum, steps

SHORT, LONG = 32, 8
"""Number of the short and of the long blocks that a window is divided into."""

DOF = 7.0
"""Of the overlapping Allan variance of 8 blocks, for 1/f noise; 9 for white noise (Greenhall and
Howe in IEEE Std 1139, from memory)."""

HORIZON = 100.0
"""The mean is meant to hold for a time this many times as long as the window."""

FLICKER = math.log(HORIZON) / (2.0 * math.log(2.0))
"""Variance of the mean of a window within the horizon, per Allan variance, for 1/f noise:
h ln(T/L) over 2 h ln 2."""

STEEPEST = 1.0
"""Random walk: variance grows with the length."""

STEP_BLOCK = 5


def allan_variance(means: Floats, blocks: int) -> float:
    """Half the mean square of the differences of neighbouring blocks of `blocks` means each.

    Overlapping: from every pair of neighbours, wherever they begin. `means`, shape (k,).
    """
    return _allan_variance(running_sum(means - means[0]), blocks)


def _allan_variance(running: Floats, blocks: int) -> float:
    of_blocks = (running[blocks:] - running[:-blocks]) / blocks
    squares = np.square(of_blocks[blocks:] - of_blocks[:-blocks])
    return float(np.add.reduce(squares)) / squares.size / 2.0


def long_run(short_means: Floats) -> tuple[float, float]:
    """Standard uncertainty of the mean of all `short_means`, and its degrees of freedom.

    `short_means`, shape (32,): means of equally long blocks. The exponent with which their
    variance changes up to blocks four times as long is carried on to the whole window.
    """
    running = running_sum(short_means - short_means[0])
    short = _allan_variance(running, 1)
    long = _allan_variance(running, SHORT // LONG)
    if short <= 0.0 or long <= 0.0:
        return math.sqrt(max(long, 0.0) / LONG), DOF
    growth = math.log(long / short) / math.log(SHORT / LONG)
    exponent = min(max(growth, -1.0), STEEPEST)
    return math.sqrt(long * LONG**exponent * FLICKER ** (1.0 + exponent)), DOF


def first_step(readings: Floats, least_A: float) -> int | None:
    """Where the level before the first sudden step between two levels begins.

    Each of the levels holds for 10 readings.

    A transient bends: it changes most where it begins. A level that holds, then changes at once,
    then holds again is no transient, up or down. `least_A`: steps smaller than that don't count.
    """
    size = STEP_BLOCK
    if readings.size < 4 * size:
        return None
    running = running_sum(readings - readings[-1])
    means = (running[size:] - running[:-size]) / size
    change = np.abs(means[size:] - means[:-size])
    before, jump, after = change[: -2 * size], change[size:-size], change[2 * size :]
    if np.maximum.reduce(jump) <= least_A:
        return None
    noise = 1.4826 * median(np.abs(steps(readings))) / math.sqrt(size)
    least = max(6.0 * noise, least_A)
    flat = np.maximum(before, after) < jump / 4.0 + noise
    found = (flat & (jump > least)).nonzero()[0]
    return int(found[0]) if found.size else None


def first_rise(readings: Floats, least_A: float) -> int | None:
    """Index before the first reading that is higher than both before it by more than `least_A`."""
    rise = readings[2:] - np.maximum(readings[1:-1], readings[:-2])
    rises = (rise > least_A).nonzero()[0]
    return int(rises[0]) + 1 if rises.size else None
