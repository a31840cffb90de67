"""What is known about a state before it is measured."""

from __future__ import annotations

import math
from dataclasses import dataclass

GUARD_S = 5.0
LOOSEST = 0.05
"""However far the limit: what is called settled is within this share of the mean."""
SIGHT = 3.75
"""A record this many times as long as the slowest time constant has seen what is as slow as it:
chance misses something that comes once per time constant with exp(-3.75), 2.4 %."""


@dataclass(frozen=True)
class Priors:
    """Declared per board type and rig, never guessed from the data.

    The readings alone can't tell a long plateau of the firmware, or a component that is slower
    than the record, from a settled current: those bounds have to come from outside.

    announced       the firmware tells when it sleeps, and the record begins there. Then the guard
                    is 0 s unless given, and nothing rare is waited for: the firmware is at rest.
    guard_s         longest time the firmware may still work after the command; no outcome with a
                    value is based on a record that ends before it. Too short a guard is the one
                    wrong prior that gives a confident, wrong value: take it with margin.
                    Not given (NaN): 5 s, or 0 s if announced.
    slowest_tau_s   slowest time constant of the board, of its supply and of its noise, from a
                    long record: what changes more rarely than that is not looked for.
    period_s        period of the wake-up tick, `None` if the state has none.
    count_A         one count of the meter on the range in use; 0 = finer than any noise.
    dead_share      share of the time the meter is blind between readings; 0 = gapless.
    tolerance       settled means: within this share of the mean (0.01 is 1 %) ...
    limits_A        minimum and maximum that the current is judged against, each may be None: then
                    within a fifth of the distance to the nearer one instead, but no more
                    than 5 % of the mean and no less than a quarter of `tolerance`; and
    floor_A         ... plus this much, so that a current near zero can settle at all: a share
                    of the meter's accuracy, or of the distance to the limit.

    Raises `ValueError` for a value that makes no sense.
    """

    guard_s: float = math.nan
    slowest_tau_s: float = 2.0
    period_s: float | None = None
    count_A: float = 0.0
    dead_share: float = 0.0
    tolerance: float = 0.01
    floor_A: float = 0.0
    announced: bool = False
    limits_A: tuple[float | None, float | None] = (None, None)

    def __post_init__(self) -> None:
        if math.isnan(self.guard_s):
            object.__setattr__(self, "guard_s", 0.0 if self.announced else GUARD_S)
        for name in ("guard_s", "count_A", "dead_share", "floor_A"):
            _check(name, getattr(self, name), getattr(self, name) >= 0.0, "0 or more")
        for name in ("slowest_tau_s", "tolerance"):
            _check(name, getattr(self, name), getattr(self, name) > 0.0, "above 0")
        if self.period_s is not None:
            _check("period_s", self.period_s, self.period_s > 0.0, "above 0, or None")
        _check("dead_share", self.dead_share, self.dead_share < 1.0, "below 1")

    @property
    def sight_s(self) -> float:
        """How long a record shows all that is declared to happen in this state."""
        return SIGHT * self.slowest_tau_s

    @property
    def least_s(self) -> float:
        """Time after the command before which nothing is settled."""
        return self.guard_s if self.announced else max(self.guard_s, self.sight_s)

    def unseen_A(self, current_A: float, window_s: float) -> float:
        """What a window as short as `window_s` may not have shown: a level that the noise did not
        visit, an event that did not come (none in L seconds: up to 3/L per second at 95 %). How
        much that is worth no reading tells; it is taken as what is allowed, and shrinks as the
        window outgrows `sight_s`. A settled current claims its tolerance, and little more."""
        return self.allowed_A(current_A) * min(1.0, self.sight_s / window_s)

    def allowed_A(self, current_A: float) -> float:
        """How far from the final value a current may be and still count as settled."""
        share_A = self.tolerance * abs(current_A)
        distances_A = [abs(current_A - limit_A) for limit_A in self.limits_A if limit_A is not None]
        if distances_A:
            widest_A = max(LOOSEST * abs(current_A), share_A)
            share_A = min(max(min(distances_A) / 5.0, share_A / 4.0), widest_A)
        return share_A + self.floor_A + self.count_A


def _check(name: str, value: float, holds: bool, rule: str) -> None:
    if not (holds and math.isfinite(value)):
        raise ValueError(f"{name} is {value!r}: it must be a finite number, {rule}")
