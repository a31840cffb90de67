import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.measurement import Priors
from benchrig.measurement.sequential import MeterUncertainty, Risks, VerdictWatch

SEED = 16
TIMES = np.arange(1, 1201) * 0.05
PLAIN = Priors(guard_s=5.0, slowest_tau_s=2.0)
VERDICTS = ("pass", "fail")


def noise(level=0.003, seed=SEED):
    return np.random.default_rng(seed).normal(0.0, level, TIMES.size)


def telegraph(random, times, dwells_s):
    """Two levels, 1 apart and 0 on average, each held for its mean time; shape (n,)."""
    level, at_s = np.empty(times.size), 0.0
    upper = dwells_s[1] / sum(dwells_s)
    state = int(random.random() < upper)
    while at_s < times[-1]:
        until_s = at_s + random.exponential(dwells_s[state])
        level[(at_s < times) & (times <= until_s)] = state - upper
        at_s, state = until_s, 1 - state
    return level


def decide(readings, minimum, maximum, priors=PLAIN, times=TIMES, **given):
    watch = VerdictWatch(priors, minimum, maximum, **{"sleeps": True, **given})
    watch.add(times, readings)
    return watch.finish()


# -- soon, where it is certain ---------------------------------------------------------------


def test_half_of_the_maximum_passes_within_a_fifth_of_two_seconds_and_a_hundred_readings():
    found = decide(1.0 + noise(), None, 2.0)
    assert found.kind == "pass"
    assert found.decided_after_s <= 7.0 / 5.0
    assert found.lower_A == -math.inf  # nothing before the guard says how far it may still fall
    assert 1.0 < found.upper_A < 2.0
    assert found.current_A == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("ratio", [0.5, 0.8, 1.2, 2.0])
def test_the_right_side_of_the_limit(ratio):
    found = decide(1.0 + noise(), None, 1.0 / ratio)
    assert found.kind == ("pass" if ratio < 1.0 else "fail")
    assert found.lower_A < 1.0 < found.upper_A


def test_twice_the_maximum_fails_only_on_readings_after_the_guard():
    found = decide(2.0 + noise(), None, 1.0)
    assert found.kind == "fail"
    assert 5.0 + 16 * 0.05 <= found.decided_after_s < 8.0


def test_on_the_limit_nothing_is_decided():
    found = decide(1.0 + noise(), None, 1.0)
    assert found.kind == "undecided"
    assert found.lower_A < 1.0 < found.upper_A
    assert found.decided_after_s is None
    assert "within" in found.reason


# -- while the transient is still there ------------------------------------------------------


@pytest.mark.parametrize("tau_s", [0.3, 1.0, 2.0])
def test_a_falling_current_passes_below_its_maximum_before_it_has_settled(tau_s):
    transient = 30.0 * np.exp(-TIMES / tau_s)
    found = decide(1.0 + transient + noise(), None, 2.0)
    assert found.kind == "pass"
    crossed_s = tau_s * math.log(30.0)
    assert crossed_s < found.decided_after_s < crossed_s + 4.0 * tau_s + 1.5


@pytest.mark.parametrize("settled", [0.95, 0.7])
def test_a_falling_current_above_its_maximum_does_not_fail(settled):
    readings = settled + 20.0 * np.exp(-TIMES / 2.0) + noise()
    assert decide(readings, None, 1.0).kind == "pass"


def test_a_falling_current_does_not_pass_the_minimum_it_is_about_to_leave():
    readings = 0.8 + 3.0 * np.exp(-TIMES / 2.0) + noise()
    found = decide(readings, 1.0, None)
    assert found.kind == "fail"
    assert decide(1.3 + noise(), 1.0, None).decided_after_s > 5.0


def test_a_current_below_its_minimum_and_falling_fails_early():
    found = decide(0.3 + 0.2 * np.exp(-TIMES) + noise(), 1.0, None)
    assert found.kind == "fail"
    assert found.decided_after_s < 5.0


