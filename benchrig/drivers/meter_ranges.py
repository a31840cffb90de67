"""The current ranges of a meter: from its sheet, or, without one, from what the meter reports."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchrig.errors import Fault
from benchrig.session.sheet import MeterSheet

# Without a meter sheet the shunt is unknown. Half a volt at full scale is a large burden for a
# current range (common practice, no source), so that the choice of a range errs to the safe side.
ASSUMED_BURDEN_V = 0.5
ASSUMED_SETTLING_S = 0.1
# Limits of error of an unknown meter, as shares of the reading and of full scale: those of a modest
# hand-held one (common practice, no source). Whatever is computed with them says so.
ASSUMED_GAIN = 0.005
ASSUMED_OFFSET = 0.001

# A sheet gives a typical shunt or burden, and the leads add to it (common practice, no source).
SHUNT_ACCURACY = 0.1

# Turns limits of error into a standard uncertainty (GUM 4.3.7).
RECTANGLE = math.sqrt(3.0)

MOST_DECADES = 20


@dataclass(frozen=True)
class MeterRange:
    """One current range, as the sheet describes it or, `assumed` in its shunt and its accuracies,
    as the meter reports it. Gains and offsets are standard uncertainties, as shares of the reading
    and of full scale; `noise_A` is rms at one power-line cycle."""

    full_scale_A: float
    overload_A: float
    shunt_ohm: float
    assumed: bool
    settling_s: float
    gain: float
    offset: float
    count_A: float = 0.0
    gain_per_K: float | None = None
    offset_per_K: float | None = None
    noise_A: float | None = None

    @property
    def shunt_uncertainty_ohm(self) -> float:
        """Standard uncertainty."""
        return SHUNT_ACCURACY * self.shunt_ohm / RECTANGLE


def from_sheet(sheet: MeterSheet, nplc: float) -> tuple[MeterRange, ...]:
    """The lowest first."""

    def standard(share: float | None) -> float | None:
        return None if share is None else share / sheet.divisor

    return tuple(
        MeterRange(
            full_scale_A=entry.full_scale,
            overload_A=entry.overload_A,
            shunt_ohm=entry.shunt_ohm,
            assumed=False,
            settling_s=sheet.settling_s(entry),
            count_A=entry.count_A(nplc),
            gain=entry.gain_accuracy / sheet.divisor,
            offset=entry.offset_accuracy / sheet.divisor,
            gain_per_K=standard(entry.gain_per_kelvin),
            offset_per_K=standard(entry.offset_per_kelvin),
            noise_A=entry.noise,
        )
        for entry in sheet.ranges
    )


def reported(lowest_A: float, highest_A: float) -> tuple[MeterRange, ...]:
    """What a meter without a sheet has between its lowest and its highest range: taken to be
    decades, until one is used and reads back otherwise."""
    if not 0 < lowest_A <= highest_A < 1e3:
        raise Fault("meter_error", f"meter: reports ranges from {lowest_A} A to {highest_A} A")
    scales = [highest_A]
    while scales[-1] / 10 >= lowest_A * 0.99 and len(scales) < MOST_DECADES:
        scales.append(scales[-1] / 10)
    return tuple(_unknown(scale) for scale in reversed(scales))


def checked(wanted: MeterRange, reads_back_A: float) -> None:
    """Raises if the meter is on another range than on that of its sheet."""
    if not 0.7 * wanted.full_scale_A <= reads_back_A <= 1.5 * wanted.full_scale_A:
        raise Fault(
            "meter_error",
            f"meter: was put on its {wanted.full_scale_A:g} A range and reads back "
            f"{reads_back_A:g} A. Does the meter sheet belong to this meter?",
        )


def corrected(
    ranges: tuple[MeterRange, ...], wanted: MeterRange, reads_back_A: float
) -> tuple[MeterRange, tuple[MeterRange, ...]]:
    """The range that the meter really has in place of a supposed one, and all ranges with it."""
    if not wanted.full_scale_A * 0.99 <= reads_back_A < 1e3:
        raise Fault(
            "meter_error",
            f"meter: was asked for a range of {wanted.full_scale_A:g} A and reads back "
            f"{reads_back_A:g} A",
        )
    real = _unknown(reads_back_A)
    others = [
        entry
        for entry in ranges
        if entry != wanted and not math.isclose(entry.full_scale_A, reads_back_A, rel_tol=0.01)
    ]
    return real, tuple(sorted([*others, real], key=lambda entry: entry.full_scale_A))


def _unknown(full_scale_A: float) -> MeterRange:
    return MeterRange(
        full_scale_A=full_scale_A,
        overload_A=full_scale_A,
        shunt_ohm=ASSUMED_BURDEN_V / full_scale_A,
        assumed=True,
        settling_s=ASSUMED_SETTLING_S,
        gain=ASSUMED_GAIN / RECTANGLE,
        offset=ASSUMED_OFFSET / RECTANGLE,
    )
