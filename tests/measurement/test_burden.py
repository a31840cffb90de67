"""What the shunt takes from the board's voltage, and what the current would be without it."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import ufloat

from benchrig.measurement import (
    Budget,
    Contribution,
    Sensitivity,
    SupplyLine,
    board_voltage,
    corrected_for_burden,
    difference,
    fit_sensitivity,
    recharge_time_s,
)


def near(expected: object, rel: float = 1e-6) -> object:
    """Relative only: the absolute tolerance of `approx` is as large as a small current."""
    return pytest.approx(expected, rel=rel, abs=0.0)


def measured(current_A: float, uncertainty_A: float = 1e-9) -> Budget:
    return Budget(current_A, (Contribution("averaging", uncertainty_A, 14.0, "A"),))


def test_the_board_sees_the_supply_less_the_burden() -> None:
    found = board_voltage(measured(8e-3, 1e-6), SupplyLine(3.0, 100.0, 2e-3, 0.1))
    assert found.value == near(2.2)
    assert {row.name: row.sensitivity for row in found.table()} == near(
        {"supply": 1.0, "shunt": -8e-3, "averaging": -100.0}
    )
    assert found.standard_uncertainty == near(math.hypot(2e-3, 8e-4, 1e-4))


def test_the_correction_line_by_line() -> None:
    line = SupplyLine(3.0, 1000.0, 2e-3, 10.0)
    found = corrected_for_burden(measured(8e-6), line, Sensitivity(2e-6, 4e-7, 6.0, "A"))
    assert found.value == near(8e-6 + 2e-6 * 8e-3)
    rows = {row.name: row for row in found.table()}
    assert rows["averaging"].contribution == near(1e-9 * 1.002)
    assert rows["burden"].contribution == near(4e-7 * 8e-3)
    assert (rows["burden"].dof, rows["burden"].kind) == (6.0, "A")
    assert rows["supply"].contribution == near(2e-6 * 2e-3)
    assert rows["shunt"].contribution == near(2e-6 * 8e-6 * 10)


@given(
    st.floats(1e-7, 1e-2),
    st.floats(-5e-3, 5e-3),
    st.floats(0.1, 1000.0),
    st.floats(2.0, 5.0),
)
@settings(deadline=None)
def test_against_the_package_uncertainties(
    current_A: float, slope: float, shunt_ohm: float, nominal_V: float
) -> None:
    # uncertainties 3.2 (PyPI) takes the derivatives by itself.
    current, conductance = ufloat(current_A, 1e-9), ufloat(slope, 1e-6)
    supply, shunt = ufloat(3.0, 5e-3), ufloat(shunt_ohm, 0.5)
    expected = current + conductance * (nominal_V - supply + current * shunt)
    found = corrected_for_burden(
        measured(current_A),
        SupplyLine(3.0, shunt_ohm, 5e-3, 0.5),
        Sensitivity(slope, 1e-6),
        nominal_V,
    )
    assert found.value == pytest.approx(expected.nominal_value, abs=1e-15)
    assert found.standard_uncertainty == near(expected.std_dev)
    volts = board_voltage(measured(current_A), SupplyLine(3.0, shunt_ohm, 5e-3, 0.5))
    assert volts.standard_uncertainty == near((supply - current * shunt).std_dev)


def test_a_resistor_measured_through_a_shunt_comes_out_as_without() -> None:
    # 3 V over 300 kohm and 10 kohm of shunt; dI/dV of a resistor is 1/R, exactly.
    current_A = 3.0 / 310e3
    found = corrected_for_burden(
        measured(current_A), SupplyLine(3.0, 10e3), Sensitivity(1 / 300e3, 0.0)
    )
    assert found.value == near(3.0 / 300e3, rel=1e-12)


def test_states_share_the_error_of_the_supply_and_of_one_ranges_shunt() -> None:
    slope = Sensitivity(1e-6, 0.0)
    supply_only = [
        corrected_for_burden(measured(at_A, 0.0), SupplyLine(3.0, 1e3, 1e-2), slope)
        for at_A in (8e-6, 2e-6)
    ]
    assert difference(*supply_only).standard_uncertainty == pytest.approx(0.0, abs=1e-20)
    shunt_only = [
        corrected_for_burden(measured(at_A, 0.0), SupplyLine(3.0, 1e3, 0.0, 10.0, "10 uA"), slope)
        for at_A in (8e-6, 2e-6)
    ]
    assert difference(*shunt_only).standard_uncertainty == near(1e-6 * 6e-6 * 10)


def test_one_sweep_is_one_error_and_what_was_declared_adds_linearly() -> None:
    def pair(sensitivity: Sensitivity) -> list[Budget]:
        line = SupplyLine(3.0, 1e3)
        return [
            corrected_for_burden(measured(at_A, 0.0), line, sensitivity) for at_A in (8e-6, 2e-6)
        ]

    swept, declared = Sensitivity(1e-6, 1e-7, 6.0, "A"), Sensitivity(1e-6, 1e-7)
    assert difference(*pair(swept)).standard_uncertainty == near(1e-7 * 6e-3)
    assert difference(*pair(declared)).standard_uncertainty == near(1e-7 * 10e-3)
    assert difference(*pair(swept)).dof == near(6.0)


def test_a_sweep_gives_the_slope_and_says_when_it_is_no_line() -> None:
    volts = [2.8, 2.9, 3.0, 3.1]
    straight = fit_sensitivity(volts, [2.8e-6, 2.9e-6, 3.0e-6, 3.1e-6], [1e-9] * 4)
    assert straight.slope_A_per_V == near(1e-6)
    assert straight.standard_uncertainty_A_per_V == near(1e-9 / math.sqrt(0.05))
    assert (straight.dof, straight.kind) == (math.inf, "A")
    bent = fit_sensitivity(volts, [2.8e-6, 3.4e-6, 3.5e-6, 3.1e-6], [1e-9] * 4)
    assert bent.standard_uncertainty_A_per_V > 1e-6
    assert bent.dof == 2.0


# Elementary circuit theory: exp(-6.9) = 0.1 %, exp(-13.8) = 1 ppm.
@pytest.mark.parametrize(("share", "constants"), [(1e-3, 6.9), (1e-6, 13.8), (1.0, 0.0)])
def test_recharge_in_time_constants(share: float, constants: float) -> None:
    found = recharge_time_s(100.0, 100e-6, share)
    assert found / (100.0 * 100e-6) == pytest.approx(constants, abs=0.02)
    assert math.exp(-found / 1e-2) == near(share)


@pytest.mark.parametrize("share", [0.0, -0.1, 1.1, math.nan])
def test_a_senseless_share_is_refused(share: float) -> None:
    with pytest.raises(ValueError, match="share"):
        recharge_time_s(100.0, 1e-4, share)
