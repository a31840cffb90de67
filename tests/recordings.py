"""Recorded sessions on simulated benches in parts."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from benchrig.assembly import put_together
from benchrig.events import Listener
from benchrig.injecting import FaultPlan, faulty
from benchrig.log import Log
from benchrig.records.recorder import Recorder
from benchrig.records.recording import Options, Recording, load_recording
from benchrig.records.sources import Files
from benchrig.result import SessionResult
from benchrig.session import BenchFile
from tests.benches import BENCH, Rig, rig

WHOLE = Options()
NO_FAULTS = FaultPlan()
RECORDINGS = Path(__file__).parents[1] / "fixtures" / "recordings"


@dataclass(frozen=True)
class Recorded:
    """A session that was run, and its recording."""

    result: SessionResult
    path: Path
    files: Files

    @property
    def recording(self) -> Recording:
        return load_recording(self.path)


def synced_lines(path: Path, monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """From now on the last line that a recording has each time when it is synced to disk."""
    lines: list[dict[str, Any]] = []
    sync = os.fsync

    def watched(handle: int) -> None:
        sync(handle)
        if path.exists() and os.path.samestat(os.fstat(handle), path.stat()):
            lines.append(json.loads(path.read_bytes().splitlines()[-1]))

    monkeypatch.setattr(os, "fsync", watched)
    return lines


def record(
    path: Path,
    made: Rig | None = None,
    *,
    file: BenchFile = BENCH,
    listeners: Sequence[Listener] = (),
    options: Options = WHOLE,
    knows_sheet: bool = True,
    faults: FaultPlan = NO_FAULTS,
    **about: Any,
) -> Recorded:
    """Run a session on a bench that is not open yet, made from `about` if there is none."""
    if made is None:
        made = rig(file=file, knows_sheet=knows_sheet, **about)
    sheet = made.bench.meter.sheet
    recorder = Recorder(made.clock)
    log, wires = Log(recorder.clock), made.wires
    board, meter, supply = faulty(
        (wires["board"], wires["meter"], wires.get("supply")), faults, recorder.clock, log
    )
    recorded = (
        recorder.wire(board),
        recorder.wire(meter),
        None if supply is None else recorder.wire(supply),
    )
    bench = put_together(file, made.session, sheet, (), recorded, log, recorder.clock)
    with recorder.to(path, {}, options):
        result = options.run(bench, recorder.listeners(*listeners))
    return Recorded(result, path, Files(made.session, file, sheet))
