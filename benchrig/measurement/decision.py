"""From a value with its uncertainty to a verdict."""

from __future__ import annotations

import math
from typing import Literal


def judge(
    value: float, expanded_uncertainty: float, minimum: float | None, maximum: float | None
) -> Literal["pass", "fail", "undecided"]:
    """Guarded acceptance and guarded rejection with a guard band of one expanded uncertainty
    (JCGM 106:2012 8.3; ILAC-G8:09/2019, from memory): `undecided` where the limit lies inside
    the uncertainty. Without limits every value passes."""
    low, high = value - expanded_uncertainty, value + expanded_uncertainty
    if (minimum is not None and high < minimum) or (maximum is not None and low > maximum):
        return "fail"
    if (minimum is None or low >= minimum) and (maximum is None or high <= maximum):
        return "pass"
    return "undecided"


def conformance_probability(
    value: float, standard_uncertainty: float, minimum: float | None, maximum: float | None
) -> float:
    """The probability that the true value lies within the limits (JCGM 106:2012 7.2 to 7.4)."""

    def below(limit: float) -> float:
        return 0.5 * math.erfc((value - limit) / standard_uncertainty / math.sqrt(2))

    upper = 1.0 if maximum is None else below(maximum)
    return upper - (0.0 if minimum is None else below(minimum))
