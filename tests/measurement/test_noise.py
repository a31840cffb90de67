"""Noise that averaging does not remove, steps and events that must not be cut off."""

import math

import numpy as np
import pytest

from benchrig.measurement import Priors, settle
from benchrig.measurement.averaging import average
from benchrig.measurement.noise import FLICKER, allan_variance, first_rise, first_step, long_run

SEED = 31
TIMES = np.arange(1, 1201) * 0.05
SLOW = Priors(guard_s=11.0, slowest_tau_s=8.0)


def random(*more):
    return np.random.default_rng([SEED, *more])


def flicker(size, generator, longer=16):
    spectrum = np.fft.rfft(generator.normal(0.0, 1.0, longer * size))
    frequency = np.fft.rfftfreq(longer * size)
    frequency[0] = np.inf
    return np.fft.irfft(spectrum / np.sqrt(frequency), longer * size)[:size]


def test_allan_variance_of_an_alternating_and_of_a_steady_series():
    assert allan_variance(np.array([0.0, 2.0, 0.0, 2.0]), 1) == 2.0
    assert allan_variance(np.array([0.0, 2.0, 0.0, 2.0]), 2) == 0.0
    assert allan_variance(np.array([0.0, 0.0, 3.0, 3.0]), 2) == 4.5
    assert allan_variance(np.full(9, 7.0), 4) == 0.0


def test_white_noise_averages_away():
    # Closed form: the standard uncertainty of the mean of 32 unit blocks is 1/sqrt(32).
    found = [long_run(random(i).normal(0.0, 1.0, 32))[0] for i in range(400)]
    assert np.median(found) == pytest.approx(1 / math.sqrt(32), rel=0.5), f"seed {SEED}"


def test_flicker_noise_does_not():
    # Its Allan variance is 2 h ln 2 at any length (IEEE Std 1139, from memory), and its mean over
    # a window strays by h ln(T/L) within T: only a factor of FLICKER more, and never less.
    ratios = []
    for i in range(200):
        series = flicker(3200, random(i))
        blocks = series.reshape(32, -1).mean(axis=1)
        plain = average(series).standard_uncertainty
        ratios.append(long_run(blocks)[0] / plain)
    assert np.median(ratios) > 1.5, f"seed {SEED}"
    assert pytest.approx(3.3219, abs=1e-4) == FLICKER


def test_long_run_noise_of_equal_blocks_is_zero():
    assert long_run(np.ones(32))[0] == 0.0


def test_step_between_two_levels_is_found_where_the_first_begins():
    readings = np.concatenate((np.full(50, 1.1), np.full(50, 1.0)))
    readings += random(1).normal(0.0, 0.003, 100)
    assert 36 <= first_step(readings, 0.01) <= 44
    assert first_step(readings, 0.2) is None
    assert first_step(readings[:19], 0.01) is None


@pytest.mark.parametrize("tau", [1.0, 5.0, 30.0, 200.0])
def test_a_transient_is_no_step(tau):
    falling = 1.0 + 100.0 * np.exp(-np.arange(400.0) / tau) + random(2).normal(0.0, 0.003, 400)
    assert first_step(falling, 0.005) is None
    assert first_rise(falling, 0.03) is None


def test_a_spike_is_a_rise_and_a_fall_is_none():
    readings = np.ones(40)
    readings[20:] = 0.5
    assert first_rise(readings, 0.1) is None
    readings[30] = 1.5
    assert first_rise(readings, 0.1) == 29


def test_the_window_never_begins_after_an_event_that_follows_the_guard():
    readings = 1.0 + random(3).normal(0.0, 0.003, TIMES.size)
    readings[260] += 3.0  # at 13.05 s
    outcome = settle(TIMES[:640], readings[:640], SLOW)
    assert outcome.settled_after_s < 13.0
    assert outcome.events == 1
    assert outcome.kind == "noise_limited"
    assert {"unsteady", "events_undeclared"} >= set(outcome.flags) >= {"events_undeclared"}


def test_sporadic_events_are_counted_priced_and_in_the_mean():
    readings = 1.0 + random(4).normal(0.0, 0.003, TIMES.size)
    readings[300::150] += 2.0
    outcome = settle(TIMES, readings, SLOW)
    assert outcome.events == 6
    length_s = outcome.averaged_for_s
    assert outcome.event_charge_C == pytest.approx(2.0 * 0.05, rel=0.02)
    # Each leaves the reading after it, in which another would not have been told from it.
    seeing_s = length_s - 6 * 0.05
    assert outcome.event_rate_per_s == pytest.approx(6 / seeing_s, rel=0.005)
    # Exact Poisson interval of 6 events: 2.202 ... 13.059 (tables, from memory).
    assert outcome.event_rate_low_per_s == pytest.approx(2.202 / seeing_s, rel=0.005)
    assert outcome.event_rate_high_per_s == pytest.approx(13.059 / seeing_s, rel=0.005)
    ends = (outcome.event_rate_low_per_s, outcome.event_rate_high_per_s)
    assert [end / outcome.event_rate_per_s for end in ends] == pytest.approx(
        [2.202 / 6, 13.059 / 6], rel=1e-3
    )
    in_events_A = outcome.event_charge_C * outcome.event_rate_per_s
    assert outcome.current_A == pytest.approx(1.0 + in_events_A, rel=0.001)
    assert outcome.half_width_A >= in_events_A * (13.059 / 6 - 1) * 0.99


