"""The averaging against heteroscedasticity- and autocorrelation-consistent standard errors
(Newey and West 1987) as statsmodels 0.15 (PyPI) computes them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter
from statsmodels.regression.linear_model import OLS

from benchrig.measurement import average, student

READINGS, RECORDS = 4000, 40


def record(correlation: float, seed: int) -> np.ndarray:
    """A first-order autoregression about 1, as a regulator with noise draws it. Invented."""
    noise = np.random.default_rng(seed).normal(0.0, 0.01, READINGS)
    return 1.0 + lfilter([1.0], [1.0, -correlation], noise)


def hac(readings: np.ndarray, lags: int) -> float:
    line = OLS(readings, np.ones(len(readings)))
    return float(
        line.fit(cov_type="HAC", cov_kwds={"maxlags": lags, "use_correction": True}).bse[0]
    )


@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.9])
def test_batch_means_find_the_standard_error_that_hac_finds(correlation: float) -> None:
    """With lags over many correlation lengths HAC is right to a few percent at 4,000 readings.
    Ours is meant to be wider, by the wider of two batchings and by the correlation that is left,
    and its dof (8 or 16 batches) are in its half-width; it must not be narrower."""
    ours, theirs = [], []
    for seed in range(RECORDS):
        readings = record(correlation, seed)
        ours.append(average(readings).standard_uncertainty)
        theirs.append(hac(readings, lags=100))
    known = 0.01 / (1.0 - correlation) / READINGS**0.5
    assert np.mean(theirs) == pytest.approx(known, rel=0.1), f"seeds 0 to {RECORDS - 1}"
    assert 1.0 <= np.mean(ours) / np.mean(theirs) < 1.6, f"seeds 0 to {RECORDS - 1}"


@pytest.mark.parametrize("seed", range(3))
def test_student_is_the_regression_on_a_constant(seed: int) -> None:
    readings = record(0.0, seed)[:20]
    fitted = OLS(readings, np.ones(20)).fit()
    low, high = fitted.conf_int()[0]
    found = student(readings)
    assert found.standard_uncertainty == pytest.approx(fitted.bse[0], rel=1e-9, abs=0.0)
    assert (found.mean - found.half_width, found.mean + found.half_width) == pytest.approx(
        (low, high), rel=1e-9
    )
