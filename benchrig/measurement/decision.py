"""Compares a measured value with its limits.

Terms of JCGM 106:2012: a guard band between the tolerance limit and the acceptance limit keeps
the risk of a wrong decision small. Here w = U (k = 2 or t95), on both sides of each limit:
guarded acceptance for a pass, guarded rejection for a fail (8.3.2, 8.3.3; ILAC-G8:09/2019, 4.2.2,
all from memory).
"""

from __future__ import annotations

import math
from typing import Literal

Verdict = Literal["pass", "fail", "undecided"]


def judge(
    value: float, expanded_uncertainty: float, minimum: float | None, maximum: float | None
) -> Verdict:
    """The verdict on `value` ± `expanded_uncertainty` against limits, any of which may be absent.

    All in one unit. "undecided": a limit lies within the uncertainty, so the measurement can't
    tell. Raises `ValueError` for NaN, a negative uncertainty or limits in the wrong order.
    """
    low, high = _limits(minimum, maximum)
    _check(value, expanded_uncertainty)
    if low + expanded_uncertainty <= value <= high - expanded_uncertainty:
        return "pass"
    if value <= low - expanded_uncertainty or value >= high + expanded_uncertainty:
        return "fail"
    return "undecided"


def conformance_probability(
    value: float, standard_uncertainty: float, minimum: float | None, maximum: float | None
) -> float:
    """Probability that the true value lies within the limits (JCGM 106:2012, 7.2 to 7.4).

    Normal distribution around `value`, no prior knowledge of the board. Raises as `judge`.
    """
    low, high = _limits(minimum, maximum)
    _check(value, standard_uncertainty)
    if standard_uncertainty == 0.0:
        return 1.0 if low <= value <= high else 0.0
    root2u = math.sqrt(2.0) * standard_uncertainty
    # From the tail on the nearer side, so that a small probability keeps its digits.
    if value - low > high - value:
        return 0.5 * (math.erfc((value - high) / root2u) - math.erfc((value - low) / root2u))
    return 0.5 * (math.erfc((low - value) / root2u) - math.erfc((high - value) / root2u))


def _limits(minimum: float | None, maximum: float | None) -> tuple[float, float]:
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
