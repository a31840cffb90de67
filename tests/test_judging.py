"""From a measured state to its row: verdicts by the rule of the session, flags, bounds."""

from __future__ import annotations

import math
from typing import Any

import pytest

from benchrig.drivers.meter_ranges import from_sheet
from benchrig.judging import DerivedResults, decision_rule, state_result, with_sleep_flags
from benchrig.measurement import (
    Budget,
    Contribution,
    Decision,
    DecisionRule,
    Outcome,
    Risks,
)
from benchrig.measuring import Measured
from benchrig.pricing import Priced
from benchrig.result import StateResult
from benchrig.session import Session
from benchrig.session.limits import Limit
from benchrig.session.protocol import Wake
from benchrig.session.session_file import Decision as StatedDecision
from benchrig.session.session_file import State
from tests.benches import SESSION, SHEET

RANGE = from_sheet(SHEET, 1.0)[0]
WAKE = Wake.model_validate({"by": "byte", "send_hex": "55", "within": "1 s"})
# 1.96 standard uncertainties are expanded to 95 %.
U_A = 1e-8
SETTLED = Outcome("settled", "any", current_A=1.0, readings=90, settled_after_s=3.0)


def budget_of(value: float, expanded: float = U_A) -> Budget:
    return Budget(value, (Contribution("any", expanded / 1.959964),))


def state(*, sleeps: bool = False, **limits: Any) -> State:
    stated: dict[str, Any] = {"min": None, "max": None, "typical": None, **limits}
    limit = Limit.model_construct(**stated)
    return State.model_construct(name="any", limit=limit, wake=WAKE if sleeps else None)


def ruled(**stated: Any) -> DecisionRule:
    decision = StatedDecision.model_validate(stated)
    return decision_rule(SESSION.model_copy(update={"decision": decision}))


def judged(
    of: State,
    value_A: float,
    *,
    outcome: Outcome = SETTLED,
    awake_A: float | None = None,
    rule: DecisionRule | None = None,
    lacks: tuple[str, ...] = (),
    **priced: Any,
) -> StateResult:
    measured = Measured(outcome, RANGE)
    price = Priced(budget_of(value_A), **priced)
    return state_result(of, measured, price, lacks, awake_A, 2.9, rule or ruled())


# -- the rule -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stated", "verdicts"),
    # Measured: well inside, inside by half of U, outside by half of U, well outside.
    [
        ({}, ("pass", "undecided", "undecided", "fail")),
        ({"acceptance": "simple"}, ("pass", "pass", "fail", "fail")),
        ({"acceptance": "guarded_acceptance"}, ("pass", "fail", "fail", "fail")),
        ({"acceptance": "guarded_rejection"}, ("pass", "pass", "pass", "fail")),
        ({"guard_multiple": 0.25}, ("pass", "pass", "fail", "fail")),
        ({"guard_multiple": 2.5}, ("undecided", "undecided", "undecided", "undecided")),
        ({"risk": "2.5 %"}, ("pass", "undecided", "undecided", "fail")),
        ({"risk": "30 %"}, ("pass", "pass", "fail", "fail")),
    ],
    ids=lambda value: str(value) if isinstance(value, dict) else "",
)
def test_the_rule_that_the_session_fixes(stated: dict[str, Any], verdicts: tuple[str, ...]) -> None:
    values_A = [6e-7 + share * U_A for share in (-2.0, -0.5, 0.5, 2.0)]
    rows = [judged(state(max=6e-7), value_A, rule=ruled(**stated)) for value_A in values_A]
    assert tuple(row.verdict for row in rows) == verdicts


@pytest.mark.parametrize(
    ("limits", "value_A", "verdict", "flags"),
    [
        ({"max": 6e-7}, 7e-7, "fail", ("above_limit",)),
        ({"min": 6e-7}, 5e-7, "fail", ("below_limit",)),
        ({"min": 6e-7, "max": 9e-7}, 5e-7, "fail", ("below_limit",)),
        ({"min": 6e-7, "max": 9e-7}, 1e-6, "fail", ("above_limit",)),
        ({"min": 6e-7, "max": 9e-7}, 7e-7, "pass", ()),
        ({"max": 6e-7}, -1e-9, "pass", ()),
        ({"max": 6e-7}, -0.99 * U_A, "pass", ()),
        ({}, 5.0, "pass", ()),
    ],
)
def test_verdicts_and_their_reasons(
    limits: dict[str, Any], value_A: float, verdict: str, flags: tuple[str, ...]
) -> None:
    row = judged(state(**limits), value_A)
    assert (row.verdict, row.flags) == (verdict, flags)
    assert row.fault is None