@pytest.mark.parametrize("slow_s", [1.0, 2.0])
@pytest.mark.parametrize("dip", [0.3, 0.6])
def test_a_dip_below_the_maximum_is_no_pass(slow_s, dip):
    # The supply recharges: the current falls fast, too far, and rises again.
    fast, slow = 20.0 * np.exp(-TIMES / 0.2), dip * np.exp(-TIMES / slow_s)
    assert decide(1.1 + fast - slow + noise(), None, 1.0).kind != "pass"


def test_a_state_that_is_no_sleep_is_not_judged_before_the_guard():
    # The radio is switched on after three seconds.
    readings = np.where(TIMES < 3.0, 0.2, 1.5) + noise()
    assert decide(readings, None, 1.0, sleeps=False).kind == "fail"
    low = decide(0.2 + noise(), None, 1.0, sleeps=False)
    assert low.kind == "pass"
    assert low.decided_after_s > 5.0


@pytest.mark.parametrize("until_s", [1.0, 3.0, 4.95])
def test_a_plateau_of_the_firmware_within_the_guard_never_fails(until_s):
    found = decide(np.where(until_s >= TIMES, 50.0, 0.5) + noise(), None, 1.0)
    assert found.kind == "pass"
    assert found.decided_after_s > until_s


# -- what is no settled current --------------------------------------------------------------


@pytest.mark.parametrize("at_s", [7.0, 15.0, 30.0])
def test_a_rise_in_the_record_is_disturbed(at_s):
    # So near to its limit that it is not decided when the board resets.
    readings = np.where(at_s < TIMES, 3.0, 0.999) + noise()
    found = decide(readings, None, 1.0)
    assert found.kind == "disturbed"
    assert found.decided_after_s is None


@pytest.mark.parametrize("per_minute", [0.6, 1.2])
def test_a_rise_towards_the_limit_does_not_pass(per_minute):
    current = 0.9 * (1.0 + per_minute * TIMES / 60.0)
    found = decide(current + noise(0.0003), None, 1.0)
    assert found.kind != "pass"
    if found.kind == "fail":  # only when it has long been above
        assert np.interp(found.decided_after_s, TIMES, current) > 1.1


@pytest.mark.parametrize(
    ("value", "kind"),
    [(9.9e37, "overloaded"), (math.inf, "overloaded"), (9.91e37, "invalid_readings"),
     (math.nan, "invalid_readings")],
)  # fmt: skip
def test_sentinels_are_never_a_current(value, kind):
    readings = 1.0 + noise()
    readings[::10] = value
    assert decide(readings, None, 2.0).kind == kind
    assert decide(np.full(TIMES.size, value), None, 2.0).kind == kind
    assert decide(np.full(TIMES.size, value), 2.0, None).kind == kind
    few = 1.0 + noise()
    few[150] = value
    clean = decide(np.delete(few, 150), None, 1.02, times=np.delete(TIMES, 150))
    assert dataclasses.replace(decide(few, None, 1.02), dropped=0) == clean


def test_below_sixteen_readings_there_is_no_verdict():
    assert decide(np.ones(15), None, 100.0, times=TIMES[:15]).kind == "few_readings"
    assert decide([], None, 100.0, times=[]).kind == "few_readings"


# -- noise, counts, events, periods ----------------------------------------------------------


def test_equal_readings_know_no_more_than_the_count():
    count = Priors(guard_s=5.0, slowest_tau_s=2.0, count_A=0.1)
    assert decide(np.full(TIMES.size, 1.0), None, 1.04, count).kind == "undecided"
    assert decide(np.full(TIMES.size, 1.0), None, 1.5, count).kind == "pass"
    assert decide(np.full(TIMES.size, 1.0), None, 0.96, count).kind == "undecided"


def test_the_charge_of_an_event_that_was_not_seen_delays_the_pass():
    readings = 1.0 + noise()
    plain = decide(readings, None, 2.0)
    declared = decide(readings, None, 2.0, event_charge_C=0.5)
    assert declared.kind == "pass"
    # Nothing seen in t: at most -ln(risk)/t events/s of 0.5 A s each have to fit into the rest.
    assert declared.decided_after_s > 0.5 * -math.log(0.025 / 2.0)
    assert plain.unseen_rate_per_s == pytest.approx(-math.log(0.025) / 0.8, rel=0.1)


