"""Decisions, their risks and the verdict watch against published values and independent programs;
the source is named beside each check. "From memory" means that it was not at hand."""

import math

import numpy as np
import pytest
from scipy import stats

from benchrig.measurement import Priors, conformance_probability
from benchrig.measurement.combining import Estimate
from benchrig.measurement.decision import DecisionRule, GuardBand, uncertainty_ratio
from benchrig.measurement.global_risk import Process, global_risks
from benchrig.measurement.quantiles import poisson_limits
from benchrig.measurement.sequential import Risks, VerdictWatch

SEED = 17


@pytest.mark.parametrize("risk", [0.2, 0.05, 0.025, 0.01, 0.001])
@pytest.mark.parametrize("dof", [2.0, 9.5, 30.0, math.inf])
def test_guard_band_by_risk_against_quantiles_of_scipy(risk, dof):
    width = GuardBand(risk=risk).width(Estimate(1.0, 0.3, dof))
    quantile = stats.norm.isf(risk) if math.isinf(dof) else stats.t.isf(risk, dof)
    assert width == pytest.approx(0.3 * quantile)


# ILAC-G8:09/2019, table 1 (from memory): guard band as a multiple r of U = 2u, and the specific
# risk of a value on the acceptance limit. ISO 14253-1:2017: 1.65 u, 5 % (from memory).
@pytest.mark.parametrize(
    ("multiple", "percent", "digits"), [(1.0, 2.5, 0.3), (0.83, 5.0, 0.2), (1.5, 0.16, 0.03)]
)
def test_specific_risks_of_ilac_g8(multiple, percent, digits):
    on_the_limit = 10.0 - multiple * 2.0
    risk = 1.0 - conformance_probability(on_the_limit, 1.0, None, 10.0)
    assert 100.0 * risk == pytest.approx(percent, abs=digits)


def test_jcgm_106_zener_diode_by_rule():
    # JCGM 106:2012, 7.3, example: -5.47 V, u = 0.05 V, at most -5.40 V: 92 % (from memory).
    diode = Estimate(-5.47, 0.05, math.inf)
    assert DecisionRule("guarded_acceptance", GuardBand(risk=0.1)).decide(
        diode, None, -5.40
    ) == "pass"  # fmt: skip
    assert DecisionRule("guarded_acceptance", GuardBand(risk=0.05)).decide(
        diode, None, -5.40
    ) == "fail"  # fmt: skip
    assert DecisionRule("simple").decide(diode, None, -5.40) == "pass"


def test_measurement_capability_index():
    # JCGM 106:2012, 7.6.3: C_m = T/(4 u) = T/(2 U) with U = 2 u (from memory).
    assert uncertainty_ratio(2.0 * 0.1, 9.0, 11.0) == pytest.approx(2.0 / (4.0 * 0.1))


# JCGM 106:2012, 9.5: limits +-T, process N(0, s). Integrated beforehand by a program that shares
# no line with ours; u/s, T/s, guard band/u, false acceptance and false rejection in %.
@pytest.mark.parametrize(
    ("u", "limit", "guard", "consumer", "producer"),
    [
        (0.1, 2, 0.0, 0.381, 0.489),
        (0.2, 2, 0.0, 0.678, 1.114),
        (0.2, 2, 1.645, 0.039, 5.62),
        (0.2, 2, 2.0, 0.016, 7.13),
        (0.5, 2, 0.0, 1.24, 4.05),
        (0.5, 2, 1.645, 0.080, 24.8),
        (0.2, 3, 0.0, 0.050, 0.107),
    ],
)
def test_global_risks_against_a_table(u, limit, guard, consumer, producer):
    found = global_risks(Process(0.0, 1.0), u, -limit, limit, guard * u)
    assert 100 * found.consumer == pytest.approx(consumer, rel=0.01, abs=6e-4)
    assert 100 * found.producer == pytest.approx(producer, rel=0.01, abs=6e-4)


