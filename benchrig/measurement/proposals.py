"""What is proposed from a long record, each with its reason and with what it could not show."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from benchrig.measurement.long_record import LongRecord
from benchrig.measurement.periodicity import RISK
from benchrig.measurement.priors import Priors
from benchrig.measurement.steps import Step
from benchrig.measurement.tail import Tail
from benchrig.measurement.ticks import WakeUps
from benchrig.units import format_quantity

GUARD_MARGIN = 1.5
"""Firmware is slower at another supply voltage, temperature or bus load (common practice, no
source)."""

LEAST_GUARD_S = 0.1
FAR_WITHIN = 0.25
USUAL_TOLERANCE = 0.01
BLIND = 0.02


@dataclass(frozen=True)
class Proposal:
    """`value`: to be declared, in s or as a share; None where nothing is proposed. `reason`: why,
    and `unseen`: what the record could not show, in words."""

    value: float | None
    reason: str
    unseen: str


# -- guard ------------------------------------------------------------------------------------


def propose_guard(record: LongRecord, fell: Step | None) -> Proposal:
    first_s, last_s = float(record.times_s[0]), float(record.times_s[-1])
    unseen = (
        f"work of the firmware later than {last_s:.4g} s after the command, or only on some "
        "visits: the firmware's source tells, a record does not"
    )
    if fell is not None:
        value = rounded_up(GUARD_MARGIN * fell.time_s, 2)
        reason = (
            f"the last level before the decay, {shown_A(fell.before_A)}, ended "
            f"{fell.time_s:.3g} s after the command with a fall to {shown_A(fell.after_A)}; "
            f"{100 * (GUARD_MARGIN - 1):.0f} % more as a margin"
        )
        if fell.time_s > 0.5 * last_s:
            reason += ". That is late: is it still the command that the firmware works on?"
        return Proposal(value, reason, unseen)
    seen_s = float(record.times_s[min(10, record.times_s.size - 1)])
    value = max(rounded_up(GUARD_MARGIN * seen_s, 2), LEAST_GUARD_S)
    return Proposal(
        value,
        f"no level was held before the decay: the firmware was done before {seen_s:.3g} s, where "
        "a fall would first have been seen",
        f"what happened before the first reading, {first_s:.3g} s after the command; {unseen}",
    )


# -- slowest time constant --------------------------------------------------------------------


def propose_time_constant(tail: Tail, mean_A: float, tolerance: float | None) -> Proposal:
    length_s = tail.until_s - tail.since_s
    unseen = (
        f"a component slower than about a third of the {length_s:.4g} s of tail, or smaller than "
        "the noise; at another temperature capacitors absorb and leak otherwise"
    )
    if tail.shape == "none":
        reason = (
            f"no tail was seen: one of {shown_A(tail.amplitude_A)} or more at "
            f"{tail.since_s:.3g} s would have stood out. What is declared stays"
        )
        return Proposal(None, reason, unseen)
    if abs(tail.amplitude_A) < FAR_WITHIN * (tolerance or 0.0) * abs(mean_A):
        reason = (
            f"the tail, {shown_A(tail.amplitude_A)} at {tail.since_s:.3g} s, is far within the "
            "tolerance: nobody has to wait for it"
        )
        return Proposal(None, reason, unseen)
    if tail.shape == "power":
        return _power_tail(tail, mean_A, tolerance or USUAL_TOLERANCE, unseen)
    assert tail.time_constant_s is not None
    assert tail.low_s is not None
    assert tail.high_s is not None
    if tail.shape == "slower":
        reason = (
            "the current still changes at the end of the record, more slowly than a third of it "
            f"({length_s / 3:.3g} s) can tell: take a longer record"
        )
        return Proposal(None, reason, unseen)
    also = "" if len(tail.terms) == 1 else f", besides a faster one of {tail.terms[1][1]:.3g} s"
    reason = (
        f"a tail of {shown_A(tail.amplitude_A)} at {tail.since_s:.3g} s decays with "
        f"{tail.time_constant_s:.4g} s ({tail.low_s:.4g} s to {tail.high_s:.4g} s at 95 %){also}; "
        "the upper end is proposed"
    )
    return Proposal(rounded_up(tail.high_s, 2), reason, unseen)


def _power_tail(tail: Tail, mean_A: float, tolerance: float, unseen: str) -> Proposal:
    """A power has no time constant; at time t it falls like an exponential of t / exponent."""
    assert tail.exponent is not None
    share = abs(tail.amplitude_A) / (tolerance * abs(mean_A))
    within_s = tail.since_s * max(share, 1.0) ** (1.0 / tail.exponent)
    reason = (
        f"the tail goes with t^-{tail.exponent:g} and has no time constant; it is within the "
        f"tolerance from {within_s:.3g} s on, and falls there like an exponential of "
        f"{within_s / tail.exponent:.3g} s"
    )
    if within_s > tail.until_s:
        return Proposal(None, f"{reason}: beyond the end of the record; take a longer one", unseen)
    return Proposal(rounded_up(within_s / tail.exponent, 2), reason, unseen)


# -- wake-ups ---------------------------------------------------------------------------------


def propose_period(
    wake_ups: WakeUps | None, mean_A: float, length_s: float, record: LongRecord, dead_share: float
) -> Proposal:
    unseen = f"wake-ups further apart than {length_s / 3:.3g} s, and those smaller than the noise"
    if dead_share > BLIND:
        unseen += f"; the meter is blind for {100 * dead_share:.0f} % of the time"
    if wake_ups is None:
        return Proposal(None, "no wake-ups were seen", unseen)
    if wake_ups.smeared:
        return _smeared_period(wake_ups, mean_A, unseen)
    many, charge = len(wake_ups.onsets_s), f"{1e6 * wake_ups.charge_C:.3g} µC"
    adds = f"they make {100 * wake_ups.current_A / mean_A:.2g} % of the mean"
    if wake_ups.period_s is None or wake_ups.period_uncertainty_s is None:
        rate = f"{wake_ups.rate_low_per_s:.2g} to {wake_ups.rate_high_per_s:.2g} per s at 95 %"
        reason = f"{many} events of {charge} came without a period ({rate}); {adds}"
        return Proposal(None, reason, unseen)
    shortest = "" if wake_ups.resolved else "less than "
    duration_s = wake_ups.duration_s if wake_ups.resolved else max(wake_ups.duration_s, 0.0)
    reason = (
        f"{many} wake-ups came every {wake_ups.period_s:.6g} s (± "
        f"{2 * wake_ups.period_uncertainty_s:.1g} s), each of {charge} (± "
        f"{2e6 * wake_ups.charge_uncertainty_C:.1g} µC) and {shortest}{duration_s:.2g} s long, "
        f"{shortest}{100 * duration_s / wake_ups.period_s:.2g} % of the time; {adds}"
    )
    if wake_ups.missed:
        reason += f"; {wake_ups.missed} were not seen"
    value = _to_its_uncertainty(wake_ups.period_s, wake_ups.period_uncertainty_s)
    return Proposal(value, reason, unseen)


def _smeared_period(wake_ups: WakeUps, mean_A: float, unseen: str) -> Proposal:
    assert wake_ups.period_s is not None
    assert wake_ups.period_uncertainty_s is not None
    reason = (
        f"the current rises and falls every {wake_ups.period_s:.6g} s (± "
        f"{2 * wake_ups.period_uncertainty_s:.1g} s), as it does where the meter's shunt and the "
        "board's decoupling capacitor smear wake-ups out; white noise does so in 1 record of "
        f"{1 / RISK:.0f}. They make {100 * wake_ups.current_A / mean_A:.2g} % of the mean or "
        f"more, each of {1e6 * wake_ups.charge_C:.3g} µC or more"
    )
    if wake_ups.pure:
        reason += ". It does so like a sine: mains hum would look the same. A smaller shunt tells"
    unseen += "; how long a wake-up is and what it draws then: a smaller shunt would show it"
    value = _to_its_uncertainty(wake_ups.period_s, wake_ups.period_uncertainty_s)
    return Proposal(value, reason, unseen)


def _to_its_uncertainty(value: float, uncertainty: float) -> float:
    digits = max(3, math.ceil(-math.log10(uncertainty / value)))
    return float(f"{value:.{min(digits, 6)}g}")


# -- tolerance --------------------------------------------------------------------------------


def propose_tolerance(
    mean_A: float, reached_A: float, averaged_s: float, limits_A: Sequence[float]
) -> Proposal:
    """What holds where no tolerance is declared, and never more than that."""
    unseen = (
        "noise slower than the record and noise of another day; the accuracy of the meter, which "
        "counts in the uncertainty and not here"
    )
    size_A = abs(mean_A)
    if not (math.isfinite(reached_A) and size_A > 0.0):
        return Proposal(None, "the record is too short to tell its noise", unseen)
    # Twice: the rule asks for the interval and for what is still to come, each within it.
    allows = 2.0 * reached_A / size_A
    noise = (
        f"averaging for {averaged_s:.3g} s knows the mean to {_percent(reached_A / size_A)}, so "
        f"the noise allows {_percent(allows)}"
    )
    usual = Priors(limits_A=(min(limits_A, default=None), max(limits_A, default=None)))
    wanted = usual.allowed_A(mean_A) / size_A
    asked = f"no limit asks for less than {_percent(wanted)}"
    if limits_A:
        distance = min(abs(limit_A - mean_A) for limit_A in limits_A) / size_A
        asked = f"the nearest limit is {_percent(distance)} away, which asks for {_percent(wanted)}"
    if allows <= wanted:
        return Proposal(_rounded_down(wanted, 2), f"{asked}; {noise}", unseen)
    # White noise falls with the root of the time.
    longer_s = averaged_s * (allows / wanted) ** 2
    reason = (
        f"{asked}, but {noise}: none is proposed, since a wider one would only hide that. "
        f"Averaging for {longer_s:.2g} s or more would do, if time_limit allows it; in less time "
        "the current will be noise_limited, and near a limit undecided"
    )
    return Proposal(None, reason, unseen)


# -- numbers ----------------------------------------------------------------------------------


def rounded_up(value: float, digits: int) -> float:
    """`value`, above 0, to so many significant digits."""
    return _to_digits(value, digits, ROUND_CEILING)


def _rounded_down(value: float, digits: int) -> float:
    return _to_digits(value, digits, ROUND_FLOOR)


def _to_digits(value: float, digits: int, rounding: str) -> float:
    if value <= 0.0:
        return 0.0
    # What the binary number has beyond 12 digits is none of its own.
    exact = Decimal(f"{value:.12g}")
    last = Decimal(1).scaleb(exact.adjusted() - digits + 1)
    return float(exact.quantize(last, rounding=rounding))


def shown_A(current_A: float) -> str:
    return format_quantity(current_A, "A", 3)


def _percent(share: float) -> str:
    return f"{100.0 * share:.2g} %"
