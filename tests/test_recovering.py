"""What one spoiled byte, a lost command or a line of noise may cost: one more attempt that is in
the record, and no false word about the board."""

from __future__ import annotations

import re
from collections.abc import Sequence

import pytest

from benchrig.assembly import assemble
from benchrig.clock import VirtualClock
from benchrig.events import Event, Happened, ReadingsTaken
from benchrig.injecting import FaultPlan
from benchrig.leaving import NOT_REACHED
from benchrig.result import SessionResult, StateResult
from benchrig.sequencer import run_session
from benchrig.session import BenchFile, Session
from benchrig.session.protocol import Exchange
from benchrig.session.session_file import State
from benchrig.wires.injections import (
    Act,
    AtMatch,
    AtTime,
    Close,
    Cut,
    Drop,
    Flip,
    Injection,
    Insert,
    Side,
    Silence,
)
from tests.benches import BENCH, FIXTURES, HASTY, board_file, rig


def at(pattern: str, act: Act, side: Side = "received", *, after: int = 0) -> Injection:
    return Injection(act, AtMatch(re.compile(pattern.encode())), side, after)


def always(pattern: str, act: Act, side: Side = "received") -> Injection:
    return Injection(act, AtMatch(re.compile(pattern.encode())), side, after=2, times=None)


def ran(
    faults: FaultPlan, session: Session = HASTY, file: BenchFile = BENCH, only: Sequence[str] = ()
) -> SessionResult:
    bench = assemble(file, session, clock=VirtualClock(), faults=faults)
    return run_session(session, bench, only=only)


def row_of(result: SessionResult, name: str) -> StateResult:
    return next(row for row in result.states if row.name == name)


def told(result: SessionResult, kind: str) -> list[str]:
    return [event.text for event in result.events if event.kind == kind]


def with_board(defect: str) -> BenchFile:
    assert BENCH.simulation is not None
    board = str(FIXTURES / "boards" / f"hive-scale-{defect}.toml")
    return BENCH.model_copy(
        update={"simulation": BENCH.simulation.model_copy(update={"board": board})}
    )


# -- one exchange -------------------------------------------------------------------------------


@pytest.mark.parametrize("side", ["sent", "received"])
@pytest.mark.parametrize("act", [Drop(), Flip(0x02), Cut()], ids=repr)
@pytest.mark.parametrize("command", ["id", "stop"])
def test_a_board_is_asked_once_more_after_one_spoiled_byte(
    command: str, act: Act, side: Side
) -> None:
    result = ran(FaultPlan(board=(at(f"^{command}\n", act, side, after=1),)), only=["idle"])
    assert [row.verdict for row in result.states] == ["pass"]
    assert len(told(result, "repeating")) == 1
    sent = [text for text in told(result, "sent") if text.startswith(command)]
    assert sent == [f"{command}\\n"] * 2
    assert result.serial_number == "HS-0042"


@pytest.mark.parametrize("act", [Flip(0x02), Cut()], ids=repr)
def test_it_is_asked_only_once_more(act: Act) -> None:
    result = ran(FaultPlan(board=(always("^stop\n", act),)), only=["idle"])
    (row,) = result.states
    assert row.fault is not None
    assert row.fault.kind == "no_reply"
    assert [text for text in told(result, "sent") if text.startswith("stop")] == ["stop\\n"] * 2


def test_a_real_refusal_stays_one() -> None:
    idle = HASTY.states[0]
    wrong = Exchange.model_validate({"send": "no such thing", "expect": "^ok"})
    session = changed(HASTY, idle.model_copy(update={"enter": (wrong,)}))
    result = ran(FaultPlan(), session, only=["idle"])
    assert (row := result.states[0]).fault is not None
    assert row.fault.kind == "board_refused"
    assert told(result, "sent").count("no such thing\\n") == 2


def changed(session: Session, state: State) -> Session:
    states = tuple(state if other.name == state.name else other for other in session.states)
    return session.model_copy(update={"states": states})


def test_what_is_not_repeatable_is_not_repeated() -> None:
    idle = HASTY.states[0]
    enter = tuple(entry.model_copy(update={"repeatable": False}) for entry in idle.enter)
    session = changed(HASTY, idle.model_copy(update={"enter": enter}))
    result = ran(FaultPlan(board=(at("^stop\n", Drop(), after=1),)), session, only=["idle"])
    assert (row := result.states[0]).fault is not None
    assert row.fault.kind == "no_reply"
    assert told(result, "sent").count("stop\\n") == 1
    assert told(result, "repeating") == []


def test_a_board_that_is_silent_is_not_asked_on_and_on() -> None:
    result = ran(FaultPlan(board=(at("^stop\n", Silence()),)), only=["idle"])
    assert (row := result.states[0]).fault is not None
    assert row.fault.kind == "board_silent"
    assert told(result, "sent").count("stop\\n") == 1


# -- sleep --------------------------------------------------------------------------------------


def test_a_command_to_sleep_that_was_not_heard_is_said_once_more() -> None:
    lost = FaultPlan(board=(at("^sleep light\n", Cut(), "sent"),))
    result = ran(lost, only=["light_sleep"])
    (row,) = result.states
    assert (row.verdict, row.flags) == ("pass", ())
    assert len(told(result, "repeating")) == 1