def test_a_meter_that_is_blind_half_of_the_time_waits_longer_for_events():
    gapless = Priors(guard_s=5.0, slowest_tau_s=2.0)
    blind = Priors(guard_s=5.0, slowest_tau_s=2.0, dead_share=0.5)
    readings = 1.0 + noise()
    sees, misses = (decide(readings, None, 2.0, p, event_charge_C=0.5) for p in (gapless, blind))
    assert misses.decided_after_s > 1.5 * sees.decided_after_s
    sees, misses = (decide(readings, None, 2.0, p) for p in (gapless, blind))
    assert misses.unseen_rate_per_s == pytest.approx(2.0 * sees.unseen_rate_per_s)


def test_events_that_were_seen_count_into_the_mean():
    readings = 0.5 + noise()
    readings[10::20] = 20.0  # mean 1.475
    assert decide(readings, None, 0.6).kind == "fail"
    assert decide(readings, None, 20.0).kind == "pass"


@pytest.mark.parametrize("first", range(4, 40, 4))
def test_no_window_is_chosen_to_leave_events_out(first):
    readings = 0.5 + noise()
    readings[first::20] = 20.0  # whatever falls between two of them is half of the maximum
    found = decide(readings, None, 1.0)
    assert found.kind != "pass" or found.decided_after_s <= TIMES[first]


SLOW_BOARD = Priors(guard_s=0.0, slowest_tau_s=2.0)
SLOW_NOISE = Priors(guard_s=0.0, slowest_tau_s=0.2, slowest_noise_s=2.0)


@pytest.mark.parametrize(
    ("mean", "dwells_s", "wrong"),
    [(1.02, (2.0, 2.0), "pass"), (1.02, (0.8, 2.0), "pass"), (0.98, (2.0, 0.8), "fail")],
)
@pytest.mark.parametrize("priors", [SLOW_BOARD, SLOW_NOISE], ids=["tau", "noise"])
def test_telegraph_noise_as_slow_as_declared_costs_no_more_than_the_risk(
    mean, dwells_s, wrong, priors
):
    # Levels 30 % apart, three time constants: many records begin with one of them only.
    random, trials, times = np.random.default_rng(SEED), 40, TIMES[:300] * 0.4
    found = []
    for _ in range(trials):
        level = 0.3 * telegraph(random, times, dwells_s) + random.normal(0.0, 0.003, times.size)
        found.append(decide(mean + level, None, 1.0, priors, times).kind)
    # More than 3 of 40 come by chance in 2 of 100 cases at a risk of 2.5 % (binomial).
    assert found.count(wrong) <= 3, f"seed {SEED}: {found.count(wrong)} of {trials}"


@pytest.mark.parametrize(("mean", "kind"), [(0.95, "pass"), (1.05, "fail")])
def test_near_the_limit_nobody_waits_for_noise_that_was_declared_to_be_quick(mean, kind):
    usual = decide(mean + noise(0.001), None, 1.0, Priors(announced=True))
    quick = Priors(announced=True, slowest_noise_s=0.3)
    found = decide(mean + noise(0.001), None, 1.0, quick)
    assert (usual.kind, found.kind) == (kind, kind)
    assert found.decided_after_s < usual.decided_after_s / 1.5


@pytest.mark.parametrize(("true", "maximum"), [(1.4, 1.2), (2.4, 2.2)])
def test_a_count_that_nobody_declared_may_hide_what_is_above_the_limit(true, maximum):
    readings = np.round(true + noise(0.05)) * 1e-6
    assert decide(readings, None, maximum * 1e-6).kind == "undecided"
    assert decide(readings, None, 2.0 * maximum * 1e-6).kind == "pass"


