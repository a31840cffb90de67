"""A period in readings that show no single events.

The meter's shunt and the board's decoupling capacitor smear a wake-up out. Where that takes about
a period or longer, the readings rise and fall with the period and nothing stands out of them. All
charge still comes through the shunt, so a mean over whole periods is what it was; what must be
found is the period.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from benchrig.measurement.averaging import Floats, centred_places, median, running_sum, steps

RISK = 1e-4
"""Chance that white noise is taken for a period, in one search, however many periods it tries; of
1/f noise or a random walk some 10 in 10,000 (simulated, records of 8 s to 100 s)."""

TRIES = 8.0
"""The highest of a continuous spectrum is as high as that of so many independent frequencies for
each 1/length of it, at this risk (simulated)."""

FEWEST_PERIODS = 5
FEWEST_READINGS = 4
"""In a period, or it is not told from its aliases."""

FEWEST_IN_OVERTONE = 2.5

LEAKAGE = 0.2
"""A wave that is sampled coarsely looks a little like waves of other periods."""

SAME = 0.5
"""A wave that has so much of another's amplitude may be what the other is an overtone of."""

MOST_OVERTONE = 6
PADDING = 4
PEAKS = 8
HARMONICS = 32


@dataclass(frozen=True)
class Wave:
    """A wave of `period_s`, with its standard uncertainty, that is in the readings.

    `harmonics_A`: amplitude and phase of the fundamental and as many harmonics as the readings
    resolve, as complex numbers: the wave is the sum of the real parts of each times
    exp(2 pi i k t / period_s), about 0. `chance`: that noise has such a fundamental by itself.
    """

    period_s: float
    uncertainty_s: float
    harmonics_A: tuple[complex, ...]
    chance: float

    @property
    def amplitude_A(self) -> float:
        return abs(self.harmonics_A[0])

    @property
    def trough_s(self) -> float:
        """A time at which the fundamental is lowest: the smeared wake-up begins soon after."""
        return (math.pi - cmath.phase(self.harmonics_A[0])) / math.tau * self.period_s

    @property
    def smooth(self) -> bool:
        """Whether it is seen to last for several readings: what is shorter than a reading has
        overtones as large as its fundamental."""
        resolved = len(self.harmonics_A)
        return resolved >= 3 and abs(self.harmonics_A[-1]) <= 0.5 * self.amplitude_A

    def softened(self) -> Wave:
        """Without the undershoot of a series that is cut short (Fejer's mean of it)."""
        number = len(self.harmonics_A) + 1
        parts = (each * (1.0 - k / number) for k, each in enumerate(self.harmonics_A, start=1))
        return replace(self, harmonics_A=tuple(parts))

    def at(self, times_s: Floats) -> Floats:
        """Shape (n,), in A."""
        turns = times_s / self.period_s % 1.0
        amplitudes_A = np.array(self.harmonics_A)[:, None]
        orders = np.arange(1.0, len(self.harmonics_A) + 1.0)[:, None]
        parts = (amplitudes_A * np.exp(1j * math.tau * orders * turns)).real
        return np.asarray(parts.sum(axis=0), dtype=np.float64)


