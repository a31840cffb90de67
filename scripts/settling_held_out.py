"""Families of waveforms that the settling rule was not tuned on; see `settling_families`.

They and their parameters were written down before the rule was changed, and no number of the rule
was chosen on them. `OUTSIDE` names those that break a declared prior, so that no rule on the
readings can know.
"""

from __future__ import annotations

import numpy as np
from settling_families import (
    INTERVAL_S,
    LENGTH_S,
    SLOW_NOISE,
    TIMES,
    Family,
    Random,
    Waveform,
    averaging_s,
    between,
    bursts,
    decaying,
    flicker,
    white,
)


def stretched(random: Random) -> Waveform:
    tau, beta = between(random, 0.05, 1.0), random.uniform(0.5, 0.9)
    return decaying(random, between(random, 1, 300) * np.exp(-((TIMES / tau) ** beta)))


def three_exp(random: Random) -> Waveform:
    scales = ((3, 300, 0.03, 0.3), (0.1, 5, 0.4, 2), (0.02, 0.3, 3, 7))
    parts = [
        between(random, low, high) * np.exp(-TIMES / between(random, fast, slow))
        for low, high, fast, slow in scales
    ]
    return decaying(random, np.sum(parts, axis=0))


def two_steps(random: Random) -> Waveform:
    first_s, second_s = np.sort(random.uniform(0.3, 9.5, 2))
    steps = between(random, 5, 100) * (first_s >= TIMES) + between(random, 0.1, 3) * (
        second_s >= TIMES
    )
    return decaying(random, steps, asleep_s=float(second_s))


def random_telegraph(random: Random) -> Waveform:
    """Unequal dwell times, other depth, more noise: a trap that is mostly empty."""
    high_s, low_s = between(random, 0.3, 6), between(random, 0.3, 6)
    step, level, state = between(random, 0.02, 0.4), np.empty(TIMES.size), int(random.integers(2))
    at_s = 0.0
    while at_s < LENGTH_S:
        dwell_s = random.exponential(high_s if state else low_s)
        level[(at_s < TIMES) & (at_s + dwell_s >= TIMES)] = state
        at_s, state = at_s + dwell_s, 1 - state
    share = high_s / (high_s + low_s)
    spectrum_s = 2 * step**2 * (high_s * low_s) ** 2 / (high_s + low_s) ** 3
    readings = 1.0 + step * level + white(random, 0.005)
    return Waveform(readings, mean=1.0 + step * share, averaging_s=averaging_s(spectrum_s),
                    priors={"slowest_noise_s": 6.0})  # fmt: skip


def flicker_and_white(random: Random) -> Waveform:
    exponent = random.uniform(0.8, 1.2)
    noise = flicker(random, between(random, 0.002, 0.03), exponent)
    return Waveform(1.0 + noise + white(random, between(random, 0.002, 0.02)), priors=SLOW_NOISE)


def events(random: Random) -> Waveform:
    """Sporadic wake-ups of some length and of unequal charge; some fall into two readings."""
    rate, height, length_s = between(random, 0.03, 1), between(random, 1, 20), 0.01
    number = random.poisson(rate * (LENGTH_S + length_s))
    charges = height * length_s * random.exponential(1.0, number)
    ends_s = random.uniform(0.0, LENGTH_S, number)
    seen = np.bincount(np.minimum((ends_s / INTERVAL_S).astype(int), TIMES.size - 1), charges,
                       minlength=TIMES.size) / INTERVAL_S  # fmt: skip
    return Waveform(
        1.0 + seen + white(random),
        mean=1.0 + rate * height * length_s,
        averaging_s=averaging_s(2 * rate * (height * length_s) ** 2),
        priors={"slowest_noise_s": 33.0},
    )


def heavy_tails(random: Random) -> Waveform:
    level = between(random, 0.003, 0.03)
    readings = 1.0 + level * random.standard_t(3, TIMES.size)
    return Waveform(readings, averaging_s=averaging_s(3 * level**2 * INTERVAL_S))


def burst_off(random: Random) -> Waveform:
    """Declared up to 2 % off, as a cheap clock is."""
    true = bursts(random, between(random, 0.6, 5), between(random, 0.003, 0.05), INTERVAL_S)
    wrong = true.priors["period_s"] * random.uniform(0.98, 1.02)
    return Waveform(true.readings, true.mean, averaging_s=true.averaging_s,
                    priors={"period_s": wrong})  # fmt: skip


def two_tones(random: Random) -> Waveform:
    tones = [
        between(random, 0.005, 0.1)
        * np.sin(2 * np.pi * (between(random, 0.05, 9) * TIMES + random.uniform()))
        for _ in range(2)
    ]
    return Waveform(1.0 + np.sum(tones, axis=0) + white(random), averaging_s=5.0, priors=SLOW_NOISE)


def near_zero_steps(random: Random) -> Waveform:
    """Counts of the meter as large as the noise, and a transient below one count at its end."""
    count = between(random, 0.003, 0.02)
    transient = between(random, 0.1, 30) * np.exp(-TIMES / between(random, 0.3, 3))
    readings = np.round((1.0 + transient + white(random, count)) / count) * count
    return Waveform(readings, transient=transient, priors={"count_A": count},
                    averaging_s=averaging_s(count**2 * INTERVAL_S))  # fmt: skip


def slow_power(random: Random) -> Waveform:
    return decaying(random, between(random, 0.02, 0.3) * TIMES ** -random.uniform(0.4, 0.7))


def temperature(random: Random) -> Waveform:
    swing = between(random, 0.02, 0.2)
    phase = 2 * np.pi * (TIMES / between(random, 20, 60) + random.uniform())
    return Waveform(1.0 + swing * np.sin(phase) + white(random), averaging_s=40.0)


def random_walk(random: Random) -> Waveform:
    walk = np.cumsum(random.normal(0.0, between(random, 0.0003, 0.003), TIMES.size))
    return Waveform(1.0 + walk - walk[-1] + white(random), never_settles=True)


def late_step(random: Random) -> Waveform:
    after = between(random, 0.5, 50) * (random.uniform(12, 40) >= TIMES)
    return decaying(random, after)


HELD_OUT: dict[str, Family] = {
    function.__name__: function
    for function in (
        stretched, three_exp, two_steps, random_telegraph, flicker_and_white, events, heavy_tails,
        burst_off, two_tones, near_zero_steps, slow_power, temperature, random_walk, late_step,
    )
}  # fmt: skip

OUTSIDE = ("slow_power", "temperature", "random_walk", "late_step")
