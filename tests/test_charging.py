"""Charge per event on simulated benches: the truth within the interval, and what is no charge."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import jsonschema
import pytest

from benchrig.energy.currents import Source, usable
from benchrig.events import Event, Happened, StateStarted
from benchrig.records.replaying import replay
from benchrig.records.schema import result_schema
from benchrig.result import ChargeResult, SessionResult
from benchrig.session.bench_file import Parking
from benchrig.session.protocol import Exchange
from benchrig.session.session_file import Ticks
from benchrig.session.steps import Charge
from benchrig.simulation.board_parts import Burst, WakeSource
from benchrig.simulation.circuit import CONTACT_OHM
from tests.benches import BENCH, SHEET, Rig, board_file, rig, with_supply
from tests.recordings import record
from tests.stepping import (
    TICK,
    WEIGHING,
    WHOLE,
    asleep,
    charge,
    session,
    set_voltage_V,
    sleeping_weigher,
    with_states,
)

WOKEN = Charge.model_validate(
    {
        "name": "woken",
        "state": "light_sleep",
        "period": "1 s",
        "periods": 8,
        "stimulus": {"by": "byte", "send_hex": "77"},
    }
)


def charged(made: Rig, *listeners: Any) -> tuple[SessionResult, ChargeResult]:
    result = made.run(*listeners)
    (only,) = result.charges
    return result, only


def shunt_ohm(row: ChargeResult) -> float:
    return next(entry.shunt_ohm for entry in SHEET.ranges if entry.full_scale == row.range_A)


def true_C(row: ChargeResult, constant_C: float, per_volt_S: float) -> float:
    """Charge at a constant current, through a shunt that takes voltage from what is not constant:
    the means of a linear circuit obey the equation of its steady values."""
    return constant_C / (1.0 + per_volt_S * (shunt_ohm(row) + CONTACT_OHM))


def holds(row: ChargeResult, true: float, of: object) -> bool:
    assert row.fault is None, (of, row.fault)
    assert row.charge_C is not None
    assert row.expanded_uncertainty_C is not None
    return abs(row.charge_C - true) <= row.expanded_uncertainty_C


# -- the board's own timer ------------------------------------------------------------------

TICKING = session(charges=(charge(TICK, periods=8),))


def test_a_tick_of_the_board_itself() -> None:
    misses = []
    for seed in range(1, 21):
        made = rig(session=TICKING, seed=seed)
        result, row = charged(made)
        assert (row.periods, row.events) == (8, 8), seed
        true = true_C(row, 1e-3 * 500e-6, 1e-6)
        assert row.expanded_uncertainty_C is not None
        assert row.expanded_uncertainty_C < 0.02 * true, seed
        if not holds(row, true, seed):
            misses.append((seed, row.charge_C, row.expanded_uncertainty_C))
        assert result.verdict == row.verdict == "pass"
    assert len(misses) <= 2, misses
    jsonschema.validate(result.model_dump(mode="json"), result_schema())


def test_the_offset_of_the_range_cancels_and_its_gain_is_one_error() -> None:
    _, row = charged(rig(session=TICKING))
    lines = {line.name: line.contribution_A for line in row.budget}
    assert lines["offset"] == pytest.approx(0.0, abs=1e-15)
    gain = next(entry.gain_accuracy for entry in SHEET.ranges if entry.full_scale == row.range_A)
    assert row.charge_C is not None
    assert lines["gain"] == pytest.approx(gain / 3**0.5 * row.charge_C / row.period_s, rel=1e-6)
    total = sum(part**2 for part in lines.values()) ** 0.5 * row.period_s
    assert row.standard_uncertainty_C == pytest.approx(total, rel=1e-6)


def test_ticks_above_another_state() -> None:
    """Deep sleep as base: the charge is then also that of all else that light sleep draws."""
    deep = next(state for state in WHOLE.states if state.name == "light_sleep")
    base = asleep(name="resting", wake=deep.wake)
    above = charge(TICK, base="resting", periods=8)
    made = rig(session=session(charges=(above,), states=(*WHOLE.states, base)))
    result, row = charged(made)
    # Both are light sleep, so nothing is left.
    assert row.base == "resting"
    assert row.base_current_A == result.states[-1].current_A
    assert row.charge_C is not None
    assert row.expanded_uncertainty_C is not None
    assert abs(row.charge_C) <= row.expanded_uncertainty_C


def test_a_tick_that_is_left_out_is_named() -> None:
    # With its port open it is looked at while the meter reads.
    port = BENCH.board.model_copy(update={"parking": Parking()})
    made = rig(session=TICKING, file=BENCH.model_copy(update={"board": port}))
    board = made.world.simulated_board
    begun: list[float] = []

    def listen(event: Event) -> None:
        if isinstance(event, StateStarted):
            begun.append(made.clock.monotonic())

    def stop_ticking(what: str) -> None:
        # The state is measured, then its charge, which settles within 15 s and lasts 11 s.
        if len(begun) == 2 and made.clock.monotonic() > begun[1] + 20.0:
            board._agenda.drop()

    made.wires["board"].before = stop_ticking
    result, row = charged(made, listen)
    assert row.fault is not None
    assert row.fault.kind == "event_missed"
    assert "0 events in period" in row.fault.message
    assert result.verdict == "fault"


def test_a_period_that_is_not_the_declared_one_is_seen_by_the_count() -> None:
    twice = Burst.model_validate({"period": "500 ms", "duration": "500 us", "current": "1 mA"})
    board = with_states(board_file(), {"light_sleep": {"burst": twice}})
    result, row = charged(rig(session=TICKING, board=board))
    assert row.fault is not None
    assert row.fault.kind in ("event_extra", "charge_not_settled")
    assert result.verdict == "fault"
    assert row.charge_C is None


# -- events that are made -------------------------------------------------------------------

ASKED = session(charges=(charge(WEIGHING, periods=6),))


def test_an_event_that_is_asked_for() -> None:
    misses = []
    for seed in range(1, 21):
        made = rig(session=ASKED, seed=seed)
        result, row = charged(made)
        assert (row.periods, row.events) == (6, 6), seed
        # 30 uA/V, 67.5 pF at 4 MHz, and the transmit line.
        if not holds(row, true_C(row, 5.3e-3 * 0.1, 300.5e-6), seed):
            misses.append((seed, row.charge_C, row.expanded_uncertainty_C))
        assert result.verdict == "pass"
    assert len(misses) <= 2, misses


def test_a_stored_charge_gives_its_budget_back() -> None:
    """Its lines are those of the current over its period, which is 2 s here."""
    result, row = charged(rig(session=ASKED))
    stored = SessionResult.model_validate_json(result.model_dump_json())
    budget = usable(Source("a run", stored), "charge", stored.charges[0])
    assert row.period_s == 2.0
    assert budget.value == row.charge_C
    assert budget.standard_uncertainty == pytest.approx(row.standard_uncertainty_C)
    assert budget.expanded_uncertainty == pytest.approx(row.expanded_uncertainty_C)


def woken_C(lasts_s: float) -> float:
    """Above light sleep the board draws 0.3 mA, 30 uA/V and 67.5 pF at 4 MHz at 3 V less the
    burden, and the bridge, until it is asleep again 50 ms after it has gone there."""
    awake_A = 300e-6 + 300e-6 * (3.0 - 6.5e-3 * (1.0 + CONTACT_OHM)) + 5.3e-3
    return (lasts_s + 0.05) * (awake_A - (21.5e-6 + 0.5e-6 + 1e-6 * 3.0))


def test_an_event_that_a_byte_wakes() -> None:
    made = rig(session=session(charges=(WOKEN,), states=(asleep(),)), board=sleeping_weigher())
    result, row = charged(made)
    assert (row.periods, row.events) == (8, 8)
    assert row.flags == ()
    assert row.charge_C == pytest.approx(woken_C(0.1), rel=0.002)
    assert holds(row, woken_C(0.1), 1)
    assert result.safe_end[0] == "meter: on its highest range"


def test_the_meter_has_room_for_the_event() -> None:
    """No byte leaves on a range that the peak would not pass."""
    made = rig(session=session(charges=(WOKEN,), states=(asleep(),)), board=sleeping_weigher())
    scales: list[float] = []

    def before(what: str) -> None:
        if what == "write" and made.bench.meter.range is not None:
            scales.append(made.bench.meter.range.full_scale_A)

    made.wires["board"].before = before
    _, row = charged(made)
    assert row.fault is None
    assert min(scales) >= 25e-3
    assert made.world.simulated_board.boots == 1


@pytest.mark.parametrize("dead_time_s", [0.005, 0.02])
def test_through_a_meter_with_dead_time(dead_time_s: float) -> None:
    short = with_states(sleeping_weigher(), {"weigh_once": {"then": following("7 ms")}})
    misses = []
    for seed in range(1, 9):
        made = rig(
            session=session(charges=(charge(WOKEN, periods=20),), states=(asleep(),)),
            board=short,
            seed=seed,
            dead_time_s=dead_time_s,
        )
        _, row = charged(made)
        if not holds(row, woken_C(7e-3), seed):
            misses.append((seed, row.charge_C, row.expanded_uncertainty_C))
        assert "dead time" in [line.name for line in row.budget]
    assert not misses


def following(after: str) -> Any:
    weigh = sleeping_weigher().state("weigh_once").then
    assert weigh is not None
    return type(weigh).model_validate({"after": after, "state": "light_sleep"})


# -- what is no charge ----------------------------------------------------------------------


def test_no_answer_is_a_missed_event() -> None:
    made = rig(session=ASKED)
    sent: list[Event] = []

    def deafen(event: Event) -> None:
        if (
            isinstance(event, Happened)
            and event.kind == "sent"
            and event.text.startswith("weigh once")
        ):
            sent.append(event)
            made.world.simulated_board.held = len(sent) == 4
        elif isinstance(event, Happened) and event.kind == "fault":
            made.world.simulated_board.held = False

    result, row = charged(made, deafen)
    assert row.fault is not None
    assert row.fault.kind == "event_missed"
    assert "no answer" in row.fault.message
    assert (row.verdict, row.charge_C, result.verdict) == ("fault", None, "fault")
    assert result.fault is None  # the board was found again
    assert len(sent) == 4  # said once each, and not again


def test_an_event_more_is_named_by_the_current() -> None:
    silent = Exchange.model_validate({"send": "weigh once"})
    once = charge(WEIGHING, periods=6, exchanges=(silent,))
    made = rig(session=session(charges=(once,)))
    sent: list[Event] = []

    def double(event: Event) -> None:
        if (
            isinstance(event, Happened)
            and event.kind == "sent"
            and event.text.startswith("weigh once")
        ):
            sent.append(event)
            if len(sent) == 5:
                made.world.simulated_board.receive(b"weigh once\n", made.clock.monotonic() + 0.5)

    result, row = charged(made, double)
    assert row.fault is not None
    assert row.fault.kind == "event_extra"
    assert "period 4 of 6" in row.fault.message
    assert result.verdict == "fault"


def test_an_event_that_the_board_sleeps_through_is_named_by_the_current() -> None:
    made = rig(session=session(charges=(WOKEN,), states=(asleep(),)), board=sleeping_weigher())
    stimuli: list[Event] = []
    deaf = with_states(made.world.simulated_board.file, {"light_sleep": {"wake": ()}})
    hears = made.world.simulated_board.file

    def deafen(event: Event) -> None:
        if isinstance(event, Happened) and event.kind == "stimulus":
            stimuli.append(event)
            # The first wakes it from the state's own measurement, the second is not averaged.
            state = (deaf if len(stimuli) == 4 else hears).state("light_sleep")
            made.world.simulated_board._now = state

    _, row = charged(made, deafen)
    assert row.fault is not None
    assert row.fault.kind == "event_missed"
    assert "0 events in period 2 of 8" in row.fault.message


def test_a_stimulus_that_does_nothing_is_no_charge_of_zero() -> None:
    only_55 = WakeSource.model_validate({"by": "byte", "byte": "55", "into": "idle"})
    board = with_states(sleeping_weigher(), {"light_sleep": {"wake": (only_55,)}})
    made = rig(session=session(charges=(WOKEN,), states=(asleep(),)), board=board)
    result, row = charged(made)
    assert row.fault is not None
    assert row.fault.kind == "events_not_seen"
    assert result.verdict == "fault"


def test_a_board_that_stays_awake_after_its_event_is_named() -> None:
    """The first byte wakes it for good: then all periods are alike, and none is an event."""
    made = rig(session=session(charges=(WOKEN,), states=(asleep(),)))
    result, row = charged(made)
    assert row.fault is not None
    assert row.fault.kind in ("event_not_over", "events_not_seen")
    assert result.verdict == "fault"


def test_a_state_that_does_not_settle_has_no_charge() -> None:
    hurried = asleep()
    settling = hurried.settling.model_copy(update={"time_limit": 0.5})
    states = (hurried.model_copy(update={"settling": settling}),)
    made = rig(session=session(charges=(WOKEN,), states=states), board=sleeping_weigher())
    result, row = charged(made)
    assert row.fault is not None
    assert row.fault.kind == "charge_not_settled"
    assert result.verdict == "fault"


def test_a_board_that_stays_awake_has_no_charge() -> None:
    _, row = charged(rig("stuck-awake", session=TICKING))
    assert row.fault is not None
    assert row.fault.kind == "charge_not_settled"


def test_a_board_that_dies_in_the_middle_leaves_a_safe_bench() -> None:
    made = rig(session=ASKED, file=with_supply(at_end="on"))
    sent: list[Event] = []

    def die(event: Event) -> None:
        if (
            isinstance(event, Happened)
            and event.kind == "sent"
            and event.text.startswith("weigh once")
        ):
            sent.append(event)
            made.world.simulated_board.held = len(sent) >= 3

    result, row = charged(made, die)
    assert row.fault is not None
    assert row.fault.kind == "event_missed"
    assert result.fault is not None
    assert made.on_highest_range
    assert set_voltage_V(made) == 3.0


def test_ticks_that_no_reading_shows_are_no_charge() -> None:
    tiny = {"period": "1 s", "duration": "500 us"}
    burst = Burst.model_validate({**tiny, "current": "1 uA"})
    ticks = Ticks.model_validate({**tiny, "peak_current": "1 uA"})
    board = with_states(board_file(), {"light_sleep": {"burst": burst}})
    states = tuple(
        state.model_copy(update={"ticks": ticks}) if state.name == "light_sleep" else state
        for state in WHOLE.states
    )
    asked = charge(TICK, periods=8)
    _, row = charged(rig(session=session(charges=(asked,), states=states), board=board))
    assert row.fault is not None
    assert row.fault.kind == "charge_not_settled"
    assert "wakeups_not_seen" in row.fault.message


def test_limits_of_a_charge_decide() -> None:
    limit = TICK.limit.model_copy(update={"max": 0.45e-6, "typical": None})
    _, row = charged(rig(session=session(charges=(charge(TICK, periods=8, limit=limit),))))
    assert row.verdict == "fail"
    assert "above_limit" in row.flags
    assert row.reported is not None
    assert "nC" in row.reported


def test_a_replay_is_equal(tmp_path: Path) -> None:
    made = rig(session=session(charges=(charge(TICK, periods=5), charge(WEIGHING, periods=5))))
    recorded = record(tmp_path / "charge.jsonl", made)
    assert [row.verdict for row in recorded.result.charges] == ["pass", "pass"]
    replayed = replay(recorded.recording, recorded.files)
    assert replayed.equal, replayed.differences


def test_the_ticks_are_those_of_the_state() -> None:
    slow = Ticks.model_validate({"period": "2 s", "duration": "500 us", "peak_current": "1 mA"})
    states = tuple(
        state.model_copy(update={"ticks": slow}) if state.name == "light_sleep" else state
        for state in WHOLE.states
    )
    burst = Burst.model_validate({"period": "2 s", "duration": "500 us", "current": "1 mA"})
    board = with_states(board_file(), {"light_sleep": {"burst": burst}})
    made = rig(session=session(charges=(charge(TICK, periods=5),), states=states), board=board)
    _, row = charged(made)
    assert row.period_s == 2.0
    assert row.charge_C == pytest.approx(0.5e-6, rel=0.02)
