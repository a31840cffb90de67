"""Benches for tests: live or simulated ones, recorded on request, and replayed ones."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from benchrig.assembly import assemble, clock_for, load_files
from benchrig.bench import Bench
from benchrig.clock import StopRequest
from benchrig.errors import Fault, FileProblem, FileProblems, ReplayMismatch, UsageError
from benchrig.events import Listener
from benchrig.leaving import NOT_REACHED
from benchrig.records.recorder import Recorder
from benchrig.records.recording import Options, load_recording
from benchrig.records.replaying import Follower, recorded_files, replayed_bench
from benchrig.records.sources import Role, Source, read_sources
from benchrig.session import BenchFile

Passed = Callable[[], bool]
"""Whether the test has passed, once it has ended."""


@dataclass(frozen=True)
class Parts:
    """The files of a bench that is live, and what asks its clock to stop."""

    session: Path
    bench: Path
    faults: Path | None
    stop: StopRequest


@contextmanager
def live_bench(parts: Parts) -> Iterator[Bench]:
    """A bench, open and its board found; left safe at the end. Raises what opening it raises, and
    ``safe_end_missed``."""
    files = load_files(parts.bench, parts.session, parts.faults)
    clock = clock_for(files.bench, parts.stop)
    made = assemble(files.bench, files.session, clock=clock, faults=files.faults)
    with _open(made, []) as opened:
        yield opened


@contextmanager
def recorded_bench(parts: Parts, test: str, path: Path, passed: Passed) -> Iterator[Bench]:
    """The same, recorded. The recording takes its place once the test has passed and the bench was
    left safe; else it stays beside that place, with ``.failed`` in its name."""
    if path.exists():
        # A damaged one is for somebody to look at, and not to be replaced.
        load_recording(path)
    files = load_files(parts.bench, parts.session, parts.faults)
    recorder = Recorder(clock_for(files.bench, parts.stop))
    made = assemble(
        files.bench,
        files.session,
        clock=recorder.clock,
        wrap=recorder.wire,
        faults=files.faults,
    )
    failed = path.with_suffix(".failed.jsonl")
    path.parent.mkdir(parents=True, exist_ok=True)
    failed.unlink(missing_ok=True)
    sources = _sources(parts, files.bench, path)
    with recorder.to(failed, sources, Options(by_hand=test)), _open(made, [recorder]) as opened:
        yield opened
    if passed():
        failed.replace(path)


def _sources(parts: Parts, file: BenchFile, path: Path) -> dict[Role, Source]:
    """Named as seen from the recording: it is kept beside tests, on many machines."""

    def near(name: str) -> str:
        return Path(os.path.relpath(name, path.parent)).as_posix()

    sources = read_sources(parts.session, parts.bench, file)
    return {role: replace(source, name=near(source.name)) for role, source in sources.items()}


@contextmanager
def _open(bench: Bench, listeners: Sequence[Listener]) -> Iterator[Bench]:
    with bench.log.session(listeners):
        try:
            bench.connect()
            bench.power_up()
            yield bench
        finally:
            reached = bench.make_safe()
            bench.close()
    missed = [line for line in reached if NOT_REACHED in line]
    if missed:
        raise Fault("safe_end_missed", "; ".join(missed))


@contextmanager
def replayed(session: Path | None, path: Path, test: str | None, passed: Passed) -> Iterator[Bench]:
    """A bench on the recording of a test, without any hardware. `test` is whose recording it must
    be, if that matters. Raises `ReplayMismatch` at the end if the test has passed and did not do
    all that was recorded."""
    recording = load_recording(path)
    recorded = recording.header.options.by_hand
    if recorded is None:
        raise UsageError(f"{path} is a recording of benchrig run: replay it by benchrig replay")
    if test not in (None, recorded):
        message = f"is the recording of another test, {recorded}, and not of {test}"
        raise FileProblems([FileProblem(str(path), 1, "", message)])
    files = recorded_files(recording, session)
    tape, bench = replayed_bench(recording, files, complete=True)
    with bench.log.session([Follower(tape)]):
        bench.connect()
        bench.power_up()
        yield bench
        # After a failure the rest would differ as well, and hide it.
        if passed():
            bench.make_safe()
            bench.close()
            if tape.left:
                raise ReplayMismatch(f"last acts that were not done again: {tape.left}")
