"""Which range is allowed when; each change told with its reason."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from benchrig.drivers.meter import MeterRange, Readings
from benchrig.drivers.scpi import is_overload
from benchrig.errors import Fault
from benchrig.session import MeterSheet
from benchrig.session.session_file import BoardRatings, Ticks
from tests.benches import SESSION, SHEET, Rig, rig

INFINITY = 9.9e37
AMPLE_S = 60.0


def made(*, sheet: MeterSheet = SHEET, **ratings: Any) -> Rig:
    board = SESSION.board.model_copy(update=ratings)
    session = SESSION.model_copy(update={"board": board})
    result = rig(session=session, sheet=sheet)
    result.bench.meter.open()
    return result


def scale(bench: Rig, full_scale_A: float) -> MeterRange:
    (found,) = (
        entry
        for entry in bench.bench.meter.ranges
        if math.isclose(entry.full_scale_A, full_scale_A)
    )
    return found


def readings(entry: MeterRange, *values_A: float) -> Readings:
    currents = np.array(values_A)
    return Readings(0.02 * np.arange(1, len(currents) + 1), currents, entry)


def ratings_of(bench: Rig) -> BoardRatings:
    return bench.session.board


# -- room -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("highest_A", "room_A"),
    [
        pytest.param(12.01e-3, 0.1, id="more-than-10-mA-measures"),
        pytest.param(12e-3, 0.01, id="what-10-mA-measures"),
        pytest.param(1.2e-3, 1e-3, id="what-1-mA-measures"),
        pytest.param(0.12, 0.1, id="what-100-mA-measures"),
    ],
)
def test_room_carries_the_highest_current(highest_A: float, room_A: float) -> None:
    bench = made(highest_current=highest_A)
    assert bench.bench.ranges.room() == scale(bench, room_A)


@pytest.mark.parametrize(("minimum_V", "room_A"), [(2.93, 0.01), (2.95, 0.1)])
def test_room_leaves_the_minimum_voltage(minimum_V: float, room_A: float) -> None:
    """12 mA drop 60 mV across 5 ohm, and 12 mV across 1 ohm."""
    bench = made(highest_current=12e-3, minimum_voltage=minimum_V)
    assert bench.bench.ranges.room() == scale(bench, room_A)


@pytest.mark.parametrize(
    "ratings",
    [
        {"highest_current": 0.1201},
        {"highest_current": 0.1, "minimum_voltage": 2.95},
    ],
)
def test_no_room_at_all(ratings: dict[str, Any]) -> None:
    bench = made(**ratings)
    with pytest.raises(Fault) as caught:
        bench.bench.ranges.make_room("anything")
    assert caught.value.kind == "burden_too_high"


def test_making_room_is_told_and_costs_nothing_twice() -> None:
    bench = made()
    bench.bench.meter.set_range(scale(bench, 1e-5))
    writes: list[str] = []
    bench.bench.ranges.make_room("a reason")
    bench.wires["meter"].before = writes.append
    bench.bench.ranges.make_room("another")
    assert writes == []
    (told,) = (entry for entry in bench.bench.log.entries if entry.kind == "range")
    assert told.data == {"range_A": 0.1, "reason": "room before a reason"}
    assert bench.on_highest_range


def test_a_range_that_is_not_known_gives_no_room() -> None:
    bench = made()
    bench.meter.fail_headers.add("CURR:RANG")
    with pytest.raises(Fault):
        bench.bench.meter.set_range(scale(bench, 1e-5))
    with pytest.raises(Fault) as caught:
        bench.bench.ranges.make_room("anything")
    assert caught.value.kind == "meter_error"
    bench.meter.fail_headers.clear()
    bench.bench.ranges.make_room("anything")
    assert bench.on_highest_range


# -- down -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reading_A", "full_scale_A", "allowed"),
    [
        pytest.param(7.9e-6, 1e-5, True, id="below-the-entry-share"),
        pytest.param(8.1e-6, 1e-5, False, id="above-the-entry-share"),
        pytest.param(7.9e-4, 1e-3, True, id="1-mA"),
    ],
)
def test_a_range_is_entered_well_below_its_full_scale(
    reading_A: float, full_scale_A: float, allowed: bool
) -> None:
    bench = made()
    assert bench.bench.ranges.allows(scale(bench, full_scale_A), reading_A, None) is allowed


@pytest.mark.parametrize("decoupling_F", [47e-6, None])
@pytest.mark.parametrize(("minimum_V", "allowed"), [(2.94, True), (2.96, False)])
def test_burden_at_the_reading(minimum_V: float, allowed: bool, decoupling_F: float | None) -> None:
    """0.5 mA drop 50 mV across 100 ohm."""
    bench = made(minimum_voltage=minimum_V, highest_current=0.02, decoupling=decoupling_F)
    assert bench.bench.ranges.allows(scale(bench, 1e-3), 0.5e-3, None) is allowed


@pytest.mark.parametrize(
    ("decoupling_F", "duration_s", "full_scale_A", "allowed"),
    [
        # 1 mA for 0.5 ms out of 47 uF droops by 10.6 mV: 10.6 uA through 1 kohm, 106 uA
        # through 100 ohm, on top of 1 uA.
        pytest.param(47e-6, 0.5e-3, 1e-5, True, id="10-uA-carries-11.6-uA"),
        pytest.param(47e-6, 0.6e-3, 1e-5, False, id="not-13.8-uA"),
        pytest.param(47e-6, 0.5e-3, 1e-4, True, id="100-uA-carries-107-uA"),
        pytest.param(None, 0.5e-3, 1e-4, False, id="without-a-capacitor-all-flows"),
        pytest.param(None, 0.5e-3, 1e-3, True, id="which-1-mA-carries"),
        pytest.param(47e-6, 1.0, 1e-4, False, id="a-long-one-empties-the-capacitor"),
    ],
)
def test_ticks_pass_as_far_as_the_capacitor_goes(
    decoupling_F: float | None, duration_s: float, full_scale_A: float, allowed: bool
) -> None:
    bench = made(decoupling=decoupling_F)
    ticks = Ticks.model_construct(period=2.0, duration=duration_s, peak_current=1e-3)
    entry = scale(bench, full_scale_A)
    assert bench.bench.ranges.allows(entry, 1e-6, ticks) is allowed
    assert bench.bench.ranges.allows(entry, 1e-6, None)


@pytest.mark.parametrize(
    ("interruption_s", "decoupling_F", "allowed"),
    [(1e-3, 1e-6, True), (1e-2, 1e-6, False), (1e-3, None, False), (0.0, None, True)],
)
def test_the_capacitor_bridges_an_interruption(
    interruption_s: float, decoupling_F: float | None, allowed: bool
) -> None:
    """0.1 mA for 1 ms out of 1 uF are 0.1 V of the 0.79 V that the board can spare."""
    sheet = SHEET.model_copy(
        update={"range_change_interrupts": True, "interruption": interruption_s}
    )
    bench = made(sheet=sheet, decoupling=decoupling_F)
    assert bench.bench.ranges.allows(scale(bench, 1e-3), 1e-4, None) is allowed


def test_the_lowest_range_that_readings_allow() -> None:
    bench = made()
    keeper, highest = bench.bench.ranges, bench.bench.meter.ranges[-1]
    middle = scale(bench, 1e-2)
    # Read on a coarse range, whose own offset may hide more: 5.8 uA here.
    assert keeper.lower_range(readings(highest, *[3e-6] * 5), None, AMPLE_S) == scale(bench, 1e-4)
    assert keeper.lower_range(readings(middle, *[3e-6] * 5), None, AMPLE_S) == scale(bench, 1e-5)
    assert keeper.lower_range(readings(highest, *[5e-3] * 5), None, AMPLE_S) == middle
    assert keeper.lower_range(readings(middle, *[5e-3] * 5), None, AMPLE_S) is None
    # One reading in five that is higher counts.
    mixed = readings(middle, 1e-6, 1e-6, 4e-3, 1e-6, 1e-6)
    assert keeper.lower_range(mixed, None, AMPLE_S) is None
    assert keeper.lower_range(readings(middle, 1e-6, INFINITY), None, AMPLE_S) is None
    assert keeper.lower_range(readings(middle, -1e-6, 1e-6), None, AMPLE_S) is not None


def test_a_range_that_settles_too_late_is_left_alone() -> None:
    """6.9 time constants of 1 kohm and 47 uF are 324 ms, after 60 ms of the meter's own."""
    bench = made()
    seen = readings(scale(bench, 1e-2), *[1e-6] * 5)
    assert bench.bench.ranges.lower_range(seen, None, 0.39) == scale(bench, 1e-5)
    assert bench.bench.ranges.lower_range(seen, None, 0.38) == scale(bench, 1e-4)
    assert bench.bench.ranges.lower_range(seen, None, 0.01) is None


