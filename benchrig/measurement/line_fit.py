"""A straight line through points, with the covariance of its two parameters (GUM H.3)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchrig.measurement.combining import Estimate


@dataclass(frozen=True)
class LineFit:
    """y = level + slope (x - origin). Uncertainties are standard ones.

    `residual_scale`: root of the weighted sum of squared residuals over n - 2; the standard
    deviation of a point where no uncertainties were given, else about 1 where they explain the
    scatter. `dof`: n - 2 where the scatter set the uncertainties, else infinite.
    """

    origin: float
    level: float
    slope: float
    level_uncertainty: float
    slope_uncertainty: float
    covariance: float
    residual_scale: float
    dof: float

    @property
    def correlation(self) -> float:
        """Of level and slope; 0 where one of them is exact."""
        product = self.level_uncertainty * self.slope_uncertainty
        return self.covariance / product if product > 0.0 else 0.0

    def at(self, x: float) -> Estimate:
        """The line's own value at `x`; where that is far from the points, it assumes that the
        line goes on (GUM H.3.3)."""
        step = x - self.origin
        variance = (
            self.level_uncertainty**2
            + (step * self.slope_uncertainty) ** 2
            + 2.0 * step * self.covariance
        )
        return Estimate(self.level + self.slope * step, math.sqrt(max(variance, 0.0)), self.dof)


def fit_line(
    x: Sequence[float],
    y: Sequence[float],
    uncertainties: Sequence[float] | None = None,
    origin: float = 0.0,
) -> LineFit:
    """Least squares. `uncertainties`: standard ones of `y`, independent of each other, by whose
    inverse squares the points weigh; without them all weigh alike, and the scatter says how
    uncertain they are (GUM H.3.2).

    Where the scatter exceeds the uncertainties, these are too small, or the line is none: they
    are then widened to it, and never narrowed (Birge ratio; Birge 1932, from memory). Raises
    `ValueError` for points that define no line.
    """
    points, values = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    spread = np.ones_like(points) if uncertainties is None else np.asarray(uncertainties)
    _check(points, values, spread, needed=3 if uncertainties is None else 2)
    # Scaled to about 1, so that neither squares nor products leave the range of a double.
    unit = float(np.max(spread))
    weights = (unit / spread) ** 2
    total = float(np.sum(weights))
    middle, level = float(weights @ points) / total, float(weights @ values) / total
    steps = points - middle
    power = float(weights @ steps**2)
    slope = float(weights @ (steps * (values - level))) / power
    residuals = values - level - slope * steps
    free = points.size - 2
    scale = math.sqrt(float(weights @ residuals**2) / free) / unit if free else 0.0
    if uncertainties is None:
        widening, dof = scale, float(free)
    else:
        widening, dof = max(1.0, scale), (float(free) if scale > 1.0 else math.inf)
    away, variance = origin - middle, (widening * unit) ** 2
    return LineFit(
        origin,
        level + slope * away,
        slope,
        math.sqrt(variance * (1.0 / total + away**2 / power)),
        math.sqrt(variance / power),
        variance * away / power,
        scale,
        dof,
    )


def _check(points: np.ndarray, values: np.ndarray, spread: np.ndarray, needed: int) -> None:
    if points.ndim != 1 or not points.shape == values.shape == spread.shape:
        raise ValueError("a line needs as many x as y, and as many uncertainties if there are any")
    if not all(np.isfinite(array).all() for array in (points, values, spread)):
        raise ValueError("a line needs finite numbers")
    if not (spread > 0.0).all():
        raise ValueError("the uncertainties of the points must be above 0")
    if points.size < needed or np.ptp(points) == 0.0:
        raise ValueError(f"a line needs {needed} points or more, at two different x at least")
