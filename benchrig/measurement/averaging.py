"""The mean of correlated readings, with an uncertainty that does not shrink too fast.

s/sqrt(n) assumes independent readings. The current of a board is not like that: regulators, mains
hum and 1/f noise make neighbours alike, and s/sqrt(n) can be ten times too small. Here the readings
are gathered into a few batches; the scatter of the batch means carries the slow noise
(non-overlapping batch means; Law, Simulation Modeling and Analysis, ch. 9, from memory), and what
correlation is left between them is priced as a first-order autoregression.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchrig.measurement.quantiles import t_quantile

Floats = NDArray[np.float64]

EPSILON = float(np.finfo(np.float64).eps)
BATCHES = 16
MOST_CORRELATION = 0.8


class Average(NamedTuple):
    """A mean with its standard uncertainty (type A) and degrees of freedom.

    `first_minus_second` is the mean of the first half minus that of the second: what is left of
    a transient. All in the unit of the readings.
    """

    mean: float
    standard_uncertainty: float
    dof: float
    first_minus_second: float

    @property
    def half_width(self) -> float:
        """Half of the two-sided 95 % interval of the mean."""
        return t_quantile(self.dof) * self.standard_uncertainty

    def known_to(self, standard_uncertainty: float, dof: float) -> Average:
        """The same mean, with another uncertainty."""
        return Average(self.mean, standard_uncertainty, dof, self.first_minus_second)


def even_edges(first: float, last: float, batches: int) -> Floats:
    """Of equally long batches, shape (batches+1,); as `np.linspace`, without its checks."""
    edges = np.arange(batches + 1.0) * ((last - first) / batches) + first
    edges[-1] = last
    return edges


class Sums:
    """Readings summed up once, for their means between whatever edges.

    Edges are interpolated in the running sum, as charge is, so that a batch can hold exactly a
    whole number of wake-up periods. The first reading is taken off before summing: the sums
    stay small and nothing is lost to rounding.
    """

    def __init__(self, readings: Floats) -> None:
        self._first = readings[0]
        self._running = running_sum(readings - self._first)
        self._places = np.arange(float(self._running.size))

    def means(self, edges: Floats) -> Floats:
        """`edges`: positions in the record, shape (k+1,), may lie within a reading."""
        at_edges = np.interp(edges, self._places, self._running)
        means: Floats = self._first + steps(at_edges) / steps(edges)
        return means


def batch_means(readings: Floats, edges: Floats) -> Floats:
    """As `Sums`, for one set of edges."""
    return Sums(readings).means(edges)


def average(readings: Floats, edges: Floats | None = None) -> Average:
    """Mean of `readings` between the outer `edges`, by batch means with corrected correlation.

    Without `edges`: 16 equal batches over all readings. The wider of k and k/2 batches is taken
    when there are 16: noise as slow as the record shows in the longer batches first.
    Raises `ValueError` below 3 batches or when there are fewer readings than batches.
    """
    if edges is None:
        edges = even_edges(0.0, readings.size, BATCHES)
    if edges.size < 4 or readings.size < edges.size - 1:
        raise ValueError(f"{readings.size} readings in {edges.size - 1} batches: need 3 or more")
    return of_means(batch_means(readings, edges))


def of_means(means: Floats) -> Average:
    """The average of 3 batch `means` or more, as `average` gives it."""
    batches = means
    mean, uncertainty, dof = _known(means)
    if means.size == BATCHES:
        pairs = (means[0::2] + means[1::2]) / 2.0
        of_pairs = _known(pairs)
        if t_quantile(of_pairs[2]) * of_pairs[1] > t_quantile(dof) * uncertainty:
            batches, (mean, uncertainty, dof) = pairs, of_pairs
    return Average(mean, uncertainty, dof, _halves(batches))


def student(readings: Floats) -> Average:
    """Plain Student interval, for records too short to say anything about correlation.

    GUM (JCGM 100:2008) 4.2.3. Raises `ValueError` below 2 readings.
    """
    if readings.size < 2:
        raise ValueError(f"{readings.size} readings: an interval needs 2 or more")
    mean = _mean(readings)
    return Average(
        mean,
        math.sqrt(_variance(readings, mean, _rounding(readings)) / readings.size),
        readings.size - 1.0,
        _halves(readings),
    )


def correlation(means: Floats) -> float:
    """Lag-1 autocorrelation of what is left around a straight line, clipped to 0 ... 0.8.

    Taking off a line makes neighbours look less alike than they are; to first order by
    (2 + 4r)/k (Kendall 1954 gives (1 + 4r)/k for the mean alone, from memory).
    """
    from_first = means - means[0]
    return _correlation(means, from_first, _mean_of(means, from_first), _rounding(means))


def _correlation(means: Floats, from_first: Floats, mean: float, rounding: float) -> float:
    centred, spread = centred_places(means.size)
    slope = float(centred.dot(from_first)) / spread
    residuals = means - (mean + slope * centred)
    power = float(residuals.dot(residuals))
    if power <= rounding:
        return 0.0
    raw = float(residuals[1:].dot(residuals[:-1])) / power
    corrected = raw + (2.0 + 4.0 * max(raw, 0.0)) / means.size
    return min(max(corrected, 0.0), MOST_CORRELATION)


def of_batches(means: Floats) -> Average:
    return Average(*_known(means), _halves(means))


def of_noise(means: Floats, standard_uncertainty: float, dof: float) -> Average:
    """Of batch `means` whose noise is known from elsewhere."""
    return Average(_mean(means), standard_uncertainty, dof, _halves(means))


def noise_of(means: Floats) -> tuple[float, float]:
    """Standard uncertainty of the mean of batch `means`, and its degrees of freedom."""
    return _known(means)[1:]


def _known(means: Floats) -> tuple[float, float, float]:
    """Mean, standard uncertainty, degrees of freedom."""
    from_first, rounding = means - means[0], _rounding(means)
    mean = _mean_of(means, from_first)
    r = _correlation(means, from_first, mean, rounding)
    inflation = (1.0 + r) / (1.0 - r)
    uncertainty = math.sqrt(_variance(means, mean, rounding) * inflation / means.size)
    return mean, uncertainty, max(means.size / inflation - 2.0, 2.0)


def median(values: Floats) -> float:
    """As numpy's, without its checks, which cost more than the rest of a look."""
    half = values.size // 2
    ordered = values.copy()
    ordered.partition(half)
    upper = float(ordered.item(half))
    # The largest before it: to look for both places at once takes four times as long.
    return upper if values.size % 2 else (float(np.maximum.reduce(ordered[:half])) + upper) / 2.0


