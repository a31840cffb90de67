import math

import numpy as np
import pytest

from benchrig.measurement.averaging import average, batch_means
from benchrig.measurement.level import Level
from benchrig.measurement.settling import (
    averaging_start,
    drift,
    has_risen,
    settling_bound,
    still_to_come,
)

SEED = 12
TIMES = np.arange(1, 1201) * 0.05


def test_start_is_found_after_a_large_fast_transient():
    noise = np.random.default_rng(SEED).normal(0.0, 0.003, TIMES.size)
    start = averaging_start(1.0 + 1000.0 * np.exp(-TIMES / 0.5) + noise)
    # 1000 exp(-t/0.5) is down to the noise of 0.003 after 6.4 s.
    assert 4.5 <= TIMES[start] <= 8.0, f"seed {SEED}"


def test_start_leaves_32_readings_and_a_quarter_of_the_record():
    falling = np.exp(-np.arange(40.0))
    assert averaging_start(falling) <= 8
    assert averaging_start(np.arange(1000.0)[::-1] ** 3) <= 750
    assert averaging_start(np.ones(32)) == 0


@pytest.mark.parametrize("tau_s", [0.5, 2.0, 8.0])
@pytest.mark.parametrize("start", [100, 400, 900])
def test_bound_is_exact_for_the_declared_exponential(tau_s, start):
    # Closed form: a geometric series, whose limit is zero, so that its mean is its error.
    window = np.exp(-(TIMES[start:] - TIMES[start]) / tau_s)
    halves = window[: window.size // 2].mean() - window[window.size // 2 :].mean()
    length_s = window.size * 0.05
    q = math.exp(-length_s / (2 * tau_s))
    assert window.mean() / halves == pytest.approx((1 + q) / (2 * (1 - q)))
    assert still_to_come(TIMES[start] - 0.05, TIMES[-1], tau_s) * halves >= window.mean() * 0.999999


@pytest.mark.parametrize("start", [20, 200, 900])
def test_bound_is_exact_for_the_slowest_power_tail(start):
    fine = np.linspace(TIMES[start], TIMES[-1], 200_001)
    middles = (fine[1:] + fine[:-1]) / 2
    tail = middles**-0.85
    halves = tail[:100_000].mean() - tail[100_000:].mean()
    assert still_to_come(TIMES[start], TIMES[-1], 1e-3) * halves == pytest.approx(
        tail.mean(), rel=1e-4
    )


def test_short_and_late_windows_know_little():
    assert still_to_come(50.0, 51.0, 2.0) > 20.0
    assert still_to_come(0.0, 50.0, 2.0) < 1.0
    assert still_to_come(5.0, 5.0 + 1e-14, 1e6) == math.inf


def test_bound_counts_noise_and_what_the_resolution_hides():
    flat = average(np.ones(64))
    assert settling_bound(flat, 2.0, 0.0) == 0.0
    assert settling_bound(flat, 2.0, 0.5) == 1.0


def test_rise_is_told_from_a_fall_and_from_what_the_meter_can_feign():
    down = np.concatenate((np.full(50, 2.0), np.full(50, 1.0)))
    up = down[::-1]

    def risen(readings, first, least_A):
        return has_risen(readings, first, 50, Level.of(readings[50:]), least_A)

    assert not risen(down, 0, 0.0)
    assert risen(up, 0, 0.0)
    assert not risen(up, 0, 0.8)
    assert risen(up, 45, 0.0)
    assert not risen(up, 46, 0.0), "four readings before are no level"
    assert risen(-down, 0, 0.0), "towards zero from below is a rise too"


def test_drift_of_a_line_is_its_change_and_noise_is_none():
    change, half_width = drift(batch_means(np.linspace(0.0, 1.6, 1601), np.linspace(0, 1601, 17)))
    assert change == pytest.approx(1.5, rel=1e-3)
    assert half_width < 1e-9
    random = np.random.default_rng(SEED)
    seen = sum(abs((found := drift(random.normal(0.0, 1.0, 16)))[0]) > found[1] for _ in range(300))
    assert seen / 300 < 0.07, f"seed {SEED}"
