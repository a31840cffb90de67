"""What holds for any record."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.measurement import Priors, SettlingWatch, settle

SEED = 33
TIMES = np.arange(1, 1201) * 0.05
FIGURES = ("current_A", "standard_uncertainty_A", "settling_bound_A", "base_A", "event_charge_C")

KINDS = {
    "settles": Priors(),
    "noisy": Priors(),
    "steps": Priors(guard_s=2.0),
    "events": Priors(guard_s=1.0),
    "ticks": Priors(period_s=1.3),
    "counts": Priors(count_A=0.01, announced=True),
    "sentinels": Priors(),
}


def waveform(kind, seed):
    random = np.random.default_rng([SEED, seed])
    readings = 1.0 + 20.0 * np.exp(-TIMES / 0.8) + random.normal(0.0, 0.003, TIMES.size)
    if kind == "noisy":
        readings += random.normal(0.0, 0.3, TIMES.size)
    elif kind == "steps":
        readings += 0.1 * (np.cumsum(random.uniform(size=TIMES.size) < 0.02) % 2)
    elif kind == "events":
        readings[random.integers(0, TIMES.size, 6)] += 2.0
    elif kind == "ticks":
        readings += 3.0 * ((TIMES + 0.2) % 1.3 < 0.05)
    elif kind == "counts":
        readings = np.round(readings, 2)
    elif kind == "sentinels":
        readings[random.integers(0, TIMES.size, 9)] = 9.9e37
        readings[random.integers(0, TIMES.size, 3)] = math.nan
    return readings


def live(times, readings, priors, size):
    watch = SettlingWatch(priors)
    for first in range(0, times.size, size):
        watch.add(times[first : first + size], readings[first : first + size])
    return watch.finish()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("size", [1, 7, 1000])
def test_live_and_stored_give_the_same_figures(kind, size):
    for seed in range(2):
        readings = waveform(kind, seed)
        stored = settle(TIMES, readings, KINDS[kind])
        assert live(TIMES, readings, KINDS[kind], size) == stored, f"seed {SEED}"


@pytest.mark.parametrize("size", [997, 40_000])
def test_live_and_stored_agree_beyond_the_memory(size):
    times = np.arange(1, 200_001) * 0.001
    noise = np.random.default_rng(SEED).normal(0.0, 0.02, times.size)
    readings = 1.0 + 0.003 * times + noise
    stored = settle(times, readings, Priors())
    assert stored.kind == "drifting"
    assert live(times, readings, Priors(), size) == stored
    assert settle(times, 1.0 + noise, Priors(tolerance=1e-6)).readings > 65_536


@settings(deadline=None, max_examples=40)
@given(st.sampled_from(list(KINDS)), st.integers(0, 20), st.floats(1e-12, 1e6))
def test_scaling_all_currents_scales_the_outcome(kind, seed, factor):
    readings, priors = waveform(kind, seed), KINDS[kind]
    scaled_priors = dataclasses.replace(priors, count_A=priors.count_A * factor)
    with np.errstate(over="ignore"):
        scaled_readings = np.where(np.abs(readings) < 1e36, readings * factor, readings)
    plain, scaled = settle(TIMES, readings, priors), settle(TIMES, scaled_readings, scaled_priors)
    for name in ("kind", "flags", "readings", "dropped", "events", "settled_after_s"):
        assert getattr(scaled, name) == getattr(plain, name), name
    for name in FIGURES:
        figure, other = getattr(plain, name), getattr(scaled, name)
        assert (figure is None) == (other is None)
        if figure is not None:
            assert other == pytest.approx(figure * factor, rel=1e-6, abs=1e-12 * factor), name


@settings(deadline=None, max_examples=40)
@given(
    st.sampled_from(list(KINDS)),
    st.integers(0, 20),
    st.floats(0.0, 1e7),
    st.sampled_from([{}, {"entered_s": 0.0}, {"entered_s": 0.02, "since_s": 3.01}]),
)
def test_shifting_time_changes_nothing(kind, seed, shift_s, given_s):
    readings = waveform(kind, seed)
    plain = settle(TIMES, readings, KINDS[kind], **given_s)
    shifted_s = {name: time_s + shift_s for name, time_s in given_s.items()}
    shifted = settle(TIMES + shift_s, readings, KINDS[kind], **shifted_s)
    assert (shifted.kind, shifted.flags, shifted.readings) == (
        plain.kind,
        plain.flags,
        plain.readings,
    )
    for name in (*FIGURES, "settled_after_s", "averaged_for_s"):
        figure, other = getattr(plain, name), getattr(shifted, name)
        assert (figure is None) == (other is None)
        if figure is not None:
            assert other == pytest.approx(figure, rel=1e-6, abs=1e-7), name


def test_no_time_is_negative():
    readings = 1.0 + np.random.default_rng(SEED).normal(0.0, 0.003, TIMES.size)
    for entered_s in (None, 0.0, TIMES[0]):
        outcome = settle(TIMES, readings, Priors(), entered_s=entered_s)
        assert 0.0 <= outcome.settled_after_s < 0.1
        assert outcome.reason.startswith("settled after 0 s")


@settings(deadline=None, max_examples=30)
@given(st.sampled_from(["settles", "noisy", "events", "counts"]), st.integers(0, 1199))
def test_one_sentinel_never_changes_a_figure(kind, at):
    readings = waveform(kind, 3)
    times = np.insert(TIMES, at, TIMES[at] - 0.01)
    found = settle(times, np.insert(readings, at, -9.9e37), KINDS[kind])
    clean = settle(TIMES, readings, KINDS[kind])
    # One that comes after the verdict is not even counted.
    assert found.dropped in (0, 1)
    assert dataclasses.replace(found, dropped=0, flags=()) == dataclasses.replace(clean, flags=())


@pytest.mark.parametrize("level", [0.003, 0.1])
def test_more_of_a_stationary_series_narrows_the_interval(level):
    priors = Priors(tolerance=1e-6)
    widths = []
    for seed in range(40):
        readings = 1.0 + np.random.default_rng([SEED, seed]).normal(0.0, level, 4800)
        times = np.arange(1, 4801) * 0.05
        found = [
            settle(times[:size], readings[:size], priors).expanded_uncertainty_A
            for size in (300, 1200, 4800)
        ]
        # One in twenty seems to drift by chance and has no interval.
        if None not in found:
            widths.append(found)
    assert len(widths) > 25, f"seed {SEED}"
    short, middle, long = np.median(widths, axis=0)
    assert short > middle > long, f"seed {SEED}"
    # By chance one interval may be wider; four times as many readings should halve it.
    grown = np.array(widths)[:, 1:] / np.array(widths)[:, :-1]
    assert np.mean(grown > 1.0) < 0.15, f"seed {SEED}"
    assert np.max(grown) < 3.0, f"seed {SEED}"


@settings(deadline=None, max_examples=60)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([-0.1, 0.0, 1e-9, 0.05, 0.05, 0.05, 1.0, math.nan, math.inf]),
            st.one_of(
                st.floats(allow_nan=True, allow_infinity=True),
                st.sampled_from([0.0, 1.0, -1e-9, 9.9e37]),
            ),
        ),
        max_size=80,
    ),
    st.booleans(),
)
def test_anything_gives_an_outcome_or_a_clear_error(rows, announced):
    times = np.cumsum([step for step, _ in rows])
    priors = Priors(announced=announced)
    currents = [current for _, current in rows]
    if not (np.all(np.isfinite(times)) and np.all(np.diff(times) > 0.0)):
        with pytest.raises(ValueError, match="times must"):
            settle(times, currents, priors)
        return
    outcome = settle(times, currents, priors)
    assert outcome.kind != "waiting"
    assert outcome.reason
    if outcome.current_A is not None:
        assert math.isfinite(outcome.current_A + outcome.expanded_uncertainty_A)


def test_ten_million_readings_give_an_outcome():
    times = np.arange(1, 10_000_001) * 0.001
    readings = np.random.default_rng(SEED).normal(1.0, 0.05, times.size)
    outcome = settle(times, readings, Priors(tolerance=1e-7))
    assert outcome.kind == "noise_limited"
    assert abs(outcome.current_A - 1.0) <= outcome.expanded_uncertainty_A < 2e-4


def test_announced_sleep_needs_no_guard_unless_one_is_given():
    assert (Priors().guard_s, Priors(announced=True).guard_s) == (5.0, 0.0)
    assert Priors(announced=True, guard_s=2.0).guard_s == 2.0
    readings = 1.0 + np.random.default_rng(SEED).normal(0.0, 0.003, TIMES.size)
    ends = [
        outcome.settled_after_s + outcome.averaged_for_s
        for outcome in (settle(TIMES, readings, Priors(announced=told)) for told in (True, False))
    ]
    assert 12.0 <= ends[0] < 14.0
    assert 12.0 <= ends[1] < 14.0
    quiet = settle(TIMES, readings, Priors(announced=True, slowest_noise_s=0.1))
    assert quiet.kind == "settled"
    assert quiet.settled_after_s + quiet.averaged_for_s < 3.2
