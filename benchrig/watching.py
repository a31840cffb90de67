"""The two aims of a measurement: to know the settled current, or only its verdict. The loop that
feeds the readings sees one face of both."""

from __future__ import annotations

from typing import Protocol

from numpy.typing import ArrayLike

from benchrig.drivers.meter_ranges import MeterRange
from benchrig.measurement import (
    Decision,
    MeterUncertainty,
    Outcome,
    Priors,
    Risks,
    SettlingWatch,
    VerdictWatch,
)
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
    """Settled, to the loop, as soon as the verdict is certain."""

    def __init__(self, watch: VerdictWatch) -> None:
        self._watch = watch
        self.decision: Decision | None = None

    def add(self, times_s: ArrayLike, currents_A: ArrayLike) -> Outcome:
        return self._outcome(self._watch.add(times_s, currents_A))

    def finish(self) -> Outcome:
        return self._outcome(self._watch.finish())

    def _outcome(self, decision: Decision) -> Outcome:
        self.decision = decision
        match decision.kind:
            case "pass" | "fail" | "undecided":
                return Outcome("settled", decision.reason)
            case kind:
                return Outcome(kind, decision.reason)


def new_watch(
    state: State, priors: Priors, entry: MeterRange, since_s: float, *, risk: float | None
) -> Watch:
    """A watch for a state on one range: for its verdict at a `risk`, or for its value. Without a
    limit there is no verdict to aim at. Times are counted from the command; readings before
    `since_s`, on another range, are left out."""
    limit = state.limit
    if risk is None or (limit.min is None and limit.max is None):
        return ValueWatch(priors, entered_s=0.0, since_s=since_s)
    meter = MeterUncertainty(entry.gain or 0.0, (entry.offset or 0.0) * entry.full_scale_A)
    return VerdictOnly(
        VerdictWatch(
            priors,
            limit.min,
            limit.max,
            risk=Risks(consumer=risk, producer=risk),
            meter=meter,
            sleeps=state.sleeps,
            entered_s=0.0,
            since_s=since_s,
        )
    )