def test_what_the_row_holds() -> None:
    row = judged(state(max=9e-7, typical=6e-7), 6e-7, burden_correction_A=1e-9)
    assert (row.current_A, row.limit_max_A, row.limit_typical_A) == (6e-7, 9e-7, 6e-7)
    assert row.expanded_uncertainty_A == pytest.approx(U_A, rel=1e-6)
    assert row.coverage == 0.95
    assert row.coverage_factor == pytest.approx(1.96, abs=1e-3)
    assert row.degrees_of_freedom is None  # infinite, which JSON does not know
    assert row.reported == "(600 ± 10) nA, k = 2.0, 95 %"
    assert row.conformance_probability == pytest.approx(1.0)
    assert (row.range_A, row.readings, row.settled_after_s) == (1e-5, 90, 3.0)
    assert (row.board_voltage_V, row.burden_correction_A) == (2.9, 1e-9)
    assert [line.name for line in row.budget] == ["any"]
    total_A = math.hypot(*(line.contribution_A for line in row.budget))
    assert total_A == pytest.approx(row.standard_uncertainty_A)


def test_a_value_on_the_limit_conforms_in_half_of_the_cases() -> None:
    assert judged(state(max=6e-7), 6e-7).conformance_probability == pytest.approx(0.5)


def test_flags_of_outcome_and_price_are_kept() -> None:
    outcome = Outcome("noise_limited", "any", current_A=1.0, flags=("unsteady",))
    row = judged(state(max=9e-7), 6e-7, outcome=outcome, lacks=("temperature_not_stated",))
    assert row.flags == ("unsteady", "noise_limited", "temperature_not_stated")
    assert row.verdict == "pass"


def test_an_uncertainty_of_a_third_of_the_tolerance_is_told() -> None:
    assert "uncertainty_ratio_low" in judged(state(max=3e-8), 1e-8).flags
    assert "uncertainty_ratio_low" not in judged(state(max=3e-7), 1e-8).flags


def test_no_value_is_a_fault_with_the_name_of_the_outcome() -> None:
    measured = Measured(Outcome("drifting", "it rises"), RANGE)
    row = state_result(state(max=1e-6), measured, None, (), None, None, ruled())
    assert row.verdict == "fault"
    assert row.fault is not None
    assert (row.fault.kind, row.fault.message) == ("drifting", "it rises")
    assert row.current_A is None


@pytest.mark.parametrize("limits", [{"max": 6e-7}, {"min": 1e-7, "max": 6e-7}, {}])
def test_a_board_gives_no_current_back(limits: dict[str, Any]) -> None:
    row = judged(state(sleeps=True, **limits), -1.01 * U_A)
    assert row.verdict == "fault"
    assert row.fault is not None
    assert row.fault.kind == "fed_from_elsewhere"
    for word in ("-100 pA at the highest", "idle TX line", "board.parking", "board.leakage"):
        assert word in row.fault.message
    assert row.current_A == -1.01 * U_A  # for whoever looks for the cause


@pytest.mark.parametrize(("upper_A", "verdict"), [(-1e-12, "fault"), (1e-12, "pass")])
def test_bounds_below_zero_are_no_verdict(upper_A: float, verdict: str) -> None:
    row = decided(state(sleeps=True, max=6e-7), "pass", lower_A=-3e-7, upper_A=upper_A)
    assert row.verdict == verdict
    assert (row.fault is not None and row.fault.kind == "fed_from_elsewhere") is (upper_A < 0.0)


