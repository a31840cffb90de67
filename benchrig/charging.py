"""Measures the charge of one event: brings events and readings together, and prices what they give.

The events are the board's own ticks, or the sequencer makes one every period while the meter reads.
The numerics are in `measurement`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from benchrig.bench import Bench
from benchrig.charges import Averaged, charge_result
from benchrig.drivers.meter import MeterRange, Readings
from benchrig.drivers.scpi import is_valid
from benchrig.errors import Fault
from benchrig.events import ReadingsTaken
from benchrig.making import Maker
from benchrig.measurement import Average, Budget, Outcome
from benchrig.measurement.periods import (
    blind_bound_A,
    end_of,
    events_in,
    filled_period,
    mean_of_periods,
    whole_periods,
)
from benchrig.measurement.ticks import BASE_READINGS, find_wake_ups
from benchrig.result import ChargeResult, StateResult
from benchrig.session.steps import Charge
from benchrig.units import format_quantity

# Shares of a period: for so long before its end no reading is asked for, so that the next can begin
# in time, and an event that comes later than that is at no steady rate.
GAP_SHARE = 0.1
LATE_SHARE = 0.05
# The event comes so many readings after the first, which show the level before it.
LEAD_READINGS = 3.0
FEWEST_READINGS, FEWEST_BETWEEN = 20, 5
# An event that is over leaves less than this share of its period's mean at the end of it.
OVER_SHARE = 0.5
# Where more of an event may have fallen between two readings, a strange count proves nothing.
BLIND_SHARE = 0.4
# Multiples of it spread evenly over [0, 1), however many they are.
GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0


class Charging:
    """One charge on one bench. After `run` the board is still in the state."""

    def __init__(self, bench: Bench, charge: Charge) -> None:
        self._bench = bench
        self._charge = charge
        self._state = state = bench.state(charge.state)
        ticks_s = None if state.ticks is None else state.ticks.period
        self._period_s: float = charge.period or ticks_s or math.nan
        self.row: StateResult | None = None
        # From one reading to the next, as the longest record tells it.
        self._interval_s, self._longest = bench.meter.interval_s, 0

    def run(self) -> ChargeResult:
        """Raises what goes wrong at the bench; ``charge_not_settled`` for a state that did not
        settle or never slept; and of its events ``event_missed``, ``event_extra``,
        ``event_not_over``, ``events_late``, ``events_not_seen`` and ``events_not_resolved``."""
        bench, charge = self._bench, self._charge
        bench.enter(charge.state)
        self.row = row = bench.measure(value=True)
        if row.fault is not None:
            raise Fault("charge_not_settled", f"board: {row.fault.kind}: {row.fault.message}")
        if "stays_awake" in row.flags:
            raise Fault("charge_not_settled", f"board: it never went to sleep in {charge.state}")
        averaged = self._made() if charge.is_made else self._own()
        excess = averaged.excess(self._period_s)
        # A board that answers nothing may have been disturbed by anything: of events that are made
        # the mean alone proves none.
        certain = not charge.is_made and excess.value > excess.expanded_uncertainty
        if averaged.events is None and not certain:
            raise Fault(
                "events_not_seen",
                f"board: nothing tells that an event took place in {charge.state}: none is "
                "answered, and none stands out of the current",
            )
        lacks = bench.lacking(averaged.range, self._state)
        return charge_result(bench.session, charge, self._period_s, averaged, excess, lacks)

    # -- the board's own events -------------------------------------------------------------

    def _own(self) -> Averaged:
        bench, charge, period_s = self._bench, self._charge, self._period_s
        # One period to find the first event in, one to place the edges, and what is not searched.
        interval_s = bench.meter.interval_s
        wanted_s = (charge.periods + 2.5) * period_s + BASE_READINGS * interval_s
        readings = self._read(math.ceil(wanted_s / interval_s), bench.listen)
        interval_s, entry = self._interval_s, readings.range
        masked, seen = find_wake_ups(readings.times_s, readings.currents_A, entry.count_A)
        onsets_s = np.array(() if seen is None else seen.onsets_s)
        # The edges lie midway between two events, where none is cut.
        begin_s = onsets_s[0] + period_s / 2.0 if onsets_s.size else readings.times_s[0]
        edges_s = begin_s + period_s * np.arange(charge.periods + 1, dtype=np.float64)
        means_A = whole_periods(readings.times_s, readings.currents_A, interval_s, edges_s)
        events = self._checked(np.histogram(onsets_s, edges_s)[0]) if onsets_s.size else None
        average, count = mean_of_periods(means_A), round(charge.periods * period_s / interval_s)
        if charge.base is None:
            quiet = _each_period(readings, ~masked, edges_s)
            mean = bench.pricing.as_read(_outcome(average, count, entry), entry)
            base, still_A = self._between(quiet, events, entry), 0.0
        else:
            mean, base, still_A = self._against(charge.base, _outcome(average, count, entry), entry)
        ticks = self._state.ticks
        peak_A = entry.overload_A if ticks is None else min(ticks.peak_current, entry.overload_A)
        return Averaged(
            mean=mean,
            base=base,
            periods=charge.periods,
            readings=count,
            events=events,
            still_A=still_A,
            blind_A=blind_bound_A(peak_A, interval_s, self._dead_share, period_s, None),
            # Events that were counted by this computer's clock need no other.
            period_uncertainty_s=0.0 if events else charge.period_within * period_s,
            range=entry,
            flags=() if events else ("events_not_counted",),
        )

    def _between(self, quiet_A: list[np.ndarray], events: int | None, entry: MeterRange) -> Budget:
        """The level between the events, which drifts with the mean: of each period the readings
        that belong to none."""
        if events is None or min(len(level) for level in quiet_A) < FEWEST_BETWEEN:
            raise Fault(
                "events_not_resolved",
                f"meter: it can't tell the events of {self._charge.state} from the level between "
                "them; name a state without them as base",
            )
        average = mean_of_periods(np.array([float(np.mean(level)) for level in quiet_A]))
        count = sum(len(level) for level in quiet_A)
        return self._bench.pricing.as_read(_outcome(average, count, entry), entry)

    def _against(
        self, base: str, outcome: Outcome, entry: MeterRange
    ) -> tuple[Budget, Budget, float]:
        """Mean, another state, and the bound of what was still to come. Both as they are reported:
        what the lines feed in may differ."""
        priced = self._bench.pricing.priced(outcome, entry, self._state)
        budget = self._bench.budgets.get(base)
        assert priced is not None
        assert self.row is not None
        if budget is None:
            message = f"no value for {base}, which {self._charge.name} is above"
            raise Fault("not_measured", message)
        lines = (line for line in self.row.budget if line.name == "settling")
        return priced.budget, budget, next((line.half_width for line in lines), 0.0)

    # -- events that are made ---------------------------------------------------------------

    def _made(self) -> Averaged:
        bench, charge, period_s = self._bench, self._charge, self._period_s
        bench.reach()
        self._interval_s = bench.meter.interval_s
        quiet = self._read(self._size() * charge.periods, bench.listen)
        # By now the meter's pace is known well.
        interval_s, size = self._interval_s, self._size()
        entry = quiet.range
        bench.board.banner_belongs = self._boots
        # The first event comes out of rest, and is not averaged.
        start_s, means_A, ends_A, phases = bench.clock.monotonic(), [], [], []
        for number in range(charge.periods + 1):
            begin_s = start_s + number * period_s
            bench.listen(max(begin_s - bench.clock.monotonic(), 0.0))
            # At another phase of the readings each time, for a meter with dead time.
            lead_s = (LEAD_READINGS + number * GOLDEN % 1.0) * interval_s
            maker = Maker(bench, charge, begin_s + lead_s, LATE_SHARE * period_s)
            readings = self._read(size, maker.wait)
            maker.finish()
            if number:
                means_A.append(filled_period(readings.currents_A, interval_s, period_s))
                ends_A.append(end_of(readings.currents_A))
                since_s = maker.made_s - float(readings.times_s[0])
                phases.append(since_s / interval_s % 1.0)
        bench.board.banner_belongs = False
        self._check_over(np.array(means_A), np.array(ends_A), float(np.mean(quiet.currents_A)))
        return self._averaged_made(quiet, np.array(means_A), np.array(phases), interval_s, entry)

    def _check_over(self, means_A: np.ndarray, ends_A: np.ndarray, quiet_A: float) -> None:
        """Raises ``event_not_over`` where the board draws as much at the end of a period as in the
        mean of it: then it has not gone back to its state, and what it drew is no event."""
        excess_A, left_A = means_A - quiet_A, ends_A - quiet_A
        if float(np.median(left_A)) > OVER_SHARE * max(float(np.median(excess_A)), 0.0) > 0.0:
            raise Fault(
                "event_not_over",
                f"board: at the end of a period it still draws "
                f"{format_quantity(float(np.median(left_A)), 'A', 3)} more than before the events "
                f"in {self._charge.state}: it does not go back there by itself, or the period is "
                "too short",
            )

    def _size(self) -> int:
        """How many readings a period has."""
        size = int((1.0 - GAP_SHARE) * self._period_s / self._interval_s)
        if size < FEWEST_READINGS:
            raise Fault(
                "events_not_resolved",
                f"meter: takes {size} readings in a period of {self._period_s:g} s, and "
                f"{FEWEST_READINGS} are needed; a longer period, or a smaller nplc",
            )
        return size

    def _averaged_made(
        self,
        quiet: Readings,
        means_A: np.ndarray,
        phases: np.ndarray,
        interval_s: float,
        entry: MeterRange,
    ) -> Averaged:
        bench, charge = self._bench, self._charge
        quiet_A = quiet.currents_A.reshape(charge.periods, -1).mean(axis=1)
        base, count = mean_of_periods(quiet_A), quiet.currents_A.size
        peak_A, dead_share = bench.session.board.highest_current, self._dead_share
        blind_A = blind_bound_A(peak_A, interval_s, dead_share, self._period_s, phases)
        counted = events_in(means_A, base.mean, float(np.std(quiet_A, ddof=1)), entry.count_A)
        # Of one event much may have fallen between two readings.
        unseen_A = blind_bound_A(peak_A, interval_s, dead_share, self._period_s, None)
        if counted is not None and unseen_A > BLIND_SHARE * float(np.median(means_A - base.mean)):
            counted = counted if (counted == 1).all() else None
        events = charge.periods if charge.is_answered else None
        if counted is not None:
            events = self._checked(counted)
        mean = _outcome(mean_of_periods(means_A), count, entry)
        return Averaged(
            mean=bench.pricing.as_read(mean, entry),
            base=bench.pricing.as_read(_outcome(base, count, entry), entry),
            periods=charge.periods,
            readings=count,
            events=events,
            # From the middle of the one record to that of the other the level goes no further than
            # twice what its halves differ by: a drift slows down.
            still_A=2.0 * abs(base.first_minus_second),
            blind_A=blind_A,
            period_uncertainty_s=0.0,
            range=entry,
            flags=() if counted is not None else ("events_not_counted",),
        )

    @property
    def _boots(self) -> bool:
        wake = self._state.wake
        return wake is not None and wake.leaves_by_booting

    # -- both -------------------------------------------------------------------------------

    def _read(self, count: int, meanwhile: Callable[[float], None]) -> Readings:
        bench, name = self._bench, self._charge.state
        readings = self._on_time(bench.meter.acquire(count, meanwhile))
        times_s = readings.times_s - bench.log.start_s
        scale_A = readings.range.full_scale_A
        bench.log.emit(ReadingsTaken(name, times_s, readings.currents_A, scale_A, None))
        if readings.overloaded:
            raise Fault(
                "overloaded",
                f"meter: overloaded in {name} at the peak of an event; board.highest_current or "
                "the peak_current of its ticks is too low",
            )
        if not is_valid(readings.currents_A).all():
            raise Fault("invalid_readings", f"meter: readings that are no numbers in {name}")
        return readings

    def _on_time(self, readings: Readings) -> Readings:
        """With the ends of their apertures as a whole record tells them. The meter's own pace is
        that of its shortest batches, whose last pause is not seen."""
        times_s, meter = readings.times_s, self._bench.meter
        start_s = 2.0 * times_s[0] - times_s[1]
        last_s = meter.instrument.answered_s - start_s - meter.aperture_s
        if readings.currents_A.size > self._longest:
            self._longest = readings.currents_A.size
            self._interval_s = last_s / (self._longest - 1)
        ends_s = start_s + meter.aperture_s + self._interval_s * np.arange(times_s.size)
        return replace(readings, times_s=ends_s)

    @property
    def _dead_share(self) -> float:
        return max(0.0, 1.0 - self._bench.meter.aperture_s / self._interval_s)

    def _checked(self, events: np.ndarray) -> int:
        """One in each period, or it is told in which there was none or more."""
        for number, count in enumerate(events, start=1):
            if count != 1:
                kind = "event_missed" if count < 1 else "event_extra"
                raise Fault(
                    kind,
                    f"board: {max(int(count), 0)} events in period {number} of {len(events)} in "
                    f"{self._charge.state}, by its current, where one belongs",
                )
        return len(events)


def _each_period(readings: Readings, kept: np.ndarray, edges_s: np.ndarray) -> list[np.ndarray]:
    """Of each period the currents that are kept."""
    where = np.searchsorted(edges_s, readings.times_s)
    return [readings.currents_A[kept & (where == number)] for number in range(1, len(edges_s))]


def _outcome(average: Average, readings: int, entry: MeterRange) -> Outcome:
    return Outcome(
        "settled",
        "averaged over whole periods",
        current_A=average.mean,
        standard_uncertainty_A=average.standard_uncertainty,
        dof=average.dof,
        settling_bound_A=0.0,
        readings=readings,
        count_A=entry.count_A,
    )