def test_zeros_of_unknown_resolution_pass_nothing():
    found = decide(np.zeros(TIMES.size), None, 1e-6)
    assert (found.kind, found.upper_A) == ("invalid_readings", math.inf)
    assert "declare" in found.reason
    declared = Priors(guard_s=5.0, count_A=1e-7)
    assert decide(np.zeros(TIMES.size), None, 1e-6, declared).kind == "pass"


def test_what_may_be_unseen_shrinks_as_the_record_grows():
    """No noise at all, so that the bound is what may be unseen: 0.3 of a share, of the mean."""
    sight, tau_s = math.log(2.0 / 0.025), PLAIN.slowest_tau_s
    resolved = dataclasses.replace(PLAIN, count_A=1e-12)
    for size, taus, share in (
        (160, 4.0, sight / (sight + 4.0)),
        (200, 5.0, math.exp(sight - 5.0) / 2.0),
        (400, 10.0, math.exp(sight - 10.0) / 2.0),
    ):
        assert size * 0.05 == pytest.approx(taus * tau_s)
        found = decide(np.ones(size), None, 1.0, resolved, TIMES[:size])
        hidden = 0.3 * share
        assert found.upper_A == pytest.approx(1.0 + hidden / (1.0 - hidden), rel=1e-6)


@pytest.mark.parametrize(("maximum", "kind"), [(4.0, "pass"), (1.0, "fail")])
def test_declared_wake_ups_are_judged_by_whole_periods(maximum, kind):
    readings = 0.5 + noise()
    readings[10::20] = 20.0
    found = decide(readings, None, maximum, dataclasses.replace(PLAIN, period_s=1.0))
    assert found.kind == kind
    assert found.decided_after_s >= 3.0
    assert found.current_A == pytest.approx(1.475, rel=0.02)


def test_wake_ups_that_never_come_are_no_verdict():
    found = decide(0.5 + noise(), None, 1.0, dataclasses.replace(PLAIN, period_s=1.0))
    assert found.kind == "wakeups_not_seen"


# -- the meter -------------------------------------------------------------------------------


def test_the_meter_moves_the_limit_by_its_share_of_the_risk():
    # 1.96 standard deviations: 2.5 % is half of the consumer's 5 %. Noise is next to nothing.
    readings, risk = 0.90 + noise(1e-6), Risks(consumer=0.05, producer=0.05)
    for deviation, kind in ((0.045, "pass"), (0.055, "undecided")):
        meter = MeterUncertainty(offset_A=deviation)
        assert decide(readings, None, 1.0, risk=risk, meter=meter).kind == kind
        meter = MeterUncertainty(gain=deviation)
        assert decide(readings, None, 1.0, risk=risk, meter=meter).kind == kind
    assert decide(1.1 + noise(1e-6), None, 1.0, meter=MeterUncertainty(0.055)).kind == "undecided"
    assert MeterUncertainty(0.1, 0.2).at(-3.0) == pytest.approx(0.5)


def test_a_smaller_risk_never_decides_sooner():
    readings = 1.0 + noise(0.02)
    after = [
        decide(readings, None, 1.3, risk=Risks(consumer=risk)).decided_after_s
        for risk in (0.2, 0.025, 0.001, 1e-6)
    ]
    assert after == sorted(after)
    assert after[0] < after[-1]


# -- the interface ---------------------------------------------------------------------------


@settings(deadline=None, max_examples=10)
@given(
    st.lists(st.integers(1, 300), min_size=1, max_size=20),
    st.sampled_from([0.5, 1.01, 1.3, 1.6]),
    st.booleans(),
)
def test_the_decision_does_not_depend_on_the_batches(sizes, maximum, overload):
    readings = 1.0 + 5.0 * np.exp(-TIMES) + noise(0.01)
    if overload:
        readings[37::60] = 9.9e37
    watch = VerdictWatch(PLAIN, None, maximum, sleeps=True)
    first = 0
    while first < TIMES.size:
        for size in sizes:
            watch.add(TIMES[first : first + size], readings[first : first + size])
            first += size
    assert watch.finish() == decide(readings, None, maximum)


