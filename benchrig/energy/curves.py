"""Curves through currents that were measured over supply voltage and clock frequency.

Three models, all linear in their parameters:

    frequency   I = static + per_hertz f                at one voltage
    voltage     I = static + per_volt V                 at one frequency
    joint       I = static + per_volt_hertz f V         over all points

The joint one is the dynamic power of CMOS, P = C V² f, as a current (Weste and Harris, CMOS VLSI
Design, ch. 5, from memory), with what flows without a clock. Weighted least squares: each point
weighs by its whole uncertainty. A parameter is a weighted sum of the currents, so its uncertainty
is that of such a sum: what the points share, the gain of a range say, is one error.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchrig.measurement import Budget, Contribution, combine, t_quantile

Floats = NDArray[np.float64]
Kind = Literal["frequency", "voltage", "joint"]

RISK = 0.05
"""Of the test of the residuals, and of all points together, to call a good one bad."""


@dataclass(frozen=True)
class Point:
    """A current at a supply voltage and a clock frequency; None without a known clock."""

    voltage_V: float
    frequency_Hz: float | None
    current: Budget


@dataclass(frozen=True)
class Residual:
    """What a point lies above the curve, in A and in standard uncertainties of the residual."""

    point: Point
    residual_A: float
    in_uncertainties: float
    fits: bool


@dataclass(frozen=True)
class Curve:
    """`parameters` have the units A, then A/Hz, A/V or A/(V Hz). `holds`: whether the residuals
    are what the uncertainties let expect; None where the curve has as many parameters as points.
    Where it does not hold, the parameters' uncertainties are widened by the scatter."""

    kind: Kind
    parameters: tuple[Budget, Budget]
    chi_square: float
    degrees_of_freedom: int
    probability: float | None
    residuals: tuple[Residual, ...]

    @property
    def holds(self) -> bool | None:
        return None if self.probability is None else self.probability >= RISK

    def at(self, voltage_V: float, frequency_Hz: float) -> float:
        """The current of the curve itself, in A."""
        static, slope = (part.value for part in self.parameters)
        return static + slope * _regressor(self.kind, voltage_V, frequency_Hz)


def fit_curve(kind: Kind, points: Sequence[Point]) -> Curve:
    """Raises `ValueError` for fewer than two points that differ, or for points without a clock
    frequency where the model needs one."""
    x = np.array([_regressor(kind, point.voltage_V, point.frequency_Hz) for point in points])
    if x.size < 2 or np.ptp(x) == 0.0:
        raise ValueError(f"a curve against {_AGAINST[kind]} needs two points that differ in it")
    budgets = [point.current for point in points]
    currents_A = np.array([budget.value for budget in budgets])
    spread_A = np.array([budget.standard_uncertainty for budget in budgets])
    if not (spread_A > 0.0).all():
        raise ValueError("the uncertainties of the points must be above 0")
    # Scaled to about 1: MHz beside V, and squares of nA.
    scale = float(np.max(np.abs(x)))
    design = np.column_stack([np.ones_like(x), x / scale])
    weights = 1.0 / spread_A
    # p = (estimator) I, from the weighted equations.
    estimator = np.linalg.pinv(design * weights[:, None]) * weights
    residuals_A = currents_A - design @ (estimator @ currents_A)
    covariance = _covariance(budgets)
    free = x.size - 2
    chi_square, probability = _chi_square(design, currents_A, covariance) if free else (0.0, None)
    lines = estimator / np.array([[1.0], [scale]])
    parameters = [combine(budgets, list(line), float(line @ currents_A)) for line in lines]
    if probability is not None and probability < RISK:
        spread = _scatter(design * weights[:, None], residuals_A * weights)
        parameters = [
            _widened(parameter, float(width), free)
            for parameter, width in zip(parameters, spread / np.array([1.0, scale]), strict=True)
        ]
    seen = _residuals(points, residuals_A, design, estimator, covariance) if free else ()
    pair = parameters[0], parameters[1]
    return Curve(kind, pair, chi_square, free, probability, seen)


_AGAINST: dict[Kind, str] = {
    "frequency": "clock frequency",
    "voltage": "supply voltage",
    "joint": "frequency times voltage",
}


def _regressor(kind: Kind, voltage_V: float, frequency_Hz: float | None) -> float:
    if kind == "voltage":
        return voltage_V
    if frequency_Hz is None:
        raise ValueError("a point without a clock frequency lies on no curve against it")
    return frequency_Hz if kind == "frequency" else frequency_Hz * voltage_V


