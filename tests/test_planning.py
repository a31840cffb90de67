"""What is told beforehand, against what then happens on the virtual clock."""

from __future__ import annotations

from typing import Any

import pytest

from benchrig.drivers.meter_ranges import from_sheet
from benchrig.events import Event, StateEnded, StateStarted
from benchrig.planning import PlannedState, expected_s, longest_s, planned, visit_s
from benchrig.session import MeterSheet, Session, load_sheet
from benchrig.session.limits import Limit
from benchrig.session.protocol import Wake
from benchrig.session.session_file import Settling, State, Ticks
from tests.benches import FIXTURES, HASTY, SESSION, SHEET, rig

COARSE = load_sheet(FIXTURES / "meter-4-digit.toml")


def plan(
    states: tuple[State, ...], *, sheet: MeterSheet | None = SHEET, session: Session = SESSION
) -> dict[str, PlannedState]:
    bench = rig(session=session, sheet=sheet or SHEET, knows_sheet=sheet is not None).bench
    rows = planned(session, states, bench.meter.ranges, bench.ranges, bench.pricing)
    return {row.state.name: row for row in rows}


def drawing(typical_A: float, **changes: Any) -> State:
    limit = Limit.model_construct(min=None, max=None, typical=typical_A)
    return State.model_construct(name="any", limit=limit, **changes)


# -- how long -----------------------------------------------------------------------------------


