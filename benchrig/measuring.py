"""Measures the settled current of the state that the board is in: descends in range, waits until
the readings have settled, averages, and prices the average.

The numerics are in `measurement`; here is only the loop that brings readings to them.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from benchrig.clock import Clock
from benchrig.drivers.meter import Meter, MeterRange, Readings
from benchrig.drivers.scpi import is_valid
from benchrig.errors import Fault
from benchrig.events import ReadingsTaken
from benchrig.log import Log
from benchrig.measurement import (
    Decision,
    Outcome,
    Priors,
)
from benchrig.pricing import Pricing
from benchrig.ranges import RangeKeeper
from benchrig.session.session_file import Session, State, Ticks
from benchrig.units import format_quantity
from benchrig.watching import Watch, new_watch

# A batch is short enough to answer an overload or a boot banner soon, and long enough that the
# bus does not count.
BATCH_S = 0.4
# On a range that has just been entered the next decision is near.
FIRST_BATCH = 5

DEFAULT_TIME_LIMIT_S = 60.0

# This long before the deadline a lower range must have settled, or the range is left as it is:
# what ends the measurement may be the board's own waking.
LAST_DESCENT_S = 1.0
# A sleep current that never in the last seconds was below this multiple of what it was has not
# drifted there; for shorter a tick, or what an open input draws, may have raised it.
WOKEN = 4.0
WOKEN_FOR_S = 2.0
# So many periods must have shown no ticks before another range is tried, and must be left.
TICKS_TO_SEE = 10
# A current that never fell below this share of what the board draws awake is no sleep current; nor
# is half of it, where the state's limit does not allow so much.
STILL_AWAKE = 0.9
HALF_AWAKE = 0.5


@dataclass(frozen=True)
class SettlingPlan:
    """The settling data of a state after session-wide values and defaults are filled in."""

    priors: Priors
    time_limit_s: float
    # Of a wrong verdict, where the verdict alone is wanted; None where the value is.
    risk: float | None = None

    @classmethod
    def of(cls, session: Session, state: State, finer: float = 1.0) -> SettlingPlan:
        """`finer`: by which factor more finely than the files ask for."""

        def pick(key: str) -> Any:
            values = (getattr(source, key) for source in (state.settling, session.settling))
            return next((value for value in values if value is not None), None)

        known = {
            "announced": pick("announced"),
            "guard_s": pick("guard"),
            "slowest_tau_s": pick("slowest_time_constant"),
            "slowest_noise_s": pick("slowest_noise"),
            "tolerance": pick("tolerance"),
        }
        priors = Priors(**{key: value for key, value in known.items() if value is not None})
        if known["tolerance"] is None:
            # Then the distance to the limits tells how finely the current must be known.
            priors = replace(priors, limits_A=(state.limit.min, state.limit.max))
        return cls(
            replace(priors, tolerance=priors.tolerance / finer),
            DEFAULT_TIME_LIMIT_S if pick("time_limit") is None else pick("time_limit"),
            session.decision.verdict_risk if pick("aim") == "verdict" else None,
        )

    def priors_on(
        self, entry: MeterRange, first_A: np.ndarray, ticks: Ticks | None, dead_share: float
    ) -> Priors:
        """With what is known of a range, once its first readings (n,) are there."""
        valid = first_A[is_valid(first_A)]
        level_A = float(np.mean(np.abs(valid))) if len(valid) else 0.0
        # To resolve much finer than the meter is accurate would only cost time.
        floor_A = entry.gain * level_A + entry.offset * entry.full_scale_A
        return replace(
            self.priors,
            period_s=ticks.period if ticks else None,
            count_A=entry.count_A,
            dead_share=dead_share,
            floor_A=floor_A / 2,
        )


@dataclass(frozen=True)
class Measured:
    """What came of one state: the outcome, the range that it was read on, the `decision` where
    the aim was the verdict alone, and the lowest current that was seen."""

    outcome: Outcome
    range: MeterRange
    decision: Decision | None = None
    lowest_A: float | None = None

    @property
    def level_A(self) -> float | None:
        """About what the state draws, settled or not, if that is known."""
        if self.decision is not None and math.isfinite(self.decision.upper_A):
            return self.decision.upper_A
        return self.lowest_A if self.outcome.current_A is None else self.outcome.current_A


class Measuring:
    """One measurement of one state, from its entry (`entered_s` on the clock) on. `awake_A`: what
    the board draws awake, if that is known."""

    def __init__(
        self,
        state: State,
        plan: SettlingPlan,
        meter: Meter,
        ranges: RangeKeeper,
        clock: Clock,
        log: Log,
        entered_s: float,
        awake_A: float | None,
        pricing: Pricing,
    ) -> None:
        self._state = state
        self._plan = plan
        self._meter = meter
        self._ranges = ranges
        self._clock = clock
        self._log = log
        self._entered_s = entered_s
        self._awake_A = awake_A
        self._pricing = pricing
        self._ticks = state.ticks
        self._looked_for_ticks = False
        self._watch: Watch | None = None
        self._watch_range: MeterRange | None = None
        self._watch_from_s = math.inf
        # Of each batch its end and its lowest reading, and the lowest level so far; below the
        # floor nobody can tell.
        self._floor_A = 0.0
        self._lows: list[tuple[float, float]] = []
        self._lowest_A = math.inf

    def run(self, deadline_s: float, meanwhile: Callable[[float], None]) -> Measured:
        """Measure until the current has settled, or until `deadline_s` on the clock.

        `meanwhile` is called while the meter is at work. Raises ``overloaded``,
        ``unexpected_wake`` and whatever the meter raises.
        """
        fresh = True
        half_s = (self._clock.monotonic() + deadline_s) / 2.0
        while True:
            left_s = deadline_s - self._clock.monotonic()
            readings = self._meter.acquire(self._batch_size(fresh, left_s), meanwhile)
            self._note_level(readings)
            # They belong to a board that sleeps: without them it settles like any other.
            ticks = None if self._never_slept() else self._state.ticks
            if ticks is not self._ticks:
                self._ticks, self._watch = ticks, None
            outcome = None
            if readings.overloaded:
                self._tell_readings(readings, None)
                since_s = self._clock.monotonic() - self._entered_s
                self._ranges.step_up(readings, patient=since_s < self._plan.priors.guard_s)
                self._watch = None
            elif lower := self._ranges.lower_range(
                readings,
                self._ticks,
                within_s=deadline_s - self._clock.monotonic() - LAST_DESCENT_S,
            ):
                self._tell_readings(readings, None)
                self._ranges.step_down(lower, readings)
                self._watch = None
            else:
                outcome = self._look(readings)
                self._tell_readings(readings, outcome)
                if outcome.kind != "waiting":
                    break
                if self._clock.monotonic() >= half_s and self._misses_ticks(deadline_s):
                    self._watch = outcome = None
            fresh = outcome is None
            if self._clock.monotonic() >= deadline_s:
                if self._watch is None:
                    outcome = self._look(self._meter.acquire(1, meanwhile))
                assert self._watch is not None
                outcome = self._watch.finish()
                break
        self._check_asleep(outcome)
        return self._measured(outcome)

    def _misses_ticks(self, deadline_s: float) -> bool:
        """Whether no ticks were seen so far, and the range was changed to see them; once."""
        if self._ticks is None or self._looked_for_ticks or self._watch is None:
            return False
        needed_s = TICKS_TO_SEE * self._ticks.period
        now_s = self._clock.monotonic()
        if min(now_s - self._watch_from_s, deadline_s - now_s) < needed_s:
            return False
        self._looked_for_ticks = True
        # The watch itself goes on.
        so_far = copy.deepcopy(self._watch).finish()
        return so_far.kind == "wakeups_not_seen" and self._ranges.step_up_for_ticks()

    def _batch_size(self, fresh: bool, left_s: float) -> int:
        wanted = round(min(BATCH_S, left_s) / self._meter.interval_s)
        return max(1, min(wanted, FIRST_BATCH if fresh else 1000))

    def _note_level(self, readings: Readings) -> None:
        valid = readings.currents_A[is_valid(readings.currents_A)]
        if len(valid) == 0:
            return
        entry = readings.range
        # Below this the range does not tell a current from its own offset.
        self._floor_A = 4 * entry.offset * entry.full_scale_A
        self._lows.append((float(readings.times_s[-1]), float(np.min(valid))))
        self._lowest_A = min(self._lowest_A, max(float(np.median(valid)), self._floor_A))

    def _never_slept(self) -> bool:
        since_s = self._clock.monotonic() - self._entered_s
        early = since_s <= self._plan.priors.guard_s
        if early or self._awake_A is None or not self._state.sleeps:
            return False
        most_A = self._state.limit.max
        above = most_A is not None and self._lowest_A > most_A
        share = HALF_AWAKE if above else STILL_AWAKE
        return self._lowest_A > max(share * self._awake_A, self._floor_A)

    def _check_asleep(self, outcome: Outcome) -> None:
        """Raises ``unexpected_wake`` if the current had fallen and is at a multiple of that."""
        since_s = self._clock.monotonic() - WOKEN_FOR_S
        if outcome.settled_after_s is not None:
            # What has settled since is no tick either.
            since_s = max(since_s, self._entered_s + outcome.settled_after_s + BATCH_S)
        level_A = min((low_A for at_s, low_A in self._lows if at_s > since_s), default=0.0)
        if self._state.sleeps and level_A > WOKEN * self._lowest_A:
            low, high = (format_quantity(at_A, "A", 3) for at_A in (self._lowest_A, level_A))
            raise Fault(
                "unexpected_wake",
                f"board: its current fell to {low} in {self._state.name} and rose to {high} "
                "without anybody waking it: it woke by itself, or it has reset. Look at its "
                "timers, its watchdog, its wake pins and its supply voltage",
            )

    def _look(self, readings: Readings) -> Outcome:
        if self._watch is None:
            first_s = readings.times_s[0] - self._meter.interval_s
            self._watch_from_s = float(first_s)
            self._watch = self._new_watch(readings, self._watch_from_s - self._entered_s)
            self._watch_range = readings.range
        return self._watch.add(readings.times_s - self._entered_s, readings.currents_A)

    def _new_watch(self, readings: Readings, since_s: float) -> Watch:
        entry, share = readings.range, self._meter.dead_share
        priors = self._plan.priors_on(entry, readings.currents_A, self._ticks, share)
        return new_watch(self._state, priors, entry, since_s, self._plan.risk, self._pricing)

    def _measured(self, outcome: Outcome) -> Measured:
        entry = self._watch_range
        assert entry is not None
        assert self._watch is not None
        lowest_A = self._lowest_A if math.isfinite(self._lowest_A) else None
        return Measured(outcome, entry, self._watch.decision, lowest_A)

    def _tell_readings(self, readings: Readings, outcome: Outcome | None) -> None:
        self._log.emit(
            ReadingsTaken(
                self._state.name,
                readings.times_s - self._log.start_s,
                readings.currents_A,
                readings.range.full_scale_A,
                outcome,
            )
        )
