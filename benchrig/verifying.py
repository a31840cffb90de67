"""Checks the chain of a bench with a reference resistor in place of the board: does it read what
Ohm's law says?"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from benchrig.clock import Clock
from benchrig.drivers.meter import RECTANGLE, Meter, MeterRange, Readings
from benchrig.drivers.scpi import is_valid
from benchrig.drivers.supply import Supply
from benchrig.errors import Fault, UsageError
from benchrig.measurement import Agreement, Priors, ohm_check, settle
from benchrig.pricing import MeterPricing
from benchrig.units import format_quantity, parse_quantity
from benchrig.verification import Check

READINGS = 200
LOOK = 10
# Below this share of full scale a range says little of its gain.
LEAST_SHARE = 0.05
# More than this away from what is expected, and it is another circuit (common practice, no source).
OTHER = 0.2


@dataclass(frozen=True)
class Resistor:
    """`accuracy`: limits of error, as a share."""

    resistance_ohm: float
    accuracy: float

    def __str__(self) -> str:
        resistance = format_quantity(self.resistance_ohm, "Ω", 4)
        return f"{resistance} ± {100.0 * self.accuracy:g} %"


@dataclass(frozen=True)
class SetVoltage:
    """The voltage across shunt and resistor; `accuracy`: limits of error, as a share."""

    voltage_V: float
    accuracy: float


@dataclass(frozen=True)
class Chain:
    """The instruments of a bench, open; the supply is None where the operator has one."""

    meter: Meter
    supply: Supply | None
    pricing: MeterPricing
    clock: Clock


def parse_resistor(text: str) -> Resistor:
    """``"1 Mohm 0.1 %"``: a resistance and its limits of error. Raises `ValueError` with a
    sentence that says what would be right."""
    example = 'write the resistance and its accuracy, like "1 Mohm 0.1 %"'
    found = re.fullmatch(r"\s*(\S+\s*?[^\s\d]+)\s+(?:±\s*|\+/-\s*)?(\S+\s*%)\s*", text)
    if found is None:
        raise ValueError(f"{text!r} is not a reference resistor: {example}")
    resistance_ohm, accuracy = parse_quantity(found[1], "Ω"), parse_quantity(found[2], "%")
    if not (resistance_ohm > 0.0 and 0.0 < accuracy < 0.5):
        raise ValueError(
            f"{text!r}: the resistance must be above zero, and its accuracy above zero and below "
            f"50 %; {example}"
        )
    return Resistor(resistance_ohm, accuracy)


def current_A(entry: MeterRange, resistor: Resistor, voltage: SetVoltage) -> float:
    """What flows on a range: its shunt is in series."""
    return voltage.voltage_V / (resistor.resistance_ohm + entry.shunt_ohm)


def usable(
    ranges: tuple[MeterRange, ...], resistor: Resistor, voltage: SetVoltage
) -> tuple[MeterRange, ...]:
    """The ranges that carry the current and on which it counts, the lowest first."""
    return tuple(
        entry
        for entry in ranges
        if LEAST_SHARE * entry.full_scale_A
        <= current_A(entry, resistor, voltage)
        <= min(entry.full_scale_A, entry.overload_A)
    )


def check_resistor(chain: Chain, resistor: Resistor, voltage: SetVoltage) -> Iterator[Check]:
    """Switch on, check each usable range from the highest down, and switch off again.

    Raises `UsageError` where no range is usable, ``not_the_resistor`` if something else is
    connected, and what the instruments raise. The supply is off and the meter on its highest range
    afterwards, whatever happens.
    """
    ranges = usable(chain.meter.ranges, resistor, voltage)
    if not ranges:
        raise UsageError(
            f"{resistor} at {voltage.voltage_V:g} V suits no range of the meter: it must draw "
            f"{100.0 * LEAST_SHARE:g} % of a full scale at least, and no more than the highest"
        )
    try:
        if chain.supply is not None:
            chain.supply.set_up(voltage.voltage_V)
            chain.supply.switch(True)
            chain.supply.check_voltage(voltage.voltage_V)
        _look(chain, chain.meter.ranges[-1], resistor, voltage)
        for entry in reversed(ranges):
            chain.meter.set_range(entry)
            yield _check(chain, entry, resistor, voltage)
    finally:
        with chain.clock.shielded():
            chain.meter.make_safe()
            if chain.supply is not None:
                # Whatever the bench file says: somebody is about to move a lead.
                chain.supply.switch(False)


def _look(chain: Chain, entry: MeterRange, resistor: Resistor, voltage: SetVoltage) -> None:
    """On the highest range: a board, or a short, would overload the lower ones."""
    readings = chain.meter.acquire(LOOK)
    expected_A = current_A(entry, resistor, voltage)
    valid = readings.currents_A[is_valid(readings.currents_A)]
    read_A = float(np.median(valid)) if len(valid) == len(readings.currents_A) else math.inf
    allowed_A = OTHER * expected_A + 4.0 * entry.offset * entry.full_scale_A
    if abs(read_A - expected_A) > allowed_A + 4.0 * entry.count_A:
        raise _other(read_A, expected_A, entry)


def _other(read_A: float, expected_A: float, entry: MeterRange) -> Fault:
    read = format_quantity(read_A, "A", 3) if math.isfinite(read_A) else "an overload"
    scale = format_quantity(entry.full_scale_A, "A", 2)
    return Fault(
        "not_the_resistor",
        f"meter: reads {read} on its {scale} range, where the resistor draws "
        f"{format_quantity(expected_A, 'A', 3)}. Is the resistor in place of the board, is its "
        "value right, and is the voltage on? Switch the power off before you look",
    )


def _check(chain: Chain, entry: MeterRange, resistor: Resistor, voltage: SetVoltage) -> Check:
    readings = chain.meter.acquire(READINGS)
    if readings.overloaded:
        raise _other(math.inf, current_A(entry, resistor, voltage), entry)
    agreement = _compared(chain, readings, resistor, voltage)
    return Check(
        full_scale_A=entry.full_scale_A,
        resistance_ohm=resistor.resistance_ohm,
        resistor_accuracy=resistor.accuracy,
        read_A=agreement.reading.value,
        read_uncertainty_A=agreement.reading.expanded_uncertainty,
        expected_A=agreement.expected.value,
        expected_uncertainty_A=agreement.expected.expanded_uncertainty,
        normalised_error=agreement.normalised_error,
    )


def _compared(
    chain: Chain, readings: Readings, resistor: Resistor, voltage: SetVoltage
) -> Agreement:
    """Limits of error are rectangles: divided by sqrt(3) (GUM 4.3.7)."""
    entry = readings.range
    # A resistor has nothing to settle: what it draws is there from the first reading on.
    known = Priors(announced=True, slowest_tau_s=chain.meter.interval_s, count_A=entry.count_A)
    outcome = settle(readings.times_s, readings.currents_A, known)
    if outcome.current_A is None:
        raise Fault("unsteady", f"meter: the resistor's current is not steady: {outcome.reason}")
    return ohm_check(
        chain.pricing.as_read(outcome, entry),
        resistor.resistance_ohm,
        resistor.accuracy * resistor.resistance_ohm / RECTANGLE,
        voltage.voltage_V,
        voltage.accuracy * voltage.voltage_V / RECTANGLE,
        entry.shunt_ohm,
        entry.shunt_uncertainty_ohm,
    )
