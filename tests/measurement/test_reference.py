"""A reference resistor in place of the board."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import ufloat

from benchrig.measurement import Budget, Contribution, ohm_check


def near(expected: object, rel: float = 1e-6) -> object:
    """Relative only: the absolute tolerance of `approx` is as large as a small current."""
    return pytest.approx(expected, rel=rel, abs=0.0)


def reading(current_A: float, uncertainty_A: float = 1e-9) -> Budget:
    return Budget(current_A, (Contribution("all", uncertainty_A),))


def test_the_shunt_is_in_series() -> None:
    found = ohm_check(reading(3.0 / 1.001e6), 1e6, 1e3 / math.sqrt(3), 3.0, 1e-3, 1e3)
    assert found.expected.value == near(3.0 / 1.001e6)
    assert found.normalised_error == pytest.approx(0.0, abs=1e-12)
    assert found.agrees
    # Without the shunt it would be 0.1 % off.
    assert ohm_check(reading(3.0 / 1.001e6), 1e6, 10.0, 3.0, 1e-5, 0.0).agrees is False


def test_normalised_error_is_the_error_over_both_expanded_uncertainties() -> None:
    found = ohm_check(reading(3.01e-6), 1e6, 600.0, 3.0, 1e-3, 0.0)
    expected_u = 3e-6 * math.hypot(6e-4, 1e-3 / 3)
    assert found.expected.standard_uncertainty == near(expected_u)
    assert found.normalised_error == near(
        1e-8 / (1.959964 * math.hypot(expected_u, 1e-9)), rel=1e-6
    )
    assert found.error.value == near(1e-8)
    assert not found.agrees
    assert found.error.expanded_uncertainty == near(1e-8 / found.normalised_error)


@given(st.floats(1.0, 1e7), st.floats(0.0, 1e4), st.floats(0.5, 30.0))
@settings(deadline=None)
def test_expected_current_against_the_package_uncertainties(
    resistance_ohm: float, shunt_ohm: float, voltage_V: float
) -> None:
    # uncertainties 3.2 (PyPI) takes the derivatives by itself.
    total = ufloat(resistance_ohm, 1e-3 * resistance_ohm) + ufloat(shunt_ohm, 0.3)
    expected = ufloat(voltage_V, 2e-3) / total
    found = ohm_check(
        reading(1.0), resistance_ohm, 1e-3 * resistance_ohm, voltage_V, 2e-3, shunt_ohm, 0.3
    ).expected
    assert found.value == near(expected.nominal_value)
    assert found.standard_uncertainty == near(expected.std_dev)
    assert [row.unit for row in found.table()] == ["V", "Ω", "Ω"]


@pytest.mark.parametrize(
    ("resistance_ohm", "uncertainty", "voltage_u", "shunt_ohm"),
    [(0.0, 1.0, 1.0, 1.0), (-5.0, 1.0, 1.0, 10.0), (5.0, 1.0, 1.0, -1.0), (5.0, 0.0, 0.0, 1.0)],
)
def test_a_circuit_that_checks_nothing_is_refused(
    resistance_ohm: float, uncertainty: float, voltage_u: float, shunt_ohm: float
) -> None:
    with pytest.raises(ValueError, match=r"circuit|uncertainties"):
        ohm_check(reading(1.0), resistance_ohm, uncertainty, 3.0, voltage_u, shunt_ohm)
