"""Noise that has not changed its level yet, and current that never rests."""

import numpy as np
import pytest

from benchrig.measurement import Priors, settle
from benchrig.measurement.level import Level
from benchrig.measurement.rest import at_rest
from benchrig.measurement.settling import goes_one_way

SEED = 52
TIMES = np.arange(1, 1501) * 0.04
HALF = TIMES[:750]


def telegraph(generator, dwell_s, step):
    flips = generator.uniform(size=HALF.size) < 0.04 / dwell_s
    level = (np.cumsum(flips) + generator.integers(2)) % 2
    return 1.0 + step * (level - 0.5) + generator.normal(0.0, 0.005, HALF.size)


@pytest.mark.parametrize("dwell", [0.3, 1.0])
@pytest.mark.parametrize("given", [{"announced": True}, {"guard_s": 1.0}, {}], ids=str)
def test_telegraph_noise_up_to_the_declared_time_does_not_settle_falsely(dwell, given):
    """At most 1 in 100 is wanted: then more than 3 of 60 would be chance once in 300 cases."""
    wrong = 0
    for trial in range(60):
        generator = np.random.default_rng([SEED, round(10 * dwell), trial])
        readings = telegraph(generator, 1.5 * dwell, generator.uniform(0.1, 0.2))
        outcome = settle(HALF, readings, Priors(slowest_tau_s=1.5, **given))
        if outcome.kind == "settled":
            wrong += abs(outcome.current_A - 1.0) > outcome.expanded_uncertainty_A
    assert wrong <= 3, f"seed {SEED}"


def test_a_step_before_the_guard_is_cut_off_but_the_time_counts_from_the_guard():
    generator = np.random.default_rng(SEED)
    noise = generator.normal(0.0, 0.003, TIMES.size)
    priors = Priors(guard_s=3.0, slowest_tau_s=0.5)
    stepped = settle(TIMES, np.where(TIMES < 2.0, 1.2, 1.0) + noise, priors)
    clean = settle(TIMES, 1.0 + noise, priors)
    ends_s = [found.settled_after_s + found.averaged_for_s for found in (stepped, clean)]
    assert stepped.settled_after_s >= 1.9
    assert ends_s[0] >= 3.0 + 6.0 * 0.5 > ends_s[1] >= 3.0


def test_a_step_after_the_guard_is_not_cut_off():
    generator = np.random.default_rng(SEED)
    readings = np.where(TIMES < 8.0, 1.1, 1.0) + generator.normal(0.0, 0.003, TIMES.size)
    found = at_rest(TIMES, readings, 200, Level.of(readings[200:]), Priors(guard_s=3.0))
    assert found.unsteady
    assert found.latest_start < 200
    assert found.since(found.latest_start) == found.latest_start


def test_a_decay_counts_as_rest_once_a_step_would_show_in_it():
    generator = np.random.default_rng(SEED)
    decay = 50.0 * np.exp(-TIMES / 0.5)
    readings = 1.0 + decay + generator.normal(0.0, 0.003, TIMES.size)
    found = at_rest(TIMES, readings, 150, Level.of(readings[150:]), Priors(announced=True))
    assert not found.unsteady
    assert decay[found.begin] < 0.3
    assert 2.0 < TIMES[found.begin] < 3.5


def test_too_short_a_rest_is_no_settled_current_and_says_so():
    generator = np.random.default_rng(SEED)
    readings = 1.0 + generator.normal(0.0, 0.003, TIMES.size)
    short = settle(TIMES, readings, Priors(slowest_noise_s=20.0))
    assert short.kind == "noise_limited"
    assert "noise may be so slow that 120 s are needed" in short.reason
    assert short.settling_bound_A > 0.01
    assert settle(TIMES, readings, Priors(slowest_noise_s=5.0)).kind == "settled"


@pytest.mark.parametrize(("tau_s", "size"), [(8.0, 5.0), (20.0, 5.0), (30.0, 0.2), (60.0, 1.0)])
@pytest.mark.parametrize("declared_s", [2.0, 8.0])
def test_what_still_falls_at_the_end_is_drifting(tau_s, size, declared_s):
    generator = np.random.default_rng(SEED)
    readings = 1.0 + size * np.exp(-TIMES / tau_s) + generator.normal(0.0, 0.005, TIMES.size)
    outcome = settle(TIMES, readings, Priors(slowest_tau_s=declared_s, guard_s=1.0))
    assert (outcome.kind, outcome.current_A) == ("drifting", None)


def test_noise_goes_no_way():
    generator = np.random.default_rng(SEED)
    assert goes_one_way(np.exp(-np.arange(16.0)))
    assert goes_one_way(np.arange(16.0) ** 2)
    assert not goes_one_way(np.arange(5.0)), "too few to tell"
    assert not goes_one_way(np.zeros(16))
    walks = np.cumsum(generator.normal(0.0, 1.0, (500, 16)), axis=1)
    assert np.mean([goes_one_way(walk) for walk in walks]) < 0.1, f"seed {SEED}"


@pytest.mark.parametrize("size", [40, 44, 50])
def test_a_record_that_ends_while_the_supply_resettles_has_been_at_rest_for_no_time(size):
    """A step within the first second: the new range, or noise; what follows could tell."""
    times, start = 0.02 * np.arange(1, size + 1), size // 2 + 3
    step = np.where(times < times[size // 2], 1.1, 1.0)
    readings = step + np.random.default_rng(SEED).normal(0.0, 0.001, size)
    rest = at_rest(times, readings, start, Level.of(readings[start:]), Priors(announced=True))
    assert (rest.unsteady, rest.since(start)) == (False, size - 1)
