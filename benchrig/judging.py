"""From a measured state to its row in the result: verdict, flags, budget; and derived rows."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping

from benchrig.measurement import (
    Budget,
    Decision,
    DecisionRule,
    GuardBand,
    conformance_probability,
    difference,
    ratio,
    ratio_flags,
    reported,
)
from benchrig.measuring import HALF_AWAKE, STILL_AWAKE, Measured
from benchrig.pricing import Priced
from benchrig.result import (
    ContributionRecord,
    DerivedResult,
    FaultRecord,
    StateResult,
    Verdict,
    worst,
)
from benchrig.session.session_file import Difference, Ratio, Session, State
from benchrig.units import format_quantity

COVERAGE = 0.95
# The kind of fault of a supply current below zero.
FED = "fed_from_elsewhere"

# What flags of the verification of sleep begin with.
WOKEN_BY, NOT_VERIFIED = "woken_by_", "not_verified_"


def decision_rule(session: Session) -> DecisionRule:
    """The rule that the session file fixes beforehand."""
    stated = session.decision
    if stated.risk is not None:
        return DecisionRule(stated.acceptance, GuardBand(risk=stated.risk))
    multiple = 1.0 if stated.guard_multiple is None else stated.guard_multiple
    return DecisionRule(stated.acceptance, GuardBand(multiple=multiple))


def state_result(
    state: State,
    measured: Measured,
    priced: Priced | None,
    lacks: tuple[str, ...],
    awake_A: float | None,
    board_voltage_V: float | None,
    rule: DecisionRule,
) -> StateResult:
    """The row of a state. `lacks`: flags of what its uncertainty lacks; `awake_A`: what the board
    drew before it was sent to sleep."""
    outcome, limit = measured.outcome, state.limit
    row = StateResult(
        name=state.name,
        verdict="fault",
        limit_min_A=limit.min,
        limit_max_A=limit.max,
        limit_typical_A=limit.typical,
        readings=outcome.readings,
        range_A=measured.range.full_scale_A,
        settled_after_s=outcome.settled_after_s,
        averaged_for_s=outcome.averaged_for_s,
    )
    if measured.decision is not None:
        return _verdict_only(row, state, measured.decision, lacks, awake_A)
    if priced is None:
        return row.model_copy(
            update={"fault": FaultRecord(kind=outcome.kind, message=outcome.reason)}
        )
    budget = priced.budget
    verdict: Verdict = rule.decide(budget, limit.min, limit.max)
    flags = [*_flags(state, measured, budget, verdict), *lacks, *priced.flags]
    if _stays_awake(state, measured, budget, awake_A):
        verdict = "fail"
        flags.append("stays_awake")
    fault = _fed(budget.value + budget.expanded_uncertainty)
    return row.model_copy(
        update={
            "verdict": verdict if fault is None else "fault",
            "fault": fault,
            "current_A": budget.value,
            "expanded_uncertainty_A": budget.expanded_uncertainty,
            "coverage": COVERAGE,
            "standard_uncertainty_A": budget.standard_uncertainty,
            "coverage_factor": budget.coverage_factor,
            "degrees_of_freedom": finite(budget.dof),
            "reported": str(reported(budget, "A")),
            "conformance_probability": conformance_probability(
                budget.value, budget.standard_uncertainty, limit.min, limit.max
            ),
            "board_voltage_V": board_voltage_V,
            "base_A": outcome.base_A,
            "events": outcome.events,
            "event_charge_C": outcome.event_charge_C,
            "event_rate_per_s": outcome.event_rate_per_s,
            "event_rate_low_per_s": outcome.event_rate_low_per_s,
            "event_rate_high_per_s": outcome.event_rate_high_per_s,
            "burden_correction_A": priced.burden_correction_A,
            "leakage_correction_A": priced.leakage_correction_A,
            "flags": tuple(flags),
            "budget": budget_rows(budget),
        }
    )


def _fed(highest_A: float) -> FaultRecord | None:
    """A board has no source of its own: a supply current that is below zero at its `highest_A`, by
    its uncertainty, is no measurement of the board."""
    if highest_A >= 0.0:
        return None
    return FaultRecord(
        kind=FED,
        message=f"board: its supply current is below zero, {format_quantity(highest_A, 'A', 3)} at "
        "the highest, so something else feeds it: usually an idle TX line, through its RX pin. "
        "Park the lines ([board.parking] in the bench file), or declare what they feed in "
        "([board.leakage]), correctly if it is declared; else look for another source, and at the "
        "meter's leads and zero",
    )


def _verdict_only(
    row: StateResult,
    state: State,
    decision: Decision,
    lacks: tuple[str, ...],
    awake_A: float | None,
) -> StateResult:
    """The row of a state of which only the verdict was wanted: no settled current, but bounds of
    it, at the voltage that the burden leaves, that hold however early the measurement ended."""
    if decision.kind not in ("pass", "fail", "undecided"):
        return row.model_copy(
            update={"fault": FaultRecord(kind=decision.kind, message=decision.reason)}
        )
    verdict, flags = decision.kind, ["verdict_only"]
    limit, fault = state.limit, _fed(decision.upper_A)
    if verdict == "fail" and fault is None:
        above = limit.max is not None and decision.lower_A > limit.max
        flags.append("above_limit" if above else "below_limit")
        if state.sleeps and awake_A is not None and decision.lower_A > HALF_AWAKE * awake_A:
            flags.append("stays_awake")
    return row.model_copy(
        update={
            "verdict": verdict if fault is None else "fault",
            "fault": fault,
            "lower_bound_A": finite(decision.lower_A),
            "upper_bound_A": finite(decision.upper_A),
            "consumers_risk": decision.risks.consumer,
            "producers_risk": decision.risks.producer,
            "decided_after_s": decision.decided_after_s,
            "readings": decision.readings,
            "flags": (*flags, *lacks),
        }
    )


def _flags(state: State, measured: Measured, budget: Budget, verdict: Verdict) -> tuple[str, ...]:
    outcome, limit = measured.outcome, state.limit
    flags = list(outcome.flags)
    if outcome.kind != "settled" and outcome.kind not in flags:
        flags.append(outcome.kind)
    flags += ratio_flags(budget.expanded_uncertainty, limit.min, limit.max)
    if verdict == "fail":
        high = limit.max is not None and budget.value > limit.max
        flags.append("above_limit" if high else "below_limit")
    return tuple(flags)


def least_awake_A(session: Session, seen_A: float | None) -> float | None:
    """What the board draws awake when it does least: what was seen, or less where the session file
    says so of a state that may not have been measured."""
    if seen_A is None:
        return None
    awake = [state.limit for state in session.states if not state.sleeps]
    declared = [limit.typical or limit.min for limit in awake]
    return min([seen_A, *(at_A for at_A in declared if at_A)])


def _stays_awake(state: State, measured: Measured, budget: Budget, awake_A: float | None) -> bool:
    """Whether the board never went to sleep. Half of what it draws awake is far above any sleep
    state; where a limit allows so much, or there is none, nearly all of it is asked for."""
    if not state.sleeps or awake_A is None:
        return False
    above = state.limit.max is not None and budget.value > state.limit.max
    # What it draws between its wake-ups counts; on too coarse a range nobody can tell.
    base_A = measured.outcome.base_A
    between_A = budget.value if base_A is None else min(budget.value, base_A)
    surely_A = between_A - budget.expanded_uncertainty
    return surely_A > (HALF_AWAKE if above else STILL_AWAKE) * awake_A


def with_sleep_flags(row: StateResult, flags: tuple[str, ...]) -> StateResult:
    """With what the verification of sleep found: a board that was woken by what must not wake it
    fails, whatever its current; where nothing could tell, nobody knows."""
    if not flags:
        return row
    woken = any(flag.startswith(WOKEN_BY) for flag in flags)
    verdict = worst([row.verdict, "fail" if woken else "undecided"])
    return row.model_copy(update={"verdict": verdict, "flags": (*row.flags, *flags)})


def finite(number: float) -> float | None:
    return number if math.isfinite(number) else None


def budget_rows(budget: Budget) -> tuple[ContributionRecord, ...]:
    return tuple(
        ContributionRecord(
            name=row.name,
            quantity=row.quantity,
            estimate=row.estimate,
            half_width=row.half_width,
            unit=row.unit,
            distribution=row.distribution,
            divisor=row.divisor,
            standard_uncertainty=row.standard_uncertainty,
            sensitivity=row.sensitivity,
            contribution_A=row.contribution,
            degrees_of_freedom=finite(row.dof),
            evaluation=row.kind,
            shared=row.shared,
            statement=row.statement,
        )
        for row in budget.table()
    )


class DerivedResults:
    """The differences and ratios of a session; each is worked out once for what was measured."""

    def __init__(self, session: Session) -> None:
        self._rule = decision_rule(session)
        self._entries: list[Difference | Ratio] = [*session.differences, *session.ratios]
        self._known: dict[Difference | Ratio, tuple[list[Budget | None], DerivedResult]] = {}

    def of(
        self, visited: Collection[str], budgets: Mapping[str, Budget]
    ) -> tuple[DerivedResult, ...]:
        """From the last measurement of each state; those of which both states were asked for in
        this run, the `visited`."""
        asked = (entry for entry in self._entries if set(entry.of) <= set(visited))
        return tuple(self._row(entry, budgets) for entry in asked)

    def _row(self, entry: Difference | Ratio, budgets: Mapping[str, Budget]) -> DerivedResult:
        measured = [budgets.get(name) for name in entry.of]
        before, row = self._known.get(entry, (None, None))
        if row is None or measured != before:
            row = _derived(entry, self._rule, budgets)
            self._known[entry] = measured, row
        return row


def _derived(
    entry: Difference | Ratio, rule: DecisionRule, budgets: Mapping[str, Budget]
) -> DerivedResult:
    first, second = entry.of
    is_difference = isinstance(entry, Difference)
    row = DerivedResult(
        name=entry.name,
        kind="difference" if is_difference else "ratio",
        of=(first, second),
        verdict="fault",
        unit="A" if is_difference else "1",
        limit_min=entry.limit.min,
        limit_max=entry.limit.max,
    )
    missing = [name for name in entry.of if name not in budgets]
    if missing:
        fault = FaultRecord(kind="not_measured", message=f"no value for {' and '.join(missing)}")
        return row.model_copy(update={"fault": fault})
    combine = difference if is_difference else ratio
    try:
        combined = combine(budgets[first], budgets[second])
    except ZeroDivisionError:
        fault = FaultRecord(kind="no_ratio", message=f"the current of {second} is zero")
        return row.model_copy(update={"fault": fault})
    return row.model_copy(
        update={
            "value": combined.value,
            "expanded_uncertainty": combined.expanded_uncertainty,
            "verdict": rule.decide(combined, entry.limit.min, entry.limit.max),
        }
    )
