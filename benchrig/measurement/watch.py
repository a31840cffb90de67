"""Watches readings as they come and says when the current has settled.

Looks are few (each 10 % more readings than the last, and fewer yet while slow noise would not have
shown itself), because a rule that looks after every reading stops at a lucky moment; two looks in
a row have to agree. The record is kept whole, from
some length on in merged entries (`record`): the looks at a record of n readings cost as much as
log(n) looks at a bounded one.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TypedDict

import numpy as np
from numpy.typing import ArrayLike

from benchrig.measurement.events import GAPLESS, NoWindow
from benchrig.measurement.look import FEWEST_AT_ALL, Figures, drifting, examine, late_rise
from benchrig.measurement.outcome import Kind, Outcome
from benchrig.measurement.priors import Priors
from benchrig.measurement.quantiles import poisson_limits
from benchrig.measurement.record import CLOCK_S, Record
from benchrig.measurement.settling import FEWEST

LOOK_GROWTH = 1.1
LOOKS_IN_A_ROW = 2


class SettlingWatch:
    """One record of one state on one range; feed it, and read the last outcome.

    `entered_s`: the time of the command that entered the state, on the clock of the readings,
    whatever that counts from; the guard and the outcome's times count from it. `None`: the first
    valid reading stands for it. `since_s`: readings that end before it, on the same clock, are
    left out, such as those before the last change of range, after which the supply at the board
    settles again. `None`: those before the command.
    """

    def __init__(
        self, priors: Priors, *, entered_s: float | None = None, since_s: float | None = None
    ) -> None:
        self._priors = priors
        self._guard_s = priors.guard_s - CLOCK_S
        self._record = Record(entered_s, since_s)
        self._next_look = FEWEST
        self._next_look_s = self._guard_s
        self._looked_s = 0.0
        self._agreeing = 0
        self._outcome = Outcome("waiting", "no readings yet", still_needed_s=priors.guard_s)
        # What the last look found, what it still needed, and what had been left out by then:
        # of many looks in one call only the last has to be put in words.
        self._untold: tuple[Figures, float, int] | None = None

    def add(self, times_s: ArrayLike, currents_A: ArrayLike) -> Outcome:
        """Takes readings in and says "waiting" or "settled"; after "settled" nothing changes.

        `times_s`, shape (n,): end of each reading in seconds, strictly increasing, also from call
        to call. `currents_A`, shape (n,): sentinels, NaN and
        infinities are counted and left out.
        The outcome does not depend on how the readings are divided into calls.
        Raises `ValueError`, and takes nothing in, if the arrays don't make sense.
        """
        times = np.asarray(times_s, dtype=np.float64)
        currents = np.asarray(currents_A, dtype=np.float64)
        self._record.check(times, currents)
        while times.size and not self._settled:
            taken = self._record.take(times, currents, self._next_look, self._next_look_s)
            times, currents = times[taken:], currents[taken:]
            if self._record.last_valid_s < self._guard_s:
                self._outcome = self._guarded()
            elif self._record.size >= self._next_look and (
                self._record.last_valid_s >= self._next_look_s
            ):
                self._looked_s = self._record.last_valid_s
                self._next_look = math.ceil(self._record.size * LOOK_GROWTH)
                self._look()
        return self._as_of_now()

    def finish(self) -> Outcome:
        """The outcome at the time-out: never "waiting", and "settled" only if it was before."""
        return self._outcome if self._settled else self._final()

    def _guarded(self) -> Outcome:
        reason = f"the firmware may still be at work until {self._priors.guard_s:g} s"
        left_s = self._priors.guard_s - max(self._record.last_valid_s, 0.0)
        return Outcome("waiting", reason, still_needed_s=left_s)

    def _as_of_now(self) -> Outcome:
        """The last look's outcome, with the time since then off what it still needed."""
        if self._untold is not None:
            found, needed_s, dropped = self._untold
            self._outcome = Outcome("waiting", self._not_yet(found), needed_s, dropped=dropped)
            self._untold = None
        outcome, since_s = self._outcome, self._record.last_valid_s - self._looked_s
        if outcome.still_needed_s is None or since_s <= 0.0 or not self._looked_s:
            return outcome
        left_s = max(outcome.still_needed_s - since_s, 0.0)
        return Outcome(outcome.kind, outcome.reason, left_s, dropped=outcome.dropped)

    def _look(self) -> None:
        record = self._record
        self._untold = None
        found = examine(record.entries, self._priors)
        if record.too_many_dropped:
            found = NoWindow(*record.why_too_many())
        if isinstance(found, NoWindow):
            self._agreeing = 0
            self._outcome = Outcome("waiting", found.reason, dropped=record.dropped)
            return
        self._agreeing = self._agreeing + 1 if found.within_tolerance else 0
        unseen_s = self._priors.sight_s - found.seen_s
        if self._agreeing >= LOOKS_IN_A_ROW and unseen_s <= CLOCK_S:
            self._outcome = self._with_value("settled", _settled(found), found)
            return
        next_s = (LOOK_GROWTH - 1.0) * float(record.times[-1] - record.times[0])
        self._skip(unseen_s, next_s)
        needed_s = max(next_s, unseen_s, _still_needed_s(found, self._priors))
        self._untold = found, needed_s, record.dropped

    def _skip(self, unseen_s: float, next_s: float) -> None:
        """Nothing is settled for `unseen_s` yet, whatever a look `next_s` from now finds."""
        if unseen_s > 2.0 * next_s:
            wait_s = unseen_s / 2.0
        elif unseen_s > CLOCK_S and self._agreeing >= LOOKS_IN_A_ROW:
            wait_s = unseen_s
        else:
            return
        self._next_look = self._record.size + 1
        self._next_look_s = self._looked_s + wait_s - CLOCK_S

    def _final(self) -> Outcome:
        if self._record.too_many_dropped:
            return self._without_value(*self._record.why_too_many())
        size = self._record.size
        if size < FEWEST_AT_ALL:
            return self._without_value("few_readings", f"only {size} valid readings came")
        if self._record.last_valid_s < self._guard_s:
            return self._without_value(
                "few_readings",
                f"the record ends at {self._record.last_valid_s:.3g} s, while the firmware may "
                f"be at work until {self._priors.guard_s:g} s",
            )
        found = examine(self._record.entries, self._priors)
        if isinstance(found, Figures):
            known = replace(self._priors, count_A=found.count_A)
            found = late_rise(self._record.entries, known) or found
        if isinstance(found, NoWindow):
            return self._without_value(found.kind, found.reason, found.flags)
        change = drifting(self._record.readings, found, self._priors)
        if change is not None:
            return self._without_value("drifting", _drifts(change, found))
        if size < FEWEST:
            reason = f"only {size} readings: too few to see how they hang together"
            return self._with_value("few_readings", reason, found)
        return self._with_value("noise_limited", self._not_yet(found), found)

    def _not_yet(self, found: Figures) -> str:
        if not found.within_tolerance:
            return _too_wide(found)
        if found.seen_s >= self._priors.sight_s - CLOCK_S:
            return "within tolerance; one more look has to confirm it"
        return (
            f"within tolerance, but seen at rest for {found.seen_s:.3g} s only, and noise may be "
            f"so slow that {self._priors.sight_s:.3g} s are needed to see it"
        )

    @property
    def _settled(self) -> bool:
        return self._outcome.kind == "settled"

    def _without_value(self, kind: Kind, reason: str, flags: tuple[str, ...] = ()) -> Outcome:
        flags += ("readings_dropped",) if self._record.dropped else ()
        return Outcome(
            kind, reason, count_A=self._priors.count_A, dropped=self._record.dropped, flags=flags
        )

    def _with_value(self, kind: Kind, reason: str, found: Figures) -> Outcome:
        return Outcome(
            kind,
            reason,
            current_A=found.mean.mean,
            standard_uncertainty_A=found.mean.standard_uncertainty,
            dof=found.mean.dof,
            settling_bound_A=found.bound_A,
            settled_after_s=found.first_s,
            averaged_for_s=found.last_s - found.first_s,
            readings=found.readings,
            base_A=found.base_A,
            count_A=found.count_A,
            **_events(found, self._priors),
            dropped=self._record.dropped,
            flags=found.flags + (("readings_dropped",) if self._record.dropped else ()),
        )


