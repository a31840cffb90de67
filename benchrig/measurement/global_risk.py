"""How often a decision is wrong, over all boards that a process makes (JCGM 106:2012, clause 9).

The specific risks of `decision` hold for one board that was measured. Before anything is measured
the question is another one: of the boards that will come, how many are accepted although they
don't conform, and how many are rejected although they do? That takes what is known of the process.
Clause numbers are from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

from benchrig.measurement.decision import ordered_limits

PROCESS_SDS = 9.0
"""A normal process has 2e-19 of its boards further out than this."""


@dataclass(frozen=True)
class Process:
    """Normal distribution of what the boards draw, before any is measured (JCGM 106:2012, 6.3).

    `mean` and `standard_deviation`, in the unit of the limits. Leakage is log-normal more often
    than not: give the logarithms of all then.
    """

    mean: float
    standard_deviation: float

    def __post_init__(self) -> None:
        if not math.isfinite(self.mean):
            raise ValueError(f"the mean is {self.mean!r}: it must be a finite number")
        if not 0.0 < self.standard_deviation < math.inf:
            raise ValueError(
                f"the standard deviation is {self.standard_deviation!r}: it must be finite, above 0"
            )


@dataclass(frozen=True)
class GlobalRisks:
    """Shares of all boards: `consumer` accepted and not conforming (JCGM 106:2012, 9.5.2),
    `producer` rejected and conforming (9.5.3)."""

    consumer: float
    producer: float


def global_risks(
    process: Process,
    standard_uncertainty: float,
    minimum: float | None,
    maximum: float | None,
    guard_band: float = 0.0,
) -> GlobalRisks:
    """Risks of accepting what is measured inside the limits by `guard_band`, rejecting the rest.

    The measured value is normal about the true one. A negative `guard_band` is guarded rejection.
    Raises `ValueError` unless the uncertainty is above 0 and the limits are in order.
    """
    from scipy.integrate import quad
    from scipy.special import ndtr

    low, high = ordered_limits(minimum, maximum)
    if not 0.0 < standard_uncertainty < math.inf:
        raise ValueError(
            f"the uncertainty is {standard_uncertainty!r}: it must be finite and above 0"
        )
    accept_low, accept_high = low + guard_band, high - guard_band

    def accepted(true: float) -> float:
        if accept_low >= accept_high:
            return 0.0
        above = (true - accept_high) / standard_uncertainty
        below = (accept_low - true) / standard_uncertainty
        return float(1.0 - ndtr(above) - ndtr(below))

    def made(true: float) -> float:
        z = (true - process.mean) / process.standard_deviation
        return math.exp(-z * z / 2.0) / (process.standard_deviation * math.sqrt(2.0 * math.pi))

    def share(start: float, end: float, of: Callable[[float], float]) -> float:
        reach = PROCESS_SDS * process.standard_deviation
        start, end = max(start, process.mean - reach), min(end, process.mean + reach)
        if start >= end:
            return 0.0
        # The steps of `accepted` may be narrow: the integration has to be told where they are.
        steps = (accept_low, accept_high, process.mean)
        inside = [point for point in steps if start < point < end]
        edges = [start, *sorted(inside), end]
        return sum(
            float(quad(lambda true: made(true) * of(true), a, b, limit=200)[0])
            for a, b in pairwise(edges)
        )

    return GlobalRisks(
        consumer=share(-math.inf, low, accepted) + share(high, math.inf, accepted),
        producer=share(low, high, lambda true: 1.0 - accepted(true)),
    )