def in_events_s(at_s, begun_s, duration_s):
    """For how long events were on until each time of `at_s`, one on another counted twice."""

    def since(onsets_s):
        place = np.searchsorted(onsets_s, at_s)
        return place * at_s - np.concatenate(([0.0], np.cumsum(onsets_s)))[place]

    return since(begun_s) - since(begun_s + duration_s)


@pytest.mark.parametrize(
    ("rate_per_s", "duration_s", "dead_share", "charge_off"),
    [
        (0.2, 0.002, 0.0, 0.05),
        (1.0, 0.002, 0.0, 0.05),
        (3.0, 0.002, 0.0, 0.05),
        (0.2, 0.002, 0.3, 0.05),
        (1.0, 0.002, 0.6, 0.1),
        (0.2, 0.02, 0.6, math.inf),  # in between: seen more often than its dead share tells
        (0.2, 0.2, 0.6, 0.1),  # longer than the meter is blind
    ],
)
def test_the_counting_interval_of_random_events_holds_their_rate(
    rate_per_s, duration_s, dead_share, charge_off
):
    """40 simulated records of 300 s, seeds 0 to 39: two events in one reading are seen as one,
    and a meter that is blind between its readings misses short ones."""
    length_s, height = 300.0, 0.01 / duration_s
    ends_s = np.arange(1, 6001) * 0.05
    aperture_s = 0.05 * (1.0 - dead_share)
    priors = Priors(
        guard_s=1.0, slowest_tau_s=1.0, slowest_noise_s=45.0, tolerance=0.001, dead_share=dead_share
    )
    held, charges = 0, []
    for seed in range(40):
        rng = random(seed)
        onsets_s = rng.uniform(-1.0, length_s, rng.poisson(rate_per_s * (length_s + 1.0)))
        begun = np.sort(onsets_s)
        time_s = in_events_s(ends_s, begun, duration_s) - in_events_s(
            ends_s - aperture_s, begun, duration_s
        )
        events = height * time_s / aperture_s
        readings = 1.0 + events + rng.normal(0.0, 0.001, ends_s.size)
        outcome = settle(ends_s, readings, priors, entered_s=0.0)
        if outcome.current_A is None:
            continue  # called drifting now and then
        held += outcome.event_rate_low_per_s <= rate_per_s <= outcome.event_rate_high_per_s
        charges.append(outcome.event_charge_C)
    assert len(charges) >= 35
    assert held >= 0.9 * len(charges)
    assert abs(np.median(charges) / 0.01 - 1.0) <= charge_off


def test_no_event_seen_is_no_proof_that_none_comes():
    outcome = settle(TIMES, 1.0 + random(5).normal(0.0, 0.003, TIMES.size), SLOW)
    assert (outcome.events, outcome.event_charge_C, outcome.event_rate_per_s) == (0, None, 0.0)
    assert outcome.event_rate_high_per_s == pytest.approx(-math.log(0.05) / outcome.averaged_for_s)
    # It claims its tolerance, since it shows no more than is needed to see the slowest noise.
    assert outcome.settling_bound_A == pytest.approx(0.01 * 48.0 / outcome.averaged_for_s, rel=1e-3)
    assert outcome.settling_bound_A > 0.008


@pytest.mark.parametrize("seed", range(4))
def test_stated_intervals_of_slow_noise_hold(seed):
    """95 % would allow 3 of 60 to be wrong; one more for chance."""
    wrong = given = 0
    for i in range(60):
        generator = random(6, seed, i)
        if seed % 2:
            mean, noise = 1.0, 0.01 * flicker(TIMES.size, generator) / 2.0
        else:
            flips = generator.uniform(size=TIMES.size) < 0.05 / generator.uniform(0.3, 5.0)
            mean, noise = 1.05, 0.1 * ((np.cumsum(flips) + i) % 2)
        readings = 1.0 + noise + generator.normal(0.0, 0.003, TIMES.size)
        outcome = settle(TIMES, readings, SLOW)
        if outcome.current_A is not None:
            given += 1
            wrong += abs(outcome.current_A - mean) > outcome.expanded_uncertainty_A
    assert given > 40, f"seed {SEED}"
    assert wrong <= 0.05 * given + 1.0, f"seed {SEED}: {wrong} of {given}"
