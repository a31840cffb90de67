"""Sessions that do not go straight through: confirmed, ended early, aimed at the verdict alone; and
benches that are used again, with another board or after something went wrong."""

from __future__ import annotations

from functools import cache
from typing import Any

import jsonschema
import pytest

from benchrig.errors import UsageError
from benchrig.events import (
    Event,
    Happened,
    Listener,
    SessionEnded,
)
from benchrig.records.schema import result_schema
from benchrig.result import SessionResult, StateResult
from benchrig.session import Session
from benchrig.session.protocol import Wake
from benchrig.simulation.board_parts import Defects
from benchrig.simulation.files import SimulatedBoardFile
from tests.benches import HASTY, SESSION, WITHOUT_SUPPLY, Rig, board_file, rig

SLEEPS = ("light_sleep", "deep_sleep")


@cache
def ran(seed: int = 1, defect: str = "", aim: str = "value") -> tuple[Rig, SessionResult]:
    session = SESSION if aim == "value" else SESSION.aiming_at("verdict")
    made = rig(defect, session=session, seed=seed)
    return made, made.run()


def row_of(result: SessionResult, name: str) -> StateResult:
    return next(row for row in result.states if row.name == name)


def kinds_of(result: SessionResult) -> list[str]:
    return [event.kind for event in result.events]


def on_first(kind: str, act: Any) -> Listener:
    """Calls `act` once, when the log first tells of `kind`."""
    done: list[bool] = []

    def listen(event: Event) -> None:
        if isinstance(event, Happened) and event.kind == kind and not done:
            done.append(True)
            act()

    return listen


def hasty(**changes: Any) -> Session:
    return HASTY.model_copy(update=changes)


def changed(board: SimulatedBoardFile, name: str, **update: Any) -> SimulatedBoardFile:
    states = tuple(
        state.model_copy(update=update) if state.name == name else state for state in board.states
    )
    return board.model_copy(update={"states": states})


# -- whose board --------------------------------------------------------------------------------


def test_a_serial_number_where_the_board_says_none() -> None:
    protocol = HASTY.protocol.model_copy(update={"identity": None})
    result = rig(session=hasty(protocol=protocol)).run(only=["idle"], serial_number="7")
    assert (result.verdict, result.serial_number, result.board.identity) == ("pass", "7", None)


def test_the_record_of_a_silent_board_does_not_name_the_one_before() -> None:
    made = rig(session=HASTY)
    made.bench.connect()
    assert made.run(only=["idle"]).serial_number == "HS-0042"
    made.world.simulated_board.held = True  # another board lies in the fixture, and it is dead
    result = made.run(only=["idle"])
    assert result.fault is not None
    assert result.fault.kind == "board_silent"
    assert result.serial_number is None
    assert result.board.identity is None


# -- boards with defects ------------------------------------------------------------------------


def test_a_session_goes_on_after_a_reset() -> None:
    session = hasty(order=("deep_sleep", "idle"))
    made = rig("spontaneous-reset", session=session)
    result = made.run(repeat=2)
    assert [row.verdict for row in result.states] == ["fault", "pass", "fault", "pass"]


def test_a_board_that_is_woken_by_what_must_not_wake_it_fails() -> None:
    board = board_file()
    wakes_of_any_byte = tuple(
        wake.model_copy(update={"byte": None}) if wake.by == "byte" else wake
        for wake in board.state("deep_sleep").wake
    )
    result = rig(session=HASTY, board=changed(board, "deep_sleep", wake=wakes_of_any_byte)).run(
        only=["deep_sleep"]
    )
    (row,) = result.states
    assert row.verdict == "fail"
    assert "woken_by_byte" in row.flags
    assert (row.current_A or 1.0) < 0.7e-6


# -- confirmation -------------------------------------------------------------------------------

CONFIRMING = hasty(decision=HASTY.decision.model_copy(update={"confirm": True}))


def leaking(siemens: float) -> SimulatedBoardFile:
    defects = Defects.model_validate({"leaky_capacitor": f"{siemens} A/V"})
    return board_file().model_copy(update={"defects": defects})


def confirmed(before: SimulatedBoardFile, after: SimulatedBoardFile) -> SessionResult:
    """A session with a board that is `before` at first, and `after` when it is measured again."""
    made = rig(session=CONFIRMING, board=before)

    def change() -> None:
        made.world.simulated_board.file = after

    return made.run(on_first("confirming", change), only=["deep_sleep"])