def test_what_was_not_verified_is_undecided_at_best_and_what_woke_fails() -> None:
    passed, failed = judged(state(max=6e-7), 5e-7), judged(state(max=6e-7), 7e-7)
    for row, flags, verdict in (
        (passed, (), "pass"),
        (passed, ("not_verified_dtr",), "undecided"),
        (failed, ("not_verified_dtr",), "fail"),
        (passed, ("not_verified_dtr", "woken_by_rts"), "fail"),
    ):
        judged_row = with_sleep_flags(row, flags)
        assert judged_row.verdict == verdict
        assert judged_row.flags == (*row.flags, *flags)


# -- stays awake --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sleeps", "limits", "value_A", "awake_A", "awake"),
    [
        (True, {"max": 1e-6}, 1.2e-3, 1.2e-3, True),
        (True, {"max": 1e-6}, 0.7e-3, 1.2e-3, True),
        (True, {"max": 1e-6}, 0.5e-3, 1.2e-3, False),  # too much, and yet asleep
        (True, {"max": 2e-3}, 0.7e-3, 1.2e-3, False),  # so much is allowed
        (True, {"max": 2e-3}, 1.2e-3, 1.2e-3, True),
        (True, {}, 1.2e-3, 1.2e-3, True),
        (True, {"max": 1e-6}, 1.2e-3, None, False),  # nobody has seen it awake
        (False, {"max": 1e-6}, 1.2e-3, 1.2e-3, False),
    ],
)
def test_a_board_that_stays_awake(
    sleeps: bool, limits: dict[str, Any], value_A: float, awake_A: float | None, awake: bool
) -> None:
    row = judged(state(sleeps=sleeps, **limits), value_A, awake_A=awake_A)
    assert ("stays_awake" in row.flags) is awake
    if awake:
        assert row.verdict == "fail"


def test_on_a_range_that_is_too_coarse_nobody_can_tell() -> None:
    measured, of = Measured(SETTLED, RANGE), state(sleeps=True, max=1e-5)
    price = Priced(budget_of(1e-6, expanded=0.9e-6))
    row = state_result(of, measured, price, (), 1e-6, 3.0, ruled())
    assert "stays_awake" not in row.flags


# -- the verdict alone --------------------------------------------------------------------------


def decided(
    of: State,
    kind: Any,
    awake_A: float | None = None,
    lacks: tuple[str, ...] = (),
    **changes: Any,
) -> StateResult:
    known = {"lower_A": 5e-7, "upper_A": 7e-7, "decided_after_s": 4.0, "readings": 200}
    decision = Decision(kind, "a reason", risks=Risks(0.01, 0.02), **{**known, **changes})
    outcome = Outcome("settled", "a reason")
    return state_result(of, Measured(outcome, RANGE, decision), None, lacks, awake_A, None, ruled())


def test_bounds_in_place_of_a_value() -> None:
    row = decided(state(max=1e-6), "pass")
    assert (row.verdict, row.flags, row.fault) == ("pass", ("verdict_only",), None)
    lacking = decided(state(max=1e-6), "pass", lacks=("leakage_not_declared",))
    assert lacking.flags == ("verdict_only", "leakage_not_declared")
    assert (row.lower_bound_A, row.upper_bound_A) == (5e-7, 7e-7)
    assert (row.consumers_risk, row.producers_risk) == (0.01, 0.02)
    assert (row.decided_after_s, row.readings) == (4.0, 200)
    assert (row.current_A, row.expanded_uncertainty_A, row.budget) == (None, None, ())


@pytest.mark.parametrize(
    ("limits", "sleeps", "awake_A", "flags"),
    [
        ({"max": 3e-7}, False, None, ("verdict_only", "above_limit")),
        ({"min": 9e-7}, False, None, ("verdict_only", "below_limit")),
        ({"min": 9e-7, "max": 2e-6}, False, None, ("verdict_only", "below_limit")),
        ({"max": 3e-7}, True, 6e-7, ("verdict_only", "above_limit", "stays_awake")),
        ({"max": 3e-7}, True, 1.2e-3, ("verdict_only", "above_limit")),
        ({"max": 3e-7}, False, 6e-7, ("verdict_only", "above_limit")),
    ],
)
def test_why_it_fails(
    limits: dict[str, Any], sleeps: bool, awake_A: float | None, flags: tuple[str, ...]
) -> None:
    row = decided(state(sleeps=sleeps, **limits), "fail", awake_A)
    assert (row.verdict, row.flags) == ("fail", flags)


