"""Range discipline: which current range is allowed when, and the gate before every stimulus.

A shunt is in series with the board. A board that wakes on a microamp range sees its supply
collapse across the shunt, and resets. So nothing is sent to the board, and no line of it is
moved, unless the meter is on a range with room for the most the board may draw: `make_room` is
called by the board driver itself, before each such act.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence

import numpy as np

from benchrig.clock import Clock
from benchrig.drivers.meter import Meter, MeterRange, Readings
from benchrig.drivers.scpi import is_valid
from benchrig.errors import Fault
from benchrig.events import Tell
from benchrig.session.session_file import BoardRatings, Ticks
from benchrig.units import format_quantity

# A range is entered from above only when the reading is below this share of its full scale, so
# that noise does not drive the meter to and fro.
ENTRY_SHARE = 0.8
# So many overloads of a range in one state bar it.
MOST_OVERLOADS = 2
# Shunt times decoupling capacitor smears wake-up ticks; over so many periods a tenth of their
# fundamental is left (1/sqrt(1 + (2 pi 1.6)^2)), which stands out of the noise of most records.
MOST_SMEARED = 1.6


class RangeKeeper:
    """Owns every change of the meter's range. Each one is told with its reason."""

    def __init__(
        self,
        meter: Meter,
        ratings: BoardRatings,
        clock: Clock,
        tell: Tell,
        expected_A: Callable[[MeterRange, float], float],
    ) -> None:
        """``expected_A(range, current)``: the standard uncertainty to be expected there, in A."""
        self._meter = meter
        self.expected_A = expected_A
        self._clock = clock
        self._ratings = ratings
        self._tell = tell
        # What the board's line is supplied with now; a sweep changes it.
        self.supply_V = ratings.supply_voltage
        # How often each range overloaded in the present state.
        self._overloads: Counter[float] = Counter()

    def voltage_at_board(self, entry: MeterRange, current_A: float) -> float:
        """The supply minus the burden of `current_A` on this range."""
        return self.supply_V - max(current_A, 0.0) * entry.shunt_ohm

    def leaves_room(self, entry: MeterRange) -> bool:
        """Whether the board may wake on this range: it is not overloaded, and the board keeps
        its minimum voltage at the highest current that it may draw."""
        highest_A = self._ratings.highest_current
        return (
            entry.overload_A >= highest_A
            and self.voltage_at_board(entry, highest_A) >= self._ratings.minimum_voltage
        )

    def room(self) -> MeterRange:
        """The lowest range that leaves room. Raises ``burden_too_high``."""
        for entry in self._meter.ranges:
            if self.leaves_room(entry):
                return entry
        highest = format_quantity(self._ratings.highest_current, "A")
        raise Fault(
            "burden_too_high",
            f"meter: no range carries {highest} and leaves the board its "
            f"{self._ratings.minimum_voltage:g} V of {self.supply_V:g} V. "
            "Use a meter with a smaller shunt, or measure with a higher supply voltage",
        )

    def make_room(self, reason: str) -> None:
        """The gate: before anything that may wake the board. Cheap when there is room already."""
        present = self._meter.range
        if present is not None and self.leaves_room(present):
            return
        # Without a sheet a range may turn out to be another one than was supposed.
        while True:
            self._change(self.room(), f"room before {reason}")
            present = self._meter.range
            if present is not None and self.leaves_room(present):
                return

    def start_state(self) -> None:
        """A new state begins: ranges that overloaded in the last one may be tried again."""
        self._overloads.clear()

    def allows(self, entry: MeterRange, reading_A: float, ticks: Ticks | None) -> bool:
        """Whether a state whose readings reach `reading_A` may be measured on this range."""
        if reading_A > ENTRY_SHARE * entry.full_scale_A or self._is_barred(entry):
            return False
        left_V = self.voltage_at_board(entry, reading_A) - self._ratings.minimum_voltage
        if left_V < 0 or reading_A * self._interruption_s > left_V * (
            self._ratings.decoupling or 0.0
        ):
            return False
        return ticks is None or (
            self._carries(entry, ticks, reading_A) and self._shows(entry, ticks)
        )

    @property
    def _interruption_s(self) -> float:
        """For so long some meters open the circuit when they change range; the board then lives
        on its capacitor, on the way down and, as it sleeps on, on the way up again."""
        sheet = self._meter.sheet
        return sheet.interruption if sheet is not None and sheet.range_change_interrupts else 0.0

    def _is_barred(self, entry: MeterRange) -> bool:
        """A range that overloaded may be tried once more, since the firmware may just have had
        something to do; and so may those below it."""
        return any(
            scale_A >= entry.full_scale_A and count >= MOST_OVERLOADS
            for scale_A, count in self._overloads.items()
        )

    def _carries(self, entry: MeterRange, ticks: Ticks, base_A: float) -> bool:
        """Whether wake-up ticks pass: the charge comes from the decoupling capacitor as far as
        it lasts, and only its droop drives current through the shunt."""
        through_shunt_A = ticks.peak_current
        if self._ratings.decoupling and entry.shunt_ohm:
            droop_V = ticks.peak_current * ticks.duration / self._ratings.decoupling
            through_shunt_A = min(through_shunt_A, base_A + droop_V / entry.shunt_ohm)
        return (
            through_shunt_A <= entry.overload_A
            and self.voltage_at_board(entry, through_shunt_A) >= self._ratings.minimum_voltage
        )

    def _shows(self, entry: MeterRange, ticks: Ticks) -> bool:
        smeared_s = entry.shunt_ohm * (self._ratings.decoupling or 0.0)
        return entry.assumed or smeared_s <= MOST_SMEARED * ticks.period

    def lower_range(
        self, readings: Readings, ticks: Ticks | None, within_s: float
    ) -> MeterRange | None:
        """The range below the present one, if any, that these readings allow, that has settled
        `within_s`, and on which the current will be known better than on any other."""
        reaches_A = _reached_A(readings)
        if reaches_A is None:
            return None
        return self._better(readings.range, reaches_A, ticks, within_s)

    def reached(self, current_A: float, ticks: Ticks | None) -> MeterRange | None:
        """Where a steady current is measured in the end, from the range with room on down, if the
        offset of each range on the way shows as much as it usually does. None where it is too much
        for all of them."""
        ranges = self._meter.ranges
        present = next((entry for entry in ranges if self.leaves_room(entry)), ranges[-1])
        while True:
            reaches_A = current_A + _shown_offset_A(present)
            lower = self._better(present, reaches_A, ticks, math.inf)
            if lower is None:
                break
            present = lower
        return present if self._carries_steadily(present, current_A) else None

    def _carries_steadily(self, entry: MeterRange, current_A: float) -> bool:
        left_V = self.voltage_at_board(entry, current_A) - self._ratings.minimum_voltage
        return entry.overload_A >= current_A and left_V >= 0.0

    def _better(
        self, present: MeterRange, reaches_A: float, ticks: Ticks | None, within_s: float
    ) -> MeterRange | None:
        lower = [entry for entry in self._below(present) if self.change_s(entry) <= within_s]
        best = self.best(lower, reaches_A, ticks)
        if best is None:
            return None
        gains = self.expected_A(best, reaches_A) < self.expected_A(present, reaches_A)
        return best if gains else None

    def finer(
        self, readings: Readings, ticks: Ticks | None, offset_A: float, within_s: float
    ) -> MeterRange | None:
        """The highest range below the present one that these readings allow, whose offset is no
        more than `offset_A`, and that has settled `within_s`."""
        reaches_A = _reached_A(readings)
        if reaches_A is None:
            return None
        allowed = (
            entry
            for entry in reversed(self._below(readings.range))
            if entry.offset * entry.full_scale_A <= offset_A
            and self.change_s(entry) <= within_s
            and self.allows(entry, reaches_A, ticks)
        )
        return next(allowed, None)

    def _below(self, present: MeterRange) -> list[MeterRange]:
        return [entry for entry in self._meter.ranges if entry.full_scale_A < present.full_scale_A]

    def best(
        self, ranges: Sequence[MeterRange], reading_A: float, ticks: Ticks | None
    ) -> MeterRange | None:
        """Of some ranges, the allowed one on which such a current will be known best."""
        allowed = [entry for entry in ranges if self.allows(entry, reading_A, ticks)]
        return min(allowed, key=lambda entry: self.expected_A(entry, reading_A), default=None)

    def step_down(self, entry: MeterRange, readings: Readings) -> None:
        valid = readings.currents_A[is_valid(readings.currents_A)]
        reading = format_quantity(float(np.max(np.abs(valid))), "A", 3)
        self._change(entry, f"readings of {reading} allow it")

    def step_up(self, readings: Readings, *, patient: bool) -> None:
        """After an overload. On the highest range raises ``overloaded``, unless `patient`: the
        board may just have begun to charge something."""
        present = readings.range
        higher = [
            entry for entry in self._meter.ranges if entry.full_scale_A > present.full_scale_A
        ]
        if not higher and patient:
            # Nothing to bar: what flows once it has charged may suit any range.
            return
        self._overloads[present.full_scale_A] += 1
        if not higher:
            scale = format_quantity(present.full_scale_A, "A", 2)
            raise Fault(
                "overloaded",
                f"meter: overloaded on its highest range ({scale}). A short at the board, or a "
                "meter too small for it: take the power off before looking for the cause",
            )
        # Straight to a range with room, if there is one: an overload says only that the current
        # is larger, and each range on the way would drop the board's voltage a while longer.
        roomy = [entry for entry in higher if self.leaves_room(entry)]
        self._change((roomy or higher)[0], "overload")

    def step_up_for_ticks(self) -> bool:
        """After ticks were not seen: to the next range with a smaller shunt, which smears them
        less, and not below it again in this state. False if there is none."""
        present = self._meter.range
        if present is None:
            return False
        higher = [
            entry
            for entry in self._meter.ranges
            if entry.full_scale_A > present.full_scale_A and entry.shunt_ohm < present.shunt_ohm
        ]
        if not higher:
            return False
        for entry in self._meter.ranges:
            if entry.full_scale_A < higher[0].full_scale_A:
                self._overloads[entry.full_scale_A] = MOST_OVERLOADS
        self._change(higher[0], "wake-ups were not seen, a smaller shunt smears them less")
        return True

    def make_safe(self) -> None:
        """The highest range, whatever is running."""
        self._meter.make_safe()
        self._told(self._meter.range, "the end of the session")

    def _change(self, entry: MeterRange, reason: str) -> None:
        self._meter.set_range(entry)
        self._clock.sleep(self._recharge_s(entry))
        self._told(self._meter.range, reason)

    def await_recharge(self) -> None:
        """After a step of the supply, on the present range."""
        if self._meter.range is not None:
            self._clock.sleep(self._recharge_s(self._meter.range))

    def change_s(self, entry: MeterRange) -> float:
        """From a change to this range to readings that mean something."""
        return entry.settling_s + self._recharge_s(entry)

    def _recharge_s(self, entry: MeterRange) -> float:
        """After a change of the shunt the board's supply settles again, once the circuit is
        closed: 6.9 time constants bring it to 0.1 % of the step (elementary circuit theory,
        exp(-6.9) = 0.001)."""
        if entry.assumed:
            return 0.0
        return self._interruption_s + 6.9 * entry.shunt_ohm * (self._ratings.decoupling or 0.0)

    def _told(self, entry: MeterRange | None, reason: str) -> None:
        if entry is not None:
            scale = format_quantity(entry.full_scale_A, "A", 2)
            self._tell(
                "range", f"range {scale}: {reason}", range_A=entry.full_scale_A, reason=reason
            )


def _reached_A(readings: Readings) -> float | None:
    """What the current reaches for all that these readings tell; None where some mean nothing."""
    valid = readings.currents_A[is_valid(readings.currents_A)]
    if len(valid) < len(readings.currents_A) or len(valid) == 0:
        return None
    offset_A = _shown_offset_A(readings.range)
    return float(np.max(np.abs(valid)) + 3 * np.std(valid) + offset_A)


def _shown_offset_A(entry: MeterRange) -> float:
    """What a reading may be off without current. Where that is assumed, so is a burden that errs to
    the safe side by more."""
    return 0.0 if entry.assumed else entry.offset * entry.full_scale_A
