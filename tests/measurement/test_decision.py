import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.measurement import conformance_probability, judge


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
