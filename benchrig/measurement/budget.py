"""Uncertainty budgets of currents, of their differences, ratios and sums.

After the GUM (JCGM 100:2008). A budget holds for a value in any unit: its contributions are
standard uncertainties in that same unit, which is the ampere wherever a meter was read.

How contributions combine, in one place (`combine`): what two results share (the gain error of a
range, the zero of a null) is one error, and adds with its signs before it is squared. Errors from
a data sheet (shared, type B) add linearly on top: a sheet limits the sum of its parts and says
nothing about their independence, nor about that of two ranges behind one reference.
Everything else is independent and adds in squares (GUM 5.1.2, 5.2.2).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from benchrig.measurement.outcome import Outcome
from benchrig.measurement.quantiles import t_quantile


@dataclass(frozen=True)
class Contribution:
    """One line of a budget.

    `kind`: "A" from statistics, "B" from other knowledge (GUM 2.3.2, 2.3.3).
    `shared`: name of the cause, equal in all results that it moves together; `None` if it moves
    this result alone. `proportional`: the error grows with the current and takes its sign.
    """

    name: str
    standard_uncertainty: float
    dof: float = math.inf
    kind: Literal["A", "B"] = "B"
    shared: str | None = None
    proportional: bool = False

    def __post_init__(self) -> None:
        if not 0.0 <= self.standard_uncertainty < math.inf:
            raise ValueError(
                f"{self.name}: a standard uncertainty must be finite and 0 or more, "
                f"not {self.standard_uncertainty!r}"
            )
        if not self.dof > 0.0:
            raise ValueError(f"{self.name}: degrees of freedom must be above 0, not {self.dof!r}")


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

    @property
    def estimate(self) -> Estimate:
        return combine([self], [1.0], self.value)

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


@dataclass(frozen=True)
class RangeAccuracy:
    """What is known of one range of the meter, as standard uncertainties.

    `gain`: share of the reading; `offset`: share of full scale. A limit of error from the sheet
    has been divided by sqrt(3) (GUM 4.3.7), an expanded uncertainty by its k (GUM 4.3.3).
    Results with equal `full_scale_A` share their gain and their offset error.
    """

    full_scale_A: float
    gain: float
    offset: float
    count_A: float


@dataclass(frozen=True)
class ZeroTaken:
    """A zero that was measured with the board disconnected and has been subtracted.

    It is told from the next measurement of the zero by its `offset_A`.
    """

    offset_A: float
    standard_uncertainty_A: float
    dof: float = math.inf


def reading_budget(
    outcome: Outcome, accuracy: RangeAccuracy | None, zero: ZeroTaken | None = None
) -> Budget:
    """The budget of a state's current, from its settling outcome and the meter's sheet.

    `zero` must already be subtracted from the readings. Without `accuracy` the meter's part is
    missing, which is for the caller to say. Raises `ValueError` if the outcome has no value.
    """
    current_A, averaging_A, dof = outcome.current_A, outcome.standard_uncertainty_A, outcome.dof
    if current_A is None or averaging_A is None or dof is None or outcome.settling_bound_A is None:
        raise ValueError(f"the outcome {outcome.kind!r} has no value, so there is no budget")
    count_A = max(outcome.count_A, accuracy.count_A if accuracy else 0.0)
    parts = [
        Contribution("averaging", averaging_A, dof, "A"),
        # A bound with nothing known inside it is a rectangle (GUM 4.3.7).
        Contribution("settling", outcome.settling_bound_A / math.sqrt(3.0)),
        Contribution("resolution", count_A / math.sqrt(12.0)),  # GUM F.2.2.1
    ]
    if accuracy is not None:
        parts += _sheet(current_A, accuracy, zero)
    if zero is not None:
        parts.append(_zero(zero, accuracy))
    return Budget(current_A, tuple(parts))


def _sheet(current_A: float, accuracy: RangeAccuracy, zero: ZeroTaken | None) -> list[Contribution]:
    where = f"the {accuracy.full_scale_A:g} A range"
    gain_A = accuracy.gain * abs(current_A)
    parts = [Contribution("gain", gain_A, shared=f"gain of {where}", proportional=True)]
    if zero is None:
        offset_A = accuracy.offset * accuracy.full_scale_A
        parts.append(Contribution("offset", offset_A, shared=f"offset of {where}"))
    return parts


def _zero(zero: ZeroTaken, accuracy: RangeAccuracy | None) -> Contribution:
    where = f" on the {accuracy.full_scale_A:g} A range" if accuracy else ""
    shared = f"zero of {zero.offset_A!r} A{where}"
    return Contribution("zero", zero.standard_uncertainty_A, zero.dof, "A", shared)


def difference(a: Budget, b: Budget) -> Estimate:
    """a - b. On one range the offset cancels and the gain acts on the difference alone."""
    return combine([a, b], [1.0, -1.0], a.value - b.value)


def ratio(a: Budget, b: Budget) -> Estimate:
    """a / b, to first order (GUM 5.1.3, 5.2.2). On one range the gain cancels.

    Raises `ZeroDivisionError` if `b` is zero.
    """
    value = a.value / b.value
    return combine([a, b], [1.0 / b.value, -value / b.value], value)


def combine(budgets: Sequence[Budget], sensitivities: Sequence[float], value: float) -> Estimate:
    """`value` with the uncertainty that `budgets` give it (GUM 5.2.2).

    `sensitivities`: change of the value per unit of each budget's value (GUM 5.1.3).
    """
    alone: list[tuple[float, float]] = []
    causes: dict[tuple[str, str], tuple[float, float]] = {}
    for budget, sensitivity in zip(budgets, sensitivities, strict=True):
        for part in budget.contributions:
            sign = math.copysign(1.0, budget.value) if part.proportional else 1.0
            effect = sign * sensitivity * part.standard_uncertainty
            if part.shared is None:
                alone.append((effect, part.dof))
            else:
                before, dof = causes.get((part.kind, part.shared), (0.0, math.inf))
                causes[part.kind, part.shared] = (before + effect, min(dof, part.dof))
    sheet = sum(abs(effect) for (kind, _), (effect, _) in causes.items() if kind == "B")
    alone.append((sheet, math.inf))
    alone += [pair for (kind, _), pair in causes.items() if kind == "A"]
    return Estimate(value, *welch_satterthwaite(alone))


def welch_satterthwaite(parts: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Root of the sum of squares of independent (uncertainty, dof) and its dof (GUM G.4.1)."""
    combined = math.hypot(*(uncertainty for uncertainty, _ in parts))
    if combined == 0.0:
        return 0.0, math.inf
    # Divided before the fourth power: (1 pA)^4 is still a number, (1e-90)^4 would not be.
    rest = sum((uncertainty / combined) ** 4 / dof for uncertainty, dof in parts)
    return combined, 1.0 / rest if rest > 0.0 else math.inf
