"""Means over whole periods, and what a meter that is blind between readings may miss."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.measurement.periods import (
    blind_bound_A,
    discrepancy,
    events_in,
    filled_period,
    mean_of_periods,
    whole_periods,
)

PERIOD_S, STEP_S = 1.0, 0.02


def pulses(first_s: float, width_s: float, height_A: float, base_A: float) -> np.ndarray:
    """Readings without dead time, 12 s of them, of one pulse a second."""
    edges_s = np.arange(0.0, 12.0 + STEP_S / 2, STEP_S)
    since_s = edges_s - first_s
    charge_C = base_A * edges_s + height_A * (
        np.floor(since_s) * width_s + np.minimum(since_s % PERIOD_S, width_s)
    )
    return np.diff(charge_C) / STEP_S


TIMES_S = np.arange(1, 601) * STEP_S


@given(st.floats(0.0, 0.9), st.floats(1e-4, 0.05), st.floats(0.05, 0.95))
def test_the_charge_of_a_pulse_whatever_its_phase(
    first_s: float, width_s: float, begin_s: float
) -> None:
    """Wherever the edges lie, ten whole periods hold ten pulses, to within what one edge cuts."""
    currents_A = pulses(first_s, width_s, 1e-3, 25e-6)
    edges_s = begin_s + PERIOD_S * np.arange(11)
    means_A = whole_periods(TIMES_S, currents_A, STEP_S, edges_s)
    assert float(np.mean(means_A)) - 25e-6 == pytest.approx(1e-3 * width_s, rel=1e-6)


def test_a_gap_is_filled_by_the_reading_after_it() -> None:
    times_s = np.array([0.1, 0.2, 0.5, 0.6])
    means_A = whole_periods(times_s, np.array([1.0, 1.0, 2.0, 1.0]), 0.1, np.array([0.0, 0.6]))
    assert means_A == pytest.approx([(0.2 + 0.6 + 0.1) / 0.6])


def test_a_period_that_is_not_read_to_its_end() -> None:
    currents_A = np.array([2.0] * 10 + [1.0] * 80)
    assert filled_period(currents_A, 0.01, 1.0) == pytest.approx((0.2 + 0.9) / 1.0)


def test_events_are_counted_where_they_stand_out() -> None:
    means_A = 1e-6 + 1e-8 * np.array([1.01, 0.99, 0.0, 2.02, 1.0, 1.0])
    assert events_in(means_A, 1e-6, 1e-10, 0.0) == pytest.approx([1, 1, 0, 2, 1, 1])
    assert events_in(means_A, 1e-6, 2e-9, 0.0) is None
    assert events_in(means_A, 1e-6, 1e-10, 1e-8) is None


def test_two_periods_say_nothing_of_their_scatter() -> None:
    with pytest.raises(ValueError, match="3 or more"):
        mean_of_periods(np.array([1.0, 2.0]))


def test_discrepancy_of_even_and_of_equal_phases() -> None:
    assert discrepancy((np.arange(8) + 0.5) / 8) == pytest.approx(1 / 16)
    assert discrepancy(np.zeros(8)) == pytest.approx(1.0)
    golden = np.arange(1, 21) * (math.sqrt(5.0) - 1.0) / 2.0 % 1.0
    assert discrepancy(golden) < 0.1


def read_with_dead_time(onset_s: float, width_s: float, dead_s: float) -> float:
    """What a meter makes of a pulse of height 1 in one period: each reading stands for its dead
    time as well."""
    starts_s = np.arange(0.0, PERIOD_S, STEP_S)
    covered_s = np.minimum(starts_s + STEP_S - dead_s, onset_s + width_s)
    covered_s = np.clip(covered_s - np.maximum(starts_s, onset_s), 0.0, None)
    return float(np.sum(covered_s)) * STEP_S / (STEP_S - dead_s)


@given(
    st.lists(st.floats(0.1, 0.9), min_size=4, max_size=20),
    st.floats(1e-4, 0.09),
    st.floats(0.01, 0.9),
)
def test_what_falls_between_readings_is_within_its_bound(
    onsets_s: list[float], width_s: float, dead_share: float
) -> None:
    read = np.mean([read_with_dead_time(at, width_s, dead_share * STEP_S) for at in onsets_s])
    error = abs(float(read) - width_s)
    phases = np.array(onsets_s) / STEP_S % 1.0
    for known in (phases, None):
        bound = blind_bound_A(1.0, STEP_S, dead_share, PERIOD_S, known)
        assert error <= bound * PERIOD_S * (1 + 1e-9) + 1e-12


def test_a_meter_without_dead_time_misses_nothing() -> None:
    assert blind_bound_A(1.0, STEP_S, 0.0, PERIOD_S, None) == 0.0
