"""What a measured current is worth: its uncertainty budget, from the meter's sheet and zero, the
temperature, the burden and what the UART lines feed in."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from benchrig.drivers.meter import Zero
from benchrig.drivers.meter_ranges import MeterRange
from benchrig.measurement import (
    Ambient,
    Budget,
    Outcome,
    RangeAccuracy,
    Sensitivity,
    SupplyLine,
    ZeroTaken,
    averaged_noise,
    corrected_for_burden,
    declared_leakage,
    difference,
    noise_floor,
    reading_budget,
    single_reading_budget,
)
from benchrig.session import BenchFile, MeterSheet
from benchrig.session.session_file import BoardRatings, State

SQRT3 = math.sqrt(3.0)


@dataclass(frozen=True)
class Priced:
    """`budget` is that of the current at the nominal supply voltage and with no lines connected;
    the corrections (in A) have been added to what was read. `flags` tell what it lacks."""

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
        """The standard uncertainty to be expected of a current on a range. Of an unknown meter
        only that it grows with the range."""
        accuracy = self._accuracy(entry)
        if accuracy is None:
            return entry.full_scale_A
        zero = self._zero(self._meter.zeros.get(entry.full_scale_A))
        noise_A = entry.noise_A or 0.0
        budget = single_reading_budget(current_A, accuracy, noise_A, zero, ambient=self._ambient)
        return budget.standard_uncertainty

    def _accuracy(self, entry: MeterRange) -> RangeAccuracy | None:
        sheet = self._meter.sheet
        if sheet is None or entry.gain is None or entry.offset is None:
            return None
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
        if not entry.shunt_assumed and entry.shunt_ohm > 0.0:
            floor_A = max(floor_A, noise_floor(entry.shunt_ohm, 1.0 / (2.0 * integrated_s)))
        return floor_A

    def _flags(self, entry: MeterRange) -> tuple[str, ...]:
        sheet = self._meter.sheet
        if sheet is None or entry.gain is None:
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

    def priced(
        self, outcome: Outcome, entry: MeterRange, state: State, *, parked: bool
    ) -> Priced | None:
        """The budget of an outcome on a range; None where it has no value. `parked`: the UART
        lines fed nothing into the board."""
        if outcome.current_A is None:
            return None
        budget = self.as_read(outcome, entry)
        leakage_A = burden_A = None
        leakage = self._file.board.leakage
        if leakage is not None and not parked:
            leakage_A = -leakage.current
            budget = difference(budget, declared_leakage(leakage.current, leakage.within))
        if state.sensitivity is not None and not entry.shunt_assumed:
            uncorrected_A = budget.value
            slope, within = state.sensitivity.slope, state.sensitivity.within
            budget = corrected_for_burden(
                budget, self._supply_line(entry), Sensitivity(slope, within / SQRT3)
            )
            burden_A = budget.value - uncorrected_A
        return Priced(budget, burden_A, leakage_A, self._flags(entry))

    def _supply_line(self, entry: MeterRange) -> SupplyLine:
        voltage_V = self._ratings.supply_voltage
        supply = self._file.supply
        accuracy = 0.0 if supply is None or supply.accuracy is None else supply.accuracy
        return SupplyLine(
            voltage_V,
            entry.shunt_ohm,
            voltage_uncertainty_V=accuracy * voltage_V / SQRT3,
            name=f"{entry.full_scale_A:g} A",
        )