@settings(deadline=None, max_examples=10)
@given(st.integers(0, 50), st.floats(1e-12, 1e3), st.sampled_from([0.5, 0.9, 1.1, 1.4]))
def test_scaling_the_current_scales_the_decision(seed, factor, maximum):
    readings = 1.0 + 3.0 * np.exp(-TIMES / 0.7) + noise(0.01, seed)
    priors = dataclasses.replace(PLAIN, count_A=1e-3)
    plain = decide(readings, None, maximum, priors)
    scaled_priors = dataclasses.replace(PLAIN, count_A=1e-3 * factor)
    scaled = decide(readings * factor, None, maximum * factor, scaled_priors)
    assert (scaled.kind, scaled.decided_after_s) == (plain.kind, plain.decided_after_s)
    assert scaled.upper_A == pytest.approx(plain.upper_A * factor, rel=1e-6)
    assert scaled.lower_A == pytest.approx(plain.lower_A * factor, rel=1e-6)


@settings(deadline=None)
@given(
    st.lists(st.one_of(st.floats(allow_nan=True), st.sampled_from([0.0, 1.0, 1e-9])), max_size=120),
    st.sampled_from([None, 0.5]),
    st.booleans(),
)
def test_any_readings_give_a_decision(values, period_s, sleeps):
    times = np.arange(1, len(values) + 1) * 0.05
    priors = Priors(guard_s=0.1, period_s=period_s)
    found = decide(values, 0.0, 1.0, priors, times, sleeps=sleeps)
    assert found.kind != "waiting"
    assert not math.isnan(found.lower_A)
    assert not math.isnan(found.upper_A)


def test_readings_before_the_record_starts_are_left_out():
    readings = np.where(TIMES < 10.0, 500.0, 1.0) + noise()
    found = decide(readings, None, 2.0, since_s=10.0)
    assert found.kind == "pass"
    assert 10.0 < found.decided_after_s < 11.5


def test_a_verdict_stays():
    watch = VerdictWatch(PLAIN, None, 2.0, sleeps=True)
    passed = watch.add(TIMES, 1.0 + noise())
    assert passed.kind == "pass"
    assert watch.add([70.0], [99.0]) is passed
    assert watch.finish() is passed


def test_before_the_verdict_it_waits_and_says_why():
    watch = VerdictWatch(PLAIN, None, 1.0, sleeps=True)
    assert watch.add([], []).kind == "waiting"
    waiting = watch.add(TIMES[:60], 1.5 + noise()[:60])
    assert waiting.kind == "waiting"
    assert "until 5 s" in waiting.reason
    with pytest.raises(ValueError, match="must increase"):
        watch.add([0.1], [1.0])


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"minimum_A": None, "maximum_A": None}, "needs a minimum or a maximum"),
        ({"minimum_A": 2.0, "maximum_A": 1.0}, "must not be above"),
        ({"minimum_A": math.nan, "maximum_A": 1.0}, "must not be above"),
        ({"minimum_A": None, "maximum_A": 1.0, "event_charge_C": -1.0}, "event_charge_C"),
        ({"minimum_A": None, "maximum_A": 1.0, "since_s": math.nan}, "since_s"),
    ],
)
def test_a_watch_that_makes_no_sense_is_refused(wrong, says):
    with pytest.raises(ValueError, match=says):
        VerdictWatch(PLAIN, **wrong)


def test_risks_and_meters_that_make_no_sense_are_refused():
    for wrong in (0.0, 0.3, math.nan):
        with pytest.raises(ValueError, match="consumer"):
            Risks(consumer=wrong)
        with pytest.raises(ValueError, match="producer"):
            Risks(producer=wrong)
    for wrong in (-1.0, math.inf, math.nan):
        with pytest.raises(ValueError, match="gain"):
            MeterUncertainty(gain=wrong)
        with pytest.raises(ValueError, match="offset_A"):
            MeterUncertainty(offset_A=wrong)
