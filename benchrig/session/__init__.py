"""The TOML files as typed models."""

from __future__ import annotations

from os import PathLike

from benchrig.session.bench_file import BenchFile
from benchrig.session.curve_file import CurveFile
from benchrig.session.session_file import Session
from benchrig.session.sheet import MeterSheet
from benchrig.session.toml_file import as_path, read_toml


def load_session(path: str | PathLike[str] | Session) -> Session:
    """A session file; the path in it is made relative to its own folder. One that is loaded
    already stays as it is. Raises `FileProblems` with all that is wrong in it, and `UsageError` for
    what is no path."""
    if isinstance(path, Session):
        return path
    place = as_path(path, "session")
    return read_toml(place, Session).beside(place.parent)


def load_bench(path: str | PathLike[str] | BenchFile) -> BenchFile:
    """A bench file; the paths in it are made relative to its own folder. One that is loaded
    already stays as it is. Raises `FileProblems` and `UsageError`."""
    if isinstance(path, BenchFile):
        return path
    place = as_path(path, "bench")
    return read_toml(place, BenchFile).beside(place.parent)


def load_sheet(path: str | PathLike[str] | MeterSheet) -> MeterSheet:
    """A meter sheet; one that is loaded already stays as it is. Raises `FileProblems` and
    `UsageError`."""
    return path if isinstance(path, MeterSheet) else read_toml(as_path(path, "sheet"), MeterSheet)


def load_curve(path: str | PathLike[str]) -> CurveFile:
    """A curve file. Raises `FileProblems` and `UsageError`."""
    return read_toml(as_path(path, "data sheet"), CurveFile)


__all__ = [
    "BenchFile",
    "CurveFile",
    "MeterSheet",
    "Session",
    "load_bench",
    "load_curve",
    "load_session",
    "load_sheet",
]