def find_wave(
    times_s: Floats, currents_A: Floats, near: tuple[float, float] | None = None
) -> Wave | None:
    """The wave of the longest period among the strongest, of four readings at least and a fifth of
    the record at most; None if none is there. Shapes (n,).

    `near`: a period and the share by which it may be off, where one is expected: it is looked for
    with the risk for this interval alone, and is the answer if it is there, unless it is an
    overtone of a longer one.
    """
    if times_s.size < FEWEST_PERIODS * FEWEST_READINGS:
        return None
    step_s, length_s = median(steps(times_s)), float(times_s[-1] - times_s[0])
    frequencies_Hz, power = _spectrum(times_s, currents_A, step_s)
    whole = (FEWEST_PERIODS / length_s, 1.0 / (FEWEST_READINGS * step_s))
    tried = np.flatnonzero((frequencies_Hz >= whole[0]) & (frequencies_Hz <= whole[1]))
    record = _Record.of(times_s, currents_A)

    @cache
    def wave_at(at_Hz: float) -> Wave | None:
        return _wave(record, 1.0 / at_Hz)

    def seen(at_Hz: float, low_Hz: float, high_Hz: float) -> Wave | None:
        tries = TRIES * max(length_s * (high_Hz - low_Hz), 1.0)
        wave = wave_at(at_Hz)
        return wave if wave is not None and wave.chance * tries < RISK else None

    peaks_Hz = _peaks(frequencies_Hz[tried], power[tried])
    found = [wave for at_Hz in peaks_Hz if (wave := seen(float(at_Hz), *whole)) is not None]
    strongest_A = max((wave.amplitude_A for wave in found), default=0.0)
    strong = [wave for wave in found if wave.amplitude_A >= SAME * strongest_A]
    best = max(strong, key=lambda wave: wave.period_s, default=None)
    if near is not None:
        low_Hz, high_Hz = 1.0 / (near[0] * (1.0 + near[1])), 1.0 / (near[0] * (1.0 - near[1]))
        inside = tried[(frequencies_Hz[tried] >= low_Hz) & (frequencies_Hz[tried] <= high_Hz)]
        if inside.size:
            best_Hz = float(frequencies_Hz[inside[np.argmax(power[inside])]])
            expected = seen(best_Hz, low_Hz, high_Hz)
            if expected is not None and expected.amplitude_A >= LEAKAGE * strongest_A:
                best = expected
    if best is None:
        return None
    # Short events have overtones as strong as their fundamental.
    for number in range(MOST_OVERTONE, 1, -1):
        if best.period_s * number * FEWEST_PERIODS <= length_s:
            longer = seen(1.0 / (best.period_s * number), *whole)
            if longer is not None and longer.amplitude_A >= SAME * best.amplitude_A:
                best = longer
                break
    return _with_overtones(record, best, step_s)


def _spectrum(times_s: Floats, currents_A: Floats, step_s: float) -> tuple[Floats, Floats]:
    """Frequencies and power, of readings brought onto a regular grid, without their trend."""
    grid_s = np.arange(times_s[0], times_s[-1], step_s)
    on_grid = np.interp(grid_s, times_s, currents_A)
    since_s = grid_s - (grid_s[0] + grid_s[-1]) / 2.0
    slope = float(since_s @ on_grid) / float(since_s @ since_s)
    level = on_grid - on_grid.mean() - slope * since_s
    size = PADDING << (grid_s.size - 1).bit_length()
    # The window keeps what is left of a transient at the low end of the spectrum.
    amplitudes = np.fft.rfft(level * np.hanning(grid_s.size), size)
    return np.asarray(np.fft.rfftfreq(size, step_s)), np.asarray(np.abs(amplitudes) ** 2)


def _peaks(frequencies_Hz: Floats, power: Floats) -> Floats:
    """The highest maxima, as seen against noise that falls with the frequency."""
    weighed = power * frequencies_Hz
    top = (weighed[1:-1] >= weighed[:-2]) & (weighed[1:-1] > weighed[2:])
    at = np.flatnonzero(top) + 1
    return np.asarray(frequencies_Hz[at[np.argsort(weighed[at])[-PEAKS:]]], dtype=np.float64)


@dataclass(frozen=True)
class _Record:
    """Readings with what is the same for all periods: the `limits_s` between them, shape (n+1,),
    their middles, and the charge up to each limit. All currents less the first."""

    times_s: Floats
    middles_s: Floats
    limits_s: Floats
    rest_A: Floats
    charge_C: Floats
    largest_A: float

    @classmethod
    def of(cls, times_s: Floats, currents_A: Floats) -> _Record:
        limits_s = np.concatenate(([times_s[0] - median(steps(times_s))], times_s))
        rest_A = currents_A - currents_A[0]
        return cls(
            times_s,
            (limits_s[:-1] + times_s) / 2.0,
            limits_s,
            rest_A,
            running_sum(rest_A * steps(limits_s)),
            float(np.abs(currents_A).max()),
        )