def settle(
    times_s: ArrayLike,
    currents_A: ArrayLike,
    priors: Priors,
    *,
    entered_s: float | None = None,
    since_s: float | None = None,
) -> Outcome:
    """The outcome of a stored record: the same figures as live, from the same looks."""
    watch = SettlingWatch(priors, entered_s=entered_s, since_s=since_s)
    watch.add(times_s, currents_A)
    return watch.finish()


class _Events(TypedDict, total=False):
    events: int
    event_charge_C: float | None
    event_rate_per_s: float
    event_rate_low_per_s: float
    event_rate_high_per_s: float


def _events(found: Figures, priors: Priors) -> _Events:
    """Sporadic events in the averaged part, for the outcome."""
    if priors.period_s is not None:
        return {}
    window, length_s = found.window, found.last_s - found.first_s
    seen = window.clusters
    # None seen: one-sided, -ln(0.05)/L = 3/L.
    low, high = poisson_limits(seen, 0.025 if seen else 0.05)
    # Events that are short for the meter fall between its readings in their share of the time; how
    # short they are nobody knows, so that the lower end is for a meter that has missed none.
    hides = priors.dead_share > GAPLESS and not window.lasting
    blind = priors.dead_share if hides else 0.0
    rate_per_s = window.rate_per_s(seen, length_s, blind)
    return {
        "events": seen,
        "event_charge_C": window.events_A / rate_per_s if seen else None,
        "event_rate_per_s": rate_per_s,
        "event_rate_low_per_s": window.rate_per_s(low, length_s, 0.0),
        "event_rate_high_per_s": window.rate_per_s(high, length_s, blind),
    }


def _still_needed_s(found: Figures, priors: Priors) -> float:
    """A guess: transients shrink exponentially, noise with the square root of the time."""
    excess = found.known_to_A / found.allowed_A if found.allowed_A else 1.0
    if abs(found.mean.first_minus_second) > 2.0 * found.mean.half_width:
        return priors.slowest_tau_s * math.log(max(excess, 1.0))
    return (found.last_s - found.first_s) * max(excess**2 - 1.0, 0.0)


def _settled(found: Figures) -> str:
    return f"settled after {found.first_s:.3g} s, averaged for {found.last_s - found.first_s:.3g} s"


def _too_wide(found: Figures) -> str:
    def percent(part_A: float) -> str:
        return _percent(part_A / abs(found.mean.mean)) if found.mean.mean else "unbounded"

    return (
        f"allowed is {percent(found.allowed_A)} of the mean; averaging knows it to "
        f"{percent(found.half_width_A)}, and {percent(found.to_come_A)} may still be to come"
    )


def _drifts(change: tuple[float, float], found: Figures) -> str:
    share = change[0] / abs(found.mean.mean) if found.mean.mean else math.inf
    return f"still drifting: {_percent(share, '+')} of the mean over the last half of the record"


def _percent(share: float, sign: str = "") -> str:
    """Two digits, and no exponent where people expect none: ``130 %``."""
    return f"{float(f'{100.0 * share:.2g}'):{sign}g} %"
