"""Where averaging may start, and how much of a transient may still be hidden in the average.

MSER-5 proposes a start; it is a good proposal and a bad verdict. The verdict is an equivalence
bound: the change seen within the window, with its uncertainty, is carried to the change that is
still to come, for the slowest exponential that was declared and for a power-law tail.
"Slope not significant" would be the wrong test: noise, or a short window, passes it.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from benchrig.measurement.averaging import Average, Floats, correlation, median, medians
from benchrig.measurement.level import Level
from benchrig.measurement.quantiles import t_quantile

FEWEST = 32
"""Readings that a window needs: two in each of 16 batches."""

TAIL_EXPONENT = 0.85
"""Dielectric absorption falls as t^-p with p near 1; a smaller p is slower, so on the safe side."""

AS_GOOD = 1.15
"""Scores that differ by less than this are the same: their own noise is larger."""

ONE_WAY = 0.9
"""Share of pairs in one order less that of pairs in the other."""

FEWEST_ONE_WAY = 6
"""Of white noise, so many batches are in one order in 1 of 360 cases."""

RISE = 1.25
RISE_BLOCKS = (20, 5)
"""Readings. The longer ones tell a rise from noise, the shorter ones that of a reset within the
first seconds."""
RESETTLING_S = 1.0
"""After a change of range the supply at the board settles on another shunt, up or down."""


def averaging_start(readings: Floats) -> int:
    """Index from which to average: the MSER-5 truncation point on means of 5 readings.

    White 1997 (MSER), White, Cobb and Spratt 2000 (MSER-5), from memory: leave out as much as
    minimises the squared standard error of what remains. Never more than 75 % of the record,
    nor so much that fewer than 32 readings remain.
    """
    return averaging_starts(readings)[-1]


def averaging_starts(readings: Floats, latest: int | None = None) -> list[int]:
    """The earliest start that is as good as the best one, and the best one, `latest` at most.

    Of noise alone the best is a lucky late part; of a transient it leaves less of it.
    """
    blocks = np.add.reduce(readings[: readings.size // 5 * 5].reshape(-1, 5), axis=1) / 5.0
    blocks = blocks - median(blocks[blocks.size // 2 :])
    last_start = min(readings.size - FEWEST, readings.size * 3 // 4) // 5
    if latest is not None:
        last_start = min(last_start, latest // 5)
    if last_start <= 0:
        return [0]
    left = np.arange(float(blocks.size), float(blocks.size - last_start - 1), -1.0)
    # Summed from the end, where the deviations are small, so that the transient costs no digits.
    backwards = blocks[::-1]
    sums = backwards.cumsum()[::-1][: last_start + 1]
    squares = (backwards * backwards).cumsum()[::-1][: last_start + 1]
    score = np.maximum((squares - sums * sums / left) / (left * left), 0.0)
    best = int(score.argmin())
    early = int((score <= AS_GOOD * score[best]).argmax())
    return [5 * early, 5 * best] if early < best else [5 * best]


def still_to_come(first_s: float, last_s: float, slowest_tau_s: float) -> float:
    """kappa: error of the window's mean, per difference between its halves, at worst.

    The window runs from `first_s` to `last_s` after the command. The worst of exp(-t/tau) and of
    a t^-0.85 tail that began at the command. A short or late window has a large kappa: it has
    seen too little of the transient to say much about the rest.
    """
    return max(_exponential(last_s - first_s, slowest_tau_s), _power(first_s, last_s))


def _exponential(length_s: float, tau_s: float) -> float:
    q = math.exp(-length_s / (2.0 * tau_s))
    return (1.0 + q) / (2.0 * (1.0 - q)) if q < 1.0 else math.inf


def _power(first_s: float, last_s: float) -> float:
    first_s = max(first_s, 0.0)
    middle_s = (first_s + last_s) / 2.0
    difference = _tail_mean(first_s, middle_s) - _tail_mean(middle_s, last_s)
    return _tail_mean(first_s, last_s) / difference if difference > 0.0 else math.inf


def _tail_mean(start_s: float, end_s: float) -> float:
    """Mean of t^-p between two times, without the constant 1/(1-p), which cancels."""
    rest = 1.0 - TAIL_EXPONENT
    return float((end_s**rest - start_s**rest) / (end_s - start_s))


def settling_bound(window: Average, kappa: float, hidden: float) -> float:
    """How far the mean of the window may be from the final value, at 95 % confidence.

    `hidden` is what the resolution of the meter may hide in the difference of the halves.
    """
    # Each half carries twice the variance of the whole, their difference four times. Two
    # one-sided tests (Schuirmann 1987, from memory), each at 2.5 %: at 5 % one in 60 tails of
    # t^-0.8, a little slower than is assumed, was settled falsely (250 simulated).
    noise = t_quantile(window.dof) * 2.0 * window.standard_uncertainty
    return kappa * (abs(window.first_minus_second) + math.hypot(noise, hidden))


def has_risen(readings: Floats, first: int, start: int, level: Level, least_A: float) -> bool:
    """Whether the `level` of the part from `start` is above an earlier one, from `first` on.

    What settles after a sleep command never rises by a quarter: a reset, a brown-out or an
    unexpected wake-up does. Medians, so that wake-up ticks don't count. `least_A` is the rise
    that the meter's resolution can feign.
    """
    before = readings[first:start]
    if before.size < min(RISE_BLOCKS):
        return False
    lowest = float(np.minimum.reduce(before))
    if lowest >= 0.0 and level.base_A - lowest <= (RISE - 1.0) * lowest:
        return False  # nor is any median of them so low
    for size in RISE_BLOCKS:
        blocks = before.size // size
        if blocks < 1:
            continue
        lowest = float(medians(before[: blocks * size].reshape(-1, size)).min())
        # The lowest of many medians is low by chance: four of their standard deviations, each 1.25
        # times that of a mean of 20; no less for fewer, which correlated noise makes alike.
        chance = 4.0 * 1.25 * level.spread_A / math.sqrt(size if size == RISE_BLOCKS[0] else 1.0)
        if level.base_A - lowest > (RISE - 1.0) * abs(lowest) + chance + least_A:
            return True
    return False


def is_gradual(readings: Floats) -> bool:
    """Whether a record that rises does so all along, from its lowest eighth on, and not at once:
    no step between two of eight medians makes half of it. A drift, then, and no reset."""
    eighths = _eighths(readings)
    rising = _eighths(readings[eighths.index(min(eighths)) * readings.size // 8 :])
    total = rising[-1] - rising[0]
    return total > 0.0 and max(b - a for a, b in pairwise(rising)) < total / 2.0


def _eighths(readings: Floats) -> list[float]:
    """Medians of eight parts; the first ones are longer by a reading where they are not equal."""
    size, more = divmod(readings.size, 8)
    limits = [part * size + min(part, more) for part in range(9)]
    return [median(readings[first:last]) for first, last in pairwise(limits)]


def goes_one_way(means: Floats) -> bool:
    """Whether the batch `means` rise, or fall, all along: 19 of 20 pairs are in the same order.

    Kendall's rank correlation, from memory. A bent curve is far from its straight line, and far
    from it in a correlated way, which a test of the slope takes for noise; noise never goes one way
    for so long.
    """
    if means.size < FEWEST_ONE_WAY:
        return False
    later, earlier = np.tril_indices(means.size, -1)
    agreeing = float(np.mean(np.sign(means[later] - means[earlier])))
    return abs(agreeing) >= ONE_WAY


def drift(means: Floats) -> tuple[float, float]:
    """Change from the first to the last of the batch `means`, and its 95 % half-width.

    Straight line through the means, with the same correction for correlation as their mean.
    """
    k = means.size
    centred = np.arange(k) - (k - 1) / 2.0
    spread = float(centred @ centred)
    slope = float(centred @ (means - means[0])) / spread
    residuals = means - float(np.mean(means)) - slope * centred
    r = correlation(means)
    inflation = (1.0 + r) / (1.0 - r)
    dof = max(k / inflation - 2.0, 1.0)
    error = math.sqrt(float(residuals @ residuals) / max(k - 2, 1) * inflation / spread)
    return slope * (k - 1), t_quantile(dof) * error * (k - 1)
