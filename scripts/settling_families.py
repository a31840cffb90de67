"""Simulated currents of which the lasting mean is known. All waveforms are invented.

20 readings/s for 60 s, settled base 1, white noise 0.3 % unless a family says otherwise; parameters
are drawn anew for each trial, log-uniform where a range spans a factor. `FAMILIES` are the ones
the rule was developed on; others that it was not are in `settling_held_out`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

Array = np.ndarray
Random = np.random.Generator

INTERVAL_S = 0.05
APERTURE_S = 0.04
LENGTH_S = 60.0
NOISE = 0.003
TOLERANCE = 0.01
TIMES = np.arange(1, round(LENGTH_S / INTERVAL_S) + 1) * INTERVAL_S
LEAST_AVERAGING_S = 1.6
SLOW_NOISE = {"slowest_noise_s": 8.0}
"""Declared where a long record would show noise that is slow, without saying how slow."""


@dataclass(frozen=True)
class Waveform:
    """`readings` of a current whose lasting mean is `mean`; `transient` is what dies away.

    `averaging_s`: how long one who knows the noise averages until the 95 % half-width is the
    tolerance. `reset_s`: from here on the board does something else. `asleep_s`: until then the
    firmware is at work, and where it announces its sleep it does so then.
    """

    readings: Array
    mean: float = 1.0
    transient: Array = field(default_factory=lambda: np.zeros(TIMES.size))
    never_settles: bool = False
    reset_s: float = math.inf
    asleep_s: float = 0.0
    averaging_s: float = LEAST_AVERAGING_S
    priors: dict[str, float] = field(default_factory=dict)

    @property
    def oracle_s(self) -> float:
        """When one who knows the waveform would be done: the transient within tolerance for the
        mean over the averaging time that follows, not only for its first reading."""
        over = np.flatnonzero(np.abs(self.transient) > TOLERANCE * self.mean)
        begin_s = float(TIMES[over[-1]]) if over.size else 0.0
        return begin_s + max(self.averaging_s, LEAST_AVERAGING_S)


def between(random: Random, low: float, high: float) -> float:
    """Log-uniform."""
    return float(math.exp(random.uniform(math.log(low), math.log(high))))


def white(random: Random, level: float = NOISE) -> Array:
    return random.normal(0.0, level, TIMES.size)


def averaging_s(spectrum_s: float) -> float:
    """Time until 1.96 sqrt(S/T) is the tolerance; S: variance of a mean times its length, in s."""
    return spectrum_s * (1.96 / TOLERANCE) ** 2


def decaying(random: Random, transient: Array, asleep_s: float = 0.0) -> Waveform:
    readings = 1.0 + transient + white(random)
    return Waveform(readings, transient=transient, asleep_s=asleep_s)


# -- transients ------------------------------------------------------------------------------


def exp_fast(random: Random) -> Waveform:
    size, tau = between(random, 1, 1000), between(random, 0.05, 0.5)
    return decaying(random, size * np.exp(-TIMES / tau))


def exp_slow(random: Random) -> Waveform:
    size, tau = between(random, 1, 1000), between(random, 0.5, 5)
    return decaying(random, size * np.exp(-TIMES / tau))


def two_exp(random: Random) -> Waveform:
    fast = between(random, 1, 1000) * np.exp(-TIMES / between(random, 0.05, 0.5))
    slow = between(random, 0.03, 2) * np.exp(-TIMES / between(random, 1, 8))
    return decaying(random, fast + slow)


def power(random: Random) -> Waveform:
    return decaying(random, between(random, 0.02, 0.5) * TIMES ** -random.uniform(0.7, 1.3))


def undershoot(random: Random) -> Waveform:
    fast = between(random, 1, 100) * np.exp(-TIMES / between(random, 0.1, 0.5))
    slow = between(random, 0.03, 0.5) * np.exp(-TIMES / between(random, 1, 5))
    return decaying(random, fast - slow)


def fw_delay(random: Random) -> Waveform:
    plateau, until = between(random, 4, 499), between(random, 0.2, 10)
    return decaying(random, plateau * (until >= TIMES), asleep_s=until)


# -- noise -----------------------------------------------------------------------------------


def white_noise(random: Random) -> Waveform:
    level = between(random, 0.003, 0.05)
    return Waveform(1.0 + white(random, level), averaging_s=averaging_s(level**2 * INTERVAL_S))


def autoregressive(random: Random, phi: float, level: float) -> Array:
    shocks = random.normal(0.0, level * math.sqrt(1 - phi**2), TIMES.size)
    shocks[0] = random.normal(0.0, level)
    # The sum over past shocks, in pieces short enough that phi^-n is a number.
    noise = np.empty(TIMES.size)
    last, first = 0.0, 0
    while first < TIMES.size:
        part = shocks[first : first + 200]
        powers = phi ** np.arange(1.0, part.size + 1)
        noise[first : first + 200] = powers * (last + np.cumsum(part / powers))
        last, first = noise[first + part.size - 1], first + 200
    return noise


def ar1(random: Random) -> Waveform:
    phi, level = random.uniform(0.5, 0.97), between(random, 0.003, 0.02)
    spectrum_s = level**2 * INTERVAL_S * (1 + phi) / (1 - phi)
    noise = autoregressive(random, phi, level)
    return Waveform(1.0 + noise, averaging_s=averaging_s(spectrum_s))


def flicker(random: Random, level: float, exponent: float = 1.0) -> Array:
    """f^-exponent noise: one 16th of a long record whose sd is `level` and whose mean is zero."""
    size = 16 * TIMES.size
    spectrum = np.fft.rfft(random.normal(0.0, 1.0, size))
    frequency = np.fft.rfftfreq(size)
    frequency[0] = np.inf
    long = np.fft.irfft(spectrum * frequency ** (-exponent / 2.0), size)
    start = random.integers(0, size - TIMES.size)
    return long[start : start + TIMES.size] * (level / np.std(long))


def pink(random: Random) -> Waveform:
    noise = flicker(random, between(random, 0.003, 0.02))
    return Waveform(1.0 + noise, priors=SLOW_NOISE)


def hum(random: Random) -> Waveform:
    frequency, size = between(random, 0.02, 10), between(random, 0.01, 0.2)
    readings = 1.0 + size * np.sin(2 * np.pi * (frequency * TIMES + random.uniform()))
    # Whole cycles, or as long as it takes for a part of one not to count.
    part_s = 1.96 * size / (math.sqrt(2) * math.pi * frequency * TOLERANCE)
    whole_s = math.ceil(LEAST_AVERAGING_S * frequency) / frequency
    return Waveform(readings + white(random), averaging_s=min(part_s, whole_s), priors=SLOW_NOISE)


def telegraph(random: Random) -> Waveform:
    dwell_s, step = between(random, 0.2, 5), between(random, 0.01, 0.2)
    flips = random.uniform(size=TIMES.size) < INTERVAL_S / dwell_s
    level = (np.cumsum(flips) + random.integers(2)) % 2
    return Waveform(
        1.0 + step * level + white(random),
        mean=1.0 + step / 2,
        averaging_s=averaging_s(step**2 / 4 * dwell_s),
        priors={"slowest_noise_s": 5.0},
    )


def spikes(random: Random) -> Waveform:
    rate, height = between(random, 0.04, 0.4), between(random, 0.5, 5)
    seen = random.poisson(rate * INTERVAL_S, TIMES.size)
    return Waveform(
        1.0 + height * seen + white(random),
        mean=1.0 + height * rate * INTERVAL_S,
        averaging_s=averaging_s(rate * (height * INTERVAL_S) ** 2),
        priors={"slowest_noise_s": 25.0},
    )


# -- wake-ups --------------------------------------------------------------------------------


def ticks(
    period_s: float, length_s: float, height: float, phase_s: float, aperture_s: float
) -> Array:
    """Mean within each aperture of rectangular wake-ups, as an integrating meter sees them."""

    def charge(until: Array) -> Array:
        cycles = np.floor((until + phase_s) / period_s)
        rest = until + phase_s - cycles * period_s
        return height * (cycles * length_s + np.minimum(rest, length_s))

    seen: Array = (charge(TIMES) - charge(TIMES - aperture_s)) / aperture_s
    return seen


def bursts(
    random: Random, period_s: float, length_s: float, aperture: float = APERTURE_S
) -> Waveform:
    height = between(random, 5, 50)
    seen = ticks(period_s, length_s, height, random.uniform(0.0, period_s), aperture)
    return Waveform(
        1.0 + seen + white(random),
        mean=1.0 + height * length_s / period_s,
        averaging_s=math.ceil(LEAST_AVERAGING_S / period_s) * period_s,
        priors={"period_s": period_s, "dead_share": 1.0 - aperture / INTERVAL_S},
    )


def burst_short(random: Random) -> Waveform:
    return bursts(random, between(random, 0.5, 4), between(random, 0.002, 0.02))


def burst_long(random: Random) -> Waveform:
    period_s = between(random, 0.5, 4)
    return bursts(random, period_s, random.uniform(0.05, 0.3) * period_s)


def burst_rare(random: Random) -> Waveform:
    return bursts(random, between(random, 8, 30), between(random, 0.002, 0.02))


def burst_locked(random: Random) -> Waveform:
    return bursts(random, INTERVAL_S * random.integers(10, 80), between(random, 0.002, 0.02))


def burst_gapless(random: Random) -> Waveform:
    return bursts(random, between(random, 0.5, 4), between(random, 0.002, 0.02), INTERVAL_S)


# -- what is none, and the meter -------------------------------------------------------------


def drift(random: Random) -> Waveform:
    rate = between(random, 0.09, 1.2) / 60.0
    return Waveform(1.0 + rate * TIMES + white(random), never_settles=True)


def late_jump(random: Random) -> Waveform:
    at_s, factor = random.uniform(1, 40), between(random, 1.3, 100)
    start = between(random, 1, 10) * np.exp(-TIMES / between(random, 0.05, 0.2))
    level = np.where(at_s > TIMES, 1.0, factor)
    return Waveform(level + start + white(random), transient=start, reset_s=at_s)


def quantised(random: Random) -> Waveform:
    count = between(random, 0.002, 0.05)
    level = 1.0 + random.uniform(-0.5, 0.5) * count
    readings = np.round((level + white(random, 0.1 * count)) / count) * count
    return Waveform(readings, mean=level, priors={"count_A": count})


def overload(random: Random) -> Waveform:
    readings = 1.0 + white(random)
    return Waveform(np.where(random.uniform(size=TIMES.size) < 0.01, 9.9e37, readings))


def mixed(random: Random) -> Waveform:
    count, phi = between(random, 0.001, 0.005), random.uniform(0.3, 0.9)
    transient = between(random, 1, 300) * np.exp(-TIMES / between(random, 0.05, 0.5))
    transient += between(random, 0.03, 0.5) * np.exp(-TIMES / between(random, 1, 5))
    tick = bursts(random, between(random, 0.5, 2), between(random, 0.005, 0.05))
    level = between(random, 0.002, 0.01)
    readings = tick.readings + transient + autoregressive(random, phi, level)
    averaging = averaging_s(level**2 * INTERVAL_S * (1 + phi) / (1 - phi))
    return Waveform(
        np.round(readings / count) * count,
        mean=tick.mean,
        transient=transient,
        averaging_s=max(averaging, tick.averaging_s),
        priors=tick.priors | {"count_A": count},
    )


Family = Callable[[Random], Waveform]

FAMILIES: dict[str, Family] = {
    function.__name__: function
    for function in (
        exp_fast, exp_slow, two_exp, power, undershoot, fw_delay, white_noise, ar1, pink, hum,
        telegraph, burst_short, burst_long, burst_rare, burst_locked, burst_gapless, drift,
        late_jump, quantised, spikes, overload, mixed,
    )
}  # fmt: skip
