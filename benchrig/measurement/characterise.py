"""From one long record of a state to what can be declared about it: guard, slowest time constant,
period of its wake-ups, tolerance.

They are proposals with their reasons, for somebody who knows the firmware to judge: each says as
well what the record could not show.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from benchrig.measurement.averaging import Floats
from benchrig.measurement.long_record import LongRecord, Stretch, long_record
from benchrig.measurement.proposals import (
    Proposal,
    propose_guard,
    propose_period,
    propose_time_constant,
    propose_tolerance,
    shown_A,
)
from benchrig.measurement.steps import Step, lasting_steps
from benchrig.measurement.tail import Tail, fit_tail
from benchrig.measurement.ticks import WakeUps, find_smeared, find_wake_ups

AVERAGED_S = 10.0
"""The tolerance is what averaging for so long can reach."""

FEWEST_LEFT = 50


@dataclass(frozen=True)
class Characteristics:
    """What a long record of a state shows. Times in s since the command, currents in A.

    `fell`: the step at which the firmware was done; `rose`: the step at which the board woke, or
    something else went wrong, if it did: nothing is then proposed. `mean_A`: over the part from
    `settled_from_s` on, wake-ups included. `reached_A`: the half-width at 95 % that averaging for
    `averaged_s` reaches.
    """

    guard: Proposal
    slowest_time_constant: Proposal
    period: Proposal
    tolerance: Proposal
    fell: Step | None
    rose: Step | None
    tail: Tail | None
    wake_ups: WakeUps | None
    mean_A: float
    settled_from_s: float
    reached_A: float
    averaged_s: float
    overloads: int
    invalid: int


def characterised(
    times_s: ArrayLike,
    currents_A: ArrayLike,
    stretches: Sequence[Stretch] = (),
    *,
    limits_A: Sequence[float] = (),
    dead_share: float = 0.0,
) -> Characteristics:
    """The proposals for a state, from a record that begins at the command that led to it.

    `times_s`, `currents_A`: shapes (n,), ends of the apertures since the command; sentinels are
    left out. `stretches`: the ranges of the meter, if there were several or their accuracy is
    known. `limits_A`: the state's limits. `dead_share`: of the time the meter is blind. Raises
    `ValueError` for arrays that make no sense or hold fewer than 100 valid readings.
    """
    record = long_record(times_s, currents_A, stretches)
    steps = lasting_steps(record)
    falls = [step for step in steps if step.after_A < step.before_A]
    rises = [step for step in steps if step.after_A > step.before_A]
    fell, rose = falls[-1] if falls else None, rises[-1] if rises else None
    part = record.longest_stretch(0 if fell is None else fell.index)
    times, currents = record.times_s[part], record.currents_A[part]
    if rose is not None or times.size < FEWEST_LEFT:
        return _nothing(record, _why(rose), fell, rose)
    noise_A, count_A = float(record.noise_A[part.start]), float(record.count_A[part.start])
    masked, wake_ups = find_wake_ups(times, currents, count_A)
    between_A = currents
    if wake_ups is None or wake_ups.period_s is None:
        waving_A, smeared = find_smeared(times, currents)
        if smeared is not None:
            masked, wake_ups, between_A = np.zeros_like(masked), smeared, currents - waving_A
    noise_A = max(noise_A, count_A / math.sqrt(12.0))
    tail = fit_tail(times[~masked], between_A[~masked], noise_A)
    if tail.shape == "other":
        reason = (
            f"after the last fall the current changes by {shown_A(tail.amplitude_A)} in a way that "
            "no decay explains: look at the record, find out what the board does, and take it again"
        )
        return _nothing(record, reason, fell, None)
    settled_from_s = _settled_from_s(tail, times)
    late = times >= settled_from_s
    mean_A = float(np.mean(currents[late]))
    averaged_s, reached_A = _reached(
        times[late], (currents - tail.at(times))[late], wake_ups, count_A
    )
    tolerance = propose_tolerance(mean_A, reached_A, averaged_s, limits_A)
    return Characteristics(
        guard=propose_guard(record, fell),
        slowest_time_constant=propose_time_constant(tail, mean_A, tolerance.value),
        period=propose_period(wake_ups, mean_A, float(times[-1] - times[0]), record, dead_share),
        tolerance=tolerance,
        fell=fell,
        rose=None,
        tail=tail,
        wake_ups=wake_ups,
        mean_A=mean_A,
        settled_from_s=settled_from_s,
        reached_A=reached_A,
        averaged_s=averaged_s,
        overloads=record.overloads,
        invalid=record.invalid,
    )


def _why(rose: Step | None) -> str:
    if rose is None:
        return "too little of the record is left after the last fall: take a longer one"
    return (
        f"the current rose from {shown_A(rose.before_A)} to {shown_A(rose.after_A)} at "
        f"{rose.time_s:.4g} s and stayed there: the board woke, was reset, or something began "
        "to draw current. Find out what, and take the record again"
    )


def _nothing(
    record: LongRecord, reason: str, fell: Step | None, rose: Step | None
) -> Characteristics:
    none = Proposal(None, reason, "everything: nothing is proposed from such a record")
    return Characteristics(
        guard=none,
        slowest_time_constant=none,
        period=none,
        tolerance=none,
        fell=fell,
        rose=rose,
        tail=None,
        wake_ups=None,
        mean_A=float(np.mean(record.currents_A)),
        settled_from_s=math.inf,
        reached_A=math.inf,
        averaged_s=0.0,
        overloads=record.overloads,
        invalid=record.invalid,
    )


def _settled_from_s(tail: Tail, times: Floats) -> float:
    """Seven of the slowest time constants leave 0.1 % of the tail; half the record stays."""
    half_s = float(times[0] + times[-1]) / 2.0
    if tail.time_constant_s is None:
        return float(times[0]) if tail.shape == "none" else half_s
    return min(float(times[0]) + 6.9 * tail.time_constant_s, half_s)


def _reached(
    times: Floats, rest_A: Floats, wake_ups: WakeUps | None, count_A: float
) -> tuple[float, float]:
    """How long is averaged, and the half-width at 95 % that this gives: from the scatter of means
    over such a time, which holds correlated noise and wake-ups as well."""
    length_s = float(times[-1] - times[0])
    averaged_s = min(AVERAGED_S, length_s / 16.0)
    if wake_ups is not None and wake_ups.period_s is not None:
        # Whole periods, as in a measurement.
        periods = max(round(averaged_s / wake_ups.period_s), 1)
        averaged_s = periods * wake_ups.period_s
    number = ((times - times[0]) // averaged_s).astype(np.intp)
    sums, counts = np.bincount(number, rest_A), np.bincount(number)
    means = sums[counts > 0.5 * np.median(counts)] / counts[counts > 0.5 * np.median(counts)]
    spread = math.sqrt(float(np.mean(np.diff(means) ** 2)) / 2.0) if means.size > 2 else math.inf
    return averaged_s, math.hypot(1.96 * spread, count_A / 2.0)
