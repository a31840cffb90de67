import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.measurement import Priors, SettlingWatch, settle

SEED = 14
TIMES = np.arange(1, 1201) * 0.05
QUICK = Priors(guard_s=1.0, slowest_tau_s=0.5)
PLAIN = Priors()


def noise(level=0.003, seed=SEED):
    return np.random.default_rng(seed).normal(0.0, level, TIMES.size)


def has_value(outcome):
    figures = ("current_A", "standard_uncertainty_A", "dof", "settling_bound_A", "base_A")
    figures += ("settled_after_s", "averaged_for_s", "half_width_A", "expanded_uncertainty_A")
    missing = [getattr(outcome, name) is None for name in figures]
    assert all(missing) or not any(missing), "all figures or none"
    return not missing[0]


# -- what settles, and when ------------------------------------------------------------------


def test_white_noise_settles_soon_after_the_guard():
    outcome = settle(TIMES, 1.0 + noise(), PLAIN)
    assert outcome.kind == "settled"
    assert has_value(outcome)
    assert outcome.current_A == pytest.approx(1.0, abs=outcome.expanded_uncertainty_A)
    # Not before the guard, nor before noise as slow as 2 s had 6 times as long to be seen.
    assert 12.0 <= outcome.settled_after_s + outcome.averaged_for_s < 14.0


@pytest.mark.parametrize("tau_s", [0.2, 1.0, 2.0])
@pytest.mark.parametrize("size", [0.05, 1.0, 100.0])
@pytest.mark.parametrize("level", [0.0, 0.003])
def test_exponential_is_settled_only_once_its_transient_is_within_tolerance(tau_s, size, level):
    transient = size * np.exp(-TIMES / tau_s)
    priors = PLAIN if level else Priors(count_A=1e-9)
    outcome = settle(TIMES, 1.0 + transient + noise(level), priors)
    assert outcome.kind == "settled"
    inside = (outcome.settled_after_s < TIMES) & (
        outcome.settled_after_s + outcome.averaged_for_s + 1e-9 >= TIMES
    )
    assert transient[inside].mean() <= 0.01
    assert abs(outcome.current_A - 1.0) <= outcome.expanded_uncertainty_A
    # Closed form of an RC: before tau ln(size/tolerance) the current itself is not settled.
    last_s = outcome.settled_after_s + outcome.averaged_for_s
    assert last_s > tau_s * math.log(size / 0.01)


@pytest.mark.parametrize("seed", range(20))
def test_slowest_time_constant_is_never_settled_too_soon(seed):
    random = np.random.default_rng([SEED, seed])
    transient = random.uniform(0.02, 300.0) * np.exp(-TIMES / PLAIN.slowest_tau_s)
    outcome = settle(TIMES, 1.0 + transient + noise(0.005, seed), PLAIN)
    if outcome.kind == "settled":
        inside = (outcome.settled_after_s < TIMES) & (
            outcome.settled_after_s + outcome.averaged_for_s + 1e-9 >= TIMES
        )
        assert transient[inside].mean() <= PLAIN.tolerance * 1.01


@pytest.mark.parametrize("until_s", [1.0, 3.0, 4.9])
def test_plateau_of_the_firmware_within_the_guard_is_not_the_sleep_current(until_s):
    readings = np.where(until_s >= TIMES, 50.0, 1.0) + noise()
    outcome = settle(TIMES, readings, PLAIN, entered_s=0.0)
    assert outcome.kind == "settled"
    assert outcome.current_A == pytest.approx(1.0, abs=0.005)
    assert outcome.settled_after_s >= until_s - 0.06


def test_nothing_is_said_before_the_guard():
    watch = SettlingWatch(PLAIN, entered_s=0.0)
    outcome = watch.add(TIMES[:99], np.ones(99))
    assert outcome.kind == "waiting"
    assert outcome.still_needed_s == pytest.approx(0.05)
    assert not has_value(outcome)
    ended = watch.finish()
    assert (ended.kind, ended.current_A) == ("few_readings", None)
    assert "guard" in ended.reason or "firmware" in ended.reason


@pytest.mark.parametrize("count", [1e-3, 0.01, 0.05])
def test_equal_quantised_readings_settle_with_a_nonzero_uncertainty(count):
    outcome = settle(TIMES, np.ones(TIMES.size), Priors(count_A=count))
    assert outcome.kind == "settled"
    assert outcome.standard_uncertainty_A == 0.0
    assert outcome.half_width_A == pytest.approx(count / 2)
    assert outcome.expanded_uncertainty_A > count / 2
    assert "resolution_limited" in outcome.flags


def test_current_of_zero_settles_by_its_floor_or_its_count():
    random = np.random.default_rng(SEED)
    readings = random.normal(0.0, 1e-9, TIMES.size)
    assert settle(TIMES, readings, Priors()).kind != "settled"
    assert settle(TIMES, readings, Priors(floor_A=2e-9)).kind == "settled"
    assert settle(TIMES, np.zeros(TIMES.size), Priors(count_A=1e-9)).kind == "settled"


# -- what does not ---------------------------------------------------------------------------