def test_a_bound_that_is_not_known_is_null() -> None:
    row = decided(state(max=1e-6), "pass", lower_A=-math.inf)
    assert (row.lower_bound_A, row.upper_bound_A) == (None, 7e-7)
    row = decided(state(max=1e-6), "undecided", upper_A=math.inf, decided_after_s=None)
    assert (row.verdict, row.upper_bound_A, row.decided_after_s) == ("undecided", None, None)


def test_what_makes_a_verdict_impossible_is_a_fault() -> None:
    row = decided(state(max=1e-6), "disturbed")
    assert row.verdict == "fault"
    assert row.fault is not None
    assert row.fault.kind == "disturbed"
    assert row.lower_bound_A is None


# -- derived rows -------------------------------------------------------------------------------

NAMES = [state.name for state in SESSION.states]


def derived(session: Session = SESSION, **budgets: Any) -> dict[str, Any]:
    return {row.name: row for row in DerivedResults(session).of(NAMES, budgets)}


def test_a_difference_and_a_ratio() -> None:
    rows = derived(
        lamp=budget_of(9.2e-3, 3e-5), idle=budget_of(1.2e-3, 4e-5), deep_sleep=budget_of(6e-7)
    )
    lamp = rows["lamp_alone"]
    assert (lamp.verdict, lamp.unit, lamp.of) == ("pass", "A", ("lamp", "idle"))
    assert lamp.value == pytest.approx(8e-3)
    assert lamp.expanded_uncertainty == pytest.approx(5e-5, rel=1e-6)  # 3, 4, 5
    ratio = rows["idle_to_deep_sleep"]
    assert (ratio.verdict, ratio.unit) == ("pass", "1")
    assert ratio.value == pytest.approx(2000.0)
    relative = math.hypot(4e-5 / 1.2e-3, U_A / 6e-7)
    assert ratio.expanded_uncertainty == pytest.approx(2000.0 * relative, rel=1e-3)


def test_the_rule_holds_for_derived_rows_too() -> None:
    budgets: dict[str, Any] = {"lamp": budget_of(1.02e-2, 1e-6), "idle": budget_of(1.2e-3, 1e-6)}
    # 9.000 mA, the limit.
    assert derived(**budgets)["lamp_alone"].verdict == "undecided"
    rejecting = StatedDecision.model_validate({"acceptance": "guarded_rejection"})
    session = SESSION.model_copy(update={"decision": rejecting})
    assert derived(session, **budgets)["lamp_alone"].verdict == "pass"


def test_what_was_not_measured_is_told() -> None:
    rows = derived(idle=budget_of(1.2e-3))
    assert {row.verdict for row in rows.values()} == {"fault"}
    assert rows["lamp_alone"].fault.message == "no value for lamp"
    assert rows["idle_to_deep_sleep"].fault.message == "no value for deep_sleep"
    assert derived()["lamp_alone"].fault.message == "no value for lamp and idle"


def test_nothing_is_divided_by_no_current() -> None:
    row = derived(idle=budget_of(1.2e-3), deep_sleep=budget_of(0.0))["idle_to_deep_sleep"]
    assert (row.verdict, row.fault.kind) == ("fault", "no_ratio")
    assert row.value is None


def test_only_rows_of_states_that_were_visited() -> None:
    budgets = {name: budget_of(1e-3) for name in NAMES}
    rows = DerivedResults(SESSION).of(["idle", "lamp"], budgets)
    assert [row.name for row in rows] == ["lamp_alone"]
    assert DerivedResults(SESSION).of(["idle"], budgets) == ()


def test_what_was_measured_again_is_worked_out_again() -> None:
    budgets = {name: budget_of(1e-3) for name in NAMES}
    results = DerivedResults(SESSION)
    before = results.of(NAMES, budgets)
    assert results.of(NAMES, budgets) == before
    budgets["lamp"] = budget_of(1.02e-2)
    again = results.of(NAMES, budgets)
    assert again == DerivedResults(SESSION).of(NAMES, budgets) != before
    # A visit that failed leaves no value.
    del budgets["lamp"]
    assert results.of(NAMES, budgets) == DerivedResults(SESSION).of(NAMES, budgets) != again
