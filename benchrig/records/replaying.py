"""A recorded session once more, without its hardware: the real drivers and the real sequencer on
recorded wires, and what differs from then."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from benchrig.assembly import Wires, put_together
from benchrig.bench import Bench
from benchrig.errors import UsageError
from benchrig.events import Event, Happened, Listener, StateStarted
from benchrig.log import Log
from benchrig.records.recording import Recording, WireHere
from benchrig.records.sources import Files, parse_sources
from benchrig.result import SessionResult
from benchrig.wires.replay import ReplayClock, ReplayWire, Tape

# What a newer benchrig says of itself.
_OF_THE_PROGRAM = ("benchrig",)


@dataclass(frozen=True)
class Replayed:
    """`differences` from the recorded result, a line each; `other_waits` counts what was waited
    for otherwise than then, which makes the times other ones."""

    result: SessionResult
    differences: tuple[str, ...]
    other_waits: int
    unused_acts: int

    @property
    def equal(self) -> bool:
        return not self.differences


def recorded_files(recording: Recording, session: Path | None = None) -> Files:
    """What the recorded files say, or with another session file, and the aim that the run was
    given. Raises `FileProblems`."""
    files, aim = parse_sources(recording.header.sources), recording.header.options.aim
    if session is not None:
        files = files.with_session(session)
    return files if aim is None else replace(files, session=files.session.aiming_at(aim))


def replay(
    recording: Recording, files: Files | None = None, listeners: Sequence[Listener] = ()
) -> Replayed:
    """Run a recorded session again. `files` other than the recorded ones show what they would
    do. Raises `FileProblems`, `ReplayMismatch` where something else would be sent, and
    `ReplayEnded` where a session was cut off."""
    options = recording.header.options
    if options.by_hand is not None:
        raise UsageError(
            f"the recording is of a bench that {options.by_hand} drove by hand: only that can do "
            "so again"
        )
    files = recorded_files(recording) if files is None else files
    tape, bench = replayed_bench(recording, files, complete=recording.result is not None)
    result = options.run(bench, [Follower(tape), *listeners])
    differences = tuple(differing(recording.result or {}, result.model_dump(mode="json")))
    return Replayed(result, differences, tape.other_waits, tape.left)


def replayed_bench(recording: Recording, files: Files, *, complete: bool) -> tuple[Tape, Bench]:
    """A bench on recorded wires, not yet opened; a `Follower` has to listen to it. `complete`: all
    that was done then is in the recording."""
    header = recording.header
    tape = Tape(recording.acts, header.start_s, complete=complete)
    clock = ReplayClock(tape, (header.started, header.start_s))
    log = Log(clock)
    tape.tell = log.tell
    wires = _wires(recording, tape)
    bench = put_together(files.bench, files.session, files.sheet, files.zeros, wires, log, clock)
    bench.load_verification = lambda path: files.verification
    bench.data_sheet = files.data_sheet
    return tape, bench


def _wires(recording: Recording, tape: Tape) -> Wires:
    here: dict[str, WireHere] = {wire.name: wire for wire in recording.header.wires}
    if not {"board", "meter"} <= set(here):
        raise UsageError("the recording is of no session: it lacks the wire to board or meter")
    wires = {
        name: ReplayWire(tape, name, wire.address, keeps_messages=wire.keeps_messages)
        for name, wire in here.items()
    }
    return wires["board"], wires["meter"], wires.get("supply")


class Follower:
    """Tells the tape where the session is, and what listeners raised then."""

    def __init__(self, tape: Tape) -> None:
        self._tape = tape
        self._events = 0

    def __call__(self, event: Event) -> None:
        self._events += 1
        match event:
            case Happened():
                state = f"{event.state}: " if event.state else ""
                self._tape.step = f"{state}{event.text} ({event.kind}, {event.time_s:.3f} s)"
            case StateStarted():
                self._tape.step = f"{event.state}: begins"
        self._tape.heard(self._events)


# -- what differs ---------------------------------------------------------------------------


def differing(recorded: Any, now: Any, where: str = "") -> Iterator[str]:
    """Where two results differ, a line each, but for the version of benchrig."""
    if recorded == now:
        return
    if isinstance(recorded, dict) and isinstance(now, dict):
        for key in [*recorded, *(key for key in now if key not in recorded)]:
            at = f"{where}.{key}" if where else key
            if at not in _OF_THE_PROGRAM:
                yield from differing(recorded.get(key), now.get(key), at)
    elif isinstance(recorded, list) and isinstance(now, list) and len(recorded) == len(now):
        for index, (one, other) in enumerate(zip(recorded, now, strict=True)):
            yield from differing(one, other, f"{where}[{index}]")
    else:
        yield f"{where}: recorded {_short(recorded)}, now {_short(now)}"


def _short(value: Any) -> str:
    text = json.dumps(value)
    return text if len(text) <= 80 else f"{text[:77]}..."
