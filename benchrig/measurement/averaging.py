"""Means of correlated readings with an honest standard uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchrig.measurement.quantiles import t_quantile


@dataclass(frozen=True)
class Average:
    """`standard_uncertainty` has `dof` degrees of freedom; `fall` is the mean of the first half
    minus that of the second, with its standard uncertainty."""

    mean: float
    standard_uncertainty: float
    dof: float
    fall: float
    fall_uncertainty: float

    @property
    def half_width(self) -> float:
        """Of the 95 % interval."""
        return t_quantile(self.dof) * self.standard_uncertainty


def batch_average(values: np.ndarray) -> Average:
    """The mean of a series (n,), n >= 16, by batch means.

    Batch means take account of correlation that is shorter than a batch; what is left is
    corrected as an AR(1) process between batches, with fewer degrees of freedom. Taken with 8
    and with 16 batches, and the wider one kept: noise that jumps between levels hides from one
    of them (measured in scripts/bench_settling.py).
    """
    options = [_of_batches(_batch_means(values, count)) for count in (8, 16)]
    mean = float(np.mean(values))
    widest = max(options, key=lambda option: option.half_width)
    half = len(values) // 2
    fall = float(np.mean(values[:half]) - np.mean(values[half:]))
    return Average(
        mean, widest.standard_uncertainty, widest.dof, fall, 2 * widest.standard_uncertainty
    )


def average_of_means(means: np.ndarray) -> Average:
    """The mean of equally long batches (k,), k >= 3, whose means are given."""
    return _of_batches(means)


def _batch_means(values: np.ndarray, count: int) -> np.ndarray:
    edges = np.linspace(0, len(values), count + 1).round().astype(int)
    sums = np.add.reduceat(values, edges[:-1])
    means: np.ndarray = sums / np.diff(edges)
    return means


def _of_batches(means: np.ndarray) -> Average:
    count = len(means)
    mean = float(np.mean(means))
    steps = np.arange(count) - (count - 1) / 2
    slope = float(steps @ means) / float(steps @ steps)
    rest = means - mean - slope * steps
    variance = float(np.sum((means - mean) ** 2)) / (count - 1)
    power = float(rest @ rest)
    lag = float(rest[1:] @ rest[:-1]) / power if power > 0 else 0.0
    # The estimate of a lag-1 correlation is low by about (1 + 4 r)/n once a line is taken out.
    lag = min(max(lag + (1 + 4 * lag) / count, 0.0), 0.8)
    factor = (1 + lag) / (1 - lag)
    uncertainty = math.sqrt(variance * factor / count)
    half = count // 2
    fall = float(np.mean(means[:half]) - np.mean(means[count - half :]))
    return Average(mean, uncertainty, max(count / factor - 2, 2.0), fall, 2 * uncertainty)
