import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.measurement import conformance_probability, judge
from benchrig.measurement.combining import Estimate
from benchrig.measurement.decision import (
    Confirmation,
    DecisionRule,
    GuardBand,
    confirmation,
    confirmed,
    ratio_flags,
    uncertainty_ratio,
)


@pytest.mark.parametrize(
    ("value", "minimum", "maximum", "verdict"),
    [
        (9.0, None, 10.0, "pass"),  # on the acceptance limit
        (9.1, None, 10.0, "undecided"),
        (10.0, None, 10.0, "undecided"),
        (10.9, None, 10.0, "undecided"),
        (11.0, None, 10.0, "fail"),
        (6.0, 5.0, None, "pass"),
        (5.9, 5.0, None, "undecided"),
        (4.0, 5.0, None, "fail"),
        (7.0, 5.0, 10.0, "pass"),
        (5.5, 5.0, 6.0, "undecided"),  # wider than the interval: nothing can pass
        (1e9, None, None, "pass"),
        (-2.0, None, -1.0, "pass"),
    ],
)
def test_guard_band_of_one_on_both_sides_of_a_limit(value, minimum, maximum, verdict):
    assert judge(value, 1.0, minimum, maximum) == verdict


def test_without_uncertainty_the_limit_itself_passes():
    assert judge(10.0, 0.0, None, 10.0) == "pass"
    assert judge(10.1, 0.0, None, 10.0) == "fail"


@pytest.mark.parametrize(
    "wrong",
    [
        (math.nan, 1.0, None, 1.0),
        (math.inf, 1.0, None, 1.0),
        (1.0, -1.0, None, 1.0),
        (1.0, math.nan, None, 1.0),
        (1.0, math.inf, None, 1.0),
        (1.0, 1.0, 2.0, 1.0),
        (1.0, 1.0, math.nan, None),
    ],
)
def test_nonsense_is_refused(wrong):
    with pytest.raises(ValueError, match="must"):
        judge(*wrong)
    with pytest.raises(ValueError, match="must"):
        conformance_probability(*wrong)


@given(st.floats(-10, 10), st.floats(0.01, 3), st.floats(-5, 0), st.floats(0.001, 5))
def test_verdicts_agree_with_the_probability(value, standard, low, width):
    high = low + width
    probability = conformance_probability(value, standard, low, high)
    verdict = judge(value, 2 * standard, low, high)
    # At w = U = 2u the specific risk is at most 2.3 % per limit (ILAC-G8, from memory).
    if verdict == "pass":
        assert probability >= 0.954
    if verdict == "fail":
        assert probability <= 0.0228


def test_probability_keeps_its_digits_in_both_tails_and_has_a_step_without_uncertainty():
    far = conformance_probability(20.0, 1.0, None, 0.0)
    assert far == pytest.approx(2.7536e-89, rel=1e-4)  # Phi(-20)
    assert conformance_probability(-20.0, 1.0, 0.0, None) == pytest.approx(far)
    assert conformance_probability(1.0, 0.0, None, 1.0) == 1.0
    assert conformance_probability(1.1, 0.0, None, 1.0) == 0.0
    assert conformance_probability(5.0, 1.0, None, None) == 1.0


# -- a rule that is fixed beforehand ---------------------------------------------------------


def measured(value, deviation=1.0, dof=math.inf):
    return Estimate(value, deviation, dof)


@pytest.mark.parametrize(
    ("acceptance", "verdicts"),
    [
        # of 7, 8, 9, 10, 11, 12 and 13 against at most 10, with a guard band of 1.5
        ("simple", "pass pass pass pass fail fail fail"),
        ("guarded_acceptance", "pass pass fail fail fail fail fail"),
        ("guarded_rejection", "pass pass pass pass pass fail fail"),
        ("three_way", "pass pass undecided undecided undecided fail fail"),
    ],
)
def test_the_four_rules_on_both_sides_of_a_maximum_and_of_a_minimum(acceptance, verdicts):
    rule = DecisionRule(acceptance, GuardBand(multiple=1.5 / 1.959964))
    got = [rule.decide(measured(value), None, 10.0) for value in range(7, 14)]
    assert got == verdicts.split()
    mirrored = [rule.decide(measured(-value), -10.0, None) for value in range(7, 14)]
    assert mirrored == verdicts.split()