GOOD, LEAKY = board_file(), leaking(1e-6)
# 0.6 uA and 3 V times this is the limit, 0.9 uA.
ON_THE_LIMIT = leaking(1e-7)


@pytest.mark.parametrize(
    ("before", "after", "verdicts"),
    [
        (LEAKY, LEAKY, ("fail", "fail")),
        (LEAKY, GOOD, ("fail", "undecided")),
        (LEAKY, ON_THE_LIMIT, ("fail", "undecided")),
        (ON_THE_LIMIT, GOOD, ("undecided", "pass")),
        (ON_THE_LIMIT, LEAKY, ("undecided", "fail")),
        (ON_THE_LIMIT, ON_THE_LIMIT, ("undecided", "undecided")),
    ],
    ids=lambda value: "-".join(value) if isinstance(value, tuple) else "",
)
def test_measured_once_more(
    before: SimulatedBoardFile, after: SimulatedBoardFile, verdicts: tuple[str, str]
) -> None:
    result = confirmed(before, after)
    (row,) = result.states
    (earlier,) = row.earlier
    assert (earlier.verdict, row.verdict) == verdicts
    assert result.verdict == row.verdict
    # Both measurements are in the record.
    assert earlier.current_A is not None
    assert earlier.expanded_uncertainty_A is not None
    assert row.current_A is not None
    assert row.current_A != earlier.current_A
    assert kinds_of(result).count("confirming") == 1
    assert [event.kind for event in result.events if event.state].count("entered") == 2
    if before == LEAKY:
        assert "above_limit" in earlier.flags
        assert earlier.current_A > 3e-6
    jsonschema.validate(result.model_dump(mode="json"), result_schema())


def test_a_pass_is_not_measured_again() -> None:
    result = rig(session=CONFIRMING).run()
    assert result.verdict == "pass"
    assert "confirming" not in kinds_of(result)
    assert all(row.earlier == () for row in result.states)


def test_a_second_measurement_without_a_value_is_a_fault() -> None:
    made = rig("leaky-capacitor", session=CONFIRMING)

    def die() -> None:
        made.world.simulated_board.held = True

    result = made.run(on_first("confirming", die), only=["deep_sleep"])
    (row,) = result.states
    assert (result.verdict, row.verdict) == ("fault", "fault")
    assert row.fault is not None
    assert row.fault.kind == "no_wake"
    assert [earlier.verdict for earlier in row.earlier] == ["fail"]


# -- the verdict alone --------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(1, 6))
@pytest.mark.parametrize("defect", ["", "stuck-awake", "leaky-capacitor"])
def test_the_verdict_alone_comes_earlier_and_is_the_same(defect: str, seed: int) -> None:
    made, result = ran(seed, defect, "verdict")
    slow_made, slow = ran(seed, defect)
    assert [row.verdict for row in result.states] == [row.verdict for row in slow.states]
    assert result.verdict == slow.verdict
    assert made.clock.monotonic() < slow_made.clock.monotonic(), f"seed {seed}"
    assert result.derived == ()
    for row in result.states:
        assert row.current_A is None
        assert "verdict_only" in row.flags
        low_A = -float("inf") if row.lower_bound_A is None else row.lower_bound_A
        high_A = float("inf") if row.upper_bound_A is None else row.upper_bound_A
        true_A = made.true_A(row.name, row.range_A)
        assert low_A <= true_A <= high_A, f"seed {seed}, {row.name}: {low_A}, {true_A}, {high_A}"
        assert high_A - low_A < float("inf") or row.limit_min_A is None
        asleep = "stays_awake" not in row.flags and row.name in SLEEPS
        assert asleep is (row.name in SLEEPS and defect != "stuck-awake")


def test_the_verdict_alone_of_one_state() -> None:
    """The others keep their values, and what is derived of them."""
    states = tuple(
        state.model_copy(update={"settling": state.settling.aiming_at("verdict")})
        if state.name == "deep_sleep"
        else state
        for state in SESSION.states
    )
    result = rig(session=SESSION.model_copy(update={"states": states})).run()
    assert result.verdict == "pass"
    assert [row.name for row in result.derived] == ["lamp_alone"]
    for row in result.states:
        assert (row.current_A is None) is (row.name == "deep_sleep")
        assert ("verdict_only" in row.flags) is (row.name == "deep_sleep")


# -- Ctrl-C, and benches that are used again ----------------------------------------------------