def test_a_step_down_waits_for_the_meter_and_for_the_capacitor() -> None:
    bench = made()
    entry = scale(bench, 1e-5)
    before_s = bench.clock.monotonic()
    bench.bench.ranges.step_down(entry, readings(scale(bench, 1e-2), 1e-6))
    settled_s = 0.060 + 6.9 * 1e3 * 47e-6
    assert bench.clock.monotonic() - before_s == pytest.approx(settled_s, abs=1e-3)
    told = bench.bench.log.entries[-1]
    assert told.text == "range 10 µA: readings of 1.00 µA allow it"


# -- up -------------------------------------------------------------------------------------


def test_an_overload_goes_straight_up_to_room() -> None:
    bench = made()
    low = scale(bench, 1e-5)
    bench.bench.meter.set_range(low)
    bench.bench.ranges.step_up(readings(low, INFINITY), patient=False)
    assert bench.bench.meter.range == scale(bench, 0.1)
    assert bench.bench.log.entries[-1].data["reason"] == "overload"


def test_without_room_above_an_overload_goes_up_by_one() -> None:
    bench = made(highest_current=0.2)
    low = scale(bench, 1e-5)
    bench.bench.meter.set_range(low)
    bench.bench.ranges.step_up(readings(low, INFINITY), patient=False)
    assert bench.bench.meter.range == scale(bench, 1e-4)


