"""Fits of synthetic sweeps with known parameters, against numpy and scipy."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import curve_fit
from scipy.stats import chi2

from benchrig.energy.curves import Point, curves_of, deviation, fit_curve
from benchrig.measurement import Budget, Stated, contribution

STATIC_A, PER_HERTZ, PER_VOLT_HERTZ = 310e-6, 2.0e-10, 6.7e-11
FREQUENCIES = (1e6, 2e6, 4e6, 8e6, 16e6)
VOLTAGES = (2.4, 2.7, 3.0, 3.3)


def budget(value: float, noise_A: float, gain: float = 0.0, dof: float = math.inf) -> Budget:
    parts = [contribution("averaging", Stated("mean", value, noise_A), dof, "A")]
    if gain:
        stated = Stated("gain", 1.0, gain, "1", sensitivity=value)
        parts.append(contribution("gain", stated, shared="gain of the 10 mA range"))
    return Budget(value, tuple(parts))


def grid(seed: int, noise_A: float, gain: float = 0.0, gain_error: float = 0.0) -> list[Point]:
    random = np.random.default_rng(seed)
    points = []
    for voltage_V in VOLTAGES:
        for frequency_Hz in FREQUENCIES:
            true_A = STATIC_A + PER_VOLT_HERTZ * frequency_Hz * voltage_V
            value = true_A * (1.0 + gain_error) + random.normal(0.0, noise_A)
            points.append(Point(voltage_V, frequency_Hz, budget(value, noise_A, gain)))
    return points


def along_frequency(seed: int, noises: tuple[float, ...]) -> list[Point]:
    random = np.random.default_rng(seed)
    return [
        Point(3.0, f, budget(STATIC_A + PER_HERTZ * f + random.normal(0.0, noise), noise))
        for f, noise in zip(FREQUENCIES, noises, strict=True)
    ]


NOISES = (1e-7, 2e-7, 1e-7, 5e-7, 2e-6)


@pytest.mark.parametrize("seed", range(5))
def test_a_weighted_fit_is_that_of_numpy_and_scipy(seed: int) -> None:
    points = along_frequency(seed, NOISES)
    curve = fit_curve("frequency", points)
    x = np.array(FREQUENCIES)
    y = np.array([point.current.value for point in points])
    sigma = np.array(NOISES)
    weighted = np.column_stack([np.ones(5), x / 1e6]) / sigma[:, None]
    reference = np.linalg.lstsq(weighted, y / sigma, rcond=None)[0] / [1.0, 1e6]
    values = [part.value for part in curve.parameters]
    assert values == pytest.approx(reference, rel=1e-9)
    fitted, covariance = curve_fit(
        lambda f, a, b: a + b * f / 1e6, x, y, p0=[1e-4, 1e-4], sigma=sigma, absolute_sigma=True
    )
    assert [values[0], values[1] * 1e6] == pytest.approx(fitted, rel=1e-6)
    spread = np.sqrt(np.diag(covariance)) / [1.0, 1e6]
    if curve.holds:
        assert [part.standard_uncertainty for part in curve.parameters] == pytest.approx(
            spread, rel=1e-6
        )
    residuals = (y - values[0] - values[1] * x) / sigma
    assert curve.chi_square == pytest.approx(float(residuals @ residuals), rel=1e-6)
    assert curve.probability == pytest.approx(chi2.sf(curve.chi_square, 3), rel=1e-9)


def test_the_stated_intervals_hold_the_true_parameters() -> None:
    held, models = 0, 0
    for seed in range(400):
        curve = fit_curve("joint", grid(seed, 3e-7))
        models += curve.holds is True
        for part, true in zip(curve.parameters, (STATIC_A, PER_VOLT_HERTZ), strict=True):
            held += abs(part.value - true) <= part.expanded_uncertainty
    assert 0.93 * 800 <= held <= 0.98 * 800, held
    assert 0.92 * 400 <= models <= 0.98 * 400, models


def test_a_shared_gain_error_is_in_the_uncertainty_and_not_in_the_residuals() -> None:
    held = 0
    for seed in range(100):
        curve = fit_curve("joint", grid(seed, 1e-8, gain=1e-3, gain_error=1.5e-3))
        static, slope = curve.parameters
        # One gain for all: the share of each parameter, not averaged down over twenty points.
        assert slope.standard_uncertainty == pytest.approx(1e-3 * slope.value, rel=0.02)
        assert static.standard_uncertainty == pytest.approx(1e-3 * static.value, rel=0.05)
        assert abs(slope.value - PER_VOLT_HERTZ) <= slope.expanded_uncertainty
        held += curve.holds is True
    assert 89 <= held <= 100, held


def test_generalised_least_squares_gives_the_same_chi_square() -> None:
    points = grid(7, 2e-7, gain=5e-4)
    curve = fit_curve("joint", points)
    y = np.array([point.current.value for point in points])
    x = np.array([(point.frequency_Hz or 0.0) * point.voltage_V for point in points])
    design = np.column_stack([np.ones(x.size), x / 1e7])
    inverse = np.linalg.inv((np.diag(np.full(x.size, 4e-14)) + 2.5e-7 * np.outer(y, y)) * 1e12)
    best = np.linalg.solve(design.T @ inverse @ design, design.T @ inverse @ (y * 1e6))
    rest = y * 1e6 - design @ best
    assert curve.chi_square == pytest.approx(float(rest @ inverse @ rest), rel=1e-4)


def test_a_point_that_does_not_fit_is_named() -> None:
    points = grid(1, 1e-7)
    wrong = points[7]
    off = replace(wrong.current, value=wrong.current.value + 3e-6)
    points[7] = replace(wrong, current=off)
    curve = fit_curve("joint", points)
    assert curve.holds is False
    named = [residual.point for residual in curve.residuals if not residual.fits]
    assert points[7] in named
    worst = max(curve.residuals, key=lambda residual: abs(residual.in_uncertainties))
    assert worst.point == points[7]
    assert worst.residual_A > 2e-6


def test_a_model_that_does_not_hold_widens_its_parameters() -> None:
    """A current that flows through a resistor is no part of static + k f V."""
    points = [
        replace(point, current=budget(point.current.value + 30e-6 * point.voltage_V, 1e-8))
        for point in grid(2, 1e-8)
    ]
    curve = fit_curve("joint", points)
    assert curve.holds is False
    assert curve.parameters[0].standard_uncertainty > 1e-6
    assert any(not residual.fits for residual in curve.residuals)
    for _, _, single in curves_of(points)[:-1]:
        assert single.holds, single


def test_few_readings_make_no_bad_points() -> None:
    """The scatter of three batches may be far too small by luck; as wide as t tells it fits."""
    random = np.random.default_rng(5)
    bad = 0
    for _ in range(300):
        points = []
        for f in FREQUENCIES:
            means = STATIC_A + PER_HERTZ * f + random.normal(0.0, 1e-6, 3)
            spread = float(np.std(means, ddof=1)) / math.sqrt(3)
            points.append(Point(3.0, f, budget(float(np.mean(means)), spread, dof=2.0)))
        bad += fit_curve("frequency", points).holds is False
    assert bad < 0.15 * 300, bad


def test_which_curves_there_are() -> None:
    kinds = [curve.kind for _, _, curve in curves_of(grid(1, 1e-7))]
    assert kinds == ["frequency"] * 4 + ["voltage"] * 5 + ["joint"]
    only_voltage = [Point(v, None, budget(1e-3 * v, 1e-6)) for v in VOLTAGES]
    ((voltage_V, frequency_Hz, curve),) = curves_of(only_voltage)
    assert (voltage_V, frequency_Hz, curve.kind) == (None, None, "voltage")
    assert curve.parameters[1].value == pytest.approx(1e-3)
    assert curves_of(only_voltage[:1]) == []


def test_two_points_leave_nothing_to_test() -> None:
    curve = fit_curve("frequency", along_frequency(1, NOISES)[:2])
    assert (curve.holds, curve.residuals, curve.degrees_of_freedom) == (None, (), 0)


@given(st.floats(1e-9, 1e-2), st.floats(1e-16, 1e-8), st.floats(1e-4, 1e-2))
def test_exact_points_give_their_line(static_A: float, slope: float, share: float) -> None:
    points = [
        Point(3.0, f, budget(static_A + slope * f, share * (static_A + slope * f)))
        for f in FREQUENCIES
    ]
    curve = fit_curve("frequency", points)
    for f in FREQUENCIES:
        assert curve.at(3.0, f) == pytest.approx(static_A + slope * f, rel=1e-6)


def test_what_is_no_curve() -> None:
    point = Point(3.0, None, budget(1e-3, 1e-6))
    with pytest.raises(ValueError, match="without a clock"):
        fit_curve("joint", [point, point])
    with pytest.raises(ValueError, match="two points"):
        fit_curve("voltage", [point, point])
    exact = [replace(p, current=budget(1e-3, 0.0)) for p in along_frequency(1, NOISES)]
    with pytest.raises(ValueError, match="above 0"):
        fit_curve("frequency", exact)


def test_deviation_from_a_data_sheet() -> None:
    off = deviation(budget(1.1e-3, 1e-5), 1e-3)
    assert off.share == pytest.approx(0.1)
    # 1.96 standard uncertainties.
    assert off.in_uncertainties == pytest.approx(1e-4 / 1.959964e-5, rel=1e-6)
    with pytest.raises(ValueError, match="above 0"):
        deviation(budget(1e-3, 1e-5), 0.0)
