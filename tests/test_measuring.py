"""The loop from entry to outcome: descents, overloads, deadlines, and what it tells of them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from benchrig.drivers.scpi import is_overload
from benchrig.errors import Fault
from benchrig.events import Event, Happened, ReadingsTaken
from benchrig.result import StateResult
from benchrig.session import Session
from benchrig.session.session_file import Settling
from benchrig.simulation.board_parts import Burst
from benchrig.simulation.files import SimulatedBoardFile
from tests.benches import HASTY, SESSION, SHEET, Rig, board_file, rig


def state_changed(name: str, session: Session = HASTY, **update: Any) -> Session:
    states = tuple(
        state.model_copy(update=update) if state.name == name else state for state in session.states
    )
    return session.model_copy(update={"states": states})


def board_changed(name: str, **update: Any) -> SimulatedBoardFile:
    board = board_file()
    states = tuple(
        state.model_copy(update=update) if state.name == name else state for state in board.states
    )
    return board.model_copy(update={"states": states})


def settling_of(**data: float) -> Settling:
    return Settling().model_copy(update=data)


class Stay:
    """One stay in one state, measured, and what was told meanwhile."""

    def __init__(self, state: str, **options: Any) -> None:
        events: list[Event] = []
        self.made: Rig = rig(**{"session": HASTY, "listeners": [events.append], **options})
        self.made.bench.connect()
        self.made.bench.power_up()
        events.clear()
        self.made.bench.enter(state)
        self.row: StateResult = self.made.bench.measure()
        self.batches = [event for event in events if isinstance(event, ReadingsTaken)]
        self.entered_s = next(
            event.time_s
            for event in events
            if isinstance(event, Happened) and event.kind == "entered"
        )
        self.changes = [
            (event.time_s, event.data["range_A"], event.data["reason"])
            for event in events
            if isinstance(event, Happened) and event.kind == "range"
        ]

    @property
    def times_s(self) -> np.ndarray:
        return np.concatenate([batch.times_s for batch in self.batches])


def test_down_to_where_the_current_is_known_best() -> None:
    stay = Stay("deep_sleep", session=SESSION)
    scales_A = [range_A for _, range_A, _ in stay.changes]
    assert scales_A == sorted(scales_A, reverse=True)
    assert scales_A[-1] == stay.row.range_A == 1e-5
    assert all(reason.startswith("readings of ") for _, _, reason in stay.changes)
    assert stay.made.meter.ammeter.range.full_scale == 1e-5


def test_readings_come_from_the_range_that_they_name() -> None:
    stay = Stay("deep_sleep", session=SESSION)
    assert np.all(np.diff(stay.times_s) > 0)
    ranges = [batch.range_A for batch in stay.batches]
    assert ranges[0] == 0.1
    for (changed_s, range_A, _), batch in zip(
        stay.changes,
        [
            after
            for before, after in zip(stay.batches, stay.batches[1:], strict=False)
            if before.range_A != after.range_A
        ],
        strict=True,
    ):
        assert batch.range_A == range_A
        # The first aperture begins after the change was over.
        assert batch.times_s[0] - 0.02 >= changed_s - 1e-6


@pytest.mark.parametrize("decoupling_F", [1e-6, 47e-6, 470e-6])
def test_the_first_reading_after_a_step_down_waits_for_shunt_times_capacitor(
    decoupling_F: float,
) -> None:
    ratings = SESSION.board.model_copy(update={"decoupling": decoupling_F})
    board = board_file().model_copy(update={"decoupling": decoupling_F})
    stay = Stay("deep_sleep", session=HASTY.model_copy(update={"board": ratings}), board=board)
    assert stay.changes
    for changed_s, range_A, _ in stay.changes:
        (entry,) = (entry for entry in SHEET.ranges if entry.full_scale == range_A)
        settled_s = SHEET.settling_s(entry) + 6.9 * entry.shunt_ohm * decoupling_F
        before = [batch for batch in stay.batches if batch.times_s[-1] < changed_s]
        after = [batch for batch in stay.batches if batch.times_s[-1] > changed_s]
        assert after[0].times_s[0] - 0.02 - before[-1].times_s[-1] >= settled_s - 1e-5


def test_the_meter_never_ranges_by_itself() -> None:
    stay = Stay("deep_sleep")
    wire = stay.made.wires["meter"]
    wire.write(b"SENS:CURR:RANG:AUTO?\n")
    assert wire.read(1.0).strip() == b"0"


def test_an_overload_goes_up_and_two_bar_the_range() -> None:
    """The board draws 1 mA for 10 ms every 1.5 s, of which the session file says nothing: its
    capacitor droops by 0.2 V, which is 0.2 mA through 1 kohm."""
    burst = Burst.model_construct(period=1.5, duration=0.01, current=1e-3)
    session = state_changed(
        "deep_sleep",
        settling=settling_of(guard=1.2, slowest_time_constant=2.0, tolerance=0.01, time_limit=15.0),
    )
    stay = Stay("deep_sleep", session=session, board=board_changed("deep_sleep", burst=burst))
    overloads = [range_A for _, range_A, reason in stay.changes if reason == "overload"]
    # Each time to where there is room for all that the board may draw.
    assert len(overloads) >= 2
    assert set(overloads) == {0.1}
    overloaded = [batch.range_A for batch in stay.batches if is_overload(batch.currents_A).any()]
    assert len(overloaded) == len(overloads)
    # No range more than twice, nor one below a range that overloaded twice.
    assert max(overloaded.count(range_A) for range_A in overloaded) <= 2
    barred_A = [range_A for range_A in overloaded if overloaded.count(range_A) == 2]
    last_s = [when_s for when_s, _, reason in stay.changes if reason == "overload"][-1]
    assert all(range_A > max(barred_A) for when_s, range_A, _ in stay.changes if when_s > last_s)


def test_an_overload_that_does_not_end() -> None:
    made = rig(session=HASTY)
    made.bench.connect()
    made.bench.power_up()
    made.bench.enter("idle")
    entered_s = made.clock.monotonic()
    made.meter.force_overload = True
    with pytest.raises(Fault) as caught:
        made.bench.measure()
    assert caught.value.kind == "overloaded"
    # A board that has just begun to charge something is given the time of its guard.
    assert 1.2 <= made.clock.monotonic() - entered_s < 2.5


def test_an_overload_within_the_guard_is_forgiven() -> None:
    made = rig(session=HASTY)
    made.bench.connect()
    made.bench.power_up()
    made.bench.enter("idle")
    made.meter.force_overload = True
    end_s = made.clock.monotonic() + 0.8

    def relent(what: str) -> None:
        made.meter.force_overload = made.clock.monotonic() < end_s

    made.wires["meter"].before = relent
    row = made.bench.measure()
    assert row.verdict == "pass"
    assert row.range_A == 0.01


def test_the_deadline_is_kept() -> None:
    """So shortly after the guard nothing is certain."""
    settling = settling_of(guard=3.9, slowest_time_constant=1.0, tolerance=0.01, time_limit=4.0)
    stay = Stay("idle", session=state_changed("idle", settling=settling))
    ended_s = float(stay.times_s[-1])
    assert 3.9 < ended_s - stay.entered_s < 4.2


def test_a_time_limit_within_the_guard_gives_no_value() -> None:
    settling = settling_of(guard=3.0, slowest_time_constant=1.0, tolerance=0.01, time_limit=1.0)
    row = Stay("idle", session=state_changed("idle", settling=settling)).row
    assert row.fault is not None
    assert row.fault.kind == "few_readings"


def test_batches_are_short() -> None:
    """So that an overload or a boot banner is answered soon."""
    stay = Stay("idle", session=SESSION)
    assert max(len(batch.times_s) for batch in stay.batches) <= 20
    assert len(stay.batches[0].times_s) == 5


@pytest.mark.parametrize("state", ["light_sleep", "deep_sleep"])
def test_a_board_that_wakes_early_is_no_drift(state: str) -> None:
    sources = board_file().state(state).wake
    timer = sources[0].model_copy(
        update={"by": "timer", "after": 6.0, "byte": None, "reboots": False, "into": "idle"}
    )
    settling = settling_of(guard=1.2, slowest_time_constant=2.0, tolerance=1e-6, time_limit=20.0)
    with pytest.raises(Fault) as caught:
        Stay(
            state,
            session=state_changed(state, settling=settling),
            board=board_changed(state, wake=(*sources, timer)),
        )
    assert caught.value.kind == "unexpected_wake"
    assert " mA without anybody waking it" in caught.value.message


def test_ticks_of_a_board_that_never_slept_are_not_asked_for() -> None:
    stay = Stay("light_sleep", defect="stuck-awake")
    assert stay.row.fault is None
    assert "stays_awake" in stay.row.flags


# -- ticks that the shunt and the decoupling capacitor smear ----------------------------------


def ticking(
    decoupling_F: float, shunt_ohm: float, *, ticks: bool = True, told_s: float = 0.7
) -> tuple[Stay, dict[float, float]]:
    """A board that draws 2 uA and 1 mA for 500 us every 0.7 s, on a meter with such a shunt on its
    lowest range; the session file has its ticks and its capacitor."""
    ratings = SESSION.board.model_copy(update={"decoupling": decoupling_F})
    state = next(state for state in SESSION.states if state.name == "light_sleep")
    assert state.ticks is not None
    session = state_changed(
        "light_sleep",
        session=SESSION,
        limit=state.limit.model_copy(update={"max": 10e-6, "typical": 5e-6}),
        ticks=state.ticks.model_copy(update={"period": told_s}),
        settling=settling_of(guard=1.5, slowest_time_constant=1.0, time_limit=60.0),
    )
    burst = Burst.model_validate({"period": "0.7 s", "duration": "500 us", "current": "1 mA"})
    board = board_changed("light_sleep", static=2e-6, burst=burst if ticks else None)
    ranges = tuple(
        entry.model_copy(update={"shunt": shunt_ohm}) if entry.full_scale == 1e-5 else entry
        for entry in SHEET.ranges
    )
    stay = Stay(
        "light_sleep",
        session=session.model_copy(update={"board": ratings}),
        board=board.model_copy(update={"decoupling": decoupling_F}),
        sheet=SHEET.model_copy(update={"ranges": ranges}),
    )
    return stay, {entry.full_scale: entry.shunt for entry in ranges}


@pytest.mark.parametrize(
    ("decoupling_F", "shunt_ohm", "range_A"),
    [
        pytest.param(100e-6, 1e3, 1e-5, id="0.14-periods"),
        pytest.param(470e-6, 1e3, 1e-5, id="0.67-periods"),
        pytest.param(100e-6, 1e4, 1e-5, id="1.4-periods"),
        # There nothing of them would be left.
        pytest.param(470e-6, 1e4, 1e-4, id="6.7-periods"),
    ],
)
def test_smeared_ticks_are_measured(decoupling_F: float, shunt_ohm: float, range_A: float) -> None:
    stay, shunts = ticking(decoupling_F, shunt_ohm)
    assert stay.row.fault is None
    assert stay.row.range_A == range_A
    assert stay.row.current_A is not None
    assert stay.row.expanded_uncertainty_A is not None
    true_A = stay.made.world.true_current_A("light_sleep", shunts[range_A])
    assert abs(stay.row.current_A - true_A) <= stay.row.expanded_uncertainty_A
    assert stay.row.expanded_uncertainty_A < 0.03 * true_A


def test_ticks_that_never_come_are_looked_for_on_a_range_with_a_smaller_shunt() -> None:
    stay, _ = ticking(100e-6, 1e4, ticks=False)
    assert stay.row.fault is not None
    assert stay.row.fault.kind == "wakeups_not_seen"
    assert "a smaller shunt" in stay.row.fault.message
    assert [scale_A for _, scale_A, _ in stay.changes][-2:] == [1e-5, 1e-4]
    changed_s, _, reason = stay.changes[-1]
    assert "wake-ups were not seen" in reason
    assert 30.0 <= changed_s - stay.entered_s <= 32.0


def test_smeared_ticks_of_another_period_are_refused() -> None:
    stay, _ = ticking(100e-6, 1e4, told_s=0.8)
    assert stay.row.fault is not None
    assert stay.row.fault.kind == "period_not_as_declared"
    assert "every 0.7 s" in stay.row.fault.message
