"""Wake-up ticks: windows of whole periods, with a gapless and with a half-blind meter."""

import math

import numpy as np
import pytest

from benchrig.measurement import Priors, events, settle
from benchrig.measurement.events import NoWindow, undeclared, whole_periods
from benchrig.measurement.level import Level

SEED = 13
TIMES = np.arange(1, 1201) * 0.05


def ticks(period_s, length_s=0.01, height=10.0, phase_s=0.3, aperture_s=0.05, last_s=60.0):
    """Charge of rectangular ticks within each aperture, on a base of 1 with 0.3 % noise."""
    times = TIMES[last_s + 1e-9 >= TIMES]

    def charge(until_s):
        cycles = np.floor((until_s + phase_s) / period_s)
        rest = until_s + phase_s - cycles * period_s
        return height * (cycles * length_s + np.minimum(rest, length_s))

    noise = np.random.default_rng(SEED).normal(0.0, 0.003, times.size)
    return times, 1.0 + (charge(times) - charge(times - aperture_s)) / aperture_s + noise


@pytest.mark.parametrize("period_s", [0.7, 1.03, 2.5])
@pytest.mark.parametrize("declared", [1.0, 0.99, 1.01])
def test_gapless_meter_locks_onto_the_true_period(period_s, declared):
    outcome = settle(*ticks(period_s), Priors(period_s=period_s * declared))
    assert outcome.kind == "settled"
    assert outcome.current_A == pytest.approx(1.0 + 0.1 / period_s, rel=0.004)
    assert abs(outcome.current_A - 1.0 - 0.1 / period_s) <= outcome.expanded_uncertainty_A
    periods = round(outcome.averaged_for_s / period_s)
    assert outcome.averaged_for_s == pytest.approx(periods * period_s, abs=1.2 * 0.05)
    assert outcome.base_A == pytest.approx(1.0, abs=0.002)


def test_blind_meter_is_honest_about_the_ticks_it_missed():
    outcome = settle(*ticks(1.03, aperture_s=0.04), Priors(period_s=1.03, dead_share=0.2))
    assert outcome.kind == "noise_limited"
    assert "wakeups_undersampled" in outcome.flags
    true = 1.0 + 0.1 / 1.03
    assert abs(outcome.current_A - true) <= outcome.expanded_uncertainty_A
    assert outcome.expanded_uncertainty_A > 0.01 * true


def test_blind_meter_in_step_with_the_ticks_does_not_trust_its_zero_scatter():
    # Every tick falls on the same phase of the readings: the same error each time.
    exact = Priors(period_s=1.0, dead_share=0.2)
    outcome = settle(*ticks(1.0, aperture_s=0.04, phase_s=0.295), exact)
    true = 1.0 + 0.1
    assert outcome.kind in {"noise_limited", "settled"}
    assert abs(outcome.current_A - true) <= outcome.expanded_uncertainty_A
    # One draw of a tick that is seen with probability 0.8, as share: sqrt(0.2/0.8).
    in_ticks_A = outcome.current_A - outcome.base_A
    assert outcome.standard_uncertainty_A == pytest.approx(0.5 * in_ticks_A, rel=0.02)


@pytest.mark.parametrize("dead_share", [0.0, 0.2])
def test_ticks_that_do_not_come_are_missed(dead_share):
    times, flat = ticks(1.0, height=0.0)
    outcome = settle(times, flat, Priors(period_s=1.0, dead_share=dead_share))
    assert (outcome.kind, outcome.current_A) == ("wakeups_not_seen", None)


@pytest.mark.parametrize("factor", [0.5, 0.9, 1.1, 2.0])
def test_another_period_than_declared_is_refused(factor):
    outcome = settle(*ticks(2.0), Priors(period_s=2.0 * factor))
    assert (outcome.kind, outcome.current_A) == ("period_not_as_declared", None)


@pytest.mark.parametrize("dead_share", [0.0, 0.2])
def test_fewer_than_three_periods_give_no_value(dead_share):
    outcome = settle(*ticks(25.0, phase_s=20.0), Priors(period_s=25.0, dead_share=dead_share))
    assert outcome.current_A is None
    assert outcome.kind == "wakeups_not_seen"


# -- smeared by the shunt and the decoupling capacitor ---------------------------------------


def smeared(period_s, smear, seed, share=0.3, sigma=0.003, gap_s=0.02, dead_share=0.0):
    """Short ticks that add `share` to a base of 1, through RC = `smear` periods: the charge of
    each comes as an exponential (first-order low pass, closed form of its integral)."""
    random = np.random.default_rng(seed)
    times = gap_s * np.arange(1, round(60.0 / gap_s) + 1)
    phase_s, rc_s = random.uniform(0.0, period_s), smear * period_s

    def charge(until_s):
        cycles = np.floor((until_s + phase_s) / period_s)
        rest_s = until_s + phase_s - cycles * period_s
        done = (1.0 - np.exp(-rest_s / rc_s)) / (1.0 - np.exp(-1.0 / smear))
        return until_s + share * period_s * (cycles + done)

    aperture_s = gap_s * (1.0 - dead_share)
    currents = (charge(times) - charge(times - aperture_s)) / aperture_s
    return times, currents + random.normal(0.0, sigma, times.size)


