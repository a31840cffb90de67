"""Rules that say when a current has settled, beside ours: on many records at once.

Each takes readings of shape (trials, n) at the times of `settling_families.TIMES`, sentinels
included, and gives `Verdicts`. Rules that look again and again do so at records of 100 readings
and each 15 % more. Sources are from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import stats
from settling_families import INTERVAL_S, TIMES, TOLERANCE

Array = np.ndarray

LOOKS = np.unique((100 * 1.15 ** np.arange(19)).astype(int).clip(max=TIMES.size))
FIVE_S = round(5.0 / INTERVAL_S)


@dataclass(frozen=True)
class Verdicts:
    """Per trial: settled or not, value and half-width (NaN without value), averaged part in s."""

    settled: Array
    value: Array
    half_width: Array
    first_s: Array
    last_s: Array


def naive(readings: Array) -> Verdicts:
    """Wait 2 s, average 100 readings, 1.96 s/sqrt(n); a sentinel is a reading like any other."""
    part = readings[:, 40:140]
    half_width = 1.96 * np.std(part, axis=1, ddof=1) / 10.0
    return _always(np.mean(part, axis=1), half_width, 2.0, 7.0)


def fixed_wait(readings: Array) -> Verdicts:
    """Wait 10 s, then 20 s in 10 batches (non-overlapping batch means, Schmeiser 1982)."""
    value, half_width = _batch_means(_held(readings)[:, 200:600])
    return _always(value, half_width, 10.0, 30.0)


def slope_test(readings: Array) -> Verdicts:
    """Settled when the slope of the last 5 s is not significant, from 2 s on: a t-test with the
    number of readings reduced for lag-1 correlation (Santer et al. 2000)."""

    def look(part: Array, times: Array) -> tuple[Array, Array, Array, Array]:
        value, half_width, slope, error = _line(part[:, -FIVE_S:], times[-FIVE_S:])
        return np.abs(slope) <= error, value, half_width, np.full(len(part), FIVE_S)

    return _looking(readings, look)


def equivalence(readings: Array) -> Verdicts:
    """Settled when the slope of the last 5 s is shown to be small: two one-sided tests
    (Schuirmann 1987) that 5 s of it stay within the tolerance."""

    def look(part: Array, times: Array) -> tuple[Array, Array, Array, Array]:
        value, half_width, slope, error = _line(part[:, -FIVE_S:], times[-FIVE_S:])
        allowed = TOLERANCE * np.abs(value)
        agrees = ((np.abs(slope) + error) * 5.0 <= allowed) & (half_width <= allowed)
        return agrees, value, half_width, np.full(len(part), FIVE_S)

    return _looking(readings, look)


def mser5(readings: Array) -> Verdicts:
    """MSER-5 cuts in the first half (White, Cobb, Spratt 2000); settled when 10 batch means know
    the rest to the tolerance."""

    def look(part: Array, times: Array) -> tuple[Array, Array, Array, Array]:
        kept = 5 * (part.shape[1] // 5)
        blocks = part[:, part.shape[1] - kept :].reshape(len(part), -1, 5).mean(axis=2)
        left = np.arange(blocks.shape[1], 0, -1)
        centred = blocks - np.median(blocks[:, blocks.shape[1] // 2 :], axis=1, keepdims=True)
        sums = np.cumsum(centred[:, ::-1], axis=1)[:, ::-1]
        squares = np.cumsum(centred[:, ::-1] ** 2, axis=1)[:, ::-1]
        score = (squares - sums**2 / left) / left**2
        window = kept - 5 * np.argmin(score[:, : blocks.shape[1] // 2], axis=1)
        value, half_width = _batch_means_of_last(part, window)
        return half_width <= TOLERANCE * np.abs(value), value, half_width, window

    return _looking(readings, look)


def cusum(readings: Array) -> Verdicts:
    """The last change point by CUSUM and bisection (Page 1954; Brown, Durbin, Evans 1975); settled
    when 5 s or more follow it and 10 batch means know them to the tolerance."""

    def look(part: Array, times: Array) -> tuple[Array, Array, Array, Array]:
        size = part.shape[1]
        first = np.zeros(len(part), dtype=int)
        noise = 1.4826 * np.median(np.abs(np.diff(part, axis=1)), axis=1) / np.sqrt(2.0) + 1e-9
        place = np.arange(size)
        moving = np.arange(len(part))  # records whose change point is not where it was
        for _ in range(8):
            inside = place >= first[moving, None]
            left = size - first[moving]
            means = np.sum(part[moving] * inside, axis=1) / left
            path = np.abs(np.cumsum((part[moving] - means[:, None]) * inside, axis=1))
            at = np.argmax(path, axis=1)
            peak = path[np.arange(moving.size), at] / (noise[moving] * np.sqrt(left))
            # 1.36: 95 % point of the Kolmogorov distribution.
            later = np.where(
                (peak > 1.36) & (left > 20), np.minimum(at + 1, size - 20), size - left
            )
            moved = later != first[moving]
            first[moving] = later
            moving = moving[moved]
            if not moving.size:
                break
        value, half_width = _batch_means_of_last(part, size - first)
        agrees = (size - first >= FIVE_S) & (half_width <= TOLERANCE * np.abs(value))
        return agrees, value, half_width, size - first

    return _looking(readings, look)


RULES: dict[str, Callable[[Array], Verdicts]] = {
    rule.__name__: rule for rule in (naive, fixed_wait, slope_test, equivalence, mser5, cusum)
}

Look = Callable[[Array, Array], tuple[Array, Array, Array, Array]]


def _always(value: Array, half_width: Array, first_s: float, last_s: float) -> Verdicts:
    every = np.ones(value.size)
    return Verdicts(every > 0, value, half_width, first_s * every, last_s * every)


def _looking(readings: Array, look: Look) -> Verdicts:
    """The first look that agrees; no value without."""
    held = _held(readings)
    nothing = np.full(len(held), np.nan)
    settled, value, half_width = np.zeros(len(held), bool), nothing.copy(), nothing.copy()
    first_s, last_s = nothing.copy(), nothing.copy()
    for size in LOOKS:
        left = np.flatnonzero(~settled)
        if not left.size:
            break
        agrees, mean, width, window = look(held[left, :size], TIMES[:size])
        now = left[agrees]
        settled[now] = True
        value[now], half_width[now] = mean[agrees], width[agrees]
        first_s[now] = TIMES[size - 1] - window[agrees] * INTERVAL_S
        last_s[now] = TIMES[size - 1]
    return Verdicts(settled, value, half_width, first_s, last_s)


def _held(readings: Array) -> Array:
    """Sentinels replaced by the reading before."""
    valid = np.abs(readings) < 1e36
    last = np.maximum.accumulate(np.where(valid, np.arange(readings.shape[1]), 0), axis=1)
    held: Array = np.take_along_axis(readings, last, axis=1)
    return np.where(np.abs(held) < 1e36, held, 1.0)


def _batch_means(part: Array) -> tuple[Array, Array]:
    batches = np.array_split(part, 10, axis=1)
    means = np.stack([batch.mean(axis=1) for batch in batches], axis=1)
    error = np.std(means, axis=1, ddof=1) / np.sqrt(10.0)
    return means.mean(axis=1), stats.t.ppf(0.975, 9) * error


def _batch_means_of_last(part: Array, window: Array) -> tuple[Array, Array]:
    """Ten batches of the last `window` readings of each record."""
    running = np.concatenate((np.zeros((len(part), 1)), np.cumsum(part, axis=1)), axis=1)
    edges = part.shape[1] - window[:, None] * np.linspace(1.0, 0.0, 11)
    at = np.take_along_axis(running, edges.astype(int), axis=1)
    means = np.diff(at, axis=1) / np.diff(edges.astype(int), axis=1)
    error = np.std(means, axis=1, ddof=1) / np.sqrt(10.0)
    return means.mean(axis=1), stats.t.ppf(0.975, 9) * error


def _line(part: Array, times: Array) -> tuple[Array, Array, Array, Array]:
    """Mean and its half-width, slope and its half-width, with lag-1 correlation corrected for."""
    centred = times - times.mean()
    mean = part.mean(axis=1)
    slope = (part - mean[:, None]) @ centred / (centred @ centred)
    rest = part - mean[:, None] - slope[:, None] * centred
    power = np.sum(rest**2, axis=1) + 1e-30
    r = np.clip(np.sum(rest[:, 1:] * rest[:, :-1], axis=1) / power, 0.0, 0.97)
    count = np.maximum(part.shape[1] * (1 - r) / (1 + r), 3.0)
    spread = np.sqrt(power / (count - 2.0))
    t = stats.t.ppf(0.975, count - 2.0)
    return mean, t * spread / np.sqrt(count), slope, t * spread / np.sqrt(centred @ centred)