@pytest.mark.parametrize("per_minute", [0.09, 0.3, 1.2, -0.3])
def test_steady_drift_is_drifting(per_minute):
    outcome = settle(TIMES, 1.0 + per_minute * TIMES / 60.0 + noise(), PLAIN)
    # A rise by more than a quarter may also be called what it looks like.
    assert outcome.kind in ({"drifting", "disturbed"} if per_minute > 0.25 else {"drifting"})
    assert not has_value(outcome)


@pytest.mark.parametrize("at_s", [7.0, 15.0, 30.0, 50.0])
def test_rise_is_disturbed(at_s):
    # Too noisy to have settled before; 3 times the current after.
    readings = np.where(at_s < TIMES, 3.0, 1.0) * (1.0 + noise(0.08))
    outcome = settle(TIMES, readings, PLAIN)
    assert outcome.kind == "disturbed"
    assert not has_value(outcome)


def test_rise_while_the_supply_settles_on_a_new_shunt_is_no_disturbance():
    readings = np.where(TIMES < 20.9, 0.5, 1.0) + noise()
    outcome = settle(TIMES, readings, QUICK, since_s=20.0)
    assert outcome.kind == "settled"
    assert outcome.current_A == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("seed", range(5))
def test_noise_beyond_the_tolerance_gives_a_wide_value(seed):
    outcome = settle(TIMES, 1.0 + noise(0.3, seed), PLAIN)
    assert outcome.kind == "noise_limited"
    assert has_value(outcome)
    assert outcome.expanded_uncertainty_A > PLAIN.tolerance
    assert abs(outcome.current_A - 1.0) <= outcome.expanded_uncertainty_A


def test_telegraph_noise_is_wide_or_right_most_of_the_time():
    random = np.random.default_rng(SEED)
    right = given_value = 0
    for _ in range(150):
        flips = random.uniform(size=TIMES.size) < 0.05 / random.uniform(0.5, 3.0)
        level = np.cumsum(flips) % 2
        readings = 1.0 + 0.1 * level + random.normal(0.0, 0.003, TIMES.size)
        outcome = settle(TIMES, readings, Priors(guard_s=11.0, slowest_tau_s=8.0))
        if has_value(outcome):
            given_value += 1
            right += abs(outcome.current_A - 1.05) <= outcome.expanded_uncertainty_A
    assert given_value > 100, f"seed {SEED}"
    assert right / given_value > 0.85, f"seed {SEED}"


# -- short records ---------------------------------------------------------------------------


@pytest.mark.parametrize("number", [5, 12, 31])
def test_slow_meter_gets_a_wide_value_with_a_flag(number):
    times = 5.0 + 0.4 * np.arange(1, number + 1)
    outcome = settle(times, 1.0 + noise()[:number], PLAIN, entered_s=0.0)
    assert outcome.kind == "few_readings"
    assert "few_readings" in outcome.flags
    assert has_value(outcome)
    assert outcome.settling_bound_A > outcome.standard_uncertainty_A
    assert abs(outcome.current_A - 1.0) <= outcome.expanded_uncertainty_A


def test_few_readings_of_a_transient_give_no_value():
    times = 5.0 + 0.4 * np.arange(1, 25)
    outcome = settle(times, 1.0 + np.exp(-times / 10.0), PLAIN, entered_s=0.0)
    assert outcome.kind == "drifting"


def test_below_five_readings_there_is_no_value():
    outcome = settle(TIMES[196:200] + 1.0, np.ones(4), PLAIN, entered_s=0.0)
    assert (outcome.kind, has_value(outcome)) == ("few_readings", False)
    assert settle([], [], PLAIN).kind == "few_readings"


# -- readings that are none ------------------------------------------------------------------

NO_READINGS = [9.9e37, -9.9e37, 9.91e37, math.inf, -math.inf, math.nan, 1e36]


@given(st.lists(st.tuples(st.integers(0, 118), st.sampled_from(NO_READINGS)), max_size=2))
def test_a_sentinel_never_changes_a_figure(inserted):
    readings = 1.0 + noise()
    clean = settle(TIMES, readings, PLAIN)
    times, mixed = TIMES, readings
    for at, value in inserted:
        times = np.insert(times, at, TIMES[at] - 0.011 - 0.001 * times.size % 7e-3)
        mixed = np.insert(mixed, at, value)
        order = np.argsort(times)
        times, mixed = times[order], mixed[order]
    if np.any(np.diff(times) <= 0):
        return
    found = settle(times, mixed, PLAIN)
    assert dataclasses.replace(found, dropped=0, flags=()) == dataclasses.replace(clean, flags=())
    assert found.dropped == len(inserted)
    assert ("readings_dropped" in found.flags) == bool(inserted)


@pytest.mark.parametrize(
    ("value", "kind"),
    [
        (9.9e37, "overloaded"),
        (9.91e37, "invalid_readings"),
        (math.nan, "invalid_readings"),
        (math.inf, "overloaded"),
    ],
)
def test_too_many_of_them_give_no_value(value, kind):
    readings = 1.0 + noise()
    readings[::40] = value
    outcome = settle(TIMES, readings, PLAIN)
    assert (outcome.kind, outcome.dropped, has_value(outcome)) == (kind, 30, False)
    assert settle(TIMES, np.full(TIMES.size, value), PLAIN).kind == kind