def test_two_overloads_bar_a_range_and_those_below_it() -> None:
    bench = made()
    keeper, middle = bench.bench.ranges, scale(bench, 1e-4)
    for barred in (False, True):
        bench.bench.meter.set_range(middle)
        keeper.step_up(readings(middle, INFINITY), patient=False)
        for full_scale_A in (1e-5, 1e-4):
            assert keeper.allows(scale(bench, full_scale_A), 1e-6, None) is not barred
        assert keeper.allows(scale(bench, 1e-3), 1e-6, None)
    keeper.start_state()
    assert keeper.allows(middle, 1e-6, None)


def test_an_overload_of_the_highest_range() -> None:
    bench = made()
    highest = bench.bench.meter.ranges[-1]
    seen = readings(highest, INFINITY)
    assert is_overload(seen.currents_A).all()
    bench.bench.ranges.step_up(seen, patient=True)
    assert bench.bench.meter.range == highest
    with pytest.raises(Fault) as caught:
        bench.bench.ranges.step_up(seen, patient=False)
    assert caught.value.kind == "overloaded"


def test_the_safe_end_is_the_highest_range() -> None:
    bench = made()
    bench.bench.meter.set_range(scale(bench, 1e-5))
    bench.bench.ranges.make_safe()
    assert bench.on_highest_range
    assert bench.bench.log.entries[-1].data["range_A"] == 0.1


def test_voltage_at_the_board() -> None:
    bench = made()
    entry = scale(bench, 1e-3)
    assert bench.bench.ranges.voltage_at_board(entry, 1e-3) == pytest.approx(2.9)
    # What flows back, or an offset below zero, lifts nothing.
    assert bench.bench.ranges.voltage_at_board(entry, -1e-3) == 3.0
    assert ratings_of(bench).supply_voltage == 3.0


# -- ticks that are smeared -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("decoupling_F", "period_s", "allowed"),
    [
        (100e-6, 0.3, True),  # 1 kohm: 0.1 s
        (470e-6, 0.3, True),  # 0.47 s, 1.57 periods
        (490e-6, 0.3, False),
        (490e-6, 0.7, True),
        (None, 0.3, True),  # nobody can tell
    ],
)
def test_a_range_that_hides_the_ticks_is_not_taken(
    decoupling_F: float | None, period_s: float, allowed: bool
) -> None:
    bench = made(decoupling=decoupling_F)
    ticks = Ticks.model_validate(
        {"period": f"{period_s} s", "duration": "10 us", "peak_current": "5 uA"}
    )
    assert bench.bench.ranges.allows(scale(bench, 1e-5), 2e-6, ticks) is allowed
    assert bench.bench.ranges.allows(scale(bench, 1e-4), 2e-6, ticks)
    assert bench.bench.ranges.allows(scale(bench, 1e-5), 2e-6, None)


def test_up_for_ticks_is_to_a_smaller_shunt_and_not_back() -> None:
    bench = made()
    keeper = bench.bench.ranges
    bench.bench.meter.set_range(scale(bench, 1e-4))
    # 1 mA has the same shunt.
    assert keeper.step_up_for_ticks()
    assert bench.bench.meter.range == scale(bench, 1e-2)
    for barred_A in (1e-5, 1e-4, 1e-3):
        assert not keeper.allows(scale(bench, barred_A), 2e-6, None)
    keeper.start_state()
    assert keeper.allows(scale(bench, 1e-4), 2e-6, None)
    bench.bench.meter.set_range(scale(bench, 0.1))
    assert not keeper.step_up_for_ticks()
