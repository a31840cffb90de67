"""The tail of a long record: what is still to decay after the firmware has done its work.

Fitted with one exponential or two, or with a power of the time, to block means, which say by
their own scatter how well they are known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from benchrig.measurement.averaging import Floats

BLOCKS = 40
"""No block is longer than the record over this."""

GROWTH = 1.07
GRID = 120
F_SEEN = 12.0
"""How much better a fit must be per parameter, in variances, to be believed: 1 in 10,000 by
chance, with a margin for having looked at many time constants."""

MOST_SHARE = 1.0 / 3.0
"""A time constant above this share of the record is not told from a drift."""

LEAST_A = 1e-24
"""Far below any current, so that a record of zeros has an uncertainty to divide by."""

Shape = Literal["none", "exponential", "power", "slower", "other"]

POOR_CHI, POOR_SHARE = 25.0, 0.05
"""A fit that is so much worse than the noise, in variances, and misses so much of the level, on the
root mean square of the blocks, explains nothing."""

APART = 1.3
"""Two time constants that are closer than this are one."""

SLOWER = 6
"""Slower time constants that are tried beside the best single one."""


@dataclass(frozen=True)
class Tail:
    """`level_A` plus what is still to come, as fitted between `since_s` and `until_s`.

    shape          "none": nothing that stands out of the noise; "exponential": one or two, the
                   slower being `time_constant_s`, 95 % interval `low_s` to `high_s`; "power": goes
                   with t^-exponent; "slower": still changes with a time constant of more than a
                   third of the record; "other": changes in a way that none of these explains.
    amplitude_A    of the slowest part at `since_s`; with "none" the largest that could hide
    terms          (amplitude in A at `since_s`, time constant in s) of each exponential
    """

    shape: Shape
    since_s: float
    until_s: float
    level_A: float
    amplitude_A: float
    time_constant_s: float | None = None
    low_s: float | None = None
    high_s: float | None = None
    exponent: float | None = None
    terms: tuple[tuple[float, float], ...] = ()

    def at(self, times_s: Floats) -> Floats:
        """The fitted current, shape (n,)."""
        since = np.maximum(times_s - self.since_s, 0.0)
        current = np.full_like(times_s, self.level_A)
        for amplitude_A, tau_s in self.terms:
            current += amplitude_A * np.exp(-since / tau_s)
        if self.exponent is not None:
            current += self.amplitude_A * (times_s / self.since_s) ** -self.exponent
        return current


@dataclass(frozen=True)
class Blocks:
    """Means of `counts` readings, `interval_s` apart: their middle times since the command, the
    means, and their standard uncertainties. Shapes (m,)."""

    times_s: Floats
    means_A: Floats
    uncertainties_A: Floats
    counts: Floats
    interval_s: float

    def wave(self, since_s: float, tau_s: float) -> Floats:
        """The block means of exp(-(t - since_s) / tau_s): that of n values in geometric sequence
        is their middle times sinh(n h/2) / (n sinh(h/2)), with h the step over tau."""
        half = self.interval_s / (2.0 * tau_s)
        widened = _log_sinh(self.counts * half) - np.log(self.counts) - _log_sinh(np.array(half))
        return np.asarray(np.exp(widened - (self.times_s - since_s) / tau_s), dtype=np.float64)


def _log_sinh(value: Floats) -> Floats:
    return np.asarray(value + np.log1p(-np.exp(-2.0 * value)) - math.log(2.0), dtype=np.float64)


def blocks(times_s: Floats, currents_A: Floats, noise_A: float) -> Blocks:
    """Short ones at the start, where the tail is steep, growing to equal long ones."""
    sizes, scatters = _scatter(times_s, currents_A)
    # Correlated noise averages down only from some length on: shorter blocks would repeat it.
    correlated = sizes[scatters >= 0.8 * scatters[0]][-1]
    least = 1 if correlated == 1 else min(4 * int(correlated), max(times_s.size // 400, 1))
    edges = _edges(times_s - times_s[0], least)
    counts = np.diff(edges)
    means = np.add.reduceat(currents_A, edges[:-1]) / counts
    middles = np.add.reduceat(times_s, edges[:-1]) / counts
    usual = np.interp(np.log(counts), np.log(sizes), scatters)
    floor_A = np.maximum(noise_A / np.sqrt(counts), 1e-9 * np.max(np.abs(means)) + LEAST_A)
    interval_s = float(np.median(np.diff(times_s)))
    return Blocks(middles, means, np.maximum(usual, floor_A), counts.astype(np.float64), interval_s)


def _scatter(times_s: Floats, currents_A: Floats) -> tuple[Floats, Floats]:
    """How means over so many readings scatter about a line in the second half, where little is
    left of a tail: white noise, correlated noise, and whatever else there is."""
    late = currents_A[currents_A.size // 2 :]
    line = np.polynomial.Polynomial.fit(times_s[-late.size :], late, 1)
    rest = late - line(times_s[-late.size :])
    sizes = 2 ** np.arange(max(int(math.log2(late.size / 8.0)) + 1, 1))
    scatters = []
    for size in sizes:
        means = rest[: rest.size // size * size].reshape(-1, size).mean(axis=1)
        scatters.append(1.4826 * float(np.median(np.abs(means))))
    return sizes.astype(np.float64), np.array(scatters)


def _edges(since_s: Floats, least: int) -> np.ndarray:
    step_s = float(np.median(np.diff(since_s)))
    shortest_s, longest_s = least * step_s, max(since_s[-1] / BLOCKS, least * step_s)
    limits = [0.0]
    while limits[-1] < since_s[-1]:
        growing_s = max(limits[-1] * (GROWTH - 1.0), shortest_s)
        limits.append(limits[-1] + min(growing_s, longest_s))
    edges = np.unique(np.searchsorted(since_s, np.array(limits[:-1]) - step_s / 2.0))
    return np.append(edges, since_s.size)


def fit_tail(times_s: Floats, currents_A: Floats, noise_A: float) -> Tail:
    """The tail in readings from which wake-ups were taken out; shapes (n,), times since the
    command. `noise_A`: the white noise of a reading."""
    of = blocks(times_s, currents_A, noise_A)
    since_s, until_s = float(times_s[0]), float(times_s[-1])
    flat = _Fit.of(of, [])
    one, two = _exponentials(of, since_s, until_s - since_s)
    power, exponent = _power(of, since_s)
    scale = max(two.chi / max(of.means_A.size - 5, 1), 1.0)
    if flat.chi - min(one.chi, two.chi, power.chi) < 2.0 * F_SEEN * scale:
        hidden_A = math.sqrt(2.0 * F_SEEN * scale) * _uncertainty_A(of, since_s, until_s)
        return Tail("none", since_s, until_s, flat.level_A, hidden_A)
    apart = max(two.taus_s) / min(two.taus_s) > APART
    best = two if apart and one.chi - two.chi > 2.0 * F_SEEN * scale else one
    # Each parameter more costs ln(n) (Schwarz 1978, from memory).
    price = scale * math.log(of.means_A.size) * (2 * len(best.taus_s) - 2)
    if power.chi + F_SEEN * scale < best.chi + price:
        amplitude_A = power.amplitudes_A[0]
        return Tail("power", since_s, until_s, power.level_A, amplitude_A, exponent=exponent)
    if best.is_poor(of):
        return Tail("other", since_s, until_s, flat.level_A, float(np.ptp(of.means_A)))
    slow = int(np.argmax(best.taus_s))
    # So wide that it says nothing, where the logarithm is not even known to 3.
    tau_s, spread = best.taus_s[slow], min(1.96 * math.sqrt(scale) * best.spreads[slow], 3.0)
    slower = tau_s * math.exp(spread) > MOST_SHARE * (until_s - since_s)
    terms = sorted(zip(best.amplitudes_A, best.taus_s, strict=True), key=lambda term: -term[1])
    return Tail(
        "slower" if slower else "exponential",
        since_s,
        until_s,
        best.level_A,
        best.amplitudes_A[slow],
        tau_s,
        tau_s * math.exp(-spread),
        tau_s * math.exp(spread),
        terms=tuple(terms),
    )


@dataclass(frozen=True)
class _Fit:
    """Weighted least squares of a level and given shapes; `spreads` are the standard uncertainties
    of the logarithms of `taus_s`."""

    chi: float
    level_A: float
    amplitudes_A: tuple[float, ...]
    taus_s: tuple[float, ...] = ()
    spreads: tuple[float, ...] = ()
    misses_A: float = 0.0

    def is_poor(self, data: Blocks) -> bool:
        free = max(data.means_A.size - 1 - len(self.amplitudes_A) - len(self.taus_s), 1)
        misses = self.misses_A > POOR_SHARE * abs(float(np.median(data.means_A)))
        return misses and self.chi > POOR_CHI * free

    @classmethod
    def of(cls, data: Blocks, shapes: list[Floats]) -> _Fit:
        design = np.column_stack([np.ones_like(data.means_A), *shapes])
        weighted = design / data.uncertainties_A[:, None]
        target = data.means_A / data.uncertainties_A
        found = np.linalg.lstsq(weighted, target, rcond=None)[0]
        rest = target - weighted @ found
        amplitudes = tuple(float(each) for each in found[1:])
        misses_A = float(np.sqrt(np.mean((rest * data.uncertainties_A) ** 2)))
        return cls(float(rest @ rest), float(found[0]), amplitudes, misses_A=misses_A)


def _exponentials(data: Blocks, since_s: float, length_s: float) -> tuple[_Fit, _Fit]:
    """The best single exponential, and the best two."""
    taus_s = np.geomspace(length_s / 1e4, 2.0 * length_s, GRID)
    taus_s = taus_s[taus_s > 2.0 * (data.times_s[1] - data.times_s[0])]
    waves = np.column_stack([data.wave(since_s, tau_s) for tau_s in taus_s])
    single = [_Fit.of(data, [wave]).chi for wave in waves.T]
    one = _refined(data, since_s, taus_s[[int(np.argmin(single))]])
    # Where the fast part is a thousand times the slow one, the grid is too coarse for it: what it
    # misses of the fast part outweighs the slow one. So the fast one is refined first as well.
    (fast_s,) = one.taus_s
    starts = [taus_s[list(_best_pair(data, waves))]]
    starts += [np.array([slow_s, fast_s]) for slow_s in _slower(fast_s, length_s)]
    return one, min((_refined(data, since_s, pair) for pair in starts), key=lambda fit: fit.chi)


def _slower(fast_s: float, length_s: float) -> Floats:
    """So close to each other that the bounds of `_refined` leave no gap."""
    return np.asarray(np.geomspace(2.0 * fast_s, max(length_s, 4.0 * fast_s), SLOWER))


def _refined(data: Blocks, since_s: float, taus_s: Floats) -> _Fit:
    """From a start on the grid to the least squares; level and amplitudes are linear, and follow
    from the time constants (variable projection; Golub and Pereyra 1973, from memory)."""
    from scipy.optimize import least_squares

    def fitted(logs: Floats) -> tuple[Floats, _Fit]:
        shapes = [data.wave(since_s, float(tau_s)) for tau_s in np.exp(logs)]
        fit = _Fit.of(data, shapes)
        model = fit.level_A + sum(a * s for a, s in zip(fit.amplitudes_A, shapes, strict=True))
        return (data.means_A - model) / data.uncertainties_A, fit

    start = np.log(taus_s)
    found = least_squares(lambda logs: fitted(logs)[0], start, bounds=(start - 1.0, start + 1.0))
    fit = fitted(found.x)[1]
    covariance = np.linalg.pinv(found.jac.T @ found.jac, hermitian=True)
    spreads = np.minimum(np.sqrt(np.maximum(np.diag(covariance), 0.0)), 20.0)
    return replace(
        fit,
        taus_s=tuple(float(each) for each in np.exp(found.x)),
        spreads=tuple(float(each) for each in spreads),
    )


def _best_pair(data: Blocks, waves: Floats) -> tuple[int, int]:
    """A slow and a clearly faster time constant that together leave the least. Level and slow
    wave are projected out in turn, so that all faster ones are tried at once."""
    weights = 1.0 / data.uncertainties_A
    unit = weights / np.linalg.norm(weights)
    scaled, target = waves * weights[:, None], data.means_A * weights
    scaled, target = scaled - np.outer(unit, unit @ scaled), target - unit * (unit @ target)
    least, best = math.inf, (1, 0)
    apart = GRID // 15
    for slow in range(apart + 1, waves.shape[1]):
        axis = scaled[:, slow] / np.linalg.norm(scaled[:, slow])
        fast = scaled[:, : slow - apart]
        rest = target - axis * (axis @ target)
        away = fast - np.outer(axis, axis @ fast)
        gain = (away.T @ rest) ** 2 / np.maximum(np.sum(away**2, axis=0), 1e-12)
        chi = float(rest @ rest) - float(np.max(gain))
        if chi < least:
            least, best = chi, (slow, int(np.argmax(gain)))
    return best


def _uncertainty_A(data: Blocks, since_s: float, until_s: float) -> float:
    """Of the amplitude of a tail with a tenth of the record as its time constant."""
    wave = data.wave(since_s, 0.1 * (until_s - since_s))
    weights = data.uncertainties_A**-2.0
    middle = float(weights @ wave) / float(np.sum(weights))
    return 1.0 / math.sqrt(float(weights @ (wave - middle) ** 2))


def _power(data: Blocks, since_s: float) -> tuple[_Fit, float]:
    """The best power of the time since the command; its amplitude is that at `since_s`."""
    since = max(since_s, 1e-9)
    exponents = np.arange(0.3, 1.65, 0.05)
    fits = [_Fit.of(data, [(data.times_s / since) ** -exponent]) for exponent in exponents]
    best = int(np.argmin([fit.chi for fit in fits]))
    return fits[best], float(round(exponents[best], 2))