@pytest.mark.parametrize("guard", [-0.08, 0.0, 0.04, 0.08])
def test_global_risks_against_the_bivariate_normal_of_scipy(guard):
    # The resistors of JCGM 106:2012, 9.5 (inputs from memory): 1500 ohm +- 0.2 ohm, made with a
    # standard deviation of 0.12 ohm, measured with u = 0.04 ohm.
    found = global_risks(Process(1500.0, 0.12), 0.04, 1499.8, 1500.2, guard)
    joint = stats.multivariate_normal(
        [0.0, 0.0], [[0.12**2, 0.12**2], [0.12**2, 0.12**2 + 0.04**2]]
    )  # true and measured value
    accept = 0.2 - guard
    both = joint.cdf([0.2, accept], lower_limit=[-0.2, -accept])
    accepted = 1.0 - 2.0 * stats.norm.sf(accept / math.hypot(0.12, 0.04))
    conforming = 1.0 - 2.0 * stats.norm.sf(0.2 / 0.12)
    assert found.consumer == pytest.approx(accepted - both, abs=1e-6)
    assert found.producer == pytest.approx(conforming - both, abs=1e-6)


@pytest.mark.parametrize("seen", [0, 1, 4, 30])
@pytest.mark.parametrize("risk", [0.05, 1e-3, 1e-6])
def test_poisson_limits_against_chi_square_of_scipy(seen, risk):
    # Garwood 1936: chi-square quantiles over 2 (from memory).
    lower, upper = poisson_limits(seen, risk)
    assert lower == pytest.approx(stats.chi2.ppf(risk, 2 * seen) / 2.0 if seen else 0.0)
    assert upper == pytest.approx(stats.chi2.isf(risk, 2 * seen + 2) / 2.0)


def test_rule_of_three():
    # Zero events seen: at most 3 expected, at 95 % (common practice, no source).
    assert poisson_limits(0, 0.05)[1] == pytest.approx(3.0, abs=0.005)


def test_spending_of_the_risk_never_exceeds_it():
    # Sum of 1/(k(k+1)) over all k is 1.
    looks = np.arange(1.0, 100_001.0)
    assert np.sum(1.0 / (looks * (looks + 1.0))) == pytest.approx(1.0, abs=1.1e-5)


@pytest.mark.parametrize("phi", [0.0, 0.9, 0.97])
def test_realised_error_under_continuous_looking(phi):
    """On the limit, where every verdict is wrong, looked at after each reading for 15 s.

    The naive watcher stops when 1.96 s/sqrt(n) leaves the limit out, and is wrong more often than
    it says; ours is not (5 % for each sense). The noise hangs together for longer than the slowest
    time constant that was declared: 0.5 s at 0.9 and 1.6 s at 0.97.
    """
    random = np.random.default_rng([SEED, round(100 * phi)])
    times = np.arange(1, 301) * 0.05
    priors = Priors(guard_s=0.0, slowest_tau_s=0.2)
    trials, ours, naive = 40, 0, 0
    for _ in range(trials):
        readings = 1.0 + _autoregression(random, phi, times.size)
        risks = Risks(consumer=0.05, producer=0.05)
        watch = VerdictWatch(priors, None, 1.0, risk=risks, sleeps=True)
        watch.add(times, readings)
        ours += watch.finish().kind in ("pass", "fail")
        naive += _naive_is_fooled(readings)
    assert ours <= 0.1 * trials, f"seed {SEED}"
    assert naive >= 0.25 * trials, f"seed {SEED}"


def _autoregression(random, phi, size):
    shocks = random.normal(0.0, 0.01 * math.sqrt(1.0 - phi**2), size)
    noise = np.zeros(size)
    for index in range(size):
        noise[index] = phi * noise[index - 1] + shocks[index]
    return noise


def _naive_is_fooled(readings):
    number = np.arange(1, readings.size + 1)
    means = np.cumsum(readings) / number
    spread = np.sqrt(np.maximum(np.cumsum(readings**2) / number - means**2, 0.0))
    outside = np.abs(means - 1.0) > 1.96 * spread / np.sqrt(number)
    return bool(np.any(outside[15:]))
