"""Recorded sessions in a process that is killed in the middle, and what its recording holds."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from benchrig.errors import FileProblems
from benchrig.events import Event, StateEnded
from benchrig.records.recording import Options, load_recording
from tests.benches import HASTY
from tests.recordings import record

# About how long the recording of the whole session gets, in bytes.
WHOLE = 250_000


def killed(path: Path, share: float) -> str | None:
    """Kill a session with SIGKILL once this share of its recording is on disk. Returns what is
    wrong with what is left, if anything."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            _run(path, writing)
        finally:
            os._exit(0)
    os.close(writing)
    ended = _kill(child, path, share * WHOLE)
    with os.fdopen(reading, encoding="ascii") as told:
        names = told.read().split()
    return None if ended else _lacking(path, names)


def _run(path: Path, writing: int) -> None:
    def tell(event: Event) -> None:
        if isinstance(event, StateEnded):
            os.write(writing, f"{event.result.name}\n".encode("ascii"))

    record(path, session=HASTY, options=Options(repeat=3), listeners=[tell])


def _kill(child: int, path: Path, size: float) -> bool:
    """Whether it had ended before."""
    while os.waitpid(child, os.WNOHANG)[0] == 0:
        if path.exists() and path.stat().st_size >= size:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return False
        time.sleep(0.0005)
    return True


def _lacking(path: Path, ended: list[str]) -> str | None:
    if b"\n" not in path.read_bytes():
        return f"not even a header, and {ended} had ended" if ended else None
    try:
        recording = load_recording(path)
    except FileProblems as problems:
        return str(problems)
    names = [str(row["name"]) for row in recording.rows]
    return None if names[: len(ended)] == ended else f"holds {names}, and {ended} had ended"
