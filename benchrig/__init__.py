"""benchrig: measures the supply current of a low-power board, state by state.

    from benchrig import load_session, open_bench, run_session

Names are imported when they are first used, so that ``benchrig --help`` loads nothing heavy.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchrig.bench import Bench, open_bench
    from benchrig.errors import BenchrigError, Fault, FileProblems, UsageError
    from benchrig.records.by_hand import record_bench, record_session, replay_bench
    from benchrig.records.recording import load_recording
    from benchrig.records.replaying import replay
    from benchrig.sequencer import run_session
    from benchrig.session import load_bench, load_session, load_sheet

__version__ = "0.1.0"

_HOME = {
    "Bench": "benchrig.bench",
    "BenchrigError": "benchrig.errors",
    "Fault": "benchrig.errors",
    "FileProblems": "benchrig.errors",
    "UsageError": "benchrig.errors",
    "load_bench": "benchrig.session",
    "load_recording": "benchrig.records.recording",
    "load_session": "benchrig.session",
    "load_sheet": "benchrig.session",
    "open_bench": "benchrig.bench",
    "record_bench": "benchrig.records.by_hand",
    "record_session": "benchrig.records.by_hand",
    "replay": "benchrig.records.replaying",
    "replay_bench": "benchrig.records.by_hand",
    "run_session": "benchrig.sequencer",
}

__all__ = [
    "Bench",
    "BenchrigError",
    "Fault",
    "FileProblems",
    "UsageError",
    "__version__",
    "load_bench",
    "load_recording",
    "load_session",
    "load_sheet",
    "open_bench",
    "record_bench",
    "record_session",
    "replay",
    "replay_bench",
    "run_session",
]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    raise AttributeError(f"module 'benchrig' has no attribute {name!r}")


def __dir__() -> list[str]:
    return __all__