def told(period_s, dead_share=0.0):
    return Priors(period_s=period_s, guard_s=1.0, slowest_tau_s=1.0, dead_share=dead_share)


@pytest.mark.parametrize("period_s", [0.3, 0.7, 1.0, 2.0, 4.0])
@pytest.mark.parametrize("smear", [0.05, 0.2, 0.3, 0.5, 1.0, 3.0])
def test_smeared_ticks_are_seen(smear, period_s):
    for seed, (sigma, declared) in enumerate([(0.003, 1.0), (0.03, 1.0), (0.003, 1.02)]):
        record = smeared(period_s, smear, seed, sigma=sigma)
        outcome = settle(*record, told(period_s * declared))
        assert outcome.kind == "settled", seed
        assert abs(outcome.current_A - 1.3) <= outcome.expanded_uncertainty_A, seed
        periods = outcome.averaged_for_s / period_s
        assert periods == pytest.approx(round(periods), abs=0.04 + 2 * 0.02 / period_s), seed


@pytest.mark.parametrize("dead_share", [0.2, 0.5])
@pytest.mark.parametrize("smear", [0.1, 0.3, 1.0, 3.0])
def test_a_blind_meter_sees_smeared_ticks(smear, dead_share):
    for seed, period_s in enumerate([0.7, 1.0, 4.0]):
        record = smeared(period_s, smear, seed, dead_share=dead_share)
        outcome = settle(*record, told(period_s, dead_share))
        assert outcome.kind in {"settled", "noise_limited"}, seed
        assert outcome.kind == "settled" or smear < 0.3, seed
        assert abs(outcome.current_A - 1.3) <= outcome.expanded_uncertainty_A, seed


@pytest.mark.parametrize("factor", [0.5, 0.8, 0.93, 1.07, 1.2, 2.0, 3.0])
@pytest.mark.parametrize("smear", [0.3, 2.0])
def test_another_period_of_smeared_ticks_is_refused(smear, factor):
    outcome = settle(*smeared(1.0, smear, SEED), told(factor))
    assert (outcome.kind, outcome.current_A) == ("period_not_as_declared", None)
    assert " every 1" in outcome.reason or " every 0.99" in outcome.reason


@pytest.mark.parametrize("sigma", [1e-9, 0.003, 0.1])
@pytest.mark.parametrize("period_s", [0.3, 1.0, 4.0])
def test_a_board_that_does_not_tick_is_told(period_s, sigma):
    for seed in range(3):
        record = smeared(period_s, 0.5, seed, share=0.0, sigma=sigma)
        outcome = settle(*record, told(period_s))
        assert (outcome.kind, outcome.current_A) == ("wakeups_not_seen", None), seed
        assert "a smaller shunt smears wake-ups less" in outcome.reason


def test_short_events_in_part_are_no_smeared_ticks():
    # In step with a blind meter, which sees a tenth of each: it has the period, not the charge.
    times, currents = ticks(1.0, aperture_s=0.04, height=0.08, phase_s=0.009)
    outcome = settle(times, currents, Priors(period_s=1.0, dead_share=0.2))
    assert outcome.kind == "wakeups_not_seen"


@pytest.mark.parametrize("height", [5.0, -0.5])
def test_undeclared_events_are_priced_by_their_count(height):
    readings = 1.0 + np.random.default_rng(SEED).normal(0.0, 0.003, 400)
    readings[[100, 101, 300]] += height
    window = undeclared(readings, Level.of(readings), np.linspace(0.0, 400.0, 17), 0.0)
    assert window.clusters == 2
    assert window.events_A == pytest.approx(3 * height / 400, rel=0.01)
    # Exact Poisson interval of 2 events: up to 7.2247 (tables, from memory). One event is twice
    # the other, so each counts as sqrt((4 + 1)/2) of the smaller.
    charge_A = abs(height) * math.sqrt(2.5) / 400
    expected_A = (7.2247 - 2.0) * charge_A / 1.95996
    assert window.least_uncertainty_A == pytest.approx(expected_A, rel=0.01)


def test_the_price_of_undeclared_events_is_in_the_outcome():
    # One event per batch, all alike: the batch means agree and would hide that it is chance.
    readings = 1.0 + np.random.default_rng(SEED).normal(0.0, 1e-4, TIMES.size)
    readings[37::75] += 5.0
    outcome = settle(TIMES, readings, Priors(guard_s=59.9))
    assert "events_undeclared" in outcome.flags
    # Exact Poisson interval of 16 events: up to 25.983 (tables, from memory).
    expected_A = 5.0 / 75 * (25.983 / 16 - 1.0) / 1.95996
    assert outcome.standard_uncertainty_A == pytest.approx(expected_A, rel=0.01)
    assert outcome.base_A == pytest.approx(1.0, abs=0.001)


