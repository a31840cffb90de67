"""The readings that a run left in its folder, put in order by the states that they belong to."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchrig.drivers.scpi import NOT_A_NUMBER, OVERLOAD, is_overload
from benchrig.errors import FileProblem, FileProblems
from benchrig.records.results import load_result
from benchrig.records.run_folder import READINGS
from benchrig.result import SessionResult
from benchrig.session.toml_file import unreadable


@dataclass(frozen=True)
class Stretch:
    """Readings (n,) from the last change of range on, with times since the state was entered."""

    times_s: np.ndarray
    currents_A: np.ndarray
    full_scale_A: float

    @property
    def interval_s(self) -> float:
        """Within the first batch, where the meter's own pace is seen."""
        return float(np.min(np.diff(self.times_s[:5]))) if len(self.times_s) > 1 else 0.0


@dataclass(frozen=True)
class Stored:
    """What a run folder holds; `stretches` has for each row those of its measurements."""

    result: SessionResult
    stretches: tuple[tuple[Stretch, ...], ...]


def load_stored(path: Path) -> Stored:
    """From a run folder, or the result in it. Raises `FileProblems`."""
    result = load_result(path)
    columns = load_readings(path)
    stretches = tuple(
        tuple(filter(None, (_last_stretch(columns, *span) for span in spans)))
        for spans in visits(result)
    )
    return Stored(result, stretches)


def load_readings(path: Path) -> np.ndarray:
    """All readings of a run folder, or of that around a result: times since the start of the
    session in s, full scales in A, currents in A. Shape (n, 3). Raises `FileProblems`."""
    readings = (path if path.is_dir() else path.parent) / READINGS
    try:
        with readings.open(encoding="utf-8", newline="") as file:
            table = [
                (float(row["time_s"]), float(row["range_A"]), _current(row))
                for row in csv.DictReader(file)
            ]
    except OSError as error:
        raise unreadable(readings, error) from None
    except (ValueError, KeyError, TypeError, csv.Error) as error:
        message = f"holds no readings of a session: {error}"
        raise FileProblems([FileProblem(str(readings), None, "", message)]) from None
    return np.array(table).reshape(-1, 3)


def _current(row: dict[str, str]) -> float:
    if row["current_A"]:
        return float(row["current_A"])
    return OVERLOAD if row["note"] == "overload" else NOT_A_NUMBER


def visits(result: SessionResult) -> Iterator[tuple[tuple[float, float], ...]]:
    """For each state's row from when to when it was measured, in s since the start of the session.
    A state is entered once more to repeat or to confirm it."""
    left = _visits(result)
    for row in result.states:
        mine = bool(left) and left[0][0] == row.name
        spans = left.pop(0)[1] if mine and (row.range_A is not None or row.readings == 0) else []
        yield tuple(spans) if row.range_A is not None else ()


def _visits(result: SessionResult) -> list[tuple[str, list[tuple[float, float]]]]:
    """In order: the state, and from when to when it was entered, once or again."""
    visits: list[tuple[str, list[tuple[float, float]]]] = []
    # With the first step beyond the states their visits are over.
    over_s = next((event.time_s for event in result.events if event.kind == "step"), np.inf)
    entered = [e for e in result.events if e.kind == "entered" and e.time_s < over_s]
    ends_s = [event.time_s for event in entered[1:]] + [over_s] * bool(entered)
    again = False
    left = iter(result.events)
    for event, end_s in zip(entered, ends_s, strict=True):
        for before in left:
            again = again or before.kind in ("confirming", "repeating")
            if before is event:
                break
        span = (event.time_s, float(end_s))
        if again and visits and visits[-1][0] == event.state:
            visits[-1][1].append(span)
        else:
            visits.append((event.state or "", [span]))
        again = False
    return visits


def _last_stretch(columns: np.ndarray, from_s: float, to_s: float) -> Stretch | None:
    inside = columns[(columns[:, 0] >= from_s) & (columns[:, 0] < to_s)]
    if len(inside) == 0:
        return None
    scale_A = inside[-1, 1]
    other = np.flatnonzero((inside[:, 1] != scale_A) | is_overload(inside[:, 2]))
    last = inside[other[-1] + 1 :] if len(other) else inside
    if len(last) == 0:
        return None
    return Stretch(last[:, 0] - from_s, last[:, 2], float(scale_A))
