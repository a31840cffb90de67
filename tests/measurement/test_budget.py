import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.measurement import (
    Ambient,
    Budget,
    Contribution,
    Outcome,
    Priors,
    RangeAccuracy,
    ZeroTaken,
    averaged_noise,
    combine,
    difference,
    noise_floor,
    ratio,
    reading_budget,
    settle,
    single_reading_budget,
)

LOW = RangeAccuracy(full_scale_A=1e-5, gain=3e-4, offset=1e-4, count_A=1e-11)
HIGH = RangeAccuracy(full_scale_A=1e-2, gain=3e-4, offset=1e-4, count_A=1e-8)


def near(expected, rel=1e-6):
    """Relative only: the absolute tolerance of `approx` is as large as a small current."""
    return pytest.approx(expected, rel=rel, abs=0.0)


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
    assert lines == near(
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
    assert found.standard_uncertainty == near(math.sqrt(squares))
    assert found.dof == near(squares**2 / (1e-9**4 / 10.0))
    assert found.expanded_uncertainty == near(found.coverage_factor * found.standard_uncertainty)
    assert (parts(found)["averaging"].kind, parts(found)["gain"].kind) == ("A", "B")


def test_a_zero_takes_the_place_of_the_offset():
    found = reading_budget(outcome(2e-6), LOW, ZeroTaken(5e-10, 2e-11))
    assert "offset" not in parts(found)
    assert parts(found)["zero"].standard_uncertainty == 2e-11


def test_without_a_sheet_the_meters_part_is_missing_and_the_count_stays():
    found = reading_budget(outcome(2e-6, count_A=1e-9), None)
    assert set(parts(found)) == {"averaging", "settling", "resolution"}
    assert found.standard_uncertainty == near(1e-9 / math.sqrt(12))


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
    assert found.value == near(6e-6)
    assert found.standard_uncertainty == near(math.hypot(6e-6 * 3e-4, math.sqrt(counts)))
    opposite = reading_budget(outcome(-2e-6), LOW)
    assert difference(a, opposite).standard_uncertainty == near(
        math.hypot(10e-6 * 3e-4, math.sqrt(counts))
    )


def test_the_same_zero_cancels_and_another_does_not():
    zero, another = ZeroTaken(1e-9, 1e-10), ZeroTaken(1.1e-9, 1e-10)
    a = reading_budget(outcome(2e-6), LOW, zero)
    same = difference(a, reading_budget(outcome(2e-6), LOW, zero))
    other = difference(a, reading_budget(outcome(2e-6), LOW, another))
    assert same.standard_uncertainty == near(1e-11 / math.sqrt(6))
    assert other.standard_uncertainty == near(math.hypot(1e-11 / math.sqrt(6), 1.414214e-10))


def test_between_ranges_the_meters_errors_add_linearly():
    a, b = reading_budget(outcome(5e-3), HIGH), reading_budget(outcome(2e-6), LOW)
    linear = 5e-3 * 3e-4 + 1e-2 * 1e-4 + 2e-6 * 3e-4 + 1e-5 * 1e-4
    counts = math.hypot(1e-8, 1e-11) / math.sqrt(12)
    assert difference(a, b).standard_uncertainty == near(math.hypot(linear, counts))


def test_gain_cancels_in_a_ratio_on_one_range_and_not_between_two():
    a, b = reading_budget(outcome(8e-6, 1e-9), LOW), reading_budget(outcome(2e-6, 1e-9), LOW)
    found = ratio(a, b)
    offset = 1e-9 * abs(1 / 2e-6 - 8e-6 / 2e-6**2)
    noise = math.hypot(1e-9, 1e-11 / math.sqrt(12)) * math.hypot(1 / 2e-6, 8e-6 / 2e-6**2)
    assert found.value == near(4.0)
    assert found.standard_uncertainty == near(math.hypot(offset, noise))
    across = ratio(reading_budget(outcome(8e-6), HIGH), reading_budget(outcome(2e-6), LOW))
    assert across.standard_uncertainty / across.value > 2 * 3e-4


def test_a_ratio_to_zero_is_refused():
    a = reading_budget(outcome(8e-6), LOW)
    with pytest.raises(ZeroDivisionError):
        ratio(a, reading_budget(outcome(0.0), LOW))


def test_gain_adds_linearly_in_an_average_over_states_of_one_range():
    a, b = reading_budget(outcome(2e-6), LOW), reading_budget(outcome(8e-6), LOW)
    found = combine([a, b], [0.9, 0.1], 0.9 * 2e-6 + 0.1 * 8e-6)
    assert found.standard_uncertainty == near(found.value * 3e-4 + 1e-5 * 1e-4, rel=1e-3)


def test_degrees_of_freedom_are_rounded_down_and_infinite_without_statistics():
    assert Budget(1.0, (Contribution("a", 1.0),)).dof == math.inf
    assert Budget(1.0, (Contribution("a", 1.0),)).coverage_factor == near(1.959964)
    assert Budget(1.0, (Contribution("a", 1.0, 2.9, "A"),)).coverage_factor == near(4.302653)
    assert Budget(1.0, ()).expanded_uncertainty == 0.0


@pytest.mark.parametrize("wrong", [(-1.0, 5.0), (math.nan, 5.0), (math.inf, 5.0), (1.0, 0.0)])
def test_contributions_that_make_no_sense_are_refused(wrong):
    with pytest.raises(ValueError, match="noise"):
        Contribution("noise", *wrong)


def test_the_table_says_how_each_line_was_stated():
    accuracy = RangeAccuracy(1e-5, gain=5e-4 / 3**0.5, offset=2e-4 / 3**0.5, count_A=1e-10)
    found = reading_budget(outcome(2e-6, 1.5e-9, 14.0, 3e-9), accuracy)
    rows = {row.name: row for row in found.table()}
    assert [row.name for row in found.table()] == [part.name for part in found.contributions]
    gain = rows["gain"]
    assert (gain.quantity, gain.estimate, gain.unit) == ("gain", 1.0, "1")
    assert (gain.distribution, gain.kind, gain.dof) == ("rectangular", "B", math.inf)
    assert gain.half_width == near(5e-4)
    assert gain.divisor == near(math.sqrt(3))
    assert gain.sensitivity == 2e-6
    assert rows["averaging"].estimate == 2e-6
    assert (rows["averaging"].distribution, rows["averaging"].dof) == ("normal", 14.0)
    assert rows["settling"].half_width == 3e-9
    assert rows["resolution"].half_width == near(5e-11)
    for row in rows.values():
        assert row.standard_uncertainty == near(row.half_width / row.divisor)
        assert row.contribution == near(abs(row.sensitivity) * row.standard_uncertainty)
    assert rows["offset"].contribution == near(1e-5 * 2e-4 / math.sqrt(3))


def test_an_expanded_uncertainty_of_the_sheet_is_normal():
    accuracy = RangeAccuracy(1e-5, gain=2.5e-4, offset=1e-4, count_A=1e-10, divisor=2.0)
    rows = {row.name: row for row in reading_budget(outcome(2e-6), accuracy).table()}
    assert (rows["gain"].distribution, rows["gain"].half_width) == ("normal", 5e-4)
    assert rows["offset"].half_width == near(2e-9)


WARM = RangeAccuracy(1e-5, 0.0, 0.0, 0.0, gain_per_K=5e-5 / 3**0.5, offset_per_K=1e-5 / 3**0.5)


def drift(budget):
    names = ("temperature coefficient of the gain", "temperature coefficient of the offset")
    return [parts(budget)[name].standard_uncertainty for name in names]


def test_temperature_counts_outside_the_reference_band_and_adds_linearly():
    found = reading_budget(outcome(2e-6), WARM, ambient=Ambient(33.0))
    assert drift(found) == near([5e-10 / math.sqrt(3)] * 2)
    assert found.standard_uncertainty == near(1e-9 / math.sqrt(3))
    inside = reading_budget(outcome(2e-6), WARM, ambient=Ambient(20.0))
    assert drift(inside) == [0.0, 0.0]
    assert drift(reading_budget(outcome(2e-6), WARM, ambient=Ambient(13.0))) == near(drift(found))
    assert set(parts(reading_budget(outcome(2e-6), WARM))).isdisjoint(
        {"temperature coefficient of the gain"}
    )


def test_the_drift_of_a_zero_counts_from_where_it_was_taken():
    here = Ambient(33.0)
    taken = ZeroTaken(1e-9, 1e-12, ambient=here)
    gain, offset = drift(reading_budget(outcome(2e-6), WARM, taken, ambient=here))
    assert (gain, offset) == (near(5e-10 / math.sqrt(3)), 0.0)
    later = reading_budget(outcome(2e-6), WARM, taken, ambient=Ambient(35.0, 0.5))
    expected = 1e-10 * math.sqrt(2.0**2 + 0.5**2 / 3) / math.sqrt(3)
    assert drift(later)[1] == near(expected)
    unknown = ZeroTaken(1e-9, 1e-12)
    assert drift(reading_budget(outcome(2e-6), WARM, unknown, ambient=here))[1] > 0


def test_opposite_sides_of_the_band_drift_apart():
    warm = reading_budget(outcome(2e-6), WARM, ambient=Ambient(30.0))
    cold = reading_budget(outcome(2e-6), WARM, ambient=Ambient(16.0))
    again = reading_budget(outcome(2e-6), WARM, ambient=Ambient(30.0))
    assert difference(warm, again).standard_uncertainty == 0.0
    assert difference(warm, cold).standard_uncertainty == near(2 * warm.standard_uncertainty)


@given(
    st.floats(-20.0, 60.0),
    st.floats(0.0, 20.0) | st.floats(0.0, 1e-9),
    st.floats(0.0, 30.0),
    st.floats(0.0, 15.0),
)
@settings(deadline=None)
def test_the_distance_to_the_band_is_its_mean_square(at_C, half_width_K, low_C, band_K):
    found = Ambient(at_C, half_width_K).outside_K(low_C, low_C + band_K)
    drawn = at_C + half_width_K * np.linspace(-1.0, 1.0, 20001)
    beyond = np.maximum(drawn - low_C - band_K, 0.0) + np.maximum(low_C - drawn, 0.0)
    assert abs(found) == pytest.approx(float(np.sqrt(np.mean(beyond**2))), rel=2e-3, abs=2e-3)


def test_no_mean_is_known_better_than_the_noise_of_the_meter_allows():
    lucky = reading_budget(outcome(2e-6, 3e-12), None, noise_floor_A=5e-12)
    assert parts(lucky)["noise floor"].standard_uncertainty == near(4e-12)
    assert lucky.standard_uncertainty == near(5e-12)
    noisy = reading_budget(outcome(2e-6, 6e-12), None, noise_floor_A=5e-12)
    assert noisy.standard_uncertainty == near(6e-12)


def test_noise_averages_as_white_noise():
    assert averaged_noise(60e-12, 0.02, 2.0) == near(6e-12)
    with pytest.raises(ValueError, match="shunt"):
        noise_floor(0.0, 10.0)


def test_a_single_reading_has_the_noise_of_one_reading():
    zero = ZeroTaken(1e-9, 2e-11, 49.0)
    found = single_reading_budget(2e-6, LOW, 6e-11, zero, ambient=Ambient(23.0))
    squares = 6e-11**2 + 1e-22 / 12 + (2e-6 * 3e-4) ** 2 + 2e-11**2
    assert found.standard_uncertainty == near(math.sqrt(squares))
    assert parts(found)["noise"].kind == "B"


def test_worked_budget_of_a_sleep_current():
    """Computed by hand: 2 uA on a 10 uA range, 0.05 % of reading + 0.02 % of range, a count of
    0.1 nA, 5 K outside the band at 50 ppm + 10 ppm per kelvin, type A 1.5 nA with 14 degrees of
    freedom: accuracy 1.732 nA, resolution 0.029, temperature 0.577, type A 1.500."""
    third = math.sqrt(3)
    accuracy = RangeAccuracy(
        1e-5, 5e-4 / third, 2e-4 / third, 1e-10, gain_per_K=5e-5 / third, offset_per_K=1e-5 / third
    )
    found = reading_budget(outcome(2e-6, 1.5e-9, 14.0), accuracy, ambient=Ambient(33.0))
    expected = math.sqrt(3.0 + 0.01 / 12 + 1 / 3 + 2.25)
    assert found.standard_uncertainty == near(expected * 1e-9, rel=1e-12)
    assert found.dof == near(14 * (expected / 1.5) ** 4)
