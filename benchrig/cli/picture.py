"""What the screen shows, as a value: each event makes the next picture from the last one."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from benchrig.drivers.scpi import is_overload, is_valid
from benchrig.events import (
    Event,
    Happened,
    ReadingsTaken,
    SessionEnded,
    SessionStarted,
    StateEnded,
    StateStarted,
)
from benchrig.result import StateResult

# Points of a trend that are kept; no screen is asked to show more.
TREND_POINTS = 48
# A guess of the time that a state still needs may be far off while its readings are few.
LONGEST_GUESS_S = 600.0


@dataclass(frozen=True)
class Row:
    """One visit to a state. `trend_A`: one point for each batch of readings, infinite for an
    overload, NaN for no number. `took_s` is None where the state was never started, `expected_s`
    where nothing sensible was expected; `longest_s` is what the time limit of the state allows."""

    state: str
    low_A: float | None = None
    high_A: float | None = None
    expected_s: float | None = None
    longest_s: float = math.inf
    trend_A: tuple[float, ...] = ()
    result: StateResult | None = None
    took_s: float | None = None


@dataclass(frozen=True)
class Picture:
    """All times in s from the start of the session. `now_s` is the latest that an event told.

    `active` is the row that is being measured, which began at `since_s`, was entered (for the last
    time) at `entered_s`, and will have settled at `settled_at_s`, as the settling guesses.
    """

    session: str | None = None
    rows: tuple[Row, ...] = ()
    now_s: float = 0.0
    since_s: float = 0.0
    entered_s: float = 0.0
    active: int | None = None
    settled_at_s: float | None = None
    reason: str = ""
    last: Happened | None = None
    prompt: Happened | None = None
    ended: bool = False

    @property
    def done(self) -> int:
        return sum(row.result is not None for row in self.rows)

    def remaining_s(self, now_s: float) -> float | None:
        """An estimate, never negative; None if there is nothing to estimate from.

        A visit is expected to take as long as the last one to the same state, or else as was
        expected, or else as the visits so far on average.
        """
        open_rows = [row for row in self.rows if row.result is None]
        if self.ended or not open_rows:
            return 0.0 if self.rows else None
        taken = [(row.state, row.took_s) for row in self.rows if row.took_s is not None]
        last_s = dict(taken)
        average_s = sum(took_s for _, took_s in taken) / len(taken) if taken else None
        guesses_s = {
            index: last_s.get(row.state, average_s if row.expected_s is None else row.expected_s)
            for index, row in enumerate(self.rows)
            if row.result is None
        }
        present = min(guesses_s) if self.active not in guesses_s else self.active
        remaining_s = 0.0
        for index, guess_s in guesses_s.items():
            if guess_s is None:
                return None
            longest_s = self.rows[index].longest_s
            if index == present:
                guess_s = self._rest_s(guess_s, now_s)
                longest_s = max(self.entered_s + longest_s - now_s, 0.0)
            remaining_s += min(guess_s, longest_s)
        return remaining_s

    def _rest_s(self, guess_s: float, now_s: float) -> float:
        """Of the present visit. While its guard lasts, the settling guesses too little."""
        settled_s = 0.0 if self.settled_at_s is None else self.settled_at_s - now_s
        return max(guess_s - max(now_s - self.since_s, 0.0), settled_s, 0.0)


def after(picture: Picture, event: Event) -> Picture:
    """The picture after an event. Events may come in any order."""
    match event:
        case SessionStarted():
            return _begun(event)
        case StateStarted():
            return _started(picture, event.state)
        case ReadingsTaken():
            return _read(picture, event)
        case StateEnded():
            return _finished(picture, event.result)
        case Happened():
            return _happened(picture, event)
        case SessionEnded():
            return replace(picture, active=None, prompt=None, ended=True)
    return picture


def _begun(event: SessionStarted) -> Picture:
    visits = zip(event.states, event.limits, event.expected_s, event.longest_s, strict=True)
    rows = (
        Row(
            name,
            *pair,
            expected_s if math.isfinite(expected_s) and expected_s > 0 else None,
            longest_s,
        )
        for name, pair, expected_s, longest_s in visits
    )
    return Picture(event.session, tuple(rows))


def _started(picture: Picture, state: str) -> Picture:
    picture, index = _with_row(picture, state)
    return replace(
        picture,
        active=index,
        since_s=picture.now_s,
        entered_s=picture.now_s,
        settled_at_s=None,
        reason="",
        prompt=None,
    )


def _read(picture: Picture, event: ReadingsTaken) -> Picture:
    picture, index = _with_row(picture, event.state)
    if len(event.times_s):
        picture = _at(picture, float(event.times_s[-1]))
    row = picture.rows[index]
    points = (*row.trend_A, batch_point(event.currents_A))[-TREND_POINTS:]
    picture = _with(picture, index, replace(row, trend_A=points))
    if event.outcome is None:
        return picture
    needed_s = event.outcome.still_needed_s
    settled_at_s = picture.settled_at_s
    if needed_s is not None and math.isfinite(needed_s) and needed_s >= 0:
        settled_at_s = picture.now_s + min(needed_s, LONGEST_GUESS_S)
    return replace(picture, reason=event.outcome.reason, settled_at_s=settled_at_s)


def batch_point(currents_A: np.ndarray) -> float:
    """One number for a batch (n,): its median, infinity after an overload, NaN for none valid."""
    if is_overload(currents_A).any():
        return math.inf
    valid = currents_A[is_valid(currents_A)]
    return float(np.median(valid)) if len(valid) else math.nan


def _finished(picture: Picture, result: StateResult) -> Picture:
    active = picture.active
    was_started = active is not None and picture.rows[active].state == result.name
    picture, index = _with_row(picture, result.name)
    row = replace(
        picture.rows[index],
        result=result,
        low_A=result.limit_min_A,
        high_A=result.limit_max_A,
        took_s=picture.now_s - picture.since_s if was_started else None,
    )
    picture = _with(picture, index, row)
    return replace(
        picture, active=None, since_s=picture.now_s, settled_at_s=None, reason="", prompt=None
    )


def _happened(picture: Picture, event: Happened) -> Picture:
    picture = replace(_at(picture, event.time_s), last=event)
    if event.kind == "entered":
        return replace(picture, entered_s=picture.now_s)
    if event.kind == "prompt":
        return replace(picture, prompt=event)
    return replace(picture, prompt=None) if event.kind in ("woken", "fault") else picture


def _at(picture: Picture, time_s: float) -> Picture:
    return replace(picture, now_s=time_s) if time_s > picture.now_s else picture


def _with_row(picture: Picture, state: str) -> tuple[Picture, int]:
    """The row that an event of `state` belongs to: the present one, or the next open one of
    that name, or a new one at the end if none was announced."""
    likely = () if picture.active is None else (picture.active,)
    for index in (*likely, *range(len(picture.rows))):
        if picture.rows[index].state == state and picture.rows[index].result is None:
            return picture, index
    return replace(picture, rows=(*picture.rows, Row(state))), len(picture.rows)


def _with(picture: Picture, index: int, row: Row) -> Picture:
    rows = (*picture.rows[:index], row, *picture.rows[index + 1 :])
    return replace(picture, rows=rows)
