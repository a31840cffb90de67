"""The meter sheet: what the user copies from the data sheet of the meter."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from benchrig.session.fields import (
    NOT_NEGATIVE,
    UNKNOWN,
    Duration,
    FileModel,
    PositiveCurrent,
    PositiveVoltage,
    Resistance,
    Share,
    Temperature,
    Text,
)
from benchrig.session.toml_file import TomlFile
from benchrig.session.toml_lines import KeyPath
from benchrig.units import format_quantity

PositiveNplc = Annotated[float, Field(gt=0)]


class Count(FileModel):
    """One count of the display, at one aperture."""

    nplc: PositiveNplc
    count: PositiveCurrent


class SheetRange(FileModel):
    """One current range; `shunt` or `burden_voltage` (at full scale) is its cost to the board."""

    full_scale: PositiveCurrent
    measures_to: PositiveCurrent | None = None
    shunt: Resistance | None = None
    burden_voltage: PositiveVoltage | None = None
    gain_accuracy: Share
    offset_accuracy: Share
    # For each kelvin outside the temperatures that the accuracies hold for: shares of the reading
    # and of full_scale.
    gain_per_kelvin: Share | None = None
    offset_per_kelvin: Share | None = None
    resolution: Annotated[tuple[Count, ...], Field(min_length=1, strict=False)]
    noise: PositiveCurrent | None = None
    settling: Duration | None = None

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        if self.shunt is None and self.burden_voltage is None:
            yield ("shunt",), "is missing: give shunt or burden_voltage (at full scale)"
        if self.shunt is not None and self.burden_voltage is not None:
            yield ("burden_voltage",), "does not go with shunt: give one of the two"
        if self.measures_to is not None and self.measures_to < self.full_scale:
            full_scale = format_quantity(self.full_scale, "A")
            yield ("measures_to",), f"must not be below full_scale, {full_scale}"
        apertures = [entry.nplc for entry in self.resolution]
        for index, nplc in enumerate(apertures):
            if nplc in apertures[:index] and nplc is not UNKNOWN:
                yield ("resolution", index, "nplc"), f"{nplc:g} is listed twice"

    @property
    def shunt_ohm(self) -> float:
        """What the range puts in series with the board."""
        if self.shunt is not None:
            return self.shunt
        assert self.burden_voltage is not None
        return self.burden_voltage / self.full_scale

    @property
    def overload_A(self) -> float:
        """Above this the meter reports an overload."""
        return self.full_scale if self.measures_to is None else self.measures_to

    def count_A(self, nplc: float) -> float:
        """One count at `nplc`: that of the longest listed aperture that is not longer (the
        coarser one, where `nplc` lies between two), else that of the shortest."""
        shorter = [entry for entry in self.resolution if entry.nplc <= nplc * 1.0001]
        best = (
            max(shorter, key=lambda entry: entry.nplc)
            if shorter
            else min(self.resolution, key=lambda entry: entry.nplc)
        )
        return best.count


class MeterSheet(TomlFile):
    FORMAT: ClassVar[str] = "benchrig/meter-sheet/1"

    format: Literal["benchrig/meter-sheet/1"]
    name: Text
    # How the accuracy is meant: limits of error, which every meter keeps (rectangular, GUM 4.3.7),
    # or an expanded uncertainty with k = 2, which one meter in twenty does not (normal, GUM 4.3.3).
    accuracy_is: Literal["limits", "expanded"] = "limits"
    # The accuracies hold from reference_temperature - reference_band to + reference_band; 23 °C
    # and 5 °C are common practice, no source.
    reference_temperature: Temperature = 23.0
    reference_band: Annotated[Temperature, NOT_NEGATIVE] = 5.0
    fastest_nplc: PositiveNplc
    settling: Duration
    range_change_interrupts: bool
    interruption: Duration = 0.0
    ranges: Annotated[tuple[SheetRange, ...], Field(min_length=1, strict=False)]

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        scales = [entry.full_scale for entry in self.ranges]
        for index, (before, scale) in enumerate(pairwise(scales), start=1):
            if scale <= before:
                yield (
                    ("ranges", index, "full_scale"),
                    f"{format_quantity(scale, 'A')} is not above the range before it, "
                    f"{format_quantity(before, 'A')}: list each range once, the lowest first",
                )

    @property
    def divisor(self) -> float:
        """What turns an accuracy into a standard uncertainty (GUM 4.3.3, 4.3.7)."""
        return 2.0 if self.accuracy_is == "expanded" else math.sqrt(3.0)

    def settling_s(self, entry: SheetRange) -> float:
        """How long after a change to this range its readings mean nothing."""
        return self.settling if entry.settling is None else entry.settling
