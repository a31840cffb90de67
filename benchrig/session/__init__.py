"""The TOML files as typed models."""

from __future__ import annotations

from os import PathLike
from pathlib import Path

from benchrig.session.bench_file import BenchFile
from benchrig.session.session_file import Session
from benchrig.session.sheet import MeterSheet
from benchrig.session.toml_file import read_toml


def load_session(path: str | PathLike[str]) -> Session:
    """A session file. Raises `FileProblems` with all that is wrong in it."""
    return read_toml(Path(path), Session)


def load_bench(path: str | PathLike[str]) -> BenchFile:
    """A bench file; the paths in it are made relative to its own folder. Raises `FileProblems`."""
    return read_toml(Path(path), BenchFile).beside(Path(path).parent)


def load_sheet(path: str | PathLike[str]) -> MeterSheet:
    """A meter sheet. Raises `FileProblems`."""
    return read_toml(Path(path), MeterSheet)


__all__ = [
    "BenchFile",
    "MeterSheet",
    "Session",
    "load_bench",
    "load_session",
    "load_sheet",
]