@pytest.mark.parametrize("kind", ["meter", "hello", "range", "entered", "parked", "reply_lost"])
def test_ctrl_c_is_raised_again_after_the_bench_was_left_safe(kind: str) -> None:
    made = rig(session=HASTY)
    ended: list[SessionResult] = []

    def press() -> None:
        raise KeyboardInterrupt

    def keep(event: Event) -> None:
        if isinstance(event, SessionEnded):
            ended.append(event.result)

    with pytest.raises(KeyboardInterrupt):
        made.run(on_first(kind, press), keep)
    (result,) = ended
    assert (result.verdict, result.complete) == ("fault", True)
    assert result.fault is not None
    assert result.fault.kind == "interrupted"
    assert len(result.states) == 3
    assert result.safe_end[0] == "meter: on its highest range"
    assert made.on_highest_range
    made.world.advance(made.clock.monotonic() + 5.0)
    assert made.world.simulated_board.state == "off"


def test_ctrl_c_during_the_safe_end_does_not_keep_the_rest_from_being_done() -> None:
    made = rig(session=HASTY)

    def press() -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        made.run(on_first("safe_end", press))
    assert made.on_highest_range
    made.world.advance(made.clock.monotonic() + 5.0)
    assert made.world.simulated_board.state == "off"


def test_a_listener_that_fails_is_not_hidden() -> None:
    made = rig(session=HASTY)

    def stumble() -> None:
        raise LookupError("mistake of a listener")

    ended: list[Event] = []
    with pytest.raises(LookupError):
        made.run(on_first("entered", stumble), ended.append)
    last = ended[-1]
    assert isinstance(last, SessionEnded)
    assert last.result.fault is not None
    assert last.result.fault.kind == "internal_error"
    assert made.on_highest_range


def test_two_sessions_on_an_open_bench() -> None:
    made = rig(session=HASTY)
    made.bench.connect()
    first, second = made.run(), made.run(only=["deep_sleep"])
    assert (first.verdict, second.verdict) == ("pass", "pass")
    assert made.bench.is_open
    # Each has a log of its own, with times of its own.
    assert second.started >= first.ended
    assert second.events[0].time_s < 1.0
    assert {event.state for event in second.events} == {None, "deep_sleep"}
    assert len(second.states) == 1
    made.bench.leave()
    assert not made.bench.is_open


def test_a_bench_that_was_closed_is_opened_again() -> None:
    made = rig(session=HASTY)
    assert made.run(only=["idle"]).verdict == "pass"
    assert not made.bench.is_open
    assert made.run(only=["idle"]).verdict == "pass"


def test_a_session_after_a_call_that_made_no_sense() -> None:
    made = rig(session=HASTY)
    made.bench.connect()
    with pytest.raises(UsageError):
        made.run(only=["nothing"])
    assert made.run().verdict == "pass"


def test_a_session_after_one_that_ended_with_the_board_asleep() -> None:
    """Nothing from outside wakes it, so the safe end leaves it; its port is closed by then."""
    wake = Wake.model_validate({"by": "timer", "after": "40 s", "within": "2 s"})
    states = tuple(
        state.model_copy(update={"wake": wake, "must_not_wake": ()})
        if state.name == "deep_sleep"
        else state
        for state in HASTY.states
    )
    made = rig(session=hasty(states=states))
    made.bench.connect()

    def press() -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        made.run(on_first("entered", press), only=["deep_sleep"])
    assert made.run(only=["idle"]).verdict == "pass"


def test_what_one_board_draws_awake_says_nothing_of_the_next() -> None:
    """A frugal board, and then one whose sleep draws more than that, though it sleeps."""
    made = rig(session=hasty(states=tuple(s for s in HASTY.states if s.name != "light_sleep")))
    made.bench.connect()
    good = board_file()
    frugal = changed(good, "idle", static=1e-5, conductive=0.0, switched=0.0)
    made.world.simulated_board.file = frugal
    made.run(only=["idle"])
    made.clock.sleep(60.0)  # until it has no power any more
    made.world.simulated_board.file = changed(good, "deep_sleep", static=5e-4)
    (row,) = made.run(only=["deep_sleep"]).states
    assert row.verdict == "fail"
    assert row.flags[-1] == "above_limit"


def test_without_a_supply() -> None:
    made = rig(session=HASTY, file=WITHOUT_SUPPLY)
    result = made.run()
    assert (result.verdict, result.bench.supply) == ("pass", None)
    assert result.safe_end == ("meter: on its highest range",)
    assert made.world.simulated_board.state == "idle"
