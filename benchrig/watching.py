"""The two aims of a measurement: to know the settled current, or only its verdict. The loop that
feeds the readings sees one face of both."""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

from numpy.typing import ArrayLike

from benchrig.drivers.meter_ranges import MeterRange
from benchrig.measurement import (
    Decision,
    Outcome,
    Priors,
    Risks,
    SettlingWatch,
    VerdictWatch,
)
from benchrig.pricing import Pricing
from benchrig.session.session_file import State


class Watch(Protocol):
    @property
    def decision(self) -> Decision | None:
        """What a watch for the verdict said last; None of one for the value."""
        ...

    def add(self, times_s: ArrayLike, currents_A: ArrayLike) -> Outcome: ...

    def finish(self) -> Outcome: ...


class ValueWatch(SettlingWatch):
    decision: Decision | None = None


class VerdictOnly:
    """Settled, to the loop, as soon as the verdict is certain. `watch` sees what is read, with
    `fed_A` in it from the lines; the decision is of the board alone."""

    def __init__(self, watch: VerdictWatch, fed_A: float = 0.0) -> None:
        self._watch = watch
        self._fed_A = fed_A
        self.decision: Decision | None = None

    def add(self, times_s: ArrayLike, currents_A: ArrayLike) -> Outcome:
        return self._outcome(self._watch.add(times_s, currents_A))

    def finish(self) -> Outcome:
        return self._outcome(self._watch.finish())

    def _outcome(self, decision: Decision) -> Outcome:
        mean_A = None if decision.current_A is None else decision.current_A - self._fed_A
        self.decision = replace(
            decision,
            current_A=mean_A,
            lower_A=decision.lower_A - self._fed_A,
            upper_A=decision.upper_A - self._fed_A,
        )
        match decision.kind:
            case "pass" | "fail" | "undecided":
                return Outcome("settled", decision.reason)
            case kind:
                return Outcome(kind, decision.reason)


def new_watch(
    state: State,
    priors: Priors,
    entry: MeterRange,
    since_s: float,
    risk: float | None,
    pricing: Pricing,
) -> Watch:
    """A watch for a state on one range: for its verdict at a `risk`, or for its value. Without a
    limit there is no verdict to aim at. Times are counted from the command; readings before
    `since_s`, on another range, are left out."""
    limit = state.limit
    if risk is None or (limit.min is None and limit.max is None):
        return ValueWatch(priors, entered_s=0.0, since_s=since_s)
    fed_A = pricing.fed_A(state)
    watch = VerdictWatch(
        priors,
        None if limit.min is None else limit.min + fed_A,
        None if limit.max is None else limit.max + fed_A,
        risk=Risks(consumer=risk, producer=risk),
        meter=pricing.for_verdict(entry, state),
        sleeps=state.sleeps,
        entered_s=0.0,
        since_s=since_s,
    )
    return VerdictOnly(watch, fed_A)
