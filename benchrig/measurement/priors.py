"""What is known about a state before it is measured."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Priors:
    """Declared per board type and rig, never guessed from the data.

    The readings alone can't tell a long plateau of the firmware, or a component that is slower
    than the record, from a settled current: those bounds have to come from outside.

    guard_s         longest time the firmware may still work after the command; no outcome with a
                    value is based on a record that ends before it. Too short a guard is the one
                    wrong prior that gives a confident, wrong value: take it with margin.
    slowest_tau_s   slowest time constant of the board and its supply, from a long record.
    period_s        period of the wake-up tick, `None` if the state has none.
    count_A         one count of the meter on the range in use; 0 = finer than any noise.
    dead_share      share of the time the meter is blind between readings; 0 = gapless.
    tolerance       settled means: within this share of the mean (0.01 is 1 %) ...
    floor_A         ... plus this much, so that a current near zero can settle at all: a share
                    of the meter's accuracy, or of the distance to the limit.

    Raises `ValueError` for a value that makes no sense.
    """

    guard_s: float = 5.0
    slowest_tau_s: float = 2.0
    period_s: float | None = None
    count_A: float = 0.0
    dead_share: float = 0.0
    tolerance: float = 0.01
    floor_A: float = 0.0

    def __post_init__(self) -> None:
        for name in ("guard_s", "count_A", "dead_share", "floor_A"):
            _check(name, getattr(self, name), getattr(self, name) >= 0.0, "0 or more")
        for name in ("slowest_tau_s", "tolerance"):
            _check(name, getattr(self, name), getattr(self, name) > 0.0, "above 0")
        if self.period_s is not None:
            _check("period_s", self.period_s, self.period_s > 0.0, "above 0, or None")
        _check("dead_share", self.dead_share, self.dead_share < 1.0, "below 1")

    def allowed_A(self, current_A: float) -> float:
        """How far from the final value a current may be and still count as settled."""
        return self.tolerance * abs(current_A) + self.floor_A + self.count_A


def _check(name: str, value: float, holds: bool, rule: str) -> None:
    if not (holds and math.isfinite(value)):
        raise ValueError(f"{name} is {value!r}: it must be a finite number, {rule}")
