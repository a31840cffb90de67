"""The measurement room against published values and independent programs; the source is named
beside each check. "From memory" means that the source was not at hand when it was written."""

import math

import numpy as np
import pytest
from scipy import stats
from uncertainties import ufloat

from benchrig.measurement import (
    Budget,
    Contribution,
    Outcome,
    RangeAccuracy,
    ZeroTaken,
    average,
    combine,
    conformance_probability,
    difference,
    judge,
    ratio,
    reading_budget,
    student,
    t_quantile,
)

# NIST StRD, univariate summary statistics, NumAcc1 to NumAcc4. The data follow a rule; the
# certified mean and standard deviation are exact (rule and values from memory).
NUMACC = {
    "NumAcc1": ([10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0),
    "NumAcc2": ([1.2] + [1.1, 1.3] * 500, 1.2, 0.1),
    "NumAcc3": ([1000000.2] + [1000000.1, 1000000.3] * 500, 1000000.2, 0.1),
    "NumAcc4": ([10000000.2] + [10000000.1, 10000000.3] * 500, 10000000.2, 0.1),
}


@pytest.mark.parametrize("name", NUMACC)
def test_nist_strd_numerical_accuracy(name):
    values, mean, deviation = NUMACC[name]
    found = student(np.array(values))
    assert found.mean == pytest.approx(mean, rel=1e-15)
    # NumAcc4 can't be better in double precision: 10000000.1 is itself rounded by 1e-9.
    got = found.standard_uncertainty * math.sqrt(len(values))
    assert got == pytest.approx(deviation, rel=2e-8)


@pytest.mark.parametrize("dof", [1, 2, 2.5, 5, 14, 16.76, 97, 1e6])
@pytest.mark.parametrize("coverage", [0.6827, 0.95, 0.99])
def test_t_quantiles_against_scipy_stats(dof, coverage):
    assert t_quantile(dof, coverage) == pytest.approx(stats.t.ppf((1 + coverage) / 2, dof))


# JCGM 100:2008, table G.2, column 95 % (from memory).
@pytest.mark.parametrize(
    ("dof", "factor"),
    [(1, 12.71), (2, 4.30), (5, 2.57), (10, 2.23), (16, 2.12), (50, 2.01), (math.inf, 1.960)],
)
def test_coverage_factors_of_gum_table_g2(dof, factor):
    assert t_quantile(dof) == pytest.approx(factor, abs=0.005)


def test_gum_h1_end_gauge():
    # JCGM 100:2008, H.1, table H.1: in nm; published 32 nm, 16, 2.92, 93 nm (from memory).
    lines = {"standard": (25.0, 18), "difference": (9.7, 25.6), "expansion": (2.9, 50)}
    lines["temperature"] = (16.6, 2)
    budget = Budget(50_000_838.0, tuple(Contribution(n, u, v) for n, (u, v) in lines.items()))
    assert round(budget.standard_uncertainty) == 32
    assert math.floor(budget.dof) == 16
    assert round(t_quantile(16, 0.99), 2) == 2.92
    # The GUM multiplies by the rounded 32 nm.
    assert round(2.92 * round(budget.standard_uncertainty)) == 93
    assert budget.dof == pytest.approx(16.76, abs=0.01)


def test_jcgm_106_conformance_probabilities():
    # JCGM 106:2012: a Zener diode's breakdown voltage, -5.47 V, u = 0.05 V, at most -5.40 V:
    # 0.92; a viscosity of 13.6, u = 1.8, tolerance 12.5 to 16.3: 0.66 (from memory).
    zener = conformance_probability(-5.47, 0.05, None, -5.40)
    assert round(zener, 2) == 0.92
    assert zener == pytest.approx(stats.norm.cdf(1.4))
    viscosity = conformance_probability(13.6, 1.8, 12.5, 16.3)
    assert round(viscosity, 2) == 0.66
    assert viscosity == pytest.approx(stats.norm.cdf(1.5) - stats.norm.cdf(-11 / 18))
    assert judge(-5.47, 0.1, None, -5.40) == "undecided"


def near(expected):
    """Relative only: the absolute tolerance of `approx` is as large as a small current."""
    return pytest.approx(expected, rel=1e-6, abs=0.0)


def outcome(current_A, averaging_A=1e-9):
    return Outcome(
        "settled",
        "",
        current_A=current_A,
        standard_uncertainty_A=averaging_A,
        dof=math.inf,
        settling_bound_A=0.0,
    )


@pytest.mark.parametrize(("first_A", "second_A"), [(8e-3, 2e-3), (8e-3, -2e-3), (2e-3, 2.1e-3)])
def test_one_range_against_the_package_uncertainties(first_A, second_A):
    # uncertainties 3.2 (PyPI) tracks the shared variables, so it knows all correlations.
    accuracy = RangeAccuracy(full_scale_A=1e-2, gain=5e-4, offset=1e-3, count_A=0.0)
    gain, offset = ufloat(1.0, 5e-4), ufloat(0.0, 1e-3 * 1e-2)
    a = ufloat(first_A, 1e-6) * gain + offset
    b = ufloat(second_A, 2e-6) * gain + offset
    ours = [
        reading_budget(outcome(first_A, 1e-6), accuracy),
        reading_budget(outcome(second_A, 2e-6), accuracy),
    ]
    assert difference(*ours).standard_uncertainty == near((a - b).std_dev)
    # In a ratio the gain cancels, so that only one error of the sheet is left and ours, which
    # adds those linearly, must agree too.
    assert ratio(*ours).standard_uncertainty == near((a / b).std_dev)


def test_a_shared_zero_against_the_package_uncertainties():
    accuracy = RangeAccuracy(full_scale_A=1e-5, gain=5e-4, offset=1e-3, count_A=0.0)
    zero, taken = ufloat(0.0, 3e-10), ZeroTaken(1e-9, 3e-10)
    gain = ufloat(1.0, 5e-4)
    a, b = ufloat(8e-6, 1e-9) * gain - zero, ufloat(2e-6, 1e-9) * gain - zero
    ours = [reading_budget(outcome(value), accuracy, taken) for value in (8e-6, 2e-6)]
    assert difference(*ours).standard_uncertainty == near((a - b).std_dev)
    assert ratio(*ours).standard_uncertainty == near((a / b).std_dev)
    mean = combine(ours, [0.999, 0.001], 0.0)
    assert mean.standard_uncertainty == near((0.999 * a + 0.001 * b).std_dev)


def test_between_ranges_never_below_any_correlation_that_uncertainties_can_take():
    low = RangeAccuracy(full_scale_A=1e-5, gain=5e-4, offset=0.0, count_A=0.0)
    high = RangeAccuracy(full_scale_A=1e-2, gain=5e-4, offset=0.0, count_A=0.0)
    ours = [reading_budget(outcome(8e-6), high), reading_budget(outcome(5e-6), low)]
    for share in (-1.0, -0.5, 0.0, 0.5, 1.0):
        one, rest = ufloat(0.0, 5e-4), ufloat(0.0, 5e-4)
        other = share * one + math.sqrt(1 - share**2) * rest
        a, b = ufloat(8e-6, 1e-9) * (1 + one), ufloat(5e-6, 1e-9) * (1 + other)
        assert difference(*ours).standard_uncertainty >= (a - b).std_dev * (1 - 1e-9)
        assert ratio(*ours).standard_uncertainty >= (a / b).std_dev * (1 - 1e-9)


def test_student_interval_against_scipy():
    values = np.random.default_rng(15).normal(3.0, 0.1, 12)
    found = student(values)
    low, high = stats.t.interval(0.95, 11, np.mean(values), stats.sem(values))
    assert (found.mean - found.half_width, found.mean + found.half_width) == pytest.approx(
        (low, high)
    )


def test_batch_means_against_a_plain_batch_interval_of_scipy():
    # Where neighbouring batches are not alike nothing is corrected, and the plain interval of
    # 16 batch means is ours but for the degrees of freedom (14 for 15) and the wider of 8 and 16.
    batches = np.array([1.0, -1.0] * 8) + np.linspace(-0.01, 0.01, 16)
    found = average(np.repeat(batches, 10))
    assert found.standard_uncertainty == pytest.approx(stats.sem(batches), rel=1e-6)
    assert found.dof == 14.0
