"""Has a current settled, and at what value?

Truncation (MSER-5) proposes where the settled part begins; a bound on what may still come, not a
test of what is seen, disposes; batch means price the average. "The slope is not significant" is
no evidence of rest: a short or noisy record passes it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from benchrig.measurement.averaging import Average, average_of_means, batch_average
from benchrig.measurement.quantiles import t_quantile
from benchrig.measurement.ticks import FEWEST_PERIODS, fitted_period, means_of_periods, onsets

Kind = Literal[
    "waiting",
    "settled",
    "noise_limited",
    "drifting",
    "disturbed",
    "wakeups_not_seen",
    "period_not_as_declared",
    "invalid_readings",
    "overloaded",
    "few_readings",
]

FIRST_LOOK = 32
LOOK_GROWTH = 1.15
FEWEST_READINGS = 5
MOST_INVALID = 1 / 50
# The exponent of the slowest power-law tail that is allowed for (dielectric absorption).
TAIL_EXPONENT = 0.85
# A range change may start a rise, as the supply settles on another shunt; it is over by then.
RESETTLING_S = 1.0
GAPLESS = 0.02


@dataclass(frozen=True)
class Priors:
    """What is known about a state before it is measured.

    guard_s: the longest time the firmware may still work after the command; no outcome before.
    slowest_tau_s: the slowest time constant of the board and its supply.
    period_s: the period of a wake-up tick, if there is one.
    count_A: one count of the meter on this range.
    dead_share: the share of time in which the meter is blind between readings.
    tolerance: relative, for what is still to come and for the half-width of the mean.
    floor_A: is added to the tolerance, so that a current near zero can settle.
    """

    guard_s: float = 5.0
    slowest_tau_s: float = 2.0
    period_s: float | None = None
    count_A: float = 0.0
    dead_share: float = 0.0
    tolerance: float = 0.01
    floor_A: float = 0.0


@dataclass(frozen=True)
class Outcome:
    """What can be said at one look. Currents are None where there is no value to stand for."""

    kind: Kind
    reason: str
    still_needed_s: float | None = None
    current_A: float | None = None
    standard_uncertainty_A: float | None = None
    dof: float | None = None
    settling_bound_A: float | None = None
    settled_after_s: float | None = None
    averaged_for_s: float | None = None
    readings: int = 0
    base_A: float | None = None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Look:
    average: Average
    bound: float
    start_s: float
    duration_s: float
    readings: int
    base: float
    tolerance: float

    @property
    def half_width(self) -> float:
        return self.average.half_width

    @property
    def settled(self) -> bool:
        return self.bound <= self.tolerance and self.half_width <= self.tolerance


class SettlingWatch:
    """Follows a record that grows. `since_s` is when the record began, after the last change of
    range; times count from the command that entered the state."""

    def __init__(self, priors: Priors, *, since_s: float = 0.0) -> None:
        self._priors = priors
        self._since_s = since_s
        self._times: list[np.ndarray] = []
        self._values: list[np.ndarray] = []
        self._count = self._invalid = 0
        self._last_s = -math.inf
        self._next_look = FIRST_LOOK
        self._settled_once = False

    def add(self, times_s: np.ndarray, currents_A: np.ndarray) -> Outcome:
        """Take readings, times (n,) and currents (n,). Overloads, not-a-numbers and infinities
        are counted and never averaged. Raises `ValueError` for times that do not increase."""
        times = np.asarray(times_s, dtype=float)
        values = np.asarray(currents_A, dtype=float)
        if times.shape != values.shape or times.ndim != 1:
            raise ValueError("times and currents must be of one dimension and equally long")
        if len(times):
            if not np.isfinite(times).all() or times[0] <= self._last_s or np.any(np.diff(times) <= 0):
                raise ValueError("times must increase from reading to reading")
            self._last_s = float(times[-1])
        valid = np.isfinite(values) & (np.abs(values) < 1e36)
        self._invalid += int(len(values) - valid.sum())
        self._times.append(times[valid])
        self._values.append(values[valid])
        self._count += int(valid.sum())
        if self._count < self._next_look:
            return self._waiting(f"{self._count} readings so far")
        if self._last_s < self._priors.guard_s:
            return self._waiting("the firmware may still be at work")
        self._next_look = max(self._next_look, math.ceil(self._count * LOOK_GROWTH))
        outcome, look = self._examine()
        if outcome is not None:
            self._settled_once = False
            return self._waiting(outcome.reason)
        assert look is not None
        if look.settled and self._settled_once:
            return self._with_value("settled", "settled at two looks in a row", look)
        self._settled_once = look.settled
        worse = max(look.bound, look.half_width)
        needed = look.duration_s * (min(worse / look.tolerance, 10.0) ** 2 - 1)
        return self._waiting(
            f"known to {worse:.2g} A, wanted to {look.tolerance:.2g} A", max(needed, 0.0)
        )

    def finish(self) -> Outcome:
        """The best that can be said now that there is no more time."""
        if self._invalid > MOST_INVALID * (self._invalid + self._count):
            return Outcome("invalid_readings", f"{self._invalid} readings had no value")
        if self._count < FEWEST_READINGS:
            return Outcome("few_readings", f"only {self._count} readings came before the time limit")
        if self._last_s < self._priors.guard_s:
            return Outcome("few_readings", "the time limit is shorter than the guard")
        if self._count < FIRST_LOOK:
            return self._few()
        outcome, look = self._examine()
        if outcome is not None:
            return outcome
        assert look is not None
        if look.settled and self._settled_once:
            return self._with_value("settled", "settled", look)
        if self._drifts(look):
            return Outcome("drifting", "the current still changes steadily at the time limit")
        return self._with_value("noise_limited", "not known to the tolerance in time", look)

    # -- one look ---------------------------------------------------------------------------

    def _record(self) -> tuple[np.ndarray, np.ndarray]:
        self._times = [np.concatenate(self._times)]
        self._values = [np.concatenate(self._values)]
        return self._times[0], self._values[0]

    def _examine(self) -> tuple[Outcome | None, _Look | None]:
        """Either a reason for having no value, or a look at it."""
        times, values = self._record()
        start = mser5(values)
        priors = self._priors
        if priors.period_s is None:
            window_t, window = times[start:], values[start:]
            average = batch_average(window)
        else:
            found = self._whole_periods(times[start:], values[start:], priors.period_s)
            if isinstance(found, Outcome):
                return found, None
            window_t, window, average = found
        if self._rose(times, values, start):
            return Outcome("disturbed", "the current rose: a reset, a brown-out or a wake-up"), None
        interval = float(np.median(np.diff(times)))
        duration = float(window_t[-1] - window_t[0]) + interval
        begun = max(float(window_t[0]) - interval - self._since_s, interval)
        still = abs(average.fall) + t_quantile(average.dof) * average.fall_uncertainty
        bound = kappa(begun, duration, priors.slowest_tau_s) * still
        half_count = priors.count_A / 2
        average = replace(
            average,
            standard_uncertainty=max(average.standard_uncertainty, half_count / math.sqrt(3)),
        )
        look = _Look(
            average=average,
            bound=bound,
            start_s=float(window_t[0]) - interval,
            duration_s=duration,
            readings=len(window),
            base=float(np.median(window)),
            tolerance=priors.tolerance * abs(average.mean) + priors.count_A + priors.floor_A,
        )
        return None, look

    def _whole_periods(
        self, times: np.ndarray, values: np.ndarray, period_s: float
    ) -> Outcome | tuple[np.ndarray, np.ndarray, Average]:
        interval = float(np.median(np.diff(times)))
        seen = onsets(times, values, self._priors.count_A)
        expected = (times[-1] - times[0]) / period_s
        if expected < FEWEST_PERIODS + 1:
            return Outcome("few_readings", f"fewer than {FEWEST_PERIODS} whole periods so far")
        if len(seen) < expected / 2:
            return Outcome("wakeups_not_seen", f"{len(seen)} wake-ups seen of {expected:.0f}")
        if self._priors.dead_share <= GAPLESS:
            fitted = fitted_period(seen, interval)
            if fitted is None or abs(fitted[0] / period_s - 1) > 0.05:
                return Outcome("period_not_as_declared", "the wake-ups do not fit the period")
            period_s, seen = fitted
            periods, start_s = len(seen) - 1, float(seen[0]) - period_s / 2
        else:
            periods = int(expected)
            start_s = float(times[-1]) - periods * period_s
        if start_s < times[0] - interval:
            start_s, periods = start_s + period_s, periods - 1
        if periods < FEWEST_PERIODS:
            return Outcome("few_readings", f"fewer than {FEWEST_PERIODS} whole periods so far")
        average = average_of_means(means_of_periods(times, values, start_s, period_s, periods))
        inside = (times > start_s) & (times <= start_s + periods * period_s + interval)
        dead = self._priors.dead_share
        if dead > GAPLESS:
            # A blind meter misses or catches each wake-up by chance.
            share = average.mean - float(np.median(values[inside]))
            missed = abs(share) * math.sqrt(dead / (1 - dead) / periods)
            uncertainty = math.hypot(average.standard_uncertainty, missed)
            average = replace(average, standard_uncertainty=uncertainty)
        return times[inside], values[inside], average

    def _rose(self, times: np.ndarray, values: np.ndarray, start: int) -> bool:
        """A decay never rises; what it was before may be compared once the supply has settled."""
        first = int(np.searchsorted(times, self._since_s + RESETTLING_S))
        count = (start - first) // 20
        if count < 1:
            return False
        earlier = values[first : first + 20 * count].reshape(count, 20)
        lowest = float(np.min(np.median(earlier, axis=1)))
        limit = lowest + 0.25 * abs(lowest) + 3 * self._priors.count_A
        return float(np.median(values[start:])) > limit

    def _drifts(self, look: _Look) -> bool:
        times, values = self._record()
        half = len(values) // 2
        average = batch_average(values[half:]) if len(values) - half >= 16 else look.average
        significant = abs(average.fall) > t_quantile(average.dof) * average.fall_uncertainty / 2
        return significant and abs(average.fall) * 2 > look.tolerance / 4

    def _few(self) -> Outcome:
        """Student's interval; no claim about correlation can be made from so few."""
        times, values = self._record()
        later = values[len(values) // 4 :]
        times = times[len(values) // 4 :]
        count = len(later)
        scatter = float(np.std(later, ddof=1)) / math.sqrt(count)
        half = count // 2
        fall = float(np.mean(later[:half]) - np.mean(later[half:]))
        duration = float(times[-1] - times[0])
        begun = max(float(times[0]) - self._since_s, 1e-3)
        bound = kappa(begun, duration, self._priors.slowest_tau_s) * (abs(fall) + 2 * scatter)
        uncertainty = max(scatter, self._priors.count_A / math.sqrt(12))
        average = Average(float(np.mean(later)), uncertainty, count - 1, fall, 2 * scatter)
        look = _Look(
            average, bound, float(times[0]), duration, count, float(np.median(later)), math.inf
        )
        return self._with_value("few_readings", f"only {self._count} readings", look)

    # -- outcomes ---------------------------------------------------------------------------

    def _waiting(self, reason: str, needed_s: float | None = None) -> Outcome:
        if needed_s is None and self._last_s > -math.inf:
            needed_s = max(self._priors.guard_s - self._last_s, 0.0)
        return Outcome("waiting", reason, still_needed_s=needed_s, readings=self._count)

    def _with_value(self, kind: Kind, reason: str, look: _Look) -> Outcome:
        return Outcome(
            kind,
            reason,
            current_A=look.average.mean,
            standard_uncertainty_A=look.average.standard_uncertainty,
            dof=look.average.dof,
            settling_bound_A=look.bound,
            settled_after_s=look.start_s,
            averaged_for_s=look.duration_s,
            readings=look.readings,
            base_A=look.base,
            flags=(f"invalid_{self._invalid}",) if self._invalid else (),
        )


def settle(
    times_s: np.ndarray, currents_A: np.ndarray, priors: Priors, *, since_s: float = 0.0
) -> Outcome:
    """The outcome of a stored record, in the same looks as if it had been followed live."""
    watch = SettlingWatch(priors, since_s=since_s)
    for index in range(len(times_s)):
        outcome = watch.add(times_s[index : index + 1], currents_A[index : index + 1])
        if outcome.kind != "waiting":
            return outcome
    return watch.finish()


def mser5(values: np.ndarray) -> int:
    """Where to begin averaging (n,): the truncation that makes the standard error of the mean of
    5-reading means the smallest; not later than 75 %, and at least 32 readings are left."""
    groups = len(values) // 5
    means = values[: groups * 5].reshape(groups, 5).mean(axis=1)
    means = means - means[-1]
    left = np.arange(groups, 0, -1)
    sums = np.cumsum(means[::-1])[::-1]
    squares = np.cumsum(means[::-1] ** 2)[::-1]
    spread = np.maximum(squares - sums**2 / left, 0.0) / left.astype(float) ** 2
    last = min(int(0.75 * groups), (len(values) - 32) // 5)
    return 5 * int(np.argmin(spread[: max(last, 0) + 1]))


def kappa(begun_s: float, duration_s: float, tau_s: float) -> float:
    """What is still to come of a tail, as a multiple of how far the mean fell from the first
    half of a window to the second: the worst of an exponential and of a power law that began
    `begun_s` before the window. A short window late in a tail has a large one."""
    q = math.exp(-duration_s / (2 * tau_s))
    exponential = (1 + q) / (2 * (1 - q))
    p = TAIL_EXPONENT

    def mean(u: float, v: float) -> float:
        return (v ** (1 - p) - u ** (1 - p)) / ((1 - p) * (v - u))

    middle, end = begun_s + duration_s / 2, begun_s + duration_s
    power = mean(begun_s, end) / (mean(begun_s, middle) - mean(middle, end))
    return max(exponential, power)
