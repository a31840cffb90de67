"""What a measured current is worth: its uncertainty budget, from the meter's sheet and zero, the
temperature, the burden and what the UART lines feed in."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from benchrig.drivers.meter import Zero
from benchrig.drivers.meter_ranges import RECTANGLE, MeterRange
from benchrig.measurement import (
    Ambient,
    Budget,
    MeterUncertainty,
    Outcome,
    RangeAccuracy,
    Sensitivity,
    SupplyLine,
    ZeroTaken,
    averaged_noise,
    burden_flags,
    corrected_for_burden,
    declared_leakage,
    difference,
    noise_floor,
    reading_budget,
    single_reading_budget,
)
from benchrig.session import BenchFile, MeterSheet
from benchrig.session.bench_file import Leakage
from benchrig.session.session_file import BoardRatings, State


@dataclass(frozen=True)
class Priced:
    """`budget` is that of the current at the nominal supply voltage and with no lines connected;
    the corrections (in A) have been added to what was read. `flags`: what it lacks at this
    current."""

    budget: Budget
    burden_correction_A: float | None = None
    leakage_correction_A: float | None = None
    flags: tuple[str, ...] = ()


class PricedMeter(Protocol):
    """What must be known of a meter: the one on the bench, or that of a stored record."""

    @property
    def sheet(self) -> MeterSheet | None: ...

    @property
    def zeros(self) -> Mapping[float, Zero]: ...

    @property
    def nplc(self) -> float: ...

    @property
    def aperture_s(self) -> float: ...


def parked(file: BenchFile, state: State) -> bool:
    """Whether the UART lines feed nothing into the board: an idle TX line does, whatever is done
    to the others, and only a sleeping board is left without one."""
    return state.sleeps and file.board.parking.tx != "idle"


def feeding(file: BenchFile, state: State) -> Leakage | None:
    """What is declared of the lines, where they feed the board in a state."""
    return None if parked(file, state) else file.board.leakage


class MeterPricing:
    """Prices what the meter of one bench has read."""

    def __init__(self, meter: PricedMeter, file: BenchFile) -> None:
        self._meter = meter
        self._file = file
        stated = file.ambient
        self._ambient = None if stated is None else Ambient(stated.temperature, stated.within)

    def as_read(self, outcome: Outcome, entry: MeterRange) -> Budget:
        """The budget of what was read on a range; nothing is corrected but the zero. Raises
        `ValueError` for an outcome without a value."""
        return reading_budget(
            outcome,
            self._accuracy(entry),
            self._zero(self._meter.zeros.get(entry.full_scale_A)),
            ambient=self._ambient,
            noise_floor_A=self._noise_floor_A(outcome, entry),
        )

    def expected_A(self, entry: MeterRange, current_A: float) -> float:
        """The standard uncertainty to be expected of a current on a range."""
        return self.expected(entry, current_A).standard_uncertainty

    def expected(self, entry: MeterRange, current_A: float) -> Budget:
        """The budget of a reading that is yet to be taken."""
        accuracy = self._accuracy(entry)
        zero = self._zero(self._meter.zeros.get(entry.full_scale_A))
        noise_A = entry.noise_A or 0.0
        return single_reading_budget(current_A, accuracy, noise_A, zero, ambient=self._ambient)

    def _accuracy(self, entry: MeterRange) -> RangeAccuracy:
        sheet = self._meter.sheet
        if sheet is None:
            return RangeAccuracy(
                entry.full_scale_A, entry.gain, entry.offset, entry.count_A, divisor=RECTANGLE
            )
        return RangeAccuracy(
            entry.full_scale_A,
            entry.gain,
            entry.offset,
            entry.count_A,
            divisor=sheet.divisor,
            gain_per_K=entry.gain_per_K or 0.0,
            offset_per_K=entry.offset_per_K or 0.0,
            reference_low_C=sheet.reference_temperature - sheet.reference_band,
            reference_high_C=sheet.reference_temperature + sheet.reference_band,
        )

    def _zero(self, zero: Zero | None) -> ZeroTaken | None:
        if zero is None:
            return None
        return ZeroTaken(zero.offset_A, zero.standard_uncertainty_A, zero.dof)

    def _noise_floor_A(self, outcome: Outcome, entry: MeterRange) -> float:
        integrated_s = outcome.readings * self._meter.aperture_s
        if integrated_s <= 0.0:
            return 0.0
        floor_A = 0.0
        if entry.noise_A is not None:
            # The sheet's noise is that at one power-line cycle.
            cycle_s = self._meter.aperture_s / self._meter.nplc
            floor_A = averaged_noise(entry.noise_A, cycle_s, integrated_s)
        if not entry.assumed and entry.shunt_ohm > 0.0:
            floor_A = max(floor_A, noise_floor(entry.shunt_ohm, 1.0 / (2.0 * integrated_s)))
        return floor_A

    def meter_flags(self, entry: MeterRange) -> tuple[str, ...]:
        """What a budget on a range lacks of the meter's part."""
        sheet = self._meter.sheet
        if sheet is None:
            return ("uncertainty_lacks_meter",)
        if self._ambient is None:
            drifts = entry.gain_per_K is not None or entry.offset_per_K is not None
            return ("temperature_not_stated",) if drifts else ()
        band_K = abs(self._ambient.temperature_C - sheet.reference_temperature)
        outside = band_K + self._ambient.half_width_K > sheet.reference_band
        unknown = entry.gain_per_K is None or entry.offset_per_K is None
        return ("temperature_outside_sheet",) if outside and unknown else ()