@pytest.mark.parametrize("session", [SESSION, HASTY], ids=["usual", "hasty"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_session_takes_about_as_long_as_was_told(session: Session, seed: int) -> None:
    made = rig(session=session, seed=seed)
    made.run()
    took_s, told_s = made.clock.monotonic(), expected_s(session, session.states)
    assert 0.5 * told_s < took_s < 1.5 * told_s, f"seed {seed}: {took_s} s, told {told_s} s"


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_each_visit_takes_about_as_long_as_was_told(seed: int) -> None:
    made = rig(seed=seed)
    began_s: dict[str, float] = {}
    took_s: dict[str, float] = {}

    def listen(event: Event) -> None:
        if isinstance(event, StateStarted):
            began_s[event.state] = made.clock.monotonic()
        if isinstance(event, StateEnded):
            name = event.result.name
            took_s[name] = made.clock.monotonic() - began_s[name]

    made.run(listen)
    for state in SESSION.states:
        told_s = visit_s(SESSION, state)
        message = f"seed {seed}, {state.name}: {took_s[state.name]} s, told {told_s} s"
        assert 0.4 * told_s < took_s[state.name] < 2.5 * told_s, message


@pytest.mark.parametrize(
    "defect", ["", "stuck-awake", "floating-input", "late-drift", "spontaneous-reset"]
)
def test_no_session_takes_longer_than_the_longest(defect: str) -> None:
    made = rig(defect)
    made.run()
    assert made.clock.monotonic() < longest_s(SESSION, SESSION.states)


def test_repeats_and_a_timer_count() -> None:
    (idle, *_), sleep = SESSION.states, SESSION.states[-1]
    once_s, twice_s = expected_s(SESSION, [idle]), expected_s(SESSION, [idle, idle])
    assert twice_s - once_s == pytest.approx(visit_s(SESSION, idle))
    timer = Wake.model_validate({"by": "timer", "after": "4 s", "within": "1 s"})
    short = sleep.model_copy(update={"wake": timer, "must_not_wake": ()})
    assert visit_s(SESSION, short) == pytest.approx(0.5 + 4.0 + 0.5)
    cycle = Wake.model_validate({"by": "power_cycle", "off_time": "90 s", "within": "1 s"})
    cycled = sleep.model_copy(update={"wake": cycle, "must_not_wake": ()})
    assert visit_s(SESSION, cycled) > 90.0
    limited = sleep.model_copy(update={"settling": Settling.model_construct(time_limit=3.0)})
    assert visit_s(SESSION, limited) < visit_s(SESSION, sleep) - 5.0


# -- which range --------------------------------------------------------------------------------


@pytest.mark.parametrize("sheet", [SHEET, COARSE], ids=["6 digits", "4 digits"])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_range_that_is_told_is_the_range_that_is_used(sheet: MeterSheet, seed: int) -> None:
    told = plan(SESSION.states, sheet=sheet)
    made = rig(sheet=sheet, seed=seed)
    for row in made.run().states:
        entry = told[row.name].range
        assert entry is not None
        assert row.range_A == entry.full_scale_A, f"seed {seed}, {row.name}"
        assert told[row.name].problem is None
        assert told[row.name].voltage_V == pytest.approx(row.board_voltage_V, abs=0.02)
        # The meter's part is a part of the whole.
        assert row.expanded_uncertainty_A is not None
        worth = told[row.name].worth
        assert worth is not None
        assert worth.meter_A < 1.1 * row.expanded_uncertainty_A


@pytest.mark.parametrize(
    ("current_A", "scale_A"),
    [
        (7.9e-6, 1e-5),
        (8.1e-6, 1e-4),  # above 80 % of the range it would be left and entered in turn
        (7.9e-5, 1e-4),
        (5e-4, 1e-3),
        (7e-3, 1e-2),
        (2e-2, 1e-1),
    ],
)
def test_ranges_for_currents(current_A: float, scale_A: float) -> None:
    (row,) = plan((drawing(current_A),)).values()
    assert row.range is not None
    assert row.range.full_scale_A == scale_A
    assert row.voltage_V == pytest.approx(3.0 - current_A * row.range.shunt_ohm)


def test_ticks_need_a_range_that_carries_them() -> None:
    """1 mA for 0.5 ms from 47 uF: 10.6 mV, which drive 106 uA through 100 Ω, and on top of what the
    board draws between them that is too much for the 100 uA range."""
    quick = Ticks.model_construct(period=1.0, duration=5e-4, peak_current=1e-3)
    row = plan((drawing(2.5e-5, ticks=quick),))["any"]
    assert row.range is not None
    assert row.range.full_scale_A == 1e-3
    tiny = Ticks.model_construct(period=1.0, duration=5e-5, peak_current=1e-3)
    row = plan((drawing(2.5e-5, ticks=tiny),))["any"]
    assert row.range is not None
    assert row.range.full_scale_A == 1e-4


def test_the_limit_stands_in_for_a_typical_current() -> None:
    limit = Limit.model_construct(min=None, max=2e-2, typical=None)
    row = plan((State.model_construct(name="any", limit=limit),))["any"]
    assert row.expected_A == 2e-2
    row = plan((State.model_construct(name="any"),))["any"]
    assert (row.expected_A, row.range, row.problem) == (None, None, None)


def test_what_dominates_is_told() -> None:
    """Of 10 mA 0.02 %, of 6.5 mA 1 %; and of 10 uA 0.025 %, of 1 nA 1 %."""
    told = plan((drawing(6.5e-3),))["any"].worth
    assert told is not None
    assert told.dominated_by == "settling tolerance"
    told = plan((drawing(1e-9),))["any"].worth
    assert told is not None
    assert told.dominated_by == "meter's offset"


@pytest.mark.parametrize("seed", range(1, 9))
def test_without_a_sheet_a_value_is_as_good_as_it_says(seed: int) -> None:
    """What is assumed of the meter covers what the 4-digit one is off; and the range that is told
    is the one that is used, or the next, where the offset shows."""
    made = rig(sheet=COARSE, knows_sheet=False, session=HASTY, seed=seed)
    made.bench.connect()
    ranges = made.bench.meter.ranges
    rows = planned(HASTY, HASTY.states, ranges, made.bench.ranges, made.bench.pricing)
    told = {row.state.name: row.range for row in rows}
    made.bench.leave()
    for row in made.run().states:
        assert row.current_A is not None, f"seed {seed}"
        assert row.expanded_uncertainty_A is not None
        shunt_ohm = next(e.shunt_ohm for e in COARSE.ranges if e.full_scale == row.range_A)
        true_A = made.world.true_current_A(row.name, shunt_ohm)
        assert abs(row.current_A - true_A) <= row.expanded_uncertainty_A, f"seed {seed}, {row.name}"
        assert "uncertainty_lacks_meter" in row.flags
        entry = told[row.name]
        assert entry is not None
        assert row.range_A is not None
        assert 0.09 < row.range_A / entry.full_scale_A < 11.0, f"seed {seed}, {row.name}"


def test_each_state_is_told_once() -> None:
    bench = rig().bench
    rows = planned(SESSION, SESSION.states * 2, from_sheet(SHEET, 1.0), bench.ranges, bench.pricing)
    assert [row.state.name for row in rows] == [state.name for state in SESSION.states]


def test_a_meter_that_is_too_small() -> None:
    small = SHEET.model_copy(update={"ranges": SHEET.ranges[:3]})
    row = plan((drawing(2e-2),), sheet=small)["any"]
    assert row.range is None
    assert row.problem is not None
    assert "20.0 mA are more than the meter measures, 1.20 mA on its highest range" in row.problem


def test_a_shunt_that_is_too_large() -> None:
    ranges = tuple(
        entry.model_copy(update={"shunt": 60.0}) if entry.full_scale >= 1e-2 else entry
        for entry in SHEET.ranges
    )
    row = plan((drawing(2e-2),), sheet=SHEET.model_copy(update={"ranges": ranges}))["any"]
    assert row.range is None
    assert row.problem is not None
    assert "leave the board 1.800 V, below its minimum_voltage of 2.2 V" in row.problem


def test_before_a_meter_without_a_sheet_was_asked_nobody_knows() -> None:
    for row in plan(SESSION.states, sheet=None).values():
        assert row.expected_A is not None
        assert (row.range, row.worth, row.problem) == (None, None, None)
