"""The uncertainty budget of a settled current, and of what is computed from two of them.

GUM is JCGM 100:2008; clauses from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from benchrig.measurement.quantiles import t_quantile
from benchrig.measurement.settling import Outcome

_METER = {"gain", "offset", "zero"}


@dataclass(frozen=True)
class RangeAccuracy:
    """A range of the meter; `gain` (of the reading) and `offset` (of full scale) are standard
    uncertainties."""

    full_scale_A: float
    gain: float
    offset: float
    count_A: float


@dataclass(frozen=True)
class ZeroTaken:
    """An open-circuit reading that was subtracted."""

    offset_A: float
    standard_uncertainty_A: float


@dataclass(frozen=True)
class Contribution:
    """One line of a budget. `kind` is the GUM's type of evaluation (4.2, 4.3)."""

    name: str
    standard_uncertainty: float
    dof: float
    kind: Literal["A", "B"]


@dataclass(frozen=True)
class Budget:
    """A value with its contributions, on a range (None where the meter's data are not known)."""

    value: float
    contributions: tuple[Contribution, ...]
    full_scale_A: float | None = None

    @property
    def standard_uncertainty(self) -> float:
        """Combined, for uncorrelated contributions (GUM 5.1.2)."""
        return math.sqrt(sum(entry.standard_uncertainty**2 for entry in self.contributions))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom by Welch and Satterthwaite (GUM G.4.1)."""
        fourth = sum(entry.standard_uncertainty**4 / entry.dof for entry in self.contributions)
        return self.standard_uncertainty**4 / fourth if fourth > 0 else math.inf

    @property
    def coverage_factor(self) -> float:
        """For 95 % (GUM G.3.2, G.6.4)."""
        return t_quantile(self.dof)

    @property
    def expanded_uncertainty(self) -> float:
        return self.coverage_factor * self.standard_uncertainty

    def part(self, name: str) -> float:
        """The standard uncertainty of one contribution; 0 if there is none of that name."""
        return next((e.standard_uncertainty for e in self.contributions if e.name == name), 0.0)


def reading_budget(
    outcome: Outcome, accuracy: RangeAccuracy | None, zero: ZeroTaken | None = None
) -> Budget:
    """The budget of an outcome that has a value. Bounds are rectangular (GUM 4.3.7)."""
    assert outcome.current_A is not None
    assert outcome.standard_uncertainty_A is not None
    assert outcome.dof is not None
    entries = [Contribution("averaging", outcome.standard_uncertainty_A, outcome.dof, "A")]

    def add(name: str, uncertainty: float) -> None:
        entries.append(Contribution(name, uncertainty, math.inf, "B"))

    add("settling", (outcome.settling_bound_A or 0.0) / math.sqrt(3))
    if accuracy is not None:
        add("gain", accuracy.gain * abs(outcome.current_A))
        if zero is None:
            add("offset", accuracy.offset * accuracy.full_scale_A)
        else:
            add("zero", zero.standard_uncertainty_A)
        add("resolution", accuracy.count_A / math.sqrt(12))
    return Budget(outcome.current_A, tuple(entries), accuracy and accuracy.full_scale_A)


def difference(first: Budget, second: Budget) -> Budget:
    """`first` minus `second`. On one range the gain error is common to both and counts on the
    difference alone, and the offset cancels (GUM F.1.2.3). Between ranges it is not known how
    the meter's errors go together: they are added linearly, the worst case (GUM 5.2.2)."""
    return _combined(first.value - second.value, first, second, 1.0, -1.0)


def ratio(first: Budget, second: Budget) -> Budget:
    """`first` over `second`, likewise. Raises `ZeroDivisionError`."""
    value = first.value / second.value
    return _combined(value, first, second, 1 / second.value, -value / second.value)


def _combined(
    value: float, first: Budget, second: Budget, by_first: float, by_second: float
) -> Budget:
    """Propagation with the sensitivities of `value` to both."""
    entries = [
        Contribution(
            f"{entry.name} ({label})", abs(by) * entry.standard_uncertainty, entry.dof, entry.kind
        )
        for label, budget, by in (("first", first, by_first), ("second", second, by_second))
        for entry in budget.contributions
        if entry.name not in _METER
    ]
    same = first.full_scale_A is not None and first.full_scale_A == second.full_scale_A
    for name in sorted(_METER):
        ours, theirs = by_first * first.part(name), by_second * second.part(name)
        # A common error moves both the same way, so that the sensitivities keep their signs.
        common = abs(ours + theirs) if same else abs(ours) + abs(theirs)
        if common:
            entries.append(Contribution(name, common, math.inf, "B"))
    return Budget(value, tuple(entries))
