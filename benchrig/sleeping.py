"""Tells from outside whether a board sleeps: by its current and by its silence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchrig.clock import Clock
from benchrig.drivers.board import Board
from benchrig.drivers.lines import shown
from benchrig.drivers.meter import ASSUMED_OFFSET, Meter, Readings
from benchrig.drivers.scpi import is_valid
from benchrig.errors import Fault
from benchrig.log import Log
from benchrig.session.protocol import Stimulus
from benchrig.session.session_file import State

# Readings for a quick look at the current: enough for a median that one wake-up tick leaves alone.
QUICK_LOOK = 5


@dataclass
class Visit:
    """The stay in one state, from its entry to its end. `awake_A`: what the board draws when it
    is awake and does least, as far as this session has seen."""

    state: State
    entered_s: float
    awake_A: float | None
    # Whether the board has said that it goes there, if it was to say so.
    acknowledged: bool = True
    settled_A: float | None = None


class SleepWatch:
    """Looks at the current without leaving a range with room."""

    def __init__(self, board: Board, meter: Meter, clock: Clock, log: Log) -> None:
        self._board = board
        self._meter = meter
        self._clock = clock
        self._log = log

    def listen(self, duration_s: float) -> None:
        """Wait, with an ear to the board: a boot banner may come at any time."""
        end_s = self._clock.monotonic() + duration_s
        while True:
            left = end_s - self._clock.monotonic()
            self._board.poll(max(left, 0.0))
            if left <= 0:
                return

    def current_A(self) -> float | None:
        """The current now; None if it can't be read, or be told from the offset of the range."""
        readings = self._meter.acquire(QUICK_LOOK, self.listen)
        valid = readings.currents_A[is_valid(readings.currents_A)]
        current_A = float(np.median(valid)) if len(valid) else 0.0
        return current_A if current_A > 4 * _offset_A(readings) else None

    def has_risen(self, visit: Visit) -> bool | None:
        """Whether the current has left the sleep level; None where it cannot tell.

        The range has room for the board's waking, and its offset may be many times the sleep
        current: what counts as risen lies above both.
        """
        if visit.settled_A is None:
            return None
        present = self._meter.acquire(QUICK_LOOK, self.listen)
        valid = present.currents_A[is_valid(present.currents_A)]
        if len(valid) == 0 and present.overloaded:
            raise Fault(
                "overloaded",
                f"meter: overloaded in {visit.state.name}, on a range with room for all that the "
                "board may draw. A short at the board, or board.highest_current is too low",
            )
        if len(valid) == 0:
            return None
        threshold_A = 1.5 * visit.settled_A + 4 * _offset_A(present) + 3 * float(np.std(valid))
        if np.median(valid) > threshold_A:
            return True
        # A board that is awake may draw less than that.
        can_tell = visit.awake_A is not None and threshold_A <= 0.8 * visit.awake_A
        return False if can_tell else None

    def stays_asleep(self, visit: Visit, stimulus: Stimulus) -> bool | None:
        """Silence, and after it a current that has not risen. None where there was no silence and
        the current has not risen: noise on the line, or a board that woke for a moment."""
        state = visit.state
        told = f"{stimulus.by} must not wake {state.name}"
        said = self._said(state.quiet)
        risen = self.has_risen(visit)
        if said is not None:
            self._log.tell("woke", f"{told}: the board said '{said}'", risen=risen)
            return None if risen is False else False
        if risen:
            self._log.tell("woke", f"{told}: the current rose")
        elif risen is None:
            self._log.tell("not_verified", f"{told}: it was silent, the current cannot tell")
        else:
            self._log.tell("slept_on", f"{stimulus.by} did not wake {state.name}")
        return not risen

    def _said(self, within_s: float) -> str | None:
        """The first line that comes."""
        end_s = self._clock.monotonic() + within_s
        while (left := end_s - self._clock.monotonic()) > 0:
            if lines := self._board.poll(left):
                return shown(lines[0])
        return None

    def wait_for_rise(self, visit: Visit, until_s: float) -> float | None:
        """Wait until the board wakes by itself or by somebody's hand. Returns when it did, on the
        clock, or None where the current cannot tell. Raises ``no_wake``."""
        unsure = False
        while (now_s := self._clock.monotonic()) < until_s:
            if self._board.poll(0.05):
                return now_s
            risen = self.has_risen(visit)
            if risen:
                return now_s
            # Once it cannot tell when the board wakes during the look, which scatters.
            if risen is None and unsure:
                return None
            unsure = risen is None
        wake = visit.state.wake
        by = "" if wake is None else f" by {wake.by}"
        raise Fault("no_wake", f"board: did not wake{by} from {visit.state.name} in time")


def _offset_A(readings: Readings) -> float:
    entry = readings.range
    return (ASSUMED_OFFSET if entry.offset is None else entry.offset) * entry.full_scale_A
