"""From a measured state to its row in the result: verdict, flags, budget; and derived rows."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping

from benchrig.measurement import Budget, difference, judge, ratio
from benchrig.measuring import STILL_AWAKE, Measured
from benchrig.result import ContributionRecord, DerivedResult, FaultRecord, StateResult, Verdict
from benchrig.session.session_file import Difference, Ratio, Session, State

COVERAGE = 0.95

# Outcomes that give a value, if with a wider interval; the others are faults with their name.
_WITH_VALUE = {"settled", "noise_limited", "few_readings"}


def state_result(
    state: State, measured: Measured, awake_A: float | None, board_voltage_V: float
) -> StateResult:
    """The row of a state. `awake_A` is what the board drew before it was sent to sleep."""
    outcome, entry = measured.outcome, measured.range
    row = StateResult(
        name=state.name,
        verdict="fault",
        limit_min_A=state.limit.min,
        limit_max_A=state.limit.max,
        limit_typical_A=state.limit.typical,
        readings=outcome.readings,
        range_A=entry.full_scale_A,
        settled_after_s=outcome.settled_after_s,
        averaged_for_s=outcome.averaged_for_s,
    )
    if outcome.kind not in _WITH_VALUE or measured.budget is None or outcome.current_A is None:
        return row.model_copy(
            update={"fault": FaultRecord(kind=outcome.kind, message=outcome.reason)}
        )
    budget = measured.budget
    verdict: Verdict = judge(
        outcome.current_A, budget.expanded_uncertainty, state.limit.min, state.limit.max
    )
    flags = _flags(state, measured, outcome.current_A, verdict)
    if _stays_awake(state, outcome.current_A, budget.expanded_uncertainty, awake_A):
        verdict = "fail"
        flags = (*flags, "stays_awake")
    return row.model_copy(
        update={
            "verdict": verdict,
            "current_A": outcome.current_A,
            "expanded_uncertainty_A": budget.expanded_uncertainty,
            "coverage": COVERAGE,
            "board_voltage_V": None if entry.shunt_assumed else board_voltage_V,
            "flags": flags,
            "budget": _budget_rows(budget),
        }
    )


def _flags(
    state: State, measured: Measured, current_A: float, verdict: Verdict
) -> tuple[str, ...]:
    outcome, entry = measured.outcome, measured.range
    flags = list(outcome.flags)
    if outcome.kind != "settled" and outcome.kind not in flags:
        flags.append(outcome.kind)
    if entry.gain is None:
        flags.append("uncertainty_lacks_meter")
    if verdict == "fail":
        high = state.limit.max is not None and current_A > state.limit.max
        flags.append("above_limit" if high else "below_limit")
    return tuple(flags)


def _stays_awake(
    state: State, current_A: float, uncertainty_A: float, awake_A: float | None
) -> bool:
    """Whether the board never went to sleep. Half of what it draws awake is far above any sleep
    state; where a limit allows so much, or there is none, nearly all of it is asked for."""
    if not state.sleeps or awake_A is None:
        return False
    above = state.limit.max is not None and current_A > state.limit.max
    # On a range that is too coarse for the state nobody can tell.
    return current_A - uncertainty_A > (0.5 if above else STILL_AWAKE) * awake_A


def _budget_rows(budget: Budget) -> tuple[ContributionRecord, ...]:
    return tuple(
        ContributionRecord(
            name=entry.name,
            standard_uncertainty_A=entry.standard_uncertainty,
            degrees_of_freedom=entry.dof if math.isfinite(entry.dof) else None,
            evaluation=entry.kind,
        )
        for entry in budget.contributions
    )


def derived_results(
    session: Session, visited: Collection[str], measured: Mapping[str, Measured]
) -> tuple[DerivedResult, ...]:
    """The differences and ratios of a session, from the last measurement of each state; those
    of which both states were asked for in this run, the `visited`."""
    return tuple(
        _derived(entry, kind, measured)
        for kind, entries in (("difference", session.differences), ("ratio", session.ratios))
        for entry in entries
        if set(entry.of) <= set(visited)
    )


def _derived(
    entry: Difference | Ratio, kind: str, measured: Mapping[str, Measured]
) -> DerivedResult:
    first, second = entry.of
    row = DerivedResult(
        name=entry.name,
        kind="difference" if kind == "difference" else "ratio",
        of=(first, second),
        verdict="fault",
        unit="A" if kind == "difference" else "1",
        limit_min=entry.limit.min,
        limit_max=entry.limit.max,
    )
    missing = [name for name in entry.of if name not in measured or not measured[name].budget]
    if missing:
        fault = FaultRecord(kind="not_measured", message=f"no value for {' and '.join(missing)}")
        return row.model_copy(update={"fault": fault})
    budgets = [measured[name].budget for name in entry.of]
    assert budgets[0] is not None
    assert budgets[1] is not None
    combine = difference if kind == "difference" else ratio
    try:
        combined = combine(budgets[0], budgets[1])
    except ZeroDivisionError:
        fault = FaultRecord(kind="no_ratio", message=f"the current of {second} is zero")
        return row.model_copy(update={"fault": fault})
    return row.model_copy(
        update={
            "value": combined.value,
            "expanded_uncertainty": combined.expanded_uncertainty,
            "verdict": judge(
                combined.value, combined.expanded_uncertainty, entry.limit.min, entry.limit.max
            ),
        }
    )