def test_a_board_that_hears_nothing_any_more_is_not_called_a_fail() -> None:
    result = ran(FaultPlan(board=(at("^sleep deep\n", Silence(), "sent"),)))
    row = row_of(result, "deep_sleep")
    assert row.fault is not None
    assert row.fault.kind == "board_silent"
    assert all(derived.verdict != "fail" for derived in result.derived)


@pytest.mark.parametrize("name", ["light_sleep", "deep_sleep"])
def test_a_board_that_stays_awake_fails_however_it_answers(name: str) -> None:
    """Also one that never acknowledges: it has been told twice, and hears."""
    file = with_board("stuck-awake")
    mute = always("^sleep", Cut())
    for faults in (FaultPlan(), FaultPlan(board=(mute,))):
        result = ran(faults, file=file, only=[name])
        (row,) = result.states
        assert row.verdict == "fail"
        assert "stays_awake" in row.flags
        assert len(told(result, "repeating")) == bool(faults.board)


def test_a_line_of_noise_is_no_waking() -> None:
    clean = ran(FaultPlan(), only=["deep_sleep"])
    stimulus = next(event for event in clean.events if event.kind == "stimulus")
    noise = Injection(Insert(b"x\r\n"), AtTime(stimulus.time_s + 0.3))
    result = ran(FaultPlan(board=(noise,)), only=["deep_sleep"])
    (row,) = result.states
    assert (row.verdict, row.flags) == ("pass", ())
    assert len(told(result, "woke")) == 1
    assert len(told(result, "slept_on")) == 1


def test_a_board_that_speaks_at_every_stimulus_is_woken_though_it_sleeps_on() -> None:
    made = rig(session=HASTY)

    def listen(event: Event) -> None:
        if isinstance(event, Happened) and event.kind == "stimulus":
            made.world.simulated_board._say(b"who is there?\r\n", made.clock.monotonic())

    result = made.run(listen, only=["deep_sleep"])
    (row,) = result.states
    assert (row.verdict, row.flags) == ("fail", ("woken_by_byte",))
    # Heard twice while it slept on, and once more after it was sent to sleep again.
    assert len(told(result, "woke")) == 3


def test_a_board_that_is_woken_is_tried_once_more_and_fails() -> None:
    board = board_file()
    any_byte = tuple(
        wake.model_copy(update={"byte": None}) if wake.by == "byte" else wake
        for wake in board.state("deep_sleep").wake
    )
    states = tuple(
        state.model_copy(update={"wake": any_byte}) if state.name == "deep_sleep" else state
        for state in board.states
    )
    made = rig(session=HASTY, board=board.model_copy(update={"states": states}))
    result = made.run(only=["deep_sleep"])
    (row,) = result.states
    assert (row.verdict, row.flags) == ("fail", ("woken_by_byte",))
    assert len(told(result, "repeating")) == 1
    assert len(told(result, "entered")) == 2


def test_a_board_that_resets_by_chance_is_not_called_woken() -> None:
    made = rig(session=HASTY)
    reset: list[bool] = []

    def listen(event: Event) -> None:
        if isinstance(event, Happened) and event.kind == "stimulus" and not reset:
            reset.append(True)
            made.world.reset_board(made.clock.monotonic())

    result = made.run(listen, only=["deep_sleep"])
    (row,) = result.states
    assert (row.verdict, row.flags) == ("pass", ())
    assert len(told(result, "repeating")) == 1


# -- the safe end -------------------------------------------------------------------------------


@pytest.mark.parametrize("act", [Drop(), Cut(), Silence(0.5), Close()], ids=repr)
@pytest.mark.parametrize("wire", ["meter", "supply"])
def test_what_is_spoiled_in_the_safe_end_is_done_once_more(wire: str, act: Act) -> None:
    clean = ran(FaultPlan(), only=["idle"])
    end_s = max(event.time_s for event in clean.events if event.kind != "safe_end") - 0.25
    when = AtTime(end_s) if wire == "meter" else AtMatch(re.compile(b"OUTP OFF"))
    faults = FaultPlan(**{wire: (Injection(act, when),)})
    result = ran(faults, only=["idle"])
    assert told(result, "injected") != []
    assert not [line for line in result.safe_end if NOT_REACHED in line]


def test_a_board_is_not_tried_where_the_meter_is_gone() -> None:
    """Each line of the safe end names its own cause."""
    made = rig(session=HASTY)

    def unplug(event: Event) -> None:
        if isinstance(event, ReadingsTaken) and event.range_A == 1e-5:
            made.wires["meter"].unplug()

    result = made.run(unplug, only=["deep_sleep"])
    meter, board, supply = result.safe_end
    assert meter.startswith("meter: NOT reached: ")
    assert board == (
        "board: NOT reached: not tried, since the meter is on no range that carries it awake"
    )
    assert supply == "supply: left off"


def test_a_board_whose_wire_ends_while_it_sleeps_is_woken_over_a_new_one() -> None:
    clean = ran(FaultPlan(), only=["deep_sleep"])
    stimulus = [event.time_s for event in clean.events if event.kind == "stimulus"][-1]
    result = ran(FaultPlan(board=(Injection(Close(), AtTime(stimulus)),)), only=["deep_sleep"])
    assert row_of(result, "deep_sleep").verdict == "fault"
    assert "board: awake" in result.safe_end
