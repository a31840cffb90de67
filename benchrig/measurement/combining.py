"""How the lines of one or several budgets combine.

In one place (`Budget.estimate`): what two results share (the gain error of a range, the zero of a
null) is one error, and adds with its signs before it is squared. Errors that one data sheet limits
together (`statement`) add linearly on top: a sheet limits the sum of its parts and says nothing
about their independence, nor about that of two ranges behind one reference. Everything else is
independent and adds in squares (GUM, JCGM 100:2008, 5.1.2, 5.2.2).
"""

from __future__ import annotations

import math
import operator
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, reduce

from benchrig.measurement.contributions import Contribution, Row
from benchrig.measurement.quantiles import t_quantile


@dataclass(frozen=True)
class Estimate:
    """A value with its standard uncertainty and effective degrees of freedom, in one unit."""

    value: float
    standard_uncertainty: float
    dof: float

    @property
    def coverage_factor(self) -> float:
        """t95 of the effective degrees of freedom, rounded down to whole ones (GUM G.4.1)."""
        whole = self.dof if math.isinf(self.dof) else max(math.floor(self.dof + 1e-9), 1)
        return t_quantile(whole)

    @property
    def expanded_uncertainty(self) -> float:
        """U at 95 % (GUM 6.2.1, G.3.2)."""
        return self.coverage_factor * self.standard_uncertainty


@dataclass(frozen=True)
class Budget:
    """A value and all that makes it uncertain."""

    value: float
    contributions: tuple[Contribution, ...]

    @cached_property
    def estimate(self) -> Estimate:
        independent: list[tuple[float, float]] = []
        limited: dict[str, float] = {}
        for part in _one_per_cause(self.contributions):
            if part.statement is None:
                independent.append((part.standard_uncertainty, part.dof))
            else:
                sum_before = limited.get(part.statement, 0.0)
                limited[part.statement] = sum_before + part.standard_uncertainty
        independent += [(uncertainty, math.inf) for uncertainty in limited.values()]
        return Estimate(self.value, *welch_satterthwaite(independent))

    @property
    def standard_uncertainty(self) -> float:
        """Combined standard uncertainty (GUM 5.1.2)."""
        return self.estimate.standard_uncertainty

    @property
    def dof(self) -> float:
        """Effective degrees of freedom (GUM G.4.1)."""
        return self.estimate.dof

    @property
    def coverage_factor(self) -> float:
        return self.estimate.coverage_factor

    @property
    def expanded_uncertainty(self) -> float:
        return self.estimate.expanded_uncertainty

    def table(self) -> tuple[Row, ...]:
        """The lines of the budget in the order in which they were given."""
        return tuple(part.row for part in self.contributions)


def combine(budgets: Sequence[Budget], sensitivities: Sequence[float], value: float) -> Budget:
    """`value` with the uncertainty that `budgets` give it (GUM 5.2.2).

    `sensitivities`: change of the value per unit of each budget's value (GUM 5.1.3). What several
    budgets share becomes one line; lines of their own that have one name are numbered in the order
    of `budgets`.
    """
    own = Counter(
        part.name for budget in budgets for part in budget.contributions if part.shared is None
    )
    lines: list[Contribution] = []
    for number, (budget, factor) in enumerate(zip(budgets, sensitivities, strict=True), start=1):
        for part in budget.contributions:
            name = f"{part.name} ({number})" if own[part.name] > 1 else part.name
            lines.append(part.scaled(factor, name))
    return Budget(value, tuple(_one_per_cause(lines)))


def difference(a: Budget, b: Budget) -> Budget:
    """a - b. On one range the offset cancels and the gain acts on the difference alone."""
    return combine([a, b], [1.0, -1.0], a.value - b.value)


def ratio(a: Budget, b: Budget) -> Budget:
    """a / b, to first order (GUM 5.1.3, 5.2.2). On one range the gain cancels.

    Raises `ZeroDivisionError` if `b` is zero.
    """
    value = a.value / b.value
    return combine([a, b], [1.0 / b.value, -value / b.value], value)


def weighted_sum(budgets: Sequence[Budget], weights: Sequence[float]) -> Budget:
    """The sum of weight times value: a duty cycle, where the weights are shares of time, or the
    mean of several boards on one station. The weights themselves are taken as exact."""
    pairs = zip(budgets, weights, strict=True)
    return combine(budgets, weights, math.fsum(budget.value * weight for budget, weight in pairs))


def _one_per_cause(lines: Sequence[Contribution]) -> list[Contribution]:
    """All lines of one shared cause as one, their effects added with their signs."""
    causes: dict[str | int, list[Contribution]] = {}
    for index, part in enumerate(lines):
        causes.setdefault(index if part.shared is None else part.shared, []).append(part)
    return [parts[0] if len(parts) == 1 else _sum(parts) for parts in causes.values()]


def _sum(parts: Sequence[Contribution]) -> Contribution:
    largest = max(parts, key=lambda part: part.origin.standard_uncertainty)
    uncertainty = largest.origin.standard_uncertainty
    # Not by sum(), which rounds otherwise from Python 3.12 on.
    effect = reduce(operator.add, (part.effect for part in parts))
    sensitivity = effect / uncertainty if uncertainty > 0.0 else 0.0
    return replace(
        largest,
        standard_uncertainty=abs(effect),
        dof=min(part.dof for part in parts),
        stated=replace(largest.origin, sensitivity=sensitivity),
    )


def welch_satterthwaite(parts: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Root of the sum of squares of independent (uncertainty, dof) and its dof (GUM G.4.1)."""
    combined = math.hypot(*(uncertainty for uncertainty, _ in parts))
    if combined == 0.0:
        return 0.0, math.inf
    # Divided before the fourth power: (1 pA)^4 is still a number, (1e-90)^4 would not be.
    rest = sum((uncertainty / combined) ** 4 / dof for uncertainty, dof in parts)
    return combined, 1.0 / rest if rest > 0.0 else math.inf