# -- the interface ---------------------------------------------------------------------------


@settings(deadline=None)
@given(st.lists(st.integers(1, 300), min_size=1, max_size=30), st.sampled_from([0.003, 0.03, 0.3]))
def test_outcome_does_not_depend_on_the_batches(sizes, level):
    readings = 1.0 + 5.0 * np.exp(-TIMES) + noise(level)
    watch = SettlingWatch(PLAIN)
    first = 0
    while first < TIMES.size:
        for size in sizes:
            watch.add(TIMES[first : first + size], readings[first : first + size])
            first += size
    assert watch.finish() == settle(TIMES, readings, PLAIN)


@settings(deadline=None)
@given(st.integers(0, 50), st.floats(1e-12, 1e3))
def test_scaling_the_current_scales_the_outcome(seed, factor):
    readings = 1.0 + 3.0 * np.exp(-TIMES / 0.7) + noise(0.01, seed)
    plain = settle(TIMES, readings, Priors(count_A=1e-3, floor_A=2e-3))
    priors = Priors(count_A=1e-3 * factor, floor_A=2e-3 * factor)
    scaled = settle(TIMES, readings * factor, priors)
    assert (scaled.kind, scaled.flags, scaled.readings) == (plain.kind, plain.flags, plain.readings)
    for name in ("current_A", "standard_uncertainty_A", "settling_bound_A", "base_A"):
        assert getattr(scaled, name) == pytest.approx(getattr(plain, name) * factor, rel=1e-6)


@settings(deadline=None)
@given(
    st.lists(
        st.one_of(
            st.floats(allow_nan=True, allow_infinity=True), st.sampled_from([0.0, 1.0, 1e-9])
        ),
        max_size=120,
    ),
    st.sampled_from([None, 0.5]),
    st.sampled_from([0.0, 0.2]),
)
def test_any_readings_give_an_outcome(values, period_s, dead_share):
    times = np.arange(1, len(values) + 1) * 0.05
    outcome = settle(times, values, Priors(guard_s=0.1, period_s=period_s, dead_share=dead_share))
    assert outcome.kind != "waiting"
    if has_value(outcome):
        assert math.isfinite(outcome.current_A)
        assert math.isfinite(outcome.expanded_uncertainty_A)


def test_after_settled_nothing_changes():
    watch = SettlingWatch(PLAIN)
    settled = watch.add(TIMES, 1.0 + noise())
    assert watch.add([70.0], [99.0]) is settled
    assert watch.finish() is settled


def test_readings_before_the_record_starts_are_left_out():
    readings = np.where(TIMES < 10.0, 500.0, 1.0) + noise()
    outcome = settle(TIMES, readings, QUICK, since_s=10.0)
    assert outcome.kind == "settled"
    assert outcome.settled_after_s == pytest.approx(9.95 - TIMES[0])
    assert outcome.current_A == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize(
    ("times", "currents", "says"),
    [
        ([1.0, 1.0], [1.0, 1.0], "must increase: reading 1 at 1 s follows one at 1 s"),
        ([2.0, 1.0], [1.0, 1.0], "must increase"),
        ([0.4], [1.0], "follows one at 0.5 s"),
        ([1.0, math.nan], [1.0, 1.0], "finite"),
        ([1.0], [1.0, 2.0], "one length"),
        ([[1.0]], [[1.0]], "one length"),
    ],
)
def test_times_that_make_no_sense_are_refused_and_nothing_is_taken_in(times, currents, says):
    watch = SettlingWatch(PLAIN)
    watch.add([0.5], [1.0])
    with pytest.raises(ValueError, match=says):
        watch.add(times, currents)
    assert watch.add([0.6], [1.0]).kind == "waiting"


@pytest.mark.parametrize(
    "wrong",
    [
        {"guard_s": -1.0},
        {"slowest_tau_s": 0.0},
        {"period_s": 0.0},
        {"dead_share": 1.0},
        {"tolerance": math.nan},
        {"floor_A": math.inf},
        {"count_A": -1e-9},
        {"count_A": "1 nA"},
        {"tolerance": "1 %"},
        {"slowest_noise_s": 0.0},
        {"announced": "yes"},
        {"guard_s": "5 s"},
        {"guard_s": None},
        {"dead_share": math.nan},
        {"limits_A": (2e-6, 1e-6)},
        {"limits_A": (math.nan, None)},
        {"limits_A": (None, math.inf)},
        {"limits_A": ("1 uA", None)},
        {"limits_A": (1e-6,)},
        {"limits_A": 1e-6},
    ],
)
def test_priors_that_make_no_sense_are_refused(wrong):
    with pytest.raises(ValueError, match=f"{next(iter(wrong))} is .*: it must be "):
        Priors(**wrong)


@pytest.mark.parametrize("name", ["entered_s", "since_s"])
def test_times_of_the_record_that_make_no_sense_are_refused(name):
    with pytest.raises(ValueError, match=f"{name} is nan"):
        SettlingWatch(PLAIN, **{name: math.nan})
