import numpy as np
import pytest

from benchrig.measurement import Priors, settle
from benchrig.measurement.resolution import count_of

SEED = 42
TIMES = np.arange(1, 1201) * 0.05


def rounded(level, noise, count):
    random = np.random.default_rng(SEED)
    return np.round(random.normal(level, noise, TIMES.size) / count) * count


@pytest.mark.parametrize("count", [1e-9, 3e-8, 0.25])
@pytest.mark.parametrize("noise", [0.4, 2.0])
def test_a_grid_is_found(count, noise):
    readings = rounded(1000.3 * count, noise * count, count)
    assert count_of(readings) == pytest.approx(count, rel=1e-6), f"seed {SEED}"


def test_a_grid_is_found_in_merged_readings():
    readings = rounded(1.0, 0.004, 0.01)
    merged = readings.reshape(-1, 4).mean(axis=1)
    assert count_of(merged, 4) == pytest.approx(0.01, rel=1e-6)


def test_noise_shows_no_grid():
    random = np.random.default_rng(SEED)
    assert count_of(random.normal(1.0, 0.1, 1200)) == 0.0
    assert count_of(rounded(1.0, 0.1, 1e-6)) == 0.0, "far finer than the noise"
    three = np.tile([1.0, 1.1, 1.1 + 0.1 * np.pi], 100)
    assert count_of(three) == 0.0, "steps that have no common part"


@pytest.mark.parametrize(
    ("value", "count"),
    [(1.04e-6, 1e-8), (-1.5e-3, 1e-4), (3.0, 1.0), (20.0, 1.0), (0.0, None), (1 / 3, None)],
)
def test_equal_readings_have_the_count_of_their_last_digit(value, count):
    found = count_of(np.full(50, value))
    assert found == (None if count is None else pytest.approx(count))


@pytest.mark.parametrize("value", [0.0, 1 / 3])
def test_equal_readings_of_unknown_resolution_have_no_value(value):
    outcome = settle(TIMES, np.full(TIMES.size, value), Priors(floor_A=1e-9))
    assert (outcome.kind, outcome.current_A) == ("invalid_readings", None)
    assert outcome.flags == ("resolution_unknown",)
    assert "declare" in outcome.reason
    declared = settle(TIMES, np.full(TIMES.size, value), Priors(count_A=1e-9, floor_A=1e-9))
    assert declared.kind == "settled"


def test_equal_decimals_are_known_to_half_of_their_last_digit_at_best():
    coarse = settle(TIMES, np.full(TIMES.size, 1e-6), Priors())
    assert coarse.kind == "noise_limited"
    assert coarse.expanded_uncertainty_A >= 0.5e-6
    assert set(coarse.flags) == {"resolution_limited", "resolution_estimated"}
    fine = settle(TIMES, np.full(TIMES.size, 1.2345e-6), Priors())
    assert fine.kind == "settled"
    assert (fine.count_A, fine.half_width_A) == (pytest.approx(1e-10), pytest.approx(0.5e-10))


@pytest.mark.parametrize("level", [1.02, 1.049, 1.08])
def test_a_coarse_grid_that_nobody_declared_holds_the_truth(level):
    readings = rounded(level, 0.03, 0.1)
    outcome = settle(TIMES, readings, Priors())
    assert outcome.kind == "noise_limited", "half a count is more than the tolerance"
    assert "resolution_estimated" in outcome.flags
    assert outcome.count_A == pytest.approx(0.1)
    assert abs(outcome.current_A - level) <= outcome.expanded_uncertainty_A


def test_what_is_declared_is_not_estimated():
    outcome = settle(TIMES, rounded(1.0, 0.003, 0.01), Priors(count_A=0.01))
    assert (outcome.kind, outcome.count_A) == ("settled", 0.01)
    assert "resolution_estimated" not in outcome.flags