def _covariance(budgets: Sequence[Budget]) -> Floats:
    """Of the currents, (n, n): what they share moves them together, with its signs.

    Of a few batches nobody knows the scatter well: their part is taken as much larger as t is than
    the normal quantile, or good points would look bad.
    """
    causes: dict[str, Floats] = {}
    own = np.zeros(len(budgets))
    for index, budget in enumerate(budgets):
        for part in budget.contributions:
            effect = part.effect * t_quantile(part.dof) / t_quantile(math.inf)
            if part.shared is None:
                own[index] += effect**2
            else:
                causes.setdefault(part.shared, np.zeros(len(budgets)))[index] += effect
    total: Floats = np.diag(own)
    for effects in causes.values():
        total = total + np.outer(effects, effects)
    return total


def _chi_square(design: Floats, currents_A: Floats, covariance: Floats) -> tuple[float, float]:
    """Of what no curve of the model can follow, and the probability of as much or more by chance.

    In coordinates that are orthogonal to the model, where the covariance can be inverted: the same
    as generalised least squares, and it does not depend on the weights.
    """
    from scipy.special import chdtrc

    basis = np.linalg.qr(design, mode="complete")[0][:, design.shape[1] :]
    unit_A = float(np.sqrt(np.max(np.diag(covariance))))
    apart = basis.T @ (currents_A / unit_A)
    chi_square = float(apart @ np.linalg.solve(basis.T @ (covariance / unit_A**2) @ basis, apart))
    return chi_square, float(chdtrc(basis.shape[1], chi_square))


def _scatter(design: Floats, residuals: Floats) -> Floats:
    """Standard uncertainties of the parameters, (2,), as the scatter about the curve has them."""
    variance = float(residuals @ residuals) / (residuals.size - design.shape[1])
    spread: Floats = np.sqrt(variance * np.diag(np.linalg.inv(design.T @ design)))
    return spread


def _widened(parameter: Budget, spread: float, free: int) -> Budget:
    line = Contribution("scatter about the curve", spread, float(free), "A")
    return Budget(parameter.value, (*parameter.contributions, line))


def _residuals(
    points: Sequence[Point],
    residuals_A: Floats,
    design: Floats,
    estimator: Floats,
    covariance: Floats,
) -> tuple[Residual, ...]:
    from scipy.special import ndtri

    off = np.eye(len(points)) - design @ estimator
    spread_A = np.sqrt(np.maximum(np.diag(off @ covariance @ off.T), 0.0))
    # All points together are called bad with the risk (Bonferroni).
    most = float(ndtri(1.0 - RISK / (2 * len(points))))
    seen = []
    for point, residual_A, uncertainty_A in zip(points, residuals_A, spread_A, strict=True):
        # A point that alone decides one parameter lies on the curve whatever it is.
        decides = uncertainty_A <= 1e-9 * point.current.standard_uncertainty
        times = 0.0 if decides else float(residual_A / uncertainty_A)
        seen.append(Residual(point, float(residual_A), times, abs(times) <= most))
    return tuple(seen)


# -- all curves of a sweep ------------------------------------------------------------------


def curves_of(points: Sequence[Point]) -> list[tuple[float | None, float | None, Curve]]:
    """Every curve that the points define, with the voltage or the frequency at which it holds."""
    made: list[tuple[float | None, float | None, Curve]] = []
    clocked = [point for point in points if point.frequency_Hz is not None]
    for voltage_V in sorted({point.voltage_V for point in clocked}):
        row = [point for point in clocked if point.voltage_V == voltage_V]
        if _differ("frequency", row):
            made.append((voltage_V, None, fit_curve("frequency", row)))
    for frequency_Hz in sorted({point.frequency_Hz for point in points}, key=lambda f: f or 0.0):
        column = [point for point in points if point.frequency_Hz == frequency_Hz]
        if _differ("voltage", column):
            made.append((None, frequency_Hz, fit_curve("voltage", column)))
    if _differ("frequency", clocked) and _differ("voltage", clocked):
        made.append((None, None, fit_curve("joint", clocked)))
    return made


def _differ(kind: Kind, points: Sequence[Point]) -> bool:
    values = [_regressor(kind, point.voltage_V, point.frequency_Hz) for point in points]
    return any(one != other for one, other in combinations(values, 2))


# -- the data sheet -------------------------------------------------------------------------


@dataclass(frozen=True)
class Deviation:
    """How far a measured current is off a stated one: as a share of it, and in expanded
    uncertainties of the measurement."""

    share: float
    in_uncertainties: float


def deviation(measured: Budget, stated_A: float) -> Deviation:
    """Raises `ValueError` unless what is stated is above 0, as the uncertainty."""
    off_A, uncertainty_A = measured.value - stated_A, measured.expanded_uncertainty
    if not (stated_A > 0.0 and uncertainty_A > 0.0):
        raise ValueError("a data sheet states a current above 0, and no measurement is exact")
    return Deviation(off_A / stated_A, off_A / uncertainty_A)
