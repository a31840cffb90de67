"""Current through the UART lines, declared or measured, and taken off."""

from __future__ import annotations

import math

import pytest
from uncertainties import ufloat

from benchrig.measurement import (
    Budget,
    Outcome,
    RangeAccuracy,
    declared_leakage,
    difference,
    measured_leakage,
    reading_budget,
    weighted_sum,
)

LOW = RangeAccuracy(full_scale_A=1e-5, gain=1e-3, offset=1e-4, count_A=0.0)


def near(expected: object, rel: float = 1e-6) -> object:
    """Relative only: the absolute tolerance of `approx` is as large as a small current."""
    return pytest.approx(expected, rel=rel, abs=0.0)


def state(current_A: float, averaging_A: float = 1e-9) -> Budget:
    outcome = Outcome(
        "settled",
        "",
        current_A=current_A,
        standard_uncertainty_A=averaging_A,
        dof=14.0,
        settling_bound_A=0.0,
    )
    return reading_budget(outcome, LOW)


def test_a_declared_leakage_is_taken_off_with_its_uncertainty() -> None:
    leakage = declared_leakage(60e-9, 30e-9)
    found = difference(state(2e-6), leakage)
    assert found.value == near(1.94e-6)
    rows = {row.name: row for row in found.table()}
    assert (rows["leakage"].estimate, rows["leakage"].half_width) == (60e-9, 30e-9)
    assert rows["leakage"].sensitivity == -1.0
    assert rows["leakage"].contribution == near(30e-9 / math.sqrt(3))
    assert "averaging" in rows


def test_declared_leakages_of_two_states_add_linearly() -> None:
    sheet_free = [Budget(at_A, ()) for at_A in (8e-6, 2e-6)]
    corrected = [difference(at, declared_leakage(6e-8, 3e-8)) for at in sheet_free]
    both = 2 * 3e-8 / math.sqrt(3)
    assert difference(*corrected).standard_uncertainty == near(both)
    assert weighted_sum(corrected, [1.0, 1.0]).standard_uncertainty == near(both)


def test_offset_cancels_in_a_measured_leakage_and_gain_acts_on_it_alone() -> None:
    found = measured_leakage(state(2.06e-6), state(2e-6))
    assert found.value == near(6e-8)
    assert found.standard_uncertainty == near(math.hypot(1e-9, 1e-9, 6e-8 * 1e-3))
    assert found.dof == near(28.0 * (1 + 3.6e-21 / 2e-18) ** 2)


def test_against_the_package_uncertainties() -> None:
    # uncertainties 3.2 (PyPI) tracks the shared variables, so it knows all correlations.
    gain, offset = ufloat(1.0, 1e-3), ufloat(0.0, 1e-9)

    def read(current_A: float):  # type: ignore[no-untyped-def]
        return ufloat(current_A, 1e-9) * gain + offset

    leak = read(2.06e-6) - read(2e-6)
    ours = measured_leakage(state(2.06e-6), state(2e-6))
    assert ours.standard_uncertainty == near(leak.std_dev)
    # Two states, both corrected by it; without an offset the sheet has one error only, and ours,
    # which would add two linearly, must agree.
    first, second = read(8e-6), read(5e-6)
    a, b = difference(state(8e-6), ours), difference(state(5e-6), ours)
    assert difference(a, b).standard_uncertainty == near((first - second).std_dev)
    total = weighted_sum([a, b], [0.5, -0.5])
    assert total.standard_uncertainty == near((0.5 * (first - second)).std_dev)
    both = weighted_sum([a, b], [1.0, 1.0])
    scatter = math.hypot(1e-9, 1e-9, 2e-9, 2e-9)  # the leakage's own counts twice
    assert both.standard_uncertainty == near(
        math.hypot(scatter, (13e-6 - 12e-8) * 1e-3 + 2e-9), rel=1e-6
    )


def test_two_measured_leakages_are_told_apart() -> None:
    one = measured_leakage(state(2.06e-6), state(2e-6))
    other = measured_leakage(state(2.07e-6), state(2e-6))
    assert difference(one, one).standard_uncertainty == pytest.approx(0.0, abs=1e-24)
    assert difference(one, other).standard_uncertainty == near(2e-9, rel=1e-3)