def test_few_phases_of_a_blind_meter_settle_nothing():
    # In step, and each tick falls for the most part between two readings: almost nothing is seen.
    exact = Priors(period_s=1.0, dead_share=0.2)
    for phase_s in np.linspace(0.0, 0.05, 11):
        outcome = settle(*ticks(1.0, aperture_s=0.04, phase_s=phase_s), exact)
        assert outcome.kind != "settled", phase_s


def test_random_starts_of_a_blind_meter_see_every_phase():
    # The same period, but the meter waits at random between two readings.
    random = np.random.default_rng(SEED)
    starts = np.cumsum(0.06 + random.uniform(0.0, 0.08, 600))
    height, length_s = 2.0, 0.02
    into = np.minimum((starts + 0.06) % 1.0, length_s) - np.minimum(starts % 1.0, length_s)
    whole = np.floor(starts + 0.06) - np.floor(starts)
    readings = 1.0 + height * (into + whole * length_s) / 0.06 + random.normal(0, 0.003, 600)
    outcome = settle(starts + 0.06, readings, Priors(period_s=1.0, dead_share=0.4, tolerance=1e-6))
    true = 1.0 + height * length_s
    assert abs(outcome.current_A - true) <= outcome.expanded_uncertainty_A
    # Many draws of a tick that is seen with probability 0.6, not one: sqrt(0.4/0.6/59) = 0.11.
    assert outcome.standard_uncertainty_A < 0.25 * height * length_s


def test_an_aperture_of_whole_periods_sees_no_ticks_and_needs_none():
    random = np.random.default_rng(SEED)
    times = 1.0 * np.arange(1, 121)
    readings = 1.1 + random.normal(0.0, 0.003, times.size)
    outcome = settle(times, readings, Priors(period_s=0.245, dead_share=0.02))
    assert outcome.kind == "settled"
    assert "wakeups_undersampled" not in outcome.flags
    assert outcome.current_A == pytest.approx(1.1, rel=0.01)
    other = settle(times, readings, Priors(period_s=0.4, dead_share=0.02))
    assert other.kind == "wakeups_not_seen"


@pytest.mark.parametrize("every", [3, 5, 17])
def test_ticks_that_the_board_leaves_out_are_no_reason_to_look_only_where_it_does_not(every):
    """Each so manieth tick is missing: the mean is lower by its share, and as uncertain as chance
    would make it."""
    period_s = 1.03
    times, readings = ticks(period_s)
    left_out = np.floor((times - 0.06 + 0.3) / period_s) % every == 0.0
    readings[left_out & (readings > 1.05)] = 1.0
    outcome = settle(times, readings, Priors(period_s=period_s, slowest_noise_s=10.0))
    true = 1.0 + 0.1 / period_s * (1.0 - 1.0 / every)
    assert outcome.current_A == pytest.approx(true, rel=0.004)
    assert abs(outcome.current_A - true) <= outcome.expanded_uncertainty_A
    assert outcome.averaged_for_s > 30.0
    share = outcome.standard_uncertainty_A / (outcome.current_A - outcome.base_A)
    missing = 1.0 / every
    periods = outcome.averaged_for_s / period_s
    assert share == pytest.approx(math.sqrt(missing / (1.0 - missing) / periods), rel=0.25)


def test_ticks_that_have_stopped_are_missed():
    times, readings = ticks(1.03)
    readings[(times > 25.0) & (readings > 1.05)] = 1.0
    outcome = settle(times, readings, Priors(period_s=1.03, slowest_noise_s=10.0))
    assert outcome.kind == "wakeups_not_seen"


@pytest.mark.parametrize("dead_share", [0.0, 0.2])
@pytest.mark.parametrize("seen", ["ticks", "a wave", "nothing"])
def test_no_window_is_lost_where_a_wave_is_not_looked_for(seen, dead_share, monkeypatch):
    """In what is too short to hold five of the declared period."""
    priors = Priors(period_s=0.98, dead_share=dead_share)
    times, currents = ticks(1.0, height=0.0 if seen != "ticks" else 10.0)
    if seen == "a wave":
        currents = currents + 0.1 * np.sin(math.tau * times)
    windows = 0
    for size in range(8, 161):
        part = times[:size], currents[:size]
        level = Level.of(part[1])
        found = whole_periods(*part, 0, level, priors)
        with monkeypatch.context() as patch:
            patch.setattr(events, "FEWEST_WAVES", 0)
            searched = whole_periods(*part, 0, level, priors)
        assert isinstance(found, NoWindow) == isinstance(searched, NoWindow), size
        if not isinstance(found, NoWindow) and not isinstance(searched, NoWindow):
            windows += 1
            assert found.edges.tolist() == searched.edges.tolist()
    assert (windows > 0) == (seen != "nothing")
