"""What was recorded comes out again: in every figure, without any port, and with its differences
told where the session of today is another one."""

from __future__ import annotations

import dataclasses
import socket
from pathlib import Path
from typing import Any

import pytest
import pyvisa
import serial
from hypothesis import HealthCheck, given, settings

from benchrig.clock import VirtualClock
from benchrig.errors import Fault, FileProblems, ReplayEnded, ReplayMismatch
from benchrig.events import Event, Happened
from benchrig.injecting import FaultPlan
from benchrig.records.recording import Options, load_recording
from benchrig.records.replaying import differing, recorded_files, replay
from benchrig.session import Session
from benchrig.wires.injections import AtMessage, Delay, Injection
from tests.benches import HASTY, Rig, rig
from tests.recordings import RECORDINGS, Recorded, record
from tests.records.any_session import Trial, trials
from tests.records.any_session import check as check_any
from tests.records.any_session import check_replayed as check


@pytest.fixture(autouse=True)
def no_ports(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever reaches for a port or the network here is found out."""

    def forbidden(*words: Any, **named: Any) -> Any:
        raise AssertionError("a replay has reached for a port or the network")

    monkeypatch.setattr(serial, "serial_for_url", forbidden)
    monkeypatch.setattr(serial.Serial, "open", forbidden)
    monkeypatch.setattr(pyvisa, "ResourceManager", forbidden)
    monkeypatch.setattr(socket, "socket", forbidden)
    monkeypatch.setattr(socket, "create_connection", forbidden)


# -- equal ----------------------------------------------------------------------------------


def test_the_wires_are_forbidden_here() -> None:
    with pytest.raises(AssertionError):
        serial.serial_for_url("socket://127.0.0.1:1")


LATE = Injection(Delay(0.01), AtMessage(2))
FIXTURES = sorted(RECORDINGS.glob("*.jsonl"))


def test_there_are_recordings() -> None:
    assert len(FIXTURES) >= 6


@pytest.mark.parametrize("path", FIXTURES, ids=lambda path: path.stem)
def test_a_kept_recording_gives_its_result(path: Path) -> None:
    recording = load_recording(path)
    assert recording.torn is None
    replayed = replay(recording)
    assert replayed.differences == ()
    assert (replayed.other_waits, replayed.unused_acts) == (0, 0)


def test_what_the_kept_recordings_are_of() -> None:
    verdicts = {path.stem: (load_recording(path).result or {})["verdict"] for path in FIXTURES}
    assert verdicts["good"] == "pass"
    assert verdicts["leaky-capacitor"] == verdicts["stuck-awake"] == "fail"
    assert verdicts["meter-lost"] == verdicts["dead-uart"] == "fault"


@pytest.mark.parametrize("defect", ["", "leaky-capacitor", "spontaneous-reset"])
def test_a_recorded_session_is_the_session(defect: str, tmp_path: Path) -> None:
    """To be recorded changes nothing, and to be replayed neither."""
    recorded = record(tmp_path / "r.jsonl", defect=defect, session=HASTY)
    assert recorded.result == rig(defect, session=HASTY).run()
    check(recorded)


@pytest.mark.parametrize("faults", [FaultPlan(), FaultPlan(board=(LATE,), meter=(LATE,))])
def test_a_clock_that_never_stands_still(
    faults: FaultPlan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As in real time, whoever looks at the clock in the middle of an act sees another time."""

    def monotonic(clock: VirtualClock) -> float:
        clock._elapsed_s += 7e-6
        return clock._elapsed_s

    monkeypatch.setattr(VirtualClock, "monotonic", monotonic)
    recorded = record(tmp_path / "r.jsonl", session=HASTY, faults=faults)
    injected = [event for event in recorded.result.events if event.kind == "injected"]
    assert len(injected) == len(faults.board) + len(faults.meter)
    check(recorded)


def test_options_are_those_of_the_session(tmp_path: Path) -> None:
    options = Options(only=("idle",), repeat=2, serial_number="HS-0042")
    recorded = record(tmp_path / "r.jsonl", session=HASTY, options=options)
    assert len(recorded.result.states) == 2
    check(recorded)


def stop_at(made: Rig, act: int) -> None:
    """A request to stop before this act on any wire."""
    count = 0

    def before(what: str) -> None:
        nonlocal count
        count += 1
        if count == act:
            made.clock.stop.make("SIGINT")

    for wire in made.wires.values():
        wire.before = before


@pytest.mark.parametrize("act", [1, 5, 40, 200, 400])
def test_a_session_that_was_stopped(act: int, tmp_path: Path) -> None:
    made = rig(session=HASTY)
    stop_at(made, act)
    recorded = record(tmp_path / "r.jsonl", made)
    assert recorded.result.fault is not None
    assert recorded.result.fault.kind == "interrupted"
    check(recorded)


def test_a_stop_before_the_first_act(tmp_path: Path) -> None:
    made = rig(session=HASTY)
    made.clock.stop.make("SIGTERM")
    check(record(tmp_path / "r.jsonl", made))


def test_a_listener_that_failed(tmp_path: Path) -> None:
    def fail(event: Event) -> None:
        if isinstance(event, Happened) and event.kind == "entered" and event.state == "deep_sleep":
            raise Fault("record_failed", "the disk is full")

    recorded = record(tmp_path / "r.jsonl", session=HASTY, listeners=[fail])
    assert recorded.result.fault is not None
    assert recorded.result.fault.kind == "record_failed"
    check(recorded)


def test_a_session_that_was_cut_off_by_an_error_of_our_own(tmp_path: Path) -> None:
    def fail(event: Event) -> None:
        if isinstance(event, Happened) and event.kind == "entered":
            raise LookupError("a mistake")

    path = tmp_path / "r.jsonl"
    with pytest.raises(LookupError):
        record(path, session=HASTY, listeners=[fail])
    made = rig(session=HASTY)
    files = dataclasses.replace(recorded_files(load_recording(FIXTURES[0])), session=made.session)
    with pytest.raises(ReplayEnded, match="LookupError"):
        replay(load_recording(path), files)


@settings(
    max_examples=80,
    derandomize=True,
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
)
@given(trials())
def test_any_session_with_any_faults(trial: Trial) -> None:
    """scripts/try_sessions.py tries thousands."""
    check_any(trial)


@pytest.mark.parametrize("left", [1, 2, 3])
def test_the_ports_need_not_be_closed(left: int, hasty: Recorded, tmp_path: Path) -> None:
    """The power was cut while they were, or somebody else had opened them."""
    lines = hasty.path.read_bytes().splitlines(keepends=True)
    assert all(b'"op":"close"' in line for line in lines[-3:])
    path = tmp_path / "r.jsonl"
    path.write_bytes(b"".join(lines[:-left]))
    check(Recorded(hasty.result, path, hasty.files))


# -- not equal ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def hasty(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    return record(tmp_path_factory.mktemp("hasty") / "r.jsonl", session=HASTY)


def other(recorded: Recorded, session: Session) -> str:
    """The report of the mismatch with another session."""
    with pytest.raises(ReplayMismatch) as caught:
        replay(recorded.recording, dataclasses.replace(recorded.files, session=session))
    return str(caught.value)


def entering(text: str, name: str = "idle") -> Session:
    def changed(state: Any) -> Any:
        (exchange,) = state.enter
        update = {"send": text}
        return state.model_copy(update={"enter": (exchange.model_copy(update=update),)})

    states = tuple(changed(each) if each.name == name else each for each in HASTY.states)
    return HASTY.model_copy(update={"states": states})


def test_another_command(hasty: Recorded) -> None:
    told = other(hasty, entering("stopp"))
    assert "now:       write 'stopp\\n' to the board" in told
    assert "recorded:  write 'stop\\n' to the board, answered '\\nok idle\\r\\n'" in told
    assert "agree:     wire, act, lines, place" in told
    assert "differ:    bytes" in told
    assert "step:" in told
    assert "used up" not in told


def test_a_command_that_was_used_up(hasty: Recorded) -> None:
    told = other(hasty, entering("stop", "light_sleep"))
    assert "now:       write 'stop\\n' to the board" in told
    assert "used up:   the same was recorded earlier" in told


def test_a_command_that_comes_later(hasty: Recorded) -> None:
    states = tuple(state for state in HASTY.states if state.name != "light_sleep")
    told = other(hasty, HASTY.model_copy(update={"states": states}))
    assert "later:     before it" in told


def test_more_than_was_recorded(hasty: Recorded) -> None:
    recording = hasty.recording
    options = dataclasses.replace(recording.header.options, repeat=2)
    longer = dataclasses.replace(
        recording, header=dataclasses.replace(recording.header, options=options)
    )
    with pytest.raises(ReplayMismatch):
        replay(longer, hasty.files)


def test_other_limits_send_nothing_else(hasty: Recorded) -> None:
    def strict(state: Any) -> Any:
        limit = state.limit.model_copy(update={"min": None, "max": 1e-9})
        return state.model_copy(update={"limit": limit})

    states = tuple(map(strict, HASTY.states))
    session = HASTY.model_copy(update={"states": states})
    replayed = replay(hasty.recording, dataclasses.replace(hasty.files, session=session))
    assert not replayed.equal
    assert replayed.result.verdict == "fail"
    assert any(line.startswith("states[0].limit_max_A: recorded ") for line in replayed.differences)


def test_a_longer_time_out_is_no_mismatch(hasty: Recorded) -> None:
    board = HASTY.board.model_copy(update={"boot_time": HASTY.board.boot_time + 0.5})
    session = HASTY.model_copy(update={"board": board})
    replayed = replay(hasty.recording, dataclasses.replace(hasty.files, session=session))
    assert replayed.result.verdict == "pass"


def test_a_recording_that_was_cut_off(hasty: Recorded, tmp_path: Path) -> None:
    lines = hasty.path.read_bytes().splitlines(keepends=True)
    short = tmp_path / "short.jsonl"
    short.write_bytes(b"".join(lines[: len(lines) // 2]))
    with pytest.raises(ReplayEnded, match="ends here"):
        replay(load_recording(short), hasty.files)


def test_without_files_a_replay_says_so(hasty: Recorded) -> None:
    with pytest.raises(FileProblems, match="not in the recording"):
        replay(hasty.recording)


def test_what_differs() -> None:
    one = {"a": 1, "b": [1, {"c": None}], "benchrig": "1", "d": [1]}
    two = {"a": 1, "b": [1, {"c": 0.5}], "benchrig": "2", "d": [1, 2], "e": "x" * 100}
    told = list(differing(one, two))
    assert told[0] == "b[1].c: recorded null, now 0.5"
    assert told[1] == "d: recorded [1], now [1, 2]"
    assert told[2].startswith("e: recorded null, now ")
    assert len(told) == 3
