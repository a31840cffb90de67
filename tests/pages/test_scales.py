"""Scales of plots, and curves with many readings."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.pages.drawing import shortened, thinned
from benchrig.pages.scales import MOST_DECADES, decades, linear, log_or_linear

CURRENTS = st.floats(1e-12, 10.0)


def test_five_decades() -> None:
    scale = decades(0.6e-6, 25e-3, "A")
    assert (scale.low, scale.high) == pytest.approx((1e-7, 0.1))
    assert [label for _, label in scale.ticks] == [
        "100 nA", "1 µA", "10 µA", "100 µA", "1 mA", "10 mA", "100 mA",
    ]  # fmt: skip


@given(CURRENTS, CURRENTS)
def test_decades_hold_what_they_are_for(one: float, two: float) -> None:
    low, high = sorted((one, two))
    scale = decades(low, high, "A")
    assert scale.low <= low * (1 + 1e-6)
    assert high <= scale.high * (1 + 1e-6)
    assert 2 <= len(scale.ticks) <= MOST_DECADES + 1


@given(st.floats(-1.0, 1.0), st.floats(-1.0, 1.0))
def test_linear_scales_hold_what_they_are_for(one: float, two: float) -> None:
    low, high = sorted((one, two))
    scale = linear(low, high, "A")
    assert scale.low < scale.high
    room = 1e-9 * (scale.high - scale.low)
    assert scale.low - room <= low <= high <= scale.high + room
    assert 2 <= len(scale.ticks) <= 8, scale
    values = [value for value, _ in scale.ticks]
    assert values == sorted(values)


def test_a_snug_scale_has_its_own_ends_and_no_tick_beyond_them() -> None:
    scale = linear(0.0, 37.0, "s", snug=True)
    assert (scale.low, scale.high) == (0.0, 37.0)
    assert [label for _, label in scale.ticks] == ["0 s", "10 s", "20 s", "30 s"]
    assert [label for _, label in decades(0.02, 9.0, "s", snug=True).ticks] == ["100 ms", "1 s"]


def test_no_prefix_where_nobody_uses_one() -> None:
    assert [label for _, label in linear(0.0, 1.0, "years").ticks][:2] == ["0 years", "0.2 years"]


@pytest.mark.parametrize(
    ("low", "high", "kind"),
    [
        (1e-6, 1e-3, "log"),
        (1e-3, 2e-3, "linear"),
        (-1e-9, 1e-3, "linear"),
        (0.0, 0.0, "linear"),
        (5.0, 5.0, "linear"),
    ],
)
def test_logarithmic_where_it_helps(low: float, high: float, kind: str) -> None:
    assert log_or_linear(low, high, "A").kind == kind


@given(st.integers(1, 5000), st.integers(0, 3))
def test_a_thinned_curve_keeps_its_extremes(count: int, seed: int) -> None:
    values = np.random.default_rng(seed).normal(size=count)
    times = 0.02 * np.arange(count) + 0.02 * seed
    middle, low, mean, high = thinned(times, values)
    assert middle.size <= 240
    assert np.all(np.diff(middle) > 0.0)
    assert (low.min(), high.max()) == (values.min(), values.max())
    assert np.all((low <= mean + 1e-12) & (mean <= high + 1e-12))
    assert times[0] - 1e-12 <= middle[0] <= middle[-1] <= times[-1] + 1e-12


def test_a_short_curve_stays_as_it_is() -> None:
    times = np.geomspace(0.1, 10.0, 50)
    middle, low, mean, high = thinned(times, times**2)
    assert np.allclose(middle, times)
    assert np.array_equal(low, high)
    assert np.allclose(mean, low)


def test_long_names_end_with_a_sign() -> None:
    assert shortened("x" * 41, 40) == "x" * 39 + "…"
    assert shortened("\x1b[0m" + "x", 40) == "\\x1b[0mx"