def _wave(record: _Record, period_s: float) -> Wave | None:
    """The wave of about this period, if there may be one, without its overtones."""
    folded = _fold(record, period_s)
    if folded is None:
        return None
    coefficients = folded.coefficients(1)
    middle = _mean(coefficients)
    if middle == 0.0:
        return None
    # A period that is a little off turns the phase steadily from period to period.
    ordinal, spread = centred_places(coefficients.size)
    turn = float(ordinal @ (coefficients / middle).imag) / spread
    period_s /= max(1.0 + turn / math.tau, 0.5)
    folded = _fold(record, period_s)
    if folded is None:
        return None
    coefficients = folded.coefficients(1)
    number, middle = coefficients.size, _mean(coefficients)
    # The rounding of equal readings is no scatter to divide by.
    rounding = number * (1e-12 * record.largest_A) ** 2
    scatter = float(np.sum(np.abs(coefficients - middle) ** 2)) + rounding
    if scatter == 0.0:
        return None
    # Hotelling's T^2 for the two parts of a complex mean, of equal variance and uncorrelated:
    # F with 2 and 2(n - 1) degrees of freedom (Victor and Mast 1991, from memory). Its upper tail
    # has a closed form.
    significance = number * (number - 1) * abs(middle) ** 2 / scatter
    chance = (1.0 + significance / (number - 1)) ** -(number - 1.0)
    # Of the frequency of a sine in white noise (Cramer-Rao, from memory): sqrt(6/F)/(2 pi T).
    share = math.sqrt(6.0 / max(significance, 1.0)) / (math.tau * number)
    return Wave(period_s, share * period_s, (2.0 * middle,), chance)


def _mean(coefficients: NDArray[np.complex128]) -> complex:
    return complex(coefficients.sum() / coefficients.size)


def _with_overtones(record: _Record, wave: Wave, step_s: float) -> Wave:
    folded = _fold(record, wave.period_s)
    assert folded is not None
    resolved = int(wave.period_s / (FEWEST_IN_OVERTONE * step_s))
    overtones = tuple(
        2.0 * _mean(folded.coefficients(k)) for k in range(2, min(resolved, HARMONICS) + 1)
    )
    return replace(wave, harmonics_A=wave.harmonics_A + overtones)


@dataclass(frozen=True)
class _Folded:
    """Readings of `periods` whole periods without what changes more slowly: the period that each
    belongs to, and its phase in turns; shapes (n,). `counts`: of the readings in each period, 1 at
    least."""

    currents_A: Floats
    number: NDArray[np.intp]
    turns: Floats
    periods: int
    counts: NDArray[np.intp]

    def coefficients(self, harmonic: int) -> NDArray[np.complex128]:
        """The Fourier coefficient in each period, shape (periods,)."""
        waves = self.currents_A * np.exp(-1j * math.tau * harmonic * self.turns)
        real = np.bincount(self.number, waves.real, self.periods)
        imaginary = np.bincount(self.number, waves.imag, self.periods)
        return np.asarray((real + 1j * imaginary) / self.counts)


def _fold(record: _Record, period_s: float) -> _Folded | None:
    """None for fewer than 4 whole periods.

    The mean over a period around each reading is taken off: else a ramp would look like a
    sawtooth of any period.
    """
    times_s, limits_s = record.times_s, record.limits_s
    before_s, after_s = record.middles_s - period_s / 2.0, record.middles_s + period_s / 2.0
    first = int(before_s.searchsorted(limits_s[0]))
    last = int(after_s.searchsorted(limits_s[-1], "right"))
    if last - first < FEWEST_READINGS:
        return None
    number = ((times_s[first:last] - times_s[first]) / period_s).astype(np.intp)
    periods = int(number[-1])
    if periods < FEWEST_PERIODS - 1:
        return None
    number = number[: int(number.searchsorted(periods))]
    whole = slice(first, first + number.size)
    slow = np.interp(after_s[whole], limits_s, record.charge_C)
    slow = (slow - np.interp(before_s[whole], limits_s, record.charge_C)) / period_s
    turns = record.middles_s[whole] / period_s % 1.0
    counts = np.maximum(np.bincount(number, minlength=periods), 1)
    return _Folded(record.rest_A[whole] - slow, number, turns, periods, counts)
