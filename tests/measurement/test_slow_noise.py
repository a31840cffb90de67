"""Levels that noise stays on. Seeds are in the names of the tests."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchrig.measurement import Characteristics, characterised
from benchrig.measurement.slow_noise import find_slow_noise

STEP_S = 0.02
TIMES_S = np.arange(1, 30001) * STEP_S
BASE_A = 1e-6
SEEDS = pytest.mark.parametrize("seed", [1, 2, 3])


def telegraph(random: np.random.Generator, low_s: float, high_s: float) -> np.ndarray:
    """0 and 1, each held for its mean time; begins with 0."""
    level, at_s, state = np.empty(TIMES_S.size), 0.0, 0
    while at_s < TIMES_S[-1]:
        until_s = at_s + random.exponential(high_s if state else low_s)
        level[(at_s < TIMES_S) & (until_s >= TIMES_S)] = state
        at_s, state = until_s, 1 - state
    return level


def found(random: np.random.Generator, level: np.ndarray, size: int = 30000) -> Characteristics:
    readings = level + random.normal(0.0, 0.003, TIMES_S.size)
    return characterised(TIMES_S[:size], BASE_A * readings[:size])


@SEEDS
def test_every_change_and_the_longest_stay_are_seen(seed: int) -> None:
    random = np.random.default_rng(seed)
    level = np.interp((TIMES_S - 0.01) % 50.0, [0.0, 20.0, 20.02, 50.0], [0.0, 0.0, 1.0, 1.0])
    shown = find_slow_noise(TIMES_S, 1.0 + level + random.normal(0.0, 0.01, TIMES_S.size), 0.1)
    assert len(shown.switches_s) == 23
    assert shown.switches_s[0] == pytest.approx(20.0, abs=0.2)
    assert shown.longest_s == pytest.approx(30.0, abs=0.3)


def test_white_noise_changes_no_level() -> None:
    for seed in range(10):
        shown = find_slow_noise(TIMES_S, np.random.default_rng(seed).normal(size=30000), 0.1)
        assert (shown.switches_s, shown.stays_s) == ((), math.inf), f"seed {seed}"
        assert shown.longest_s == pytest.approx(TIMES_S[-1], abs=0.1)


@pytest.mark.parametrize("dwells_s", [(1.0, 1.0), (5.0, 5.0), (6.0, 0.5), (0.5, 6.0)])
def test_the_mean_stay_is_within_its_limit_in_all_but_a_few_records(
    dwells_s: tuple[float, float],
) -> None:
    limits_s = []
    for seed in range(20):
        random = np.random.default_rng(seed)
        level = telegraph(random, *dwells_s) + random.normal(0.0, 0.01, TIMES_S.size)
        limits_s.append(find_slow_noise(TIMES_S, level, 0.2).stays_s)
    # 2.5 % for each of two levels: 4 or more of 20 come by chance in 2 of 100 cases.
    assert sum(limit_s < max(dwells_s) for limit_s in limits_s) <= 3, "seeds 0 to 19"
    assert np.median(limits_s) < 2.0 * max(dwells_s)


@SEEDS
@pytest.mark.parametrize("dwell_s", [1.0, 5.0])
def test_telegraph_noise_is_proposed_a_little_slower_than_it_is(dwell_s: float, seed: int) -> None:
    random = np.random.default_rng(seed)
    shown = found(random, 1.0 + 0.2 * telegraph(random, dwell_s, dwell_s))
    assert shown.slowest_noise.value is not None
    assert 0.9 * dwell_s <= shown.slowest_noise.value <= 2.5 * dwell_s
    assert "changed" in shown.slowest_noise.reason


@SEEDS
def test_sporadic_events_are_waited_for(seed: int) -> None:
    random = np.random.default_rng(seed)
    shown = found(random, 1.0 + 5.0 * random.poisson(0.1 * STEP_S, TIMES_S.size))
    assert shown.slowest_noise.value is not None
    assert 9.0 <= shown.slowest_noise.value <= 20.0
    assert "sporadic" in shown.slowest_noise.reason


@SEEDS
def test_no_noise_in_a_long_record_saves_the_waiting(seed: int) -> None:
    random = np.random.default_rng(seed)
    shown = found(random, 1.0 + 0.5 * np.exp(-TIMES_S / 4.0))
    assert shown.slowest_noise.value == 0.5
    assert "excluded at 95 %" in shown.slowest_noise.reason
    assert "noise of another day" in shown.slowest_noise.unseen


@SEEDS
def test_a_short_record_proves_no_quiet(seed: int) -> None:
    shown = found(np.random.default_rng(seed), np.ones(TIMES_S.size), 1500)
    assert shown.slowest_noise.value is None
    assert "too short" in shown.slowest_noise.reason


@SEEDS
def test_noise_too_slow_for_the_record_is_told_and_not_guessed(seed: int) -> None:
    random = np.random.default_rng(seed)
    level = np.interp(
        TIMES_S % 400.0, [0.0, 150.0, 150.02, 300.0, 300.02], [1.0, 1.0, 1.2, 1.2, 1.0]
    )
    shown = found(random, level)
    assert shown.slowest_noise.value is None
    assert "too slow for this record" in shown.slowest_noise.reason
