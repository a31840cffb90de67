"""What is known about a state before it is measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from numbers import Real

GUARD_S = 5.0
LOOSEST = 0.05
"""However far the limit: what is called settled is within this share of the mean."""
SIGHT = 6.0
"""A part of a record that is so many times as long as the slowest noise has seen it: chance misses
noise that changes its level once in that time with exp(-6), 0.25 %, from the command on, and as
often once more from the guard on, if what came before was cut off."""


@dataclass(frozen=True)
class Priors:
    """Declared per board type and rig, never guessed from the data.

    The readings alone can't tell a long plateau of the firmware, a component that is slower than
    the record, or noise that has not changed its level yet, from a settled current: those bounds
    have to come from outside.

    announced       the firmware tells when it sleeps, and the record begins there. Then the guard
                    is 0 s unless given.
    guard_s         longest time the firmware may still work after the command; no outcome with a
                    value is based on a record that ends before it. Too short a guard is the one
                    wrong prior that gives a confident, wrong value: take it with margin.
                    Not given (NaN): 5 s, or 0 s if announced.
    slowest_tau_s   slowest time constant of the board and of its supply, from a long record.
    slowest_noise_s longest mean time for which noise stays on one level (telegraph noise), or
                    nothing happens (sporadic events), from a long record. A settled current was
                    seen at rest for 6 times as long; what comes more rarely is not looked for.
                    Not given (None): as long as `slowest_tau_s`. Where a long record shows no
                    such noise, a short time saves much waiting.
    period_s        period of the wake-up tick, `None` if the state has none.
    count_A         one count of the meter on the range in use; 0 = not known: then the readings
                    have to tell (`resolution`).
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
    slowest_noise_s: float | None = None

    def __post_init__(self) -> None:
        _check("announced", self.announced, isinstance(self.announced, bool), "True or False")
        if isinstance(self.guard_s, float) and math.isnan(self.guard_s):
            object.__setattr__(self, "guard_s", 0.0 if self.announced else GUARD_S)
        for name in ("guard_s", "count_A", "floor_A"):
            value = getattr(self, name)
            _check(name, value, _finite(value) and value >= 0.0, "a finite number, 0 or more")
        for name in ("slowest_tau_s", "tolerance"):
            value = getattr(self, name)
            _check(name, value, _finite(value) and value > 0.0, "a finite number above 0")
        for name in ("period_s", "slowest_noise_s"):
            value = getattr(self, name)
            good = value is None or (_finite(value) and value > 0.0)
            _check(name, value, good, "a finite number above 0, or None")
        share = self.dead_share
        _check("dead_share", share, _finite(share) and 0.0 <= share < 1.0, "0 or more and below 1")
        _check_limits(self.limits_A)

    @property
    def sight_s(self) -> float:
        """How long a part of a record shows all noise that is declared for this state."""
        noise_s = self.slowest_tau_s if self.slowest_noise_s is None else self.slowest_noise_s
        return SIGHT * noise_s

    def unseen_A(self, current_A: float, seen_s: float) -> float:
        """What a part of `seen_s` at rest may not have shown: a level that the noise did not visit,
        an event that did not come (none in L seconds: up to 3/L per second at 95 %). How much that
        is worth no reading tells; it is taken as what is allowed, and more or less as the part is
        shorter or longer than `sight_s`. A settled current claims its tolerance, little more."""
        return self.allowed_A(current_A) * (self.sight_s / seen_s if seen_s > 0.0 else math.inf)

    def allowed_A(self, current_A: float) -> float:
        """How far from the final value a current may be and still count as settled."""
        share_A = self.tolerance * abs(current_A)
        distances_A = [abs(current_A - limit_A) for limit_A in self.limits_A if limit_A is not None]
        if distances_A:
            widest_A = max(LOOSEST * abs(current_A), share_A)
            share_A = min(max(min(distances_A) / 5.0, share_A / 4.0), widest_A)
        return share_A + self.floor_A + self.count_A


def _finite(value: object) -> bool:
    return isinstance(value, Real) and not isinstance(value, bool) and math.isfinite(value)


def _check(name: str, value: object, holds: bool, rule: str) -> None:
    if not holds:
        raise ValueError(f"{name} is {value!r}: it must be {rule}")


def _check_limits(limits_A: object) -> None:
    rule = "a minimum and a maximum, each None or a finite number, in this order"
    pair = isinstance(limits_A, Sequence) and len(limits_A) == 2
    _check("limits_A", limits_A, pair, rule)
    assert isinstance(limits_A, Sequence)
    known = [limit_A for limit_A in limits_A if limit_A is not None]
    in_order = all(_finite(limit_A) for limit_A in known) and known == sorted(known)
    _check("limits_A", limits_A, in_order, rule)
