"""Tells from outside whether a board sleeps: by its current and by its silence."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from benchrig.clock import Clock
from benchrig.drivers.board import Board
from benchrig.drivers.lines import shown
from benchrig.drivers.meter import Meter, Readings
from benchrig.drivers.scpi import is_valid
from benchrig.errors import Fault
from benchrig.log import Log
from benchrig.ranges import RangeKeeper
from benchrig.session.protocol import Stimulus
from benchrig.session.session_file import State

# What a stimulus that must not wake the board shows. "not_verified": it was silent, which proves
# nothing, and its current cannot tell; "noise": it spoke, and its current has not risen.
Shown = Literal["slept_on", "woke", "not_verified", "noise"]

# A board that draws less awake than this multiple of what it draws asleep is none that anybody puts
# to sleep (common practice, no source): what awake means, where nobody has seen it awake.
LEAST_AWAKE = 2.0
# Before a board wakes by its timer there is time for a change of range that takes no longer.
IN_PASSING_S = 0.3
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
    # About what it draws, or more where only a bound is known; and what it draws at least.
    settled_A: float | None = None
    at_least_A: float = 0.0


class SleepWatch:
    """Looks at the current on the range that the meter is on; on a finer one only where that is
    said."""

    def __init__(
        self, board: Board, meter: Meter, ranges: RangeKeeper, clock: Clock, log: Log
    ) -> None:
        self._board = board
        self._meter = meter
        self._ranges = ranges
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
        return self._risen(visit, self._meter.acquire(QUICK_LOOK, self.listen))

    def _risen(self, visit: Visit, present: Readings) -> bool | None:
        if visit.settled_A is None:
            return None
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
        return False if threshold_A <= _least_awake_A(visit) else None

    def _has_risen_finely(self, visit: Visit) -> bool | None:
        """`has_risen`, where it cannot tell on this range on the highest one that can, as far as
        the readings allow such a one; back to a range with room afterwards."""
        present = self._meter.acquire(QUICK_LOOK, self.listen)
        risen = self._risen(visit, present)
        if risen is not None or visit.settled_A is None:
            return risen
        # Half of what is between asleep and awake is left to the noise.
        between_A = _least_awake_A(visit) - 1.5 * visit.settled_A
        wake = visit.state.wake
        within_s = IN_PASSING_S if wake is not None and wake.after is not None else math.inf
        finer = self._ranges.finer(present, visit.state.ticks, between_A / 8, within_s)
        if finer is None:
            return None
        self._ranges.step_down(finer, present)
        readings = self._meter.acquire(QUICK_LOOK, self.listen)
        risen = readings.overloaded or self._risen(visit, readings)
        self._ranges.make_room("what comes next")
        return risen

    def after(self, visit: Visit, stimulus: Stimulus, *, silence_tells: bool) -> Shown:
        """What a stimulus shows: by silence, and after it by the current. `silence_tells`: the
        board would have been heard if it had woken."""
        state = visit.state
        told = f"{stimulus.by} must not wake {state.name}"
        said = self._said(state.quiet)
        risen = self._has_risen_finely(visit)
        if said is not None:
            self._log.tell("woke", f"{told}: the board said '{said}'", risen=risen)
            return "noise" if risen is False else "woke"
        if risen:
            self._log.tell("woke", f"{told}: the current rose")
            return "woke"
        if risen is None and not silence_tells:
            self._log.tell("not_verified", f"{told}: it was silent, the current cannot tell")
            return "not_verified"
        self._log.tell("slept_on", f"{stimulus.by} did not wake {state.name}")
        return "slept_on"

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
        who = "the operator" if wake is not None and wake.by == "operator" else "its timer"
        raise Fault("no_wake", f"board: was not woken by {who} from {visit.state.name} in time")


def _least_awake_A(visit: Visit) -> float:
    """Below this the board is asleep."""
    if visit.awake_A is not None:
        return 0.8 * visit.awake_A
    return LEAST_AWAKE * visit.at_least_A


def _offset_A(readings: Readings) -> float:
    return readings.range.offset * readings.range.full_scale_A
