"""The cell file: a cell as its maker states it, its pack, and a regulator in front of the board."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from benchrig.energy.cell import Cell, Regulator
from benchrig.energy.profile import quantity
from benchrig.session.fields import (
    AboutCapacity,
    AboutCurrent,
    AboutLoss,
    FileModel,
    PositiveCurrent,
    PositiveDuration,
    PositiveShare,
    PositiveVoltage,
    Resistance,
    Share,
    Temperature,
    Text,
)
from benchrig.session.profile_file import DIVISORS
from benchrig.session.toml_file import TomlFile
from benchrig.session.toml_lines import KeyPath
from benchrig.units import format_quantity

Chemistry = Literal[
    "lithium thionyl chloride",
    "lithium manganese dioxide",
    "lithium iron disulfide",
    "alkaline",
    "silver oxide",
    "zinc-air",
    "lithium-ion",
    "lithium iron phosphate",
    "nickel-metal hydride",
    "lead-acid",
]
RECHARGEABLE = frozenset(
    ("lithium-ion", "lithium iron phosphate", "nickel-metal hydride", "lead-acid")
)


class DepthPoint(FileModel):
    """Open-circuit voltage and internal resistance of one cell at a depth of discharge."""

    depth: Share
    voltage: PositiveVoltage
    resistance: Resistance


class TemperaturePoint(FileModel):
    """Share of the capacity that is usable, and the factor of the internal resistance."""

    temperature: Temperature
    capacity: PositiveShare
    resistance: Annotated[float, Field(gt=0)] = 1.0


class LoadPoint(FileModel):
    """Share of the capacity that is usable at a load of one cell."""

    load: PositiveCurrent
    capacity: PositiveShare


class EfficiencyPoint(FileModel):
    load: PositiveCurrent
    efficiency: PositiveShare


class RegulatorTable(FileModel):
    kind: Literal["linear", "switching"]
    quiescent: AboutCurrent
    output: PositiveVoltage
    minimum_input: PositiveVoltage
    efficiency: Annotated[tuple[EfficiencyPoint, ...], Field(strict=False)] = ()

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        if self.kind == "switching" and self.efficiency == ():
            yield ("efficiency",), "is missing: a switching regulator needs it, over its load"
        if self.kind == "linear" and self.efficiency:
            yield ("efficiency",), "goes with a switching regulator only"
        if self.kind == "linear" and self.minimum_input < self.output:
            yield ("minimum_input",), "must not be below output: a linear regulator only lowers"
        yield from _rising("efficiency", "load", [point.load for point in self.efficiency])
        for index, point in enumerate(self.efficiency):
            if point.efficiency > 1.0:
                yield ("efficiency", index, "efficiency"), "must not be above 100 %"

    def regulator(self, divisor: float) -> Regulator:
        quiescent = self.quiescent
        return Regulator(
            self.kind,
            quantity("quiescent current", quiescent.value, quiescent.within, "A", divisor),
            self.output,
            self.minimum_input,
            tuple((point.load, point.efficiency) for point in self.efficiency),
        )


class CellFile(TomlFile):
    FORMAT: ClassVar[str] = "benchrig/cell/1"

    format: Literal["benchrig/cell/1"]
    name: Text
    description: Text | None = None
    chemistry: Chemistry
    # What stands after +-: limits of error (rectangular), or an expanded uncertainty (k = 2).
    tolerances_are: Literal["limits", "expanded"] = "limits"
    capacity: AboutCapacity
    at_load: PositiveCurrent
    at_temperature: Temperature = 20.0
    # Per year, of what is left: it compounds.
    self_discharge: AboutLoss
    shelf_life: PositiveDuration
    end_voltage: PositiveVoltage
    resistance_tolerance: Share = 0.0
    discharge: Annotated[tuple[DepthPoint, ...], Field(min_length=2, strict=False)]
    temperatures: Annotated[tuple[TemperaturePoint, ...], Field(strict=False)] = ()
    loads: Annotated[tuple[LoadPoint, ...], Field(strict=False)] = ()
    peukert: Annotated[float, Field(ge=1, le=2)] | None = None
    series: Annotated[int, Field(ge=1, le=100)] = 1
    parallel: Annotated[int, Field(ge=1, le=100)] = 1
    regulator: RegulatorTable | None = None

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        if self.loads and self.peukert is not None:
            yield ("peukert",), "does not go with loads: give the table or the exponent"
        if self.resistance_tolerance >= 1.0:
            yield ("resistance_tolerance",), "must be below 100 %"
        yield from self._depths()
        yield from _rising(
            "temperatures", "temperature", [point.temperature for point in self.temperatures]
        )
        yield from _rising("loads", "load", [point.load for point in self.loads])

    def _depths(self) -> Iterator[tuple[KeyPath, str]]:
        depths = [point.depth for point in self.discharge]
        yield from _rising("discharge", "depth", depths)
        if depths and depths[0] > 0.0:
            yield ("discharge", 0, "depth"), 'must be "0 %": the fresh cell'
        if depths and (depths[-1] < 1.0 or depths[-1] > 1.0):
            yield ("discharge", len(depths) - 1, "depth"), 'must be "100 %": the empty cell'
        for index, (before, after) in enumerate(pairwise(self.discharge), start=1):
            if after.voltage > before.voltage:
                yield ("discharge", index, "voltage"), "rises while the cell is discharged"
        if self.discharge and self.end_voltage >= self.discharge[0].voltage:
            yield ("end_voltage",), "must be below the voltage of the fresh cell in discharge"

    def conflicts(self) -> Iterator[tuple[KeyPath, str]]:
        loss = self.self_discharge
        if loss.value + loss.within >= 1.0:
            yield ("self_discharge",), "must be below 100 % per year, its tolerance included"
        if loss.within > loss.value:
            yield ("self_discharge",), "may be negative; its tolerance must not be above it"
        cell, where = self.cell, f"{self.at_temperature:g} °C, at_temperature"
        if any(abs(factor - 1.0) > 1e-9 for factor in cell.at(self.at_temperature)):
            yield ("temperatures",), f"must give 100 % and the factor 1 at {where}"
        if abs(float(cell.load_share(self.at_load * self.parallel)) - 1.0) > 1e-9:
            yield ("loads",), f"must give 100 % at at_load, {format_quantity(self.at_load, 'A')}"

    @property
    def cell(self) -> Cell:
        divisor = DIVISORS[self.tolerances_are]
        capacity, loss = self.capacity, self.self_discharge
        return Cell(
            name=self.name,
            chemistry=self.chemistry,
            rechargeable=self.chemistry in RECHARGEABLE,
            capacity=quantity("capacity", capacity.value, capacity.within, "C", divisor),
            stated_load_A=self.at_load,
            stated_temperature_C=self.at_temperature,
            self_discharge=quantity("self-discharge", loss.value, loss.within, "1", divisor),
            shelf_life_s=self.shelf_life,
            end_voltage_V=self.end_voltage,
            depths=tuple((each.depth, each.voltage, each.resistance) for each in self.discharge),
            resistance_scale=quantity(
                "internal resistance", 1.0, self.resistance_tolerance, "1", divisor
            ),
            temperatures=tuple(
                (each.temperature, each.capacity, each.resistance) for each in self.temperatures
            ),
            loads=tuple((each.load, each.capacity) for each in self.loads),
            peukert=1.0 if self.peukert is None else self.peukert,
            series=self.series,
            parallel=self.parallel,
            regulator=None if self.regulator is None else self.regulator.regulator(divisor),
        )


def _rising(table: str, key: str, values: Sequence[float]) -> Iterator[tuple[KeyPath, str]]:
    for index, (before, after) in enumerate(pairwise(values), start=1):
        if after <= before:
            yield (table, index, key), "must be above that of the entry before it"
