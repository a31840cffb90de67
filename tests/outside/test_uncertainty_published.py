"""Uncertainty budgets against published worked examples and independent programs; the source is
named beside each check. "From memory" means that the source was not at hand when it was written."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import constants
from uncertainties import correlated_values, ufloat, umath

from benchrig.measurement import (
    Ambient,
    Budget,
    Contribution,
    Outcome,
    RangeAccuracy,
    Stated,
    ZeroTaken,
    averaged_noise,
    combine,
    contribution,
    difference,
    fit_line,
    noise_floor,
    ratio,
    reading_budget,
    reported,
    weighted_sum,
)


def near(expected: object, rel: float = 1e-6) -> object:
    """Relative only: the absolute tolerance of `approx` is as large as a small current."""
    return pytest.approx(expected, rel=rel, abs=0.0)


# JCGM 100:2008, H.2: simultaneous resistance and reactance, table H.2 (from memory): five
# readings of V in V, I in mA and phi in rad.
H2 = np.array(
    [
        [5.007, 4.994, 5.005, 4.990, 4.999],
        [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
        [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
    ]
)


def correlated(values: np.ndarray, covariance: np.ndarray) -> list[Budget]:
    """Correlated inputs as sums of independent causes that they share: rows of the Cholesky
    factor of their covariance."""
    factor = np.linalg.cholesky(covariance)
    return [
        Budget(
            float(value),
            tuple(
                contribution(
                    f"cause {index}",
                    Stated(f"cause {index}", 0.0, 1.0, sensitivity=float(share)),
                    4.0,
                    "A",
                    shared=f"cause {index}",
                )
                for index, share in enumerate(row)
            ),
        )
        for value, row in zip(values, factor, strict=True)
    ]


def test_gum_h2_correlated_inputs() -> None:
    means, covariance = H2.mean(axis=1), np.cov(H2) / 5
    volts, amperes, phi = means
    impedance = volts / amperes
    cosine, sine = math.cos(phi), math.sin(phi)
    inputs = correlated(means, covariance)
    per = {
        "R": (cosine / amperes, -impedance * cosine / amperes, -impedance * sine),
        "X": (sine / amperes, -impedance * sine / amperes, impedance * cosine),
        "Z": (1 / amperes, -impedance / amperes, 0.0),
    }
    values = {"R": impedance * cosine, "X": impedance * sine, "Z": impedance}
    found = {name: combine(inputs, per[name], values[name]) for name in per}
    # Table H.4 (from memory): 127.732(71), 219.847(295), 254.260(236) ohm.
    assert {name: round(each.value, 3) for name, each in found.items()} == {
        "R": 127.732,
        "X": 219.847,
        "Z": 254.260,
    }
    # Within the last digit: X comes out as 0.2956, here and by uncertainties below.
    published = {"R": 0.071, "X": 0.295, "Z": 0.236}
    for name, each in found.items():
        assert each.standard_uncertainty == pytest.approx(published[name], abs=0.8e-3)
    # The correlations of the results show in the variances of their sums: -0.588, -0.485, 0.993.
    for (first, second), published_r in {"RX": -0.588, "RZ": -0.485, "XZ": 0.993}.items():
        a, b = found[first], found[second]
        together = weighted_sum([a, b], [1.0, 1.0]).standard_uncertainty
        covariance_ab = (together**2 - a.standard_uncertainty**2 - b.standard_uncertainty**2) / 2
        correlation = covariance_ab / (a.standard_uncertainty * b.standard_uncertainty)
        assert round(correlation, 3) == published_r

    # The same by uncertainties 3.2 (PyPI), which takes the derivatives by itself.
    v, i, p = correlated_values(means, covariance)
    theirs = {"R": v / i * umath.cos(p), "X": v / i * umath.sin(p), "Z": v / i}
    for name, each in found.items():
        assert each.standard_uncertainty == near(theirs[name].std_dev, rel=1e-4)


def test_gum_h3_calibration_line() -> None:
    """JCGM 100:2008, H.3, table H.6 (from memory): corrections of a thermometer in degrees
    Celsius over its temperature; t0 = 20. Published: y1 = -0.1712(29), y2 = 0.00218(67),
    r = -0.930, s = 0.0035, b(30) = -0.1494(41), 9 degrees of freedom."""
    at = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    corrections = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165]
    corrections += [-0.156, -0.157, -0.159, -0.161, -0.160]
    found = fit_line(at, corrections, origin=20.0)
    assert (round(found.level, 4), round(found.level_uncertainty, 4)) == (-0.1712, 0.0029)
    assert (round(found.slope, 5), round(found.slope_uncertainty, 5)) == (0.00218, 0.00067)
    assert round(found.correlation, 3) == -0.930
    assert round(found.residual_scale, 4) == 0.0035
    predicted = found.at(30.0)
    assert (round(predicted.value, 4), round(predicted.standard_uncertainty, 4)) == (
        -0.1494,
        0.0041,
    )
    assert predicted.dof == 9


def test_ea_4_02_s2_weight_of_10_kg() -> None:
    """EA-4/02, supplement 1, S2 (from memory), in g: 10000.025(59) with k = 2."""
    lines = (
        contribution("standard", Stated("m_S", 10000.005, 45e-3, "g", 2.0)),
        # A limit of 15.5 mg reproduces the published 8.95 mg.
        contribution("drift", Stated("dm_D", 0.0, 8.95e-3 * 3**0.5, "g", math.sqrt(3))),
        Contribution("difference", 14.4e-3, kind="A"),
        contribution("comparator", Stated("dm_C", 0.0, 10e-3, "g", math.sqrt(3))),
        contribution("buoyancy", Stated("dB", 0.0, 10e-3, "g", math.sqrt(3))),
    )
    found = Budget(10000.025, lines)
    assert round(found.table()[0].contribution, 4) == 22.5e-3
    assert [round(row.contribution, 5) for row in found.table()[3:]] == [5.77e-3, 5.77e-3]
    assert round(found.standard_uncertainty, 4) == 29.3e-3
    assert round(2 * found.standard_uncertainty, 3) == 59e-3


def test_ea_4_02_s9_handheld_multimeter_at_100_v() -> None:
    """EA-4/02, supplement 2, S9 (from memory), in V: error 0.10, standard uncertainty 0.030, of
    which nearly all is the resolution of 0.1 V."""
    lines = (
        contribution("calibrator", Stated("V_S", 100.0, 2e-3, "V", 2.0, -1.0)),
        contribution("resolution", Stated("dV_iX", 0.0, 0.05, "V", math.sqrt(3))),
        contribution("specification", Stated("dV_S", 0.0, 0.011, "V", math.sqrt(3), -1.0)),
    )
    found = Budget(0.10, lines)
    assert [round(row.contribution, 4) for row in found.table()] == [1e-3, 28.9e-3, 6.4e-3]
    assert round(found.standard_uncertainty, 3) == 0.030


def test_gum_7_2_4_reported_value() -> None:
    """JCGM 100:2008, 7.2.4 (from memory): m_S = (100.021 47 +/- 0.000 79) g, u_c = 0.35 mg,
    k = 2.26 for 9 degrees of freedom and 95 %."""
    found = reported(Budget(100.02147, (Contribution("all", 0.35e-3, 9.0, "A"),)), "g")
    assert found.pair == "(100.02147 ± 0.00079) g"
    assert round(found.coverage_factor, 2) == 2.26


@pytest.mark.parametrize("shunt_ohm", [5.0, 100.0, 1e3, 1e4])
def test_thermal_noise_of_a_shunt(shunt_ohm: float) -> None:
    # Boltzmann's constant from scipy.constants (CODATA; exact since 2019).
    found = noise_floor(shunt_ohm, 10.0, 300.0)
    assert found**2 * shunt_ohm == near(4 * constants.k * 300.0 * 10.0, rel=1e-12)


def test_thermal_noise_in_figures() -> None:
    # 100 ohm and 1 kohm at 300 K in 10 Hz, computed by hand: 40.7 pA, 12.9 pA; and the white noise
    # of one aperture T, of a bandwidth of 1/(2 T), averages over n of them as any other.
    assert noise_floor(100.0, 10.0) == near(40.7e-12, rel=1e-3)
    assert noise_floor(1000.0, 10.0) == near(12.87e-12, rel=1e-3)
    one = noise_floor(100.0, 1 / (2 * 0.02))
    assert averaged_noise(one, 0.02, 2.0) == near(noise_floor(100.0, 1 / (2 * 2.0)))


def outcome(current_A: float, averaging_A: float) -> Outcome:
    return Outcome(
        "settled",
        "",
        current_A=current_A,
        standard_uncertainty_A=averaging_A,
        dof=math.inf,
        settling_bound_A=0.0,
    )


@pytest.mark.parametrize("weights", [(0.999, 0.001), (0.5, 0.5), (1.0, -1.0), (-0.2, 3.0)])
def test_sums_with_gain_zero_and_temperature_against_the_package_uncertainties(
    weights: tuple[float, float],
) -> None:
    # uncertainties 3.2 (PyPI) tracks the shared variables, so it knows all correlations. The gain
    # alone is left in each statement of the sheet, since ours adds the parts of one linearly.
    sheet = RangeAccuracy(1e-2, gain=5e-4, offset=1e-3, count_A=0.0, gain_per_K=3e-5)
    zero = ZeroTaken(1e-9, 3e-7, 49.0)
    ours = [
        reading_budget(outcome(at_A, 1e-6), sheet, zero, ambient=Ambient(33.0))
        for at_A in (8e-3, 2e-3)
    ]
    gain, coefficient, offset = ufloat(1.0, 5e-4), ufloat(0.0, 3e-5), ufloat(0.0, 3e-7)
    a, b = (ufloat(at_A, 1e-6) * gain * (1 + 5.0 * coefficient) - offset for at_A in (8e-3, 2e-3))
    expected = weights[0] * a + weights[1] * b
    found = weighted_sum(ours, weights)
    assert found.value == near(expected.nominal_value)
    assert found.standard_uncertainty == near(expected.std_dev)
    assert difference(*ours).standard_uncertainty == near((a - b).std_dev)
    assert ratio(*ours).standard_uncertainty == near((a / b).std_dev)


def test_a_duty_cycle_on_one_range_adds_the_gain_linearly() -> None:
    # Worked with uncertainties 3.2 (PyPI): 2 uA for 99.9 % and 8 mA for 0.1 % of the time, gain
    # 0.03 %: 2.999 nA; as if independent 2.474 nA.
    sheet = RangeAccuracy(1e-2, gain=3e-4, offset=0.0, count_A=0.0)
    states = [reading_budget(outcome(at_A, 0.0), sheet) for at_A in (2e-6, 8e-3)]
    found = weighted_sum(states, [0.999, 0.001])
    assert found.standard_uncertainty == near(2.999e-9, rel=2e-4)
    gain = ufloat(1.0, 3e-4)
    assert found.standard_uncertainty == near((0.999 * 2e-6 * gain + 8e-6 * gain).std_dev)
