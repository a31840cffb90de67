import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.measurement.global_risk import Process, global_risks

STANDARD = Process(0.0, 1.0)


@given(st.floats(0.02, 1.0), st.floats(0.5, 3.0), st.floats(0.0, 0.5))
def test_a_guard_band_takes_from_the_consumers_risk_what_it_adds_to_the_producers(u, limit, guard):
    simple = global_risks(STANDARD, u, -limit, limit)
    guarded = global_risks(STANDARD, u, -limit, limit, guard)
    assert guarded.consumer <= simple.consumer * (1 + 1e-9)
    assert guarded.producer >= simple.producer * (1 - 1e-9)


def test_one_limit_is_half_of_two_and_senses_mirror():
    both = global_risks(STANDARD, 0.3, -2.0, 2.0)
    upper = global_risks(STANDARD, 0.3, None, 2.0)
    lower = global_risks(STANDARD, 0.3, -2.0, None)
    assert (upper.consumer, upper.producer) == pytest.approx((lower.consumer, lower.producer))
    assert both.consumer == pytest.approx(2.0 * upper.consumer, rel=1e-6)


def test_in_any_unit():
    here = global_risks(Process(3.0, 1.0), 0.3, None, 4.0, 0.1)
    there = global_risks(Process(3e-9, 1e-9), 0.3e-9, None, 4e-9, 0.1e-9)
    assert (there.consumer, there.producer) == pytest.approx((here.consumer, here.producer))


def test_limits_that_leave_nothing_to_accept_reject_all_that_conform():
    found = global_risks(STANDARD, 0.1, -0.1, 0.1, 0.2)
    assert found.consumer == 0.0
    assert found.producer == pytest.approx(math.erf(0.1 / math.sqrt(2.0)))
    nothing = global_risks(STANDARD, 0.1, None, None)
    assert (nothing.consumer, nothing.producer) == pytest.approx((0.0, 0.0), abs=1e-15)


def test_nonsense_is_refused():
    with pytest.raises(ValueError, match="mean"):
        Process(math.nan, 1.0)
    with pytest.raises(ValueError, match="standard deviation"):
        Process(0.0, 0.0)
    with pytest.raises(ValueError, match="uncertainty"):
        global_risks(STANDARD, 0.0, None, 1.0)
    with pytest.raises(ValueError, match="must not be above"):
        global_risks(STANDARD, 0.1, 2.0, 1.0)
