"""Mean, standard deviation and autocorrelation against certified values: NIST Statistical
Reference Datasets, univariate summary statistics. `nist_strd.json` says where it was read."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from benchrig.measurement import average, student
from benchrig.measurement.averaging import correlation

SETS = json.loads(Path(__file__).with_name("nist_strd.json").read_text(encoding="utf-8"))["sets"]
LENGTHS = {"Lew": 200, "Lottery": 218, "Mavro": 50, "Michelso": 100, "PiDigits": 5000}


@pytest.mark.parametrize("name", LENGTHS)
def test_mean_and_standard_deviation(name: str) -> None:
    certified = SETS[name]
    values = np.array(certified["values"], dtype=np.float64)
    assert len(values) == LENGTHS[name]
    found = student(values)
    deviation = found.standard_uncertainty * math.sqrt(len(values))
    assert found.mean == pytest.approx(certified["mean"], rel=1e-14)
    assert deviation == pytest.approx(certified["standard_deviation"], rel=1e-12)
    assert found.dof == len(values) - 1


def test_lag_1_autocorrelation() -> None:
    """`correlation` takes off a line and corrects the bias; so it is given a series without any
    line, the set followed by itself in reverse, whose coefficient follows from the certified one:
    twice the products within the set, and one more at the turn."""
    certified = SETS["Michelso"]
    values = np.array(certified["values"], dtype=np.float64)
    power = (len(values) - 1) * certified["standard_deviation"] ** 2
    turn = (values[-1] - certified["mean"]) ** 2
    raw = certified["lag1"] + turn / (2 * power)
    expected = raw + (2 + 4 * raw) / (2 * len(values))
    assert correlation(np.concatenate((values, values[::-1]))) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("name", ["Mavro", "Michelso"])
def test_correlated_measurements_are_not_averaged_as_if_independent(name: str) -> None:
    """Certified lag-1 coefficients of 0.94 and 0.54: to first order (1 + r)/(1 - r) times the
    variance of the mean of independent readings."""
    certified = SETS[name]
    values = np.array(certified["values"], dtype=np.float64)
    naive = certified["standard_deviation"] / math.sqrt(len(values))
    assert average(values).standard_uncertainty > 1.4 * naive


@pytest.mark.parametrize(("name", "law"), [("Lottery", 499.5), ("PiDigits", 4.5)])
def test_the_interval_holds_the_mean_of_the_law_behind_the_numbers(name: str, law: float) -> None:
    """Drawn from 000 to 999, and the decimal digits of pi, which are as if drawn from 0 to 9."""
    found = average(np.array(SETS[name]["values"], dtype=np.float64))
    assert abs(found.mean - law) < found.half_width
    assert found.half_width < 0.2 * law
