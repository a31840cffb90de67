"""The aim `verdict`: stop as soon as pass or fail is certain, and not before.

A production line does not need the settled current, only on which side of its limit it lies.
Far from the limit a few readings tell, long before the current is known to a per cent.

Risk. JCGM 106:2012, 9.5 (from memory): the consumer's risk is that of passing a board whose
current is outside, the producer's that of failing one whose current is inside. Here both are
specific risks at their worst, for a current that lies on the limit. Half of each is kept for the
meter: the limit is moved by a guard band, since a gain error is the same at every look and no
waiting averages it away. A quarter is spent on the looks, 10/((k+9)(k+10)) of it on the k-th (the
sum of all is 1), in equal parts on the windows that are tried: looking again and again costs no
more than was stated, however the looks hang together (Boole's inequality; spending as in Lan and
DeMets 1983, from memory). The last quarter is the chance that noise, slow as it was declared to
be, has shown one of its levels only: see below.

Assumptions. What no reading shows can't be bounded by any rule on readings. Taken for granted are:
noise levels no further apart than 30 % of the mean, each held for as long as the slowest noise at
most, on average; a firmware that works no longer than the guard; no drift that takes more than ten
of the slowest time constants to reach the limit; no reset after the verdict; no sporadic event
before the first that was seen, unless its charge is declared. In a record n times as long as the
slowest noise a level may have gone unseen that makes up the share s/(s+n) of the time, s =
ln(2/risk), 4.4 at 2.5 %; from n = s on a half, which shrinks with exp(s - n). So a verdict at 20 %
from the limit may have to wait for about twice the slowest noise, one at 5 % for six times, and
none at half the limit.

Sense. Falling asleep, the current falls: whatever the firmware still does until the guard has
passed, it adds. So the upper bound may come from any part of the record, and a current that is
already low enough passes early. The lower bound comes from readings after the guard alone: a
current above its maximum does not fail, and one above its minimum does not pass it, while the
firmware may still be at work or a tail may still be falling. In a state the board does not sleep
in, nothing before the guard counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from benchrig.measurement.averaging import BATCHES
from benchrig.measurement.bounds import STARTS, Seen, windows
from benchrig.measurement.decision import ordered_limits
from benchrig.measurement.events import NoWindow
from benchrig.measurement.look import UNKNOWN_RESOLUTION
from benchrig.measurement.outcome import Kind
from benchrig.measurement.priors import Priors
from benchrig.measurement.quantiles import poisson_limits, t_quantile
from benchrig.measurement.record import Record
from benchrig.measurement.resolution import count_of

LOOK_GROWTH = 1.1
SPREAD = 10.0
"""Looks among which the risk is about evenly spread at first."""

DecisionKind = Literal["pass", "fail", "undecided"] | Kind


@dataclass(frozen=True)
class Risks:
    """The largest probabilities of a wrong verdict: `consumer` of a false pass, `producer` of a
    false fail. Raises `ValueError` unless both are above 0 and at most 0.25."""

    consumer: float = 0.025
    producer: float = 0.025

    def __post_init__(self) -> None:
        for name in ("consumer", "producer"):
            if not 0.0 < getattr(self, name) <= 0.25:
                raise ValueError(
                    f"the {name}'s risk is {getattr(self, name)!r}: it must be above 0 and at "
                    "most 0.25"
                )


@dataclass(frozen=True)
class MeterUncertainty:
    """Standard uncertainties of the meter: `gain` as a share of the reading, `offset_A`.

    From a sheet they may be one error, so they add linearly (budget.py).
    """

    gain: float = 0.0
    offset_A: float = 0.0

    def __post_init__(self) -> None:
        for name in ("gain", "offset_A"):
            if not 0.0 <= getattr(self, name) < math.inf:
                raise ValueError(f"{name} is {getattr(self, name)!r}: it must be finite, 0 or more")

    def at(self, current_A: float) -> float:
        return self.gain * abs(current_A) + self.offset_A


@dataclass(frozen=True)
class Decision:
    """The verdict on a state so far. Currents in A, times in s.

    kind               "waiting"; "pass", "fail"; or at the time-out "undecided" or the name of
                       what made a verdict impossible, as in `Outcome`
    reason             a sentence for people
    current_A          mean of the narrowest window: not a settled current, while it still falls
    lower_A, upper_A   bounds of the settled current as the meter reads it, the lower one wrong
                       with half the producer's risk at most and the upper one with half the
                       consumer's; infinite where nothing is known yet
    decided_after_s    time of the reading that decided
    readings           number of valid readings used
    risks              as stated
    unseen_rate_per_s  sporadic events may come this often (at the consumer's risk) and yet none
                       have been seen; without a declared charge they are not in the bounds
    dropped            sentinels, NaN and infinities that were left out
    """

    kind: DecisionKind
    reason: str
    current_A: float | None = None
    lower_A: float = -math.inf
    upper_A: float = math.inf
    decided_after_s: float | None = None
    readings: int = 0
    risks: Risks = Risks()
    unseen_rate_per_s: float | None = None
    dropped: int = 0


class VerdictWatch:
    """One record of one state on one range, against its limits; feed it until it decides.

    `sleeps`: the board falls asleep into this state, so that its current is never below the
    settled one for longer than the bounds allow for. Only then is there a verdict before
    `priors.guard_s`. `event_charge_C`: the most charge that one sporadic event may take; then
    the bounds hold for events that have not been seen yet. `entered_s`, `since_s` as in
    `SettlingWatch`. Raises `ValueError` without any limit, or for limits in the wrong order.
    """

    def __init__(
        self,
        priors: Priors,
        minimum_A: float | None,
        maximum_A: float | None,
        *,
        risk: Risks = Risks(),
        meter: MeterUncertainty = MeterUncertainty(),
        sleeps: bool = False,
        event_charge_C: float = 0.0,
        entered_s: float | None = None,
        since_s: float | None = None,
    ) -> None:
        if minimum_A is None and maximum_A is None:
            raise ValueError("a verdict needs a minimum or a maximum")
        self._limits = ordered_limits(minimum_A, maximum_A)
        if not 0.0 <= event_charge_C < math.inf:
            raise ValueError(f"event_charge_C is {event_charge_C!r}: it must be finite, 0 or more")
        self._priors = priors
        self._risks = risk
        self._meter = meter
        self._sleeps = sleeps
        self._event_charge_C = event_charge_C
        self._record = Record(entered_s, since_s)
        self._next_look = BATCHES
        self._looks = 0
        self._looks_after_guard = 0
        self._decision = Decision("waiting", "no readings yet", risks=risk)
        self._trouble: NoWindow | None = None

    def add(self, times_s: ArrayLike, currents_A: ArrayLike) -> Decision:
        """Takes readings in and says "waiting", "pass" or "fail"; a verdict stays.

        Arrays as for `SettlingWatch.add`. The decision does not depend on how the readings are
        divided into calls.
        """
        times = np.asarray(times_s, dtype=np.float64)
        currents = np.asarray(currents_A, dtype=np.float64)
        self._record.check(times, currents)
        while times.size and self._decision.kind == "waiting":
            taken = self._record.take(times, currents, self._next_look)
            times, currents = times[taken:], currents[taken:]
            if self._record.size >= self._next_look:
                self._look()
                self._next_look = math.ceil(self._next_look * LOOK_GROWTH)
        return self._decision

    def finish(self) -> Decision:
        """The decision at the time-out: never "waiting"."""
        if self._decision.kind == "waiting":
            self._decision = self._final()
        return self._decision

    def _look(self) -> None:
        record = self._record
        if record.too_many_dropped:
            self._trouble = NoWindow(*record.why_too_many())
            self._decision = self._decide("waiting", self._trouble.reason)
            return
        guarded = int(np.searchsorted(record.times, self._priors.guard_s))
        self._looks += 1
        self._looks_after_guard += record.times.size - guarded >= BATCHES
        priors = self._priors
        if not priors.count_A:
            late = record.readings[record.times.size // 2 :]
            count_A = count_of(late, record.entries.per_entry)
            if count_A is None:
                self._trouble = UNKNOWN_RESOLUTION
                self._decision = self._decide("waiting", self._trouble.reason)
                return
            priors = replace(priors, count_A=count_A)
        later = windows(record.times[guarded:], record.readings[guarded:], priors)
        every = windows(record.times, record.readings, priors) if self._sleeps else ()
        troubles = [found for found in (every, later) if isinstance(found, NoWindow)]
        self._trouble = troubles[0] if troubles else None
        if any(trouble.kind == "disturbed" for trouble in troubles):
            self._decision = self._decide("waiting", troubles[0].reason)
            return
        self._judge(
            _Look(
                () if isinstance(every, NoWindow) else every,
                self._looks,
                () if isinstance(later, NoWindow) else later,
                max(self._looks_after_guard, 1),
                self._event_charge_C,
            )
        )

    def _judge(self, look: _Look) -> None:
        """Pass, fail or neither, from bounds that each have their own risk."""
        low, high = self._limits
        passes, fails = self._risks.consumer, self._risks.producer
        least_A, upper_A = look.bounds_A(passes)
        lower_A, most_A = (least_A, upper_A) if fails == passes else look.bounds_A(fails)
        kind: DecisionKind = "waiting"
        if (
            upper_A <= high - self._guard_band_A(high, passes)
            and least_A >= low + self._guard_band_A(low, passes)
        ):  # fmt: skip
            kind = "pass"
        elif (
            lower_A > high + self._guard_band_A(high, fails)
            or most_A < low - self._guard_band_A(low, fails)
        ):  # fmt: skip
            kind = "fail"
        narrowest = look.narrowest
        self._decision = self._decide(
            kind,
            self._reason(kind, lower_A, upper_A),
            current_A=None if narrowest is None else narrowest.mean.mean,
            lower_A=lower_A,
            upper_A=upper_A,
            unseen_rate_per_s=look.unseen_rate_per_s(passes),
        )

    def _guard_band_A(self, limit_A: float, risk: float) -> float:
        """Half of the risk, one-sided, for the meter's error (JCGM 106:2012, 8.3, from memory)."""
        if math.isinf(limit_A):
            return 0.0
        return t_quantile(math.inf, 1.0 - risk) * self._meter.at(limit_A)

    def _final(self) -> Decision:
        if self._record.size > self._decision.readings and self._record.size >= BATCHES:
            self._look()
        if self._decision.kind != "waiting":
            return self._decision
        if self._record.too_many_dropped:
            return self._decide(*self._record.why_too_many())
        if self._record.size < BATCHES:
            return self._decide("few_readings", f"only {self._record.size} valid readings came")
        if self._trouble is not None:
            return replace(self._decision, kind=self._trouble.kind, reason=self._trouble.reason)
        return replace(self._decision, kind="undecided")

    def _decide(self, kind: DecisionKind, reason: str, **known: Any) -> Decision:
        record = self._record
        return Decision(
            kind,
            reason,
            decided_after_s=record.last_valid_s if kind in ("pass", "fail") else None,
            readings=record.size,
            risks=self._risks,
            dropped=record.dropped,
            **known,
        )

    def _reason(self, kind: DecisionKind, lower_A: float, upper_A: float) -> str:
        between = f"the settled current lies between {lower_A:.4g} A and {upper_A:.4g} A"
        if kind != "waiting":
            return between
        if self._record.last_valid_s < self._priors.guard_s:
            return f"{between}; the firmware may be at work until {self._priors.guard_s:g} s"
        return f"{between}, and a limit with its guard band is within that"


@dataclass(frozen=True)
class _Look:
    """Windows of the whole record and of that after the guard, and which look each is at.

    `every` may tell how high the settled current is at most, `later` alone how low at least.
    """

    every: tuple[Seen, ...]
    looks: int
    later: tuple[Seen, ...]
    later_looks: int
    event_charge_C: float

    def bounds_A(self, risk: float) -> tuple[float, float]:
        """The lower and the upper one, each wrong with that risk at most but for the meter."""
        share, later_share = _spent(risk, self.looks), _spent(risk, self.later_looks)
        sight, charge_C = _sight(risk), self.event_charge_C
        every = [seen.bounds_A(share, sight, charge_C) for seen in self.every]
        later = [seen.bounds_A(later_share, sight, charge_C) for seen in self.later]
        return (
            max((lower_A for lower_A, _ in later), default=-math.inf),
            min((upper_A for _, upper_A in every + later), default=math.inf),
        )

    @property
    def narrowest(self) -> Seen | None:
        """The window whose mean is known best (at 95 %; no verdict hangs on it)."""
        sight = _sight(0.025)

        def width_A(seen: Seen) -> float:
            lower_A, upper_A = seen.bounds_A(0.025, sight)
            return upper_A - lower_A

        return min(self.every + self.later, key=width_A, default=None)

    def unseen_rate_per_s(self, risk: float) -> float | None:
        seen_s = (w.length_s * (1.0 - w.priors.dead_share) for w in self.every + self.later)
        longest_s = max(seen_s, default=None)
        return None if longest_s is None else poisson_limits(0, risk)[1] / longest_s


def _spent(risk: float, looks: int) -> float:
    """What one window may risk at the `looks`-th look: a quarter is for all looks (see above),
    shared by the windows of two records."""
    share = SPREAD / ((looks + SPREAD - 1.0) * (looks + SPREAD))
    return risk / 4.0 * share / (2.0 * len(STARTS))


def _sight(risk: float) -> float:
    """How many mean times on a level it lasts on with half a chance of a quarter of the `risk`."""
    return -math.log(risk / 2.0)
