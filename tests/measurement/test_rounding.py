"""A value rounded from its uncertainty."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.measurement import Budget, Contribution, Estimate, reported, rounded

FINITE = st.floats(allow_nan=False, allow_infinity=False)


def test_a_result_is_reported_with_unit_coverage_and_interval() -> None:
    found = reported(Estimate(1.2e-3, 1.58e-6, 60.0), "A")
    assert str(found) == "(1.2000 ± 0.0032) mA, k = 2.0, 95 %"
    assert found.pair == "(1.2000 ± 0.0032) mA"
    assert found.interval_text == "(1.1968 to 1.2032) mA"
    assert found.interval == (Decimal("0.0011968"), Decimal("0.0012032"))
    assert found.coverage_factor == pytest.approx(2.000, abs=1e-3)


def test_a_budget_is_reported_with_its_own_coverage_factor() -> None:
    found = reported(Budget(5e-6, (Contribution("averaging", 1e-7, 2.0, "A"),)), "A")
    assert str(found) == "(5.00 ± 0.43) µA, k = 4.3, 95 %"


def test_a_ratio_has_no_prefix() -> None:
    assert str(reported(Estimate(20123.0, 225.0, math.inf), "")) == "20120 ± 440, k = 2.0, 95 %"


@pytest.mark.parametrize(
    ("uncertainty", "shown"),
    # GUM 7.2.6 (from memory): 28.05 kHz becomes 28 kHz. 10.47 mohm may there become 11 mohm; at
    # less than 5 %, EA-4/02, 6.3 (from memory), leaves it at 10 mohm.
    [(28.05e3, "2.8E+4"), (10.47e-3, "0.010"), (0.0996, "0.10"), (9.95, "10"), (1.25, "1.2")],
)
def test_two_significant_digits(uncertainty: float, shown: str) -> None:
    assert str(rounded(0.0, uncertainty)[1]) == shown


@given(FINITE, st.floats(5e-324, allow_infinity=False, allow_subnormal=True))
@settings(deadline=None)
def test_rounding_lowers_no_uncertainty_by_more_than_five_percent(
    value: float, uncertainty: float
) -> None:
    place, spread = rounded(value, uncertainty)
    assert spread >= Decimal(repr(uncertainty)) * Decimal("0.95")
    assert spread <= Decimal(repr(uncertainty)) * Decimal("1.05")
    assert len(spread.as_tuple().digits) == 2
    assert spread.as_tuple().exponent == place.as_tuple().exponent
    # The value moves by half of its last place at most.
    step = Decimal(1).scaleb(int(spread.as_tuple().exponent))
    assert abs(place - Decimal(repr(value))) <= step / 2


@given(st.floats(-1e3, 1e3), st.floats(1e-15, 1e3))
@settings(deadline=None)
def test_what_is_rounded_stays_when_it_is_rounded_again(value: float, uncertainty: float) -> None:
    once = rounded(value, uncertainty)
    assert rounded(float(once[0]), float(once[1])) == once


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_no_number_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="rounded"):
        rounded(value, 1.0)


@pytest.mark.parametrize("uncertainty", [0.0, -1.0, math.nan, math.inf])
def test_no_uncertainty_is_refused(uncertainty: float) -> None:
    with pytest.raises(ValueError, match="rounded"):
        rounded(1.0, uncertainty)
