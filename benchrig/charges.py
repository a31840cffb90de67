"""From whole periods of a state with events to the row of a charge."""

from __future__ import annotations

from dataclasses import dataclass

from benchrig.drivers.meter_ranges import MeterRange
from benchrig.judging import COVERAGE, budget_rows, decision_rule, finite
from benchrig.measurement import (
    Budget,
    Contribution,
    Stated,
    contribution,
    difference,
    ratio_flags,
    reported,
    weighted_sum,
)
from benchrig.measurement.contributions import RECTANGULAR
from benchrig.result import ChargeResult, Verdict
from benchrig.session import Session
from benchrig.session.steps import Charge


@dataclass(frozen=True)
class Averaged:
    """What came of a charge: `mean` over whole periods, and `base` without events, in A, and the
    number of `events` that were counted, if they could be. Bounds of error: `still_A` of the drift
    of the level from one to the other, `blind_A` of what fell between readings, and that of the
    period."""

    mean: Budget
    base: Budget
    periods: int
    readings: int
    events: int | None
    still_A: float
    blind_A: float
    period_uncertainty_s: float
    range: MeterRange
    flags: tuple[str, ...] = ()

    def excess(self, period_s: float) -> Budget:
        """The charge over its period, in A."""
        excess, parts = difference(self.mean, self.base), []
        if self.still_A > 0.0:
            parts.append(_bound("settling of the level", "drift of the level", self.still_A))
        if self.blind_A > 0.0:
            parts.append(_bound("dead time", "between readings", self.blind_A))
        if self.period_uncertainty_s > 0.0:
            per_s = excess.value / period_s
            of = Stated("period", period_s, self.period_uncertainty_s, "s", RECTANGULAR, per_s)
            parts.append(contribution("period", of))
        return Budget(excess.value, (*excess.contributions, *parts))


def _bound(name: str, quantity: str, half_width_A: float) -> Contribution:
    return contribution(name, Stated(quantity, 0.0, half_width_A, divisor=RECTANGULAR))


def charge_result(
    session: Session,
    charge: Charge,
    period_s: float,
    averaged: Averaged,
    excess: Budget,
    lacks: tuple[str, ...],
) -> ChargeResult:
    """The row of a charge per event; `excess` is the charge over its period, in A."""
    budget = weighted_sum([excess], [period_s])
    limit = charge.limit
    verdict: Verdict = decision_rule(session).decide(budget, limit.min, limit.max)
    flags = [
        *averaged.flags,
        *lacks,
        *ratio_flags(budget.expanded_uncertainty, limit.min, limit.max),
    ]
    if verdict == "fail":
        high = limit.max is not None and budget.value > limit.max
        flags.append("above_limit" if high else "below_limit")
    return unmeasured_charge(charge, period_s).model_copy(
        update={
            "verdict": verdict,
            "periods": averaged.periods,
            "events": averaged.events,
            "mean_current_A": averaged.mean.value,
            "base_current_A": averaged.base.value,
            "charge_C": budget.value,
            "expanded_uncertainty_C": budget.expanded_uncertainty,
            "coverage": COVERAGE,
            "standard_uncertainty_C": budget.standard_uncertainty,
            "coverage_factor": budget.coverage_factor,
            "degrees_of_freedom": finite(budget.dof),
            "reported": str(reported(budget, "C")),
            "readings": averaged.readings,
            "range_A": averaged.range.full_scale_A,
            "flags": tuple(flags),
            "budget": budget_rows(excess),
        }
    )


def unmeasured_charge(charge: Charge, period_s: float) -> ChargeResult:
    limit = charge.limit
    return ChargeResult(
        name=charge.name,
        state=charge.state,
        base=charge.base,
        verdict="fault",
        period_s=period_s,
        limit_min_C=limit.min,
        limit_max_C=limit.max,
        limit_typical_C=limit.typical,
    )