class Pricing(MeterPricing):
    """Prices outcomes of one bench with a board."""

    def __init__(self, meter: PricedMeter, file: BenchFile, ratings: BoardRatings) -> None:
        super().__init__(meter, file)
        self._ratings = ratings

    def priced(self, outcome: Outcome, entry: MeterRange, state: State) -> Priced | None:
        """The budget of an outcome on a range; None where it has no value."""
        if outcome.current_A is None:
            return None
        budget = self.as_read(outcome, entry)
        leakage_A = burden_A = None
        leakage = feeding(self._file, state)
        if leakage is not None:
            leakage_A = -leakage.current
            budget = difference(budget, declared_leakage(leakage.current, leakage.within))
        if state.sensitivity is not None and not entry.assumed:
            uncorrected_A = budget.value
            slope, within = state.sensitivity.slope, state.sensitivity.within
            budget = corrected_for_burden(
                budget, self.supply_line(entry), Sensitivity(slope, within / RECTANGLE)
            )
            burden_A = budget.value - uncorrected_A
        flags = self.burden_flags(entry, state, budget.value, budget.expanded_uncertainty)
        return Priced(budget, burden_A, leakage_A, flags)

    def burden_flags(
        self, entry: MeterRange, state: State, current_A: float, expanded_uncertainty_A: float
    ) -> tuple[str, ...]:
        """Of a current that is not corrected for the burden; none where the shunt is assumed."""
        if state.sensitivity is not None or entry.assumed:
            return ()
        return burden_flags(current_A, expanded_uncertainty_A, self.supply_line(entry))

    def flags(self, entry: MeterRange, state: State) -> tuple[str, ...]:
        """What a result on a range lacks: of the meter's part, and of what the lines feed in."""
        fed = self.may_be_fed(state)
        return (*self.meter_flags(entry), *(("leakage_not_declared",) if fed else ()))

    def may_be_fed(self, state: State) -> bool:
        """Whether the lines may feed the sleeping board, and nobody has said how much."""
        unparked = state.sleeps and not parked(self._file, state)
        return unparked and self._file.board.leakage is None

    def fed_A(self, state: State) -> float:
        """What the lines are declared to add to the current that is read in a state."""
        leakage = feeding(self._file, state)
        return 0.0 if leakage is None else leakage.current

    def unburdened(self, entry: MeterRange, state: State) -> float:
        """How many times as much the board would draw without the range's shunt in its line, as
        far as `priced` corrects for that: 1 + R dI/dV."""
        if state.sensitivity is None or entry.assumed:
            return 1.0
        return 1.0 + state.sensitivity.slope * entry.shunt_ohm

    def for_verdict(self, entry: MeterRange, state: State) -> MeterUncertainty:
        """The parts of the budget that do not come from the readings, as a verdict wants them:
        of what is read, whatever it is corrected by later."""
        accuracy, zero = self._accuracy(entry), self._meter.zeros.get(entry.full_scale_A)
        low_C, high_C = accuracy.reference_low_C, accuracy.reference_high_C
        outside_K = 0.0 if self._ambient is None else self._ambient.outside_K(low_C, high_C)
        leakage, unburdened = feeding(self._file, state), self.unburdened(entry, state)
        slope = within = 0.0
        if state.sensitivity is not None and not entry.assumed:
            slope, within = state.sensitivity.slope, state.sensitivity.within
        offset_A = math.hypot(
            accuracy.offset * entry.full_scale_A if zero is None else zero.standard_uncertainty_A,
            accuracy.offset_per_K * entry.full_scale_A * outside_K,
            0.0 if leakage is None else leakage.within / RECTANGLE,
            slope * self.supply_line(entry).voltage_uncertainty_V / unburdened,
        )
        gain = math.hypot(
            accuracy.gain,
            accuracy.gain_per_K * outside_K,
            entry.shunt_ohm * within / RECTANGLE / unburdened,
            entry.shunt_uncertainty_ohm * slope / unburdened,
        )
        return MeterUncertainty(gain, offset_A)

    @property
    def supply_share(self) -> float:
        """The limit of error of the supply's voltage, as a share of it."""
        supply = self._file.supply
        return 0.0 if supply is None or supply.accuracy is None else supply.accuracy

    def supply_line(self, entry: MeterRange, voltage_V: float | None = None) -> SupplyLine:
        """With the supply at another than the nominal voltage, if one is given."""
        voltage_V = self._ratings.supply_voltage if voltage_V is None else voltage_V
        return SupplyLine(
            voltage_V,
            entry.shunt_ohm,
            voltage_uncertainty_V=self.supply_share * voltage_V / RECTANGLE,
            shunt_uncertainty_ohm=entry.shunt_uncertainty_ohm,
            name=f"{entry.full_scale_A:g} A",
        )
