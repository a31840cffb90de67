"""What makes a value uncertain, line by line.

After the GUM (JCGM 100:2008), clause 8 and annex H: each line of a budget names a quantity, how
it was stated, its standard uncertainty, its sensitivity coefficient and its degrees of freedom.
A budget holds for a value in any unit: its contributions are standard uncertainties in that same
unit, which is the ampere wherever a meter was read.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

Distribution = Literal["normal", "rectangular"]

RECTANGULAR = math.sqrt(3.0)
"""Divisor of a limit of error with nothing known inside it (GUM 4.3.7)."""


@dataclass(frozen=True)
class Stated:
    """The input quantity behind a contribution, as it was stated (GUM 4.1.2, 8.1).

    `estimate` and `half_width` are in `unit`; `divisor` turns the half-width into a standard
    uncertainty (GUM 4.3.3, 4.3.7); `sensitivity` is the change of the result per `unit` of the
    quantity, with its sign (GUM 5.1.3).
    """

    quantity: str
    estimate: float
    half_width: float
    unit: str = "A"
    divisor: float = 1.0
    sensitivity: float = 1.0

    @property
    def distribution(self) -> Distribution:
        return "rectangular" if math.isclose(self.divisor, RECTANGULAR) else "normal"

    @property
    def standard_uncertainty(self) -> float:
        return self.half_width / self.divisor


@dataclass(frozen=True)
class Contribution:
    """One line of a budget; `standard_uncertainty` is in the unit of the result: |c_i| u(x_i).

    `kind`: "A" from statistics, "B" from other knowledge (GUM 2.3.2, 2.3.3).
    `shared`: name of the cause, equal in all results that it moves together; `None` if it moves
    this result alone. `statement`: name of the statement that limits this error and others only
    together; `None` if it is independent of them. `stated`: the quantity behind it, if it is not
    the contribution itself.
    """

    name: str
    standard_uncertainty: float
    dof: float = math.inf
    kind: Literal["A", "B"] = "B"
    shared: str | None = None
    statement: str | None = None
    stated: Stated | None = None

    def __post_init__(self) -> None:
        if not 0.0 <= self.standard_uncertainty < math.inf:
            raise ValueError(
                f"{self.name}: a standard uncertainty must be finite and 0 or more, "
                f"not {self.standard_uncertainty!r}"
            )
        if not self.dof > 0.0:
            raise ValueError(f"{self.name}: degrees of freedom must be above 0, not {self.dof!r}")

    @property
    def origin(self) -> Stated:
        """The quantity behind the line; the contribution itself, if no other was stated."""
        return self.stated or Stated(self.name, 0.0, self.standard_uncertainty)

    @property
    def effect(self) -> float:
        """The contribution with the sign in which its cause moves the result."""
        return math.copysign(self.standard_uncertainty, self.origin.sensitivity)

    def scaled(self, factor: float) -> Contribution:
        """The same line in the budget of a result that moves `factor` times as much."""
        return replace(
            self,
            standard_uncertainty=abs(factor) * self.standard_uncertainty,
            stated=replace(self.origin, sensitivity=factor * self.origin.sensitivity),
        )

    @property
    def row(self) -> Row:
        of = self.origin
        return Row(
            name=self.name,
            quantity=of.quantity,
            estimate=of.estimate,
            half_width=of.half_width,
            unit=of.unit,
            distribution=of.distribution,
            divisor=of.divisor,
            standard_uncertainty=of.standard_uncertainty,
            sensitivity=of.sensitivity,
            contribution=self.standard_uncertainty,
            dof=self.dof,
            kind=self.kind,
            shared=self.shared,
            statement=self.statement,
        )


def contribution(
    name: str,
    stated: Stated,
    dof: float = math.inf,
    kind: Literal["A", "B"] = "B",
    *,
    shared: str | None = None,
    statement: str | None = None,
) -> Contribution:
    """The line of a stated quantity. Raises `ValueError` as `Contribution` does."""
    uncertainty = abs(stated.sensitivity) * stated.standard_uncertainty
    return Contribution(name, uncertainty, dof, kind, shared, statement, stated)


@dataclass(frozen=True)
class Row:
    """One line of the table of a budget, for records and pages (GUM table H.1; EA-4/02,
    clause 4, from memory).

    `estimate`, `half_width` and `standard_uncertainty` are those of the input quantity in `unit`;
    `contribution` is in the unit of the result, and so is `sensitivity`, per `unit`.
    """

    name: str
    quantity: str
    estimate: float
    half_width: float
    unit: str
    distribution: Distribution
    divisor: float
    standard_uncertainty: float
    sensitivity: float
    contribution: float
    dof: float
    kind: Literal["A", "B"]
    shared: str | None
    statement: str | None
