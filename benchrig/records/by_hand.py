"""Recording and replaying from a program: of whole sessions, and of a bench that it drives."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from os import PathLike
from pathlib import Path
from typing import Any

from benchrig.assembly import assemble, clock_for, load_files
from benchrig.bench import Bench
from benchrig.clock import Clock, StopRequest
from benchrig.errors import ReplayMismatch
from benchrig.events import Listener
from benchrig.injecting import FaultPlan
from benchrig.records.recorder import Recorder
from benchrig.records.recording import Options, load_recording
from benchrig.records.replaying import Follower, recorded_files, replayed_bench
from benchrig.records.sources import read_sources
from benchrig.result import SessionResult

AnyPath = str | PathLike[str]


def record_session(
    session: AnyPath,
    bench: AnyPath,
    path: AnyPath,
    *,
    clock: Clock | None = None,
    listeners: Sequence[Listener] = (),
    faults: FaultPlan | None = None,
    **options: Any,
) -> SessionResult:
    """Run the session of a file on the bench of a file, and record it in the new file `path`, for
    ``benchrig replay``. `options` are those of `Options`. Raises what `run_session` raises."""
    only = options.get("only", ())
    only = (only,) if isinstance(only, str) else tuple(only)
    asked = Options(**options | {"only": only})
    files = load_files(bench, session)
    file, plan = files.bench, files.session
    plan = plan if asked.aim is None else plan.aiming_at(asked.aim)
    plan.selected(asked.only)  # before there is a file
    recorder = Recorder(clock or clock_for(file, StopRequest()))
    made = assemble(file, plan, clock=recorder.clock, wrap=recorder.wire, faults=faults)
    with recorder.to(Path(path), read_sources(Path(session), Path(bench), file), asked):
        return asked.run(made, recorder.listeners(*listeners))


@contextmanager
def record_bench(
    bench: AnyPath,
    session: AnyPath,
    path: AnyPath,
    *,
    clock: Clock | None = None,
    faults: FaultPlan | None = None,
) -> Iterator[Bench]:
    """A bench as from `open_bench`, recorded in the new file `path`, for `replay_bench`."""
    files = load_files(bench, session)
    file, plan = files.bench, files.session
    recorder = Recorder(clock or clock_for(file, StopRequest()))
    made = assemble(file, plan, clock=recorder.clock, wrap=recorder.wire, faults=faults)
    sources = read_sources(Path(session), Path(bench), file)
    with (
        recorder.to(Path(path), sources, Options(by_hand="a program")),
        made.log.session([recorder]),
    ):
        try:
            made.connect()
            yield made
        finally:
            made.leave()


@contextmanager
def replay_bench(path: AnyPath) -> Iterator[Bench]:
    """The same bench once more, from its recording: the program must do what it did then. Raises
    `ReplayMismatch` where it does something else, and at the end if it has done less."""
    recording = load_recording(path)
    tape, made = replayed_bench(recording, recorded_files(recording), complete=True)
    with made.log.session([Follower(tape)]):
        made.connect()
        yield made
        made.leave()
    if tape.left:
        raise ReplayMismatch(f"{path}: last acts in it that were not done again: {tape.left}")
