import math

import numpy as np
import pytest

from benchrig.measurement import (
    Budget,
    Contribution,
    Outcome,
    Priors,
    RangeAccuracy,
    ZeroTaken,
    combine,
    difference,
    ratio,
    reading_budget,
    settle,
)

LOW = RangeAccuracy(full_scale_A=1e-5, gain=3e-4, offset=1e-4, count_A=1e-11)
HIGH = RangeAccuracy(full_scale_A=1e-2, gain=3e-4, offset=1e-4, count_A=1e-8)


def outcome(current_A, averaging_A=0.0, dof=14.0, bound_A=0.0, count_A=0.0):
    return Outcome(
        "settled",
        "",
        current_A=current_A,
        standard_uncertainty_A=averaging_A,
        dof=dof,
        settling_bound_A=bound_A,
        count_A=count_A,
    )


def parts(budget):
    return {part.name: part for part in budget.contributions}


def test_budget_of_a_reading_line_by_line():
    found = reading_budget(outcome(2e-6, 1e-9, 10.0, 3e-9), LOW)
    lines = {name: part.standard_uncertainty for name, part in parts(found).items()}
    assert lines == pytest.approx(
        {
            "averaging": 1e-9,
            "settling": 3e-9 / math.sqrt(3),
            "resolution": 1e-11 / math.sqrt(12),
            "gain": 2e-6 * 3e-4,
            "offset": 1e-5 * 1e-4,
        }
    )
    # The meter's two parts add linearly: its sheet limits their sum.
    squares = 1e-9**2 + 3e-9**2 / 3 + 1e-22 / 12 + (6e-10 + 1e-9) ** 2
    assert found.standard_uncertainty == pytest.approx(math.sqrt(squares))
    assert found.dof == pytest.approx(squares**2 / (1e-9**4 / 10.0))
    assert found.expanded_uncertainty == pytest.approx(
        found.coverage_factor * found.standard_uncertainty
    )
    assert (parts(found)["averaging"].kind, parts(found)["gain"].kind) == ("A", "B")


def test_a_zero_takes_the_place_of_the_offset():
    found = reading_budget(outcome(2e-6), LOW, ZeroTaken(5e-10, 2e-11))
    assert "offset" not in parts(found)
    assert parts(found)["zero"].standard_uncertainty == 2e-11


def test_without_a_sheet_the_meters_part_is_missing_and_the_count_stays():
    found = reading_budget(outcome(2e-6, count_A=1e-9), None)
    assert set(parts(found)) == {"averaging", "settling", "resolution"}
    assert found.standard_uncertainty == pytest.approx(1e-9 / math.sqrt(12))


def test_an_outcome_without_value_has_no_budget():
    with pytest.raises(ValueError, match="drifting"):
        reading_budget(Outcome("drifting", ""), LOW)


def test_equal_readings_without_a_sheet_still_have_an_uncertainty():
    times = np.arange(1, 400) * 0.05
    found = reading_budget(settle(times, np.ones(399), Priors(count_A=0.01)), None)
    assert found.expanded_uncertainty > 0.005


def test_offset_cancels_and_gain_acts_on_the_difference_on_one_range():
    a, b = reading_budget(outcome(8e-6), LOW), reading_budget(outcome(2e-6), LOW)
    counts = 2 * 1e-11**2 / 12
    found = difference(a, b)
    assert found.value == pytest.approx(6e-6)
    assert found.standard_uncertainty == pytest.approx(math.hypot(6e-6 * 3e-4, math.sqrt(counts)))
    opposite = reading_budget(outcome(-2e-6), LOW)
    assert difference(a, opposite).standard_uncertainty == pytest.approx(
        math.hypot(10e-6 * 3e-4, math.sqrt(counts))
    )


def test_the_same_zero_cancels_and_another_does_not():
    zero, another = ZeroTaken(1e-9, 1e-10), ZeroTaken(1.1e-9, 1e-10)
    a = reading_budget(outcome(2e-6), LOW, zero)
    same = difference(a, reading_budget(outcome(2e-6), LOW, zero))
    other = difference(a, reading_budget(outcome(2e-6), LOW, another))
    assert same.standard_uncertainty == pytest.approx(1e-11 / math.sqrt(6))
    assert other.standard_uncertainty == pytest.approx(
        math.hypot(1e-11 / math.sqrt(6), 1.414214e-10)
    )


def test_between_ranges_the_meters_errors_add_linearly():
    a, b = reading_budget(outcome(5e-3), HIGH), reading_budget(outcome(2e-6), LOW)
    linear = 5e-3 * 3e-4 + 1e-2 * 1e-4 + 2e-6 * 3e-4 + 1e-5 * 1e-4
    counts = math.hypot(1e-8, 1e-11) / math.sqrt(12)
    assert difference(a, b).standard_uncertainty == pytest.approx(math.hypot(linear, counts))


def test_gain_cancels_in_a_ratio_on_one_range_and_not_between_two():
    a, b = reading_budget(outcome(8e-6, 1e-9), LOW), reading_budget(outcome(2e-6, 1e-9), LOW)
    found = ratio(a, b)
    offset = 1e-9 * abs(1 / 2e-6 - 8e-6 / 2e-6**2)
    noise = math.hypot(1e-9, 1e-11 / math.sqrt(12)) * math.hypot(1 / 2e-6, 8e-6 / 2e-6**2)
    assert found.value == pytest.approx(4.0)
    assert found.standard_uncertainty == pytest.approx(math.hypot(offset, noise))
    across = ratio(reading_budget(outcome(8e-6), HIGH), reading_budget(outcome(2e-6), LOW))
    assert across.standard_uncertainty / across.value > 2 * 3e-4


def test_a_ratio_to_zero_is_refused():
    a = reading_budget(outcome(8e-6), LOW)
    with pytest.raises(ZeroDivisionError):
        ratio(a, reading_budget(outcome(0.0), LOW))


def test_gain_adds_linearly_in_an_average_over_states_of_one_range():
    a, b = reading_budget(outcome(2e-6), LOW), reading_budget(outcome(8e-6), LOW)
    found = combine([a, b], [0.9, 0.1], 0.9 * 2e-6 + 0.1 * 8e-6)
    assert found.standard_uncertainty == pytest.approx(found.value * 3e-4 + 1e-5 * 1e-4, rel=1e-3)


def test_degrees_of_freedom_are_rounded_down_and_infinite_without_statistics():
    assert Budget(1.0, (Contribution("a", 1.0),)).dof == math.inf
    assert Budget(1.0, (Contribution("a", 1.0),)).coverage_factor == pytest.approx(1.959964)
    assert Budget(1.0, (Contribution("a", 1.0, 2.9, "A"),)).coverage_factor == pytest.approx(
        4.302653
    )
    assert Budget(1.0, ()).expanded_uncertainty == 0.0


@pytest.mark.parametrize("wrong", [(-1.0, 5.0), (math.nan, 5.0), (math.inf, 5.0), (1.0, 0.0)])
def test_contributions_that_make_no_sense_are_refused(wrong):
    with pytest.raises(ValueError, match="noise"):
        Contribution("noise", *wrong)
