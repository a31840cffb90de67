"""Two results against each other: what cancels, what is significant, and what it does to life."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchrig.energy import Source, compare, currents_for, life_change
from benchrig.energy.life import Case
from benchrig.measurement import Budget
from benchrig.result import FaultRecord, SessionResult
from tests.energy.products import FINE, always, cell, read, result, row, scattered


def pair(old: SessionResult, new: SessionResult) -> tuple[Source, Source]:
    return Source("old", old), Source("new", new)


def sleeping(current_A: float, noise_A: float = 1e-12, **about: object) -> SessionResult:
    return result(row("sleep", read(current_A, FINE, noise_A)), **about)  # type: ignore[arg-type]


def test_on_one_range_of_one_meter_offset_and_gain_cancel() -> None:
    """What is left is the gain on the difference, 0.03 % of 10 nA, the resolution and the noise:
    sqrt(3^2 + 2 (0.289^2 + 1^2)) pA (GUM 5.2.2, by hand); with two meters it is the full 2.9 nA."""
    (change,) = compare(*pair(sleeping(1.00e-6), sleeping(1.01e-6))).changes
    assert change.change.value == pytest.approx(10e-9)
    expected_A = np.sqrt(3.0**2 + 2.0 * (1 / 12 + 1.0)) * 1e-12
    assert change.change.standard_uncertainty == pytest.approx(expected_A, rel=1e-3)
    assert change.significant
    (apart,) = compare(*pair(sleeping(1.00e-6), sleeping(1.01e-6, meter="meter 2"))).changes
    assert apart.change.standard_uncertainty > 2e-9
    unknown = compare(*pair(sleeping(1.00e-6, meter=None), sleeping(1.01e-6, meter=None)))
    assert unknown.changes[0].change.standard_uncertainty > 2e-9
    assert any("the meters are two" in text for text in unknown.warnings)


@pytest.mark.parametrize(("step_A", "significant"), [(1.9e-9, False), (2.1e-9, True)])
def test_a_change_is_significant_above_its_uncertainty(step_A: float, significant: bool) -> None:
    """Two readings of 0.7521 nA (1 sd) each: U of the difference is 1.96 sqrt(2) 0.7521 = 2.085."""
    old, new = (
        result(row("sleep", scattered(value, 0.7521e-9))) for value in (1e-6, 1e-6 + step_A)
    )
    found = compare(*pair(old, new))
    assert found.changes[0].significant is significant
    assert found.worse is significant
    back = compare(*pair(new, old))
    assert back.changes[0].significant is significant
    assert not back.worse


def test_what_cannot_be_compared_is_named() -> None:
    bad = row("lamp", None, "fault", fault=FaultRecord(kind="drifting", message="it drifts"))
    good = row("sleep", read(1e-6, FINE))
    old = result(good, bad, row("idle", read(5e-6, FINE)))
    new = result(good, row("lamp", read(1e-6, FINE)))
    found = compare(*pair(old, new))
    assert [change.name for change in found.changes] == ["sleep"]
    assert dict(found.unusable)["idle"] == "not in new"
    assert "drifting" in dict(found.unusable)["lamp"]


def test_the_last_measurement_of_a_state_counts() -> None:
    twice = result(row("sleep", read(2e-6, FINE)), row("sleep", read(1e-6, FINE)))
    (change,) = compare(*pair(twice, sleeping(1e-6))).changes
    assert change.change.value == pytest.approx(0.0, abs=1e-18)


def test_doubts_are_told() -> None:
    old = sleeping(1e-6)
    bench = old.bench.model_copy(update={"simulated_seed": 3})
    board = old.board.model_copy(update={"supply_voltage_V": 3.3})
    undecided = (row("sleep", read(1e-6, FINE), "undecided"),)
    update = {"bench": bench, "board": board, "states": undecided}
    new = sleeping(
        1e-6, serial_number="HS-7", session="other", fault=FaultRecord(kind="k", message="m")
    )
    told = " | ".join(compare(*pair(old, new.model_copy(update=update))).warnings)
    for part in (
        "the sessions are two",
        "the boards are two",
        "voltages differ",
        "a fault, k",
        "simulated bench",
        "undecided against its limits: sleep",
    ):
        assert part in told
    assert compare(*pair(old, old)).warnings == ()


def case(budget: Budget) -> Case:
    found = result(row("sleep", budget))
    currents = replace(currents_for(always(), [Source("run", found)], {}), minimum_voltage_V=0.0)
    return Case(always(), currents, cell(within=0.1))


def test_the_change_of_life_is_that_of_one_product() -> None:
    """From 2 uA to 1 uA a 220 mAh cell gains as long as it had, 4583 days. Each product keeps its
    cell in the comparison, so that the interval holds the change and not the cells' spread twice:
    it is that of the capacity, 10 % (rectangle: 90 % within 9 %)."""
    old, new = case(read(2e-6, FINE)), case(read(1e-6, FINE))
    found = life_change(old, new, 20_000, 3)
    whole = 220.0 / 2e-3 / 24.0
    assert found.days == pytest.approx(whole, rel=0.01), "seed 3"
    assert (found.high_days - found.low_days) / whole == pytest.approx(0.18, abs=0.01), "seed 3"
    assert found.new_years == pytest.approx(2 * found.old_years, rel=0.01)


def test_no_change_is_no_day() -> None:
    same = case(read(2e-6, FINE))
    found = life_change(same, same, 20_000, 3)
    assert found.days == pytest.approx(0.0, abs=0.1)
    assert found.low_days <= 0.0 <= found.high_days
    # Gain and offset are the same in both; what is left is noise and resolution.
    assert found.high_days - found.low_days < 1.0
