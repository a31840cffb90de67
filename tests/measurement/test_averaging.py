import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.measurement import average, student, t_quantile
from benchrig.measurement.averaging import batch_means, correlation

SEED = 11


def ar1(random, phi, size):
    """AR(1) of unit variance, by its definition."""
    shocks = random.normal(0.0, math.sqrt(1 - phi**2), size + 300)
    values = np.zeros(size + 300)
    for index in range(1, values.size):
        values[index] = phi * values[index - 1] + shocks[index]
    return values[300:]


@pytest.mark.parametrize(("phi", "least"), [(0.0, 0.94), (0.5, 0.94), (0.9, 0.92)])
def test_interval_of_correlated_readings_covers_the_mean(phi, least):
    random = np.random.default_rng(SEED)
    covered = naive = 0
    for _ in range(300):
        values = ar1(random, phi, 320)
        covered += abs((found := average(values)).mean) <= found.half_width
        naive += abs(np.mean(values)) <= 1.96 * np.std(values) / math.sqrt(values.size)
    assert covered / 300 >= least, f"seed {SEED}"
    if phi == 0.9:
        assert naive / 300 < 0.5, f"seed {SEED}: the task would be too easy"


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
def test_standard_uncertainty_agrees_with_the_known_variance_of_an_ar1_mean(phi):
    # Closed form: var(mean) = s^2/n (1+phi)/(1-phi) for n much longer than the correlation.
    random = np.random.default_rng(SEED)
    size = 1600
    squares = [average(ar1(random, phi, size)).standard_uncertainty ** 2 for _ in range(150)]
    true = (1 + phi) / (1 - phi) / size
    # Taking the wider of two and clipping at r >= 0 leaves it too large, never too small.
    assert 1.0 <= np.mean(squares) / true < 2.2, f"seed {SEED}"


def test_batch_edges_within_readings_keep_the_charge():
    readings = np.array([1.0, 2.0, 3.0, 4.0])
    means = batch_means(readings, np.array([0.0, 1.5, 4.0]))
    assert means == pytest.approx([(1 + 1) / 1.5, (1 + 3 + 4) / 2.5])


def test_equal_readings_have_no_scatter_however_they_round():
    found = average(np.full(1000, 0.1 + 0.2))
    assert (found.mean, found.standard_uncertainty) == (0.1 + 0.2, 0.0)
    assert student(np.full(7, 1e-7 / 3)).standard_uncertainty == 0.0


def test_a_large_offset_costs_no_digits():
    random = np.random.default_rng(SEED)
    noise = random.normal(0.0, 1.0, 800)
    near, far = average(noise), average(noise + 1e9)
    assert far.standard_uncertainty == pytest.approx(near.standard_uncertainty, rel=1e-5)


def test_correlation_of_a_line_is_none_and_of_a_slow_wave_is_clipped():
    assert correlation(np.arange(16.0)) == 0.0
    assert correlation(np.sin(np.arange(16.0) / 3.0)) == 0.8


def test_noise_that_fills_two_batches_is_priced_by_the_eight_longer_ones():
    found = average(np.repeat([1.0, -1.0] * 4, 20))
    # Eight independent means of +-1: variance 8/7, and 8 - 2 degrees of freedom.
    assert found.standard_uncertainty == pytest.approx(math.sqrt(8 / 7 / 8))
    assert found.dof == 6.0


def test_too_little_is_refused():
    with pytest.raises(ValueError, match="15 readings in 16 batches"):
        average(np.ones(15))
    with pytest.raises(ValueError, match="2 or more"):
        student(np.ones(1))
    with pytest.raises(ValueError, match="above 0"):
        t_quantile(0.0)


@given(
    st.lists(st.floats(-1.0, 1.0), min_size=32, max_size=80),
    st.floats(1e-9, 1e6),
    st.floats(-10.0, 10.0),
)
def test_scaling_and_shifting_carry_through(values, factor, shift):
    readings = np.array(values)
    found, moved = average(readings), average(readings * factor + shift * factor)
    close = factor * 1e-9
    assert moved.mean == pytest.approx((found.mean + shift) * factor, abs=close)
    assert moved.half_width == pytest.approx(found.half_width * factor, rel=1e-3, abs=close)
