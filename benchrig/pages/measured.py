"""Results as a page needs them: with their settling curves and a fingerprint."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchrig.drivers.scpi import is_valid
from benchrig.errors import FileProblems
from benchrig.records.results import load_result
from benchrig.records.run_folder import RESULT
from benchrig.records.stored import load_readings, visits
from benchrig.result import SessionResult


@dataclass(frozen=True)
class Curve:
    """All readings (n,) of the last visit to a state, on every range, with times since it was
    entered. What is no number is left out."""

    times_s: np.ndarray
    currents_A: np.ndarray


@dataclass(frozen=True)
class Measured:
    """`curves` has one for each state's row, None where there is none; `lacking` says why there
    are none at all. `sha256` is that of the file of the result."""

    name: str
    result: SessionResult
    sha256: str
    curves: tuple[Curve | None, ...]
    lacking: str = ""

    @property
    def board(self) -> str:
        return self.result.serial_number or self.name


def labels(measured: Sequence[Measured]) -> list[str]:
    """A name of each that none of the others has: the board's, with the time where it was measured
    more than once, or with the name of its folder where that is the same as well."""
    named = [each.board for each in measured]
    timed = [f"{each.board}, {each.result.started:%Y-%m-%d %H:%M:%S}" for each in measured]
    placed = [f"{each.board}, {each.name}" for each in measured]
    for longer in (timed, placed):
        known = Counter(named)
        named = [
            name if known[name] == 1 else more for name, more in zip(named, longer, strict=True)
        ]
    return named


def load_measured(path: Path) -> Measured:
    """From a run folder, or the result in it. Raises `FileProblems` where there is no result;
    without readings it has no curves."""
    result = load_result(path)
    file = path / RESULT if path.is_dir() else path
    sha256 = hashlib.sha256(file.read_bytes()).hexdigest()
    name = (path if path.is_dir() else path.parent).resolve().name
    try:
        readings = load_readings(path)
    except FileProblems as problems:
        return Measured(name, result, sha256, (None,) * len(result.states), str(problems))
    curves = tuple(_curve(readings, spans) for spans in visits(result))
    return Measured(name, result, sha256, curves)


def _curve(readings: np.ndarray, spans: tuple[tuple[float, float], ...]) -> Curve | None:
    if not spans:
        return None
    from_s, to_s = spans[-1]
    times_s, _, currents_A = readings.T
    inside = (times_s >= from_s) & (times_s < to_s) & is_valid(currents_A)
    return Curve(times_s[inside] - from_s, currents_A[inside]) if np.any(inside) else None
