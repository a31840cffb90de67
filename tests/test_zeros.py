"""Zeros taken on a simulated bench are the meter's own, and later sessions subtract them."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig.drivers.meter import Zero
from benchrig.errors import Fault
from benchrig.zeros import load_zeros, save_zeros, take_zeros
from tests.benches import HASTY, WITHOUT_SUPPLY, Rig, rig


def taken(made: Rig) -> list[Zero]:
    made.bench.meter.open()
    return list(take_zeros(made.bench.meter, made.clock.now))


@pytest.mark.parametrize("seed", range(1, 6))
def test_they_are_the_offsets_of_the_meter(seed: int) -> None:
    made = rig(seed=seed)
    zeros = taken(made)
    scales = [zero.full_scale_A for zero in zeros]
    assert scales == [0.1, 0.01, 1e-3, 1e-4, 1e-5]
    for zero, offset_A in zip(zeros[::-1], made.meter.ammeter.offset_errors_A, strict=True):
        # Five standard uncertainties: one in a million.
        distance_A = abs(zero.offset_A - offset_A)
        assert distance_A < 5 * zero.standard_uncertainty_A, (seed, zero.full_scale_A)
        assert zero.standard_uncertainty_A < 1e-4 * zero.full_scale_A
        assert zero.meter == made.bench.meter.instrument.identity
    assert made.on_highest_range


def test_a_later_session_subtracts_them(tmp_path: Path) -> None:
    path = tmp_path / "zeros.json"
    save_zeros(path, taken(rig(seed=3)))
    zeros = load_zeros(path)
    plain, nulled = rig(seed=3, session=HASTY), rig(seed=3, session=HASTY, zeros=zeros)
    for before, after in zip(plain.run().states, nulled.run().states, strict=True):
        assert before.current_A is not None
        assert after.current_A is not None
        assert before.expanded_uncertainty_A is not None
        assert after.expanded_uncertainty_A is not None
        names = {line.name for line in after.budget}
        assert "zero" in names
        assert "offset" not in names
        assert "offset" in {line.name for line in before.budget}
        true_A = nulled.true_A(after.name, after.range_A)
        assert abs(after.current_A - true_A) <= after.expanded_uncertainty_A, after
        assert after.expanded_uncertainty_A < before.expanded_uncertainty_A
    index = nulled.meter.ammeter.range_count
    assert index == len(zeros)


def test_a_zero_that_is_there_does_not_count_in_the_next() -> None:
    made = rig(seed=3)
    first = taken(made)
    again = list(take_zeros(made.bench.meter, made.clock.now))
    for before, after in zip(first, again, strict=True):
        spread_A = 7 * (before.standard_uncertainty_A + after.standard_uncertainty_A)
        assert abs(before.offset_A - after.offset_A) < spread_A


def test_a_powered_board_is_found_out_before_a_low_range() -> None:
    made = rig(file=WITHOUT_SUPPLY)
    made.clock.sleep(1.0)
    made.world.advance(1.0)
    assert made.world.simulated_board.state == "idle"
    used: set[float] = set()
    made.wires["meter"].before = lambda what: used.add(made.meter.ammeter.range.full_scale)
    with pytest.raises(Fault) as caught:
        taken(made)
    assert caught.value.kind == "not_open"
    assert min(used) >= 1e-3
    assert made.on_highest_range
    assert made.world.simulated_board.boots == 1
    assert "disconnect the board" in caught.value.message


def test_an_overload_is_no_zero() -> None:
    made = rig()
    made.meter.force_overload = True
    with pytest.raises(Fault) as caught:
        taken(made)
    assert caught.value.kind == "not_open"
