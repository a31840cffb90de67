"""Compares a measured value with its limits, by a rule that was fixed beforehand.

Terms of JCGM 106:2012: tolerance limits are what the board has to keep; acceptance limits are
what the measured value has to keep; between the two lies a guard band w, which keeps the risk of
a wrong decision small. All clause numbers here and below are from memory.

    simple acceptance     w = 0: pass up to the limit, fail beyond (8.2); up to 50 % risk for a
                          value on the limit
    guarded acceptance    pass only inside by w (8.3.2): protects the consumer
    guarded rejection     fail only outside by w (8.3.3): protects the producer
    three-way             both, and "undecided" between: the measurement can't tell. ILAC-G8:09/2019
                          (4.2.3) has the same four zones, with a conditional pass and fail
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, Protocol

from benchrig.measurement.quantiles import t_quantile

Verdict = Literal["pass", "fail", "undecided"]
Acceptance = Literal["simple", "guarded_acceptance", "guarded_rejection", "three_way"]

LEAST_RATIO = 4.0
"""Tolerance to uncertainty, 4:1 (common practice, no source)."""


class Measured(Protocol):
    """A value with its uncertainty, as `Estimate` and `Budget` are; all in one unit but `dof`."""

    @property
    def value(self) -> float: ...
    @property
    def standard_uncertainty(self) -> float: ...
    @property
    def expanded_uncertainty(self) -> float: ...
    @property
    def dof(self) -> float: ...


@dataclass(frozen=True)
class GuardBand:
    """How wide a guard band is: by a risk, or as a multiple of the expanded uncertainty.

    `risk`: the largest specific risk, of a wrong verdict on this one board (JCGM 106:2012,
    8.3.2.2): w = t(risk)·u; 2.5 % gives 1.96 u. `multiple`: w = multiple·U; ILAC-G8 uses 1 (at
    most 2.5 % risk). Raises `ValueError` unless exactly one is given, within 0 < risk <= 0.5 or
    0 <= multiple.
    """

    risk: float | None = None
    multiple: float | None = None

    def __post_init__(self) -> None:
        if (self.risk is None) == (self.multiple is None):
            raise ValueError("a guard band needs either a risk or a multiple, and not both")
        if self.risk is not None and not 0.0 < self.risk <= 0.5:
            raise ValueError(f"the risk is {self.risk!r}: it must be above 0 and at most 0.5")
        if self.multiple is not None and not 0.0 <= self.multiple < math.inf:
            raise ValueError(f"the multiple is {self.multiple!r}: it must be finite, 0 or more")

    def width(self, measured: Measured) -> float:
        if self.multiple is not None:
            return self.multiple * measured.expanded_uncertainty
        assert self.risk is not None
        return t_quantile(measured.dof, 1.0 - 2.0 * self.risk) * measured.standard_uncertainty


@dataclass(frozen=True)
class DecisionRule:
    """What is said before the measurement (ISO/IEC 17025:2017, 3.7 and 7.1.3, from memory).

    `guard` is not looked at in simple acceptance. The default is the rule of `judge`.
    """

    acceptance: Acceptance = "three_way"
    guard: GuardBand = GuardBand(multiple=1.0)

    def decide(self, measured: Measured, minimum: float | None, maximum: float | None) -> Verdict:
        """The verdict on `measured`, in the unit of the limits. Raises as `judge`."""
        limits = ordered_limits(minimum, maximum)
        _check(measured.value, measured.expanded_uncertainty)
        _check(measured.value, measured.standard_uncertainty)
        width = self.guard.width(measured)
        match self.acceptance:
            case "simple":
                return "pass" if _inside(measured.value, *limits, 0.0) else "fail"
            case "guarded_acceptance":
                return "pass" if _inside(measured.value, *limits, width) else "fail"
            case "guarded_rejection":
                return "fail" if _outside(measured.value, *limits, width) else "pass"
            case "three_way":
                return _three_way(measured.value, *limits, width)


def judge(
    value: float, expanded_uncertainty: float, minimum: float | None, maximum: float | None
) -> Verdict:
    """The verdict on `value` ± `expanded_uncertainty` against limits, any of which may be absent.

    All in one unit. "undecided": a limit lies within the uncertainty, so the measurement can't
    tell. Raises `ValueError` for NaN, a negative uncertainty or limits in the wrong order.
    """
    low, high = ordered_limits(minimum, maximum)
    _check(value, expanded_uncertainty)
    return _three_way(value, low, high, expanded_uncertainty)


def conformance_probability(
    value: float, standard_uncertainty: float, minimum: float | None, maximum: float | None
) -> float:
    """Probability that the true value lies within the limits (JCGM 106:2012, 7.2 to 7.4).

    Normal distribution around `value`, no prior knowledge of the board. Raises as `judge`.
    """
    low, high = ordered_limits(minimum, maximum)
    _check(value, standard_uncertainty)
    if standard_uncertainty == 0.0:
        return 1.0 if low <= value <= high else 0.0
    root2u = math.sqrt(2.0) * standard_uncertainty
    # From the tail on the nearer side, so that a small probability keeps its digits.
    if value - low > high - value:
        return 0.5 * (math.erfc((value - high) / root2u) - math.erfc((value - low) / root2u))
    return 0.5 * (math.erfc((low - value) / root2u) - math.erfc((high - value) / root2u))


def uncertainty_ratio(
    expanded_uncertainty: float, minimum: float | None, maximum: float | None
) -> float:
    """Tolerance : uncertainty, the half-width of the tolerance over U (infinite without limits).

    JCGM 106:2012, 7.6.3: the measurement capability index T/(2U). With one limit the tolerance
    is taken from 0 to the limit, because a board that works draws more than nothing. Raises as
    `judge`.
    """
    low, high = ordered_limits(minimum, maximum)
    _check(0.0, expanded_uncertainty)
    if math.isinf(low) and math.isinf(high):
        return math.inf
    one_limit = abs(low if math.isinf(high) else high)
    tolerance = one_limit if math.isinf(high - low) else high - low
    return tolerance / (2.0 * expanded_uncertainty) if expanded_uncertainty > 0.0 else math.inf


def ratio_flags(
    expanded_uncertainty: float, minimum: float | None, maximum: float | None
) -> tuple[str, ...]:
    """The flag "uncertainty_ratio_low" below 4:1: the guard bands eat up much of the tolerance."""
    low = uncertainty_ratio(expanded_uncertainty, minimum, maximum) < LEAST_RATIO
    return ("uncertainty_ratio_low",) if low else ()


@dataclass(frozen=True)
class Confirmation:
    """How a verdict is to be confirmed: measured again, `repeats` times, each after a fresh entry
    into the state and `longer` times as long as at first."""

    longer: float
    repeats: int


def confirmation(first: Verdict) -> Confirmation | None:
    """What to do about the `first` verdict: nothing after a pass.

    A fail is repeated once after a fresh entry: boards do fall asleep wrongly now and then, and
    contacts do get dirty; it takes as long as the first time, since the fail was certain. An
    undecided is measured four times as long, which halves its averaging part, after a fresh entry
    as well, so that the two readings of it don't share one transient. There is no third
    measurement: who repeats until it passes, passes anything.
    """
    if first == "pass":
        return None
    return Confirmation(longer=1.0 if first == "fail" else 4.0, repeats=1)


def confirmed(first: Verdict, second: Verdict) -> Verdict:
    """The verdict from the first measurement and its one confirmation.

    Fixed beforehand, and by agreement rather than by the mean of the two: two entries that
    contradict each other show a board that isn't the same each time, which a mean would hide, and
    the meter's error is common to both, so that a mean is hardly known better.

        fail, then fail          fail: the producer's risk is at most what it was, since both
                                 have to be wrong
        fail, then anything else undecided, never a pass: so the consumer's risk does not grow
        undecided, then any      what the second says; the consumer's risk, and the producer's,
                                 is at most twice that of one measurement
    Raises `ValueError` after a pass, which nobody may have confirmed.
    """
    if first == "pass":
        raise ValueError("a pass is not measured again: it must stand as it is")
    return second if first == "undecided" or second == "fail" else "undecided"


def _inside(value: float, low: float, high: float, width: float) -> bool:
    return low + width <= value <= high - width


def _outside(value: float, low: float, high: float, width: float) -> bool:
    # A value on the limit itself conforms, also without a guard band.
    return low > value <= low - width or high < value >= high + width


def _three_way(value: float, low: float, high: float, width: float) -> Verdict:
    if _inside(value, low, high, width):
        return "pass"
    return "fail" if _outside(value, low, high, width) else "undecided"


def ordered_limits(minimum: float | None, maximum: float | None) -> tuple[float, float]:
    """Infinite where there is none. Raises `ValueError` for limits in the wrong order."""
    low = -math.inf if minimum is None else minimum
    high = math.inf if maximum is None else maximum
    if not low <= high:
        raise ValueError(f"the minimum {low!r} must not be above the maximum {high!r}")
    return low, high


def _check(value: float, uncertainty: float) -> None:
    if not math.isfinite(value):
        raise ValueError(f"the value is {value!r}: it must be a finite number")
    if not 0.0 <= uncertainty < math.inf:
        raise ValueError(f"the uncertainty is {uncertainty!r}: it must be finite, 0 or more")