@pytest.mark.parametrize("guard", [GuardBand(multiple=0.0), GuardBand(risk=0.5)])
@pytest.mark.parametrize("value", [1.0, 5.0, 10.0, 10.5, 0.5])
def test_without_a_guard_band_all_rules_are_simple_acceptance(guard, value):
    simple = DecisionRule("simple").decide(measured(value), 1.0, 10.0)
    for acceptance in ("guarded_acceptance", "guarded_rejection", "three_way"):
        assert DecisionRule(acceptance, guard).decide(measured(value), 1.0, 10.0) == simple


@given(st.floats(-10, 10), st.floats(0.01, 3), st.floats(-5, 0), st.floats(0.001, 5))
def test_the_default_rule_is_that_of_judge(value, standard, low, width):
    estimate = measured(value, standard, 7.0)
    expected = judge(value, estimate.expanded_uncertainty, low, low + width)
    assert DecisionRule().decide(estimate, low, low + width) == expected


@given(st.floats(-20, 20), st.floats(0.01, 3), st.floats(0.001, 0.5))
def test_a_guarded_verdict_is_wrong_with_the_stated_risk_at_most(value, standard, risk):
    estimate, guard = measured(value, standard), GuardBand(risk=risk)
    conforms = conformance_probability(value, standard, None, 1.0)
    if DecisionRule("guarded_acceptance", guard).decide(estimate, None, 1.0) == "pass":
        assert 1.0 - conforms <= risk * (1 + 1e-9)
    if DecisionRule("guarded_rejection", guard).decide(estimate, None, 1.0) == "fail":
        assert conforms <= risk * (1 + 1e-9)


def test_few_degrees_of_freedom_widen_a_guard_band_by_risk():
    guard = GuardBand(risk=0.025)
    assert guard.width(measured(0.0)) == pytest.approx(1.96, abs=1e-3)
    assert guard.width(measured(0.0, dof=2.0)) == pytest.approx(4.303, abs=1e-3)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({}, "either a risk or a multiple"),
        ({"risk": 0.1, "multiple": 1.0}, "not both"),
        ({"risk": 0.0}, "above 0"),
        ({"risk": 0.6}, "at most 0.5"),
        ({"multiple": -1.0}, "0 or more"),
        ({"multiple": math.nan}, "finite"),
    ],
)
def test_guard_bands_that_make_no_sense_are_refused(wrong, says):
    with pytest.raises(ValueError, match=says):
        GuardBand(**wrong)


@pytest.mark.parametrize(
    ("uncertainty", "minimum", "maximum", "ratio"),
    [
        (1.0, 0.0, 8.0, 4.0),
        (1.0, 2.0, 4.0, 1.0),
        (0.1, None, 2.0, 10.0),
        (0.5, 2.0, None, 2.0),
        (1.0, None, None, math.inf),
        (0.0, None, 1.0, math.inf),
    ],
)
def test_tolerance_to_uncertainty(uncertainty, minimum, maximum, ratio):
    assert uncertainty_ratio(uncertainty, minimum, maximum) == pytest.approx(ratio)
    flagged = ratio_flags(uncertainty, minimum, maximum) == ("uncertainty_ratio_low",)
    assert flagged == (ratio < 4.0)


# -- confirming ------------------------------------------------------------------------------


def test_a_pass_stands_and_anything_else_is_measured_once_more():
    assert confirmation("pass") is None
    assert confirmation("fail") == Confirmation(longer=1.0, repeats=1)
    assert confirmation("undecided") == Confirmation(longer=4.0, repeats=1)


def test_confirming_never_turns_a_fail_into_a_pass():
    seconds = ("pass", "undecided", "fail")
    assert [confirmed("fail", second) for second in seconds] == ["undecided", "undecided", "fail"]
    assert [confirmed("undecided", second) for second in seconds] == list(seconds)
    with pytest.raises(ValueError, match="must stand"):
        confirmed("pass", "pass")
