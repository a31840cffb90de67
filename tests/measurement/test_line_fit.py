"""A straight line against numpy and scipy, and what it refuses."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from benchrig.measurement import fit_line

POINTS = st.lists(
    st.tuples(st.integers(-1000, 1000), st.floats(-10.0, 10.0), st.floats(0.01, 5.0)),
    min_size=4,
    max_size=20,
    unique_by=lambda point: point[0],
)


@given(POINTS)
@settings(deadline=None)
def test_weighted_and_unweighted_against_numpy(points: list[tuple[int, float, float]]) -> None:
    x, y, u = (np.array(column, dtype=np.float64) for column in zip(*points, strict=True))
    ours = fit_line(x, y, u)
    line, covariance = np.polyfit(x, y, 1, w=1 / u, cov="unscaled")
    widening = max(1.0, ours.residual_scale)
    assert (ours.slope, ours.level) == pytest.approx(tuple(line), rel=1e-6, abs=1e-6)
    assert ours.slope_uncertainty == pytest.approx(widening * math.sqrt(covariance[0, 0]))
    assert ours.level_uncertainty == pytest.approx(widening * math.sqrt(covariance[1, 1]))
    assert ours.covariance == pytest.approx(widening**2 * covariance[0, 1], rel=1e-5, abs=1e-12)
    plain = fit_line(x, y)
    line, covariance = np.polyfit(x, y, 1, cov=True)
    assert plain.slope == pytest.approx(line[0], rel=1e-6, abs=1e-6)
    assert plain.slope_uncertainty == pytest.approx(math.sqrt(covariance[0, 0]), abs=1e-9)
    assert plain.dof == len(points) - 2


def test_known_uncertainties_are_not_narrowed_by_luck() -> None:
    x, y, u = [1.0, 2.0, 3.0, 4.0], [2.0, 4.001, 5.999, 8.0], [0.1, 0.1, 0.2, 0.2]
    ours = fit_line(x, y, u)
    # `curve_fit` takes its derivatives by finite differences.
    found, covariance = curve_fit(lambda t, a, b: a + b * t, x, y, sigma=u, absolute_sigma=True)
    assert (ours.level, ours.slope) == pytest.approx(tuple(found), abs=1e-6)
    assert ours.slope_uncertainty == pytest.approx(math.sqrt(covariance[1, 1]), rel=1e-4)
    assert (ours.dof, ours.residual_scale < 1) == (math.inf, True)


def test_points_on_no_line_widen_what_was_said() -> None:
    x, y = [1.0, 2.0, 3.0, 4.0], [0.0, 1.0, 1.0, 0.0]
    bent, plain = fit_line(x, y, [1e-3] * 4), fit_line(x, y)
    assert bent.slope_uncertainty == pytest.approx(plain.slope_uncertainty)
    assert bent.residual_scale == pytest.approx(1e3 * plain.residual_scale)
    assert bent.dof == 2.0


def test_another_origin_is_the_same_line() -> None:
    x, y = [21.0, 22.0, 23.0, 24.0], [0.1, 0.4, 0.2, 0.7]
    near, far = fit_line(x, y, origin=22.5), fit_line(x, y, origin=-100.0)
    for at in (20.0, 22.5, 40.0):
        assert near.at(at).value == pytest.approx(far.at(at).value)
        assert near.at(at).standard_uncertainty == pytest.approx(far.at(at).standard_uncertainty)
    assert near.correlation == pytest.approx(0.0, abs=1e-12)
    assert far.correlation == pytest.approx(-1.0, abs=1e-3)


def test_two_exact_points_with_uncertainties_make_a_line() -> None:
    found = fit_line([1.0, 3.0], [1e-6, 3e-6], [1e-9, 1e-9])
    assert found.slope == pytest.approx(1e-6)
    assert found.slope_uncertainty == pytest.approx(1e-9 * math.sqrt(2) / 2)
    assert fit_line([1.0, 2.0, 3.0], [5.0, 5.0, 5.0]).correlation == 0.0


@pytest.mark.parametrize("scale", [1e-120, 1e-12, 1e120])
def test_currents_of_any_size_make_the_same_line(scale: float) -> None:
    x, y, u = [1.0, 2.0, 3.0], np.array([1.0, 2.1, 2.9]), np.full(3, 0.1)
    found, usual = fit_line(x, y * scale, u * scale), fit_line(x, y, u)
    assert found.slope / scale == pytest.approx(usual.slope)
    assert found.slope_uncertainty / scale == pytest.approx(usual.slope_uncertainty)
    assert found.residual_scale == pytest.approx(usual.residual_scale)


@pytest.mark.parametrize(
    ("x", "y", "u", "message"),
    [
        ([1.0], [1.0], [1.0], "2 points"),
        ([1.0, 2.0], [1.0, 2.0], None, "3 points"),
        ([1.0, 1.0, 1.0], [1.0, 2.0, 3.0], None, "two different"),
        ([1.0, 2.0, 3.0], [1.0, math.nan, 3.0], None, "finite"),
        ([1.0, 2.0, math.inf], [1.0, 2.0, 3.0], None, "finite"),
        ([1.0, 2.0], [1.0, 2.0], [1.0, 0.0], "above 0"),
        ([1.0, 2.0], [1.0, 2.0], [1.0], "as many"),
        ([1.0, 2.0, 3.0], [1.0, 2.0], None, "as many"),
    ],
)
def test_points_that_make_no_line_are_refused(x, y, u, message) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=message):
        fit_line(x, y, u)
