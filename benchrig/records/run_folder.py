"""What a session leaves behind: a folder with ``result.json`` and ``readings.csv``.

Kept up to date while the session runs, so that whatever ends it, even a power cut, leaves what
was measured so far.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from types import TracebackType

from benchrig.drivers.scpi import is_overload, is_valid
from benchrig.errors import Fault, UsageError
from benchrig.events import Event, ReadingsTaken, ResultChanged, SessionEnded
from benchrig.files import write_atomically
from benchrig.result import SessionResult

RESULT = "result.json"
READINGS = "readings.csv"


class RunFolder:
    """A listener that writes. `path` is a new folder in `out`.

    ``readings.csv`` has one line per reading: seconds since the start of the session, the state,
    the full scale of the range in A, the current in A (empty where there is none), and
    ``overload`` or ``invalid`` where there is none. Raises ``record_failed`` when the disk does
    not take it, and `UsageError` where no folder can be made.
    """

    def __init__(self, out: Path, started: datetime, *parts: str | None) -> None:
        stamp = started.strftime("%Y%m%dT%H%M%SZ")
        names = [re.sub(r"[^A-Za-z0-9_.-]+", "_", part) for part in parts if part]
        try:
            self.path = _new_folder(out, "-".join([stamp, *names]))
            self._file = (self.path / READINGS).open("w", encoding="utf-8", newline="")
        except OSError as error:
            reason = "it is no folder" if out.exists() and not out.is_dir() else error.strerror
            message = f"{out}: no folder can be made here for the record ({reason}); name another"
            raise UsageError(message) from None
        self._rows = csv.writer(self._file)
        self._rows.writerow(["time_s", "state", "range_A", "current_A", "note"])

    def __enter__(self) -> RunFolder:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None
    ) -> None:
        with self._recording():
            self._file.close()

    def __call__(self, event: Event) -> None:
        with self._recording():
            if isinstance(event, ReadingsTaken):
                self._keep(event)
            elif isinstance(event, ResultChanged | SessionEnded):
                self._file.flush()
                write_atomically(self.path / RESULT, to_json(event.result))

    def _keep(self, event: ReadingsTaken) -> None:
        scale = f"{event.range_A:.6g}"
        valid, overload = is_valid(event.currents_A), is_overload(event.currents_A)
        for index, time_s in enumerate(event.times_s):
            current = f"{event.currents_A[index]:.9g}" if valid[index] else ""
            note = "" if valid[index] else "overload" if overload[index] else "invalid"
            self._rows.writerow([f"{time_s:.6f}", event.state, scale, current, note])

    @contextmanager
    def _recording(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            message = f"the record in {self.path} cannot be written: {error}"
            raise Fault("record_failed", message) from error


def _new_folder(out: Path, name: str) -> Path:
    """A folder that was not there before: two sessions may start in the same second."""
    out.mkdir(parents=True, exist_ok=True)
    number = 1
    while True:
        path = out / (name if number == 1 else f"{name}-{number}")
        try:
            path.mkdir()
        except FileExistsError:
            number += 1
        else:
            return path


def to_json(result: SessionResult) -> str:
    """In ASCII, whatever a board may have said: it may be printed on any terminal."""
    return json.dumps(result.model_dump(mode="json"), indent=2) + "\n"