def medians(rows: Floats) -> Floats:
    """The median of each of some short rows, as `median`; shape (n, k) gives (n,)."""
    half = rows.shape[1] // 2
    ordered = np.sort(rows, axis=1)
    if rows.shape[1] % 2:
        return ordered[:, half]
    return np.asarray((ordered[:, half - 1] + ordered[:, half]) / 2.0)


def running_sum(values: Floats) -> Floats:
    """From 0 on, shape (n+1,)."""
    running = np.zeros(values.size + 1)
    values.cumsum(out=running[1:])
    return running


def mean_square(values: Floats) -> float:
    """Mean square about the mean; as `np.var`, without its checks."""
    deviations = values - np.add.reduce(values) / values.size
    return float(np.add.reduce(deviations * deviations)) / values.size


def steps(values: Floats) -> Floats:
    """From each value to the next, shape (n-1,); as `np.diff`, without its checks."""
    apart: Floats = values[1:] - values[:-1]
    return apart


def _mean(values: Floats) -> float:
    return _mean_of(values, values - values[0])


def _mean_of(values: Floats, from_first: Floats) -> float:
    return float(values[0]) + float(np.add.reduce(from_first)) / values.size


def _variance(values: Floats, mean: float, rounding: float) -> float:
    """Two-pass variance; zero when all that is left is rounding of equal values."""
    deviations = values - mean
    power = float(deviations.dot(deviations))
    return 0.0 if power <= rounding else power / (values.size - 1)


def _rounding(values: Floats) -> float:
    """Sum of squares that rounding alone leaves: a few units in the last place per value."""
    return values.size * (4.0 * EPSILON * float(np.maximum.reduce(np.abs(values)))) ** 2


@lru_cache(maxsize=64)
def centred_places(size: int) -> tuple[Floats, float]:
    """Places about their middle, and their sum of squares."""
    centred = np.arange(size, dtype=np.float64) - (size - 1) / 2.0
    return centred, float(centred @ centred)


def _halves(values: Floats) -> float:
    """First half minus second half; the middle one of an odd number belongs to neither."""
    half = values.size // 2
    return _mean(values[:half]) - _mean(values[values.size - half :])
