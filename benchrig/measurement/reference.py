"""A check of the whole chain with a reference resistor in place of the board."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchrig.measurement.combining import Budget, difference
from benchrig.measurement.contributions import Stated, contribution


@dataclass(frozen=True)
class Agreement:
    """A reading beside what it should be, both in A."""

    reading: Budget
    expected: Budget

    @property
    def error(self) -> Budget:
        """Reading minus expected, with its own budget."""
        return difference(self.reading, self.expected)

    @property
    def normalised_error(self) -> float:
        """E_n: the error over the root sum of squares of the two expanded uncertainties (ISO 13528
        and ISO/IEC 17043, annex B, from memory)."""
        allowed_A = math.hypot(
            self.reading.expanded_uncertainty, self.expected.expanded_uncertainty
        )
        return (self.reading.value - self.expected.value) / allowed_A

    @property
    def agrees(self) -> bool:
        return abs(self.normalised_error) <= 1.0


def ohm_check(
    reading: Budget,
    resistance_ohm: float,
    resistance_u: float,
    voltage_V: float,
    voltage_u: float,
    shunt_ohm: float,
    shunt_u: float = 0.0,
) -> Agreement:
    """`reading` beside what Ohm's law says: V / (R + shunt), the meter's shunt in series.

    `resistance_u`, `voltage_u` and `shunt_u` are standard uncertainties, in ohm and V: a tolerance
    has been divided by sqrt(3) (GUM 4.3.7). No check is sharper than these: `expected` has them,
    to be compared with the uncertainty of the reading. Raises `ValueError` for a resistance that
    is not above 0, or if neither it nor the voltage is uncertain.
    """
    if not (resistance_ohm > 0.0 and shunt_ohm >= 0.0):
        raise ValueError(f"no circuit of {resistance_ohm!r} ohm with a shunt of {shunt_ohm!r} ohm")
    if not resistance_u + voltage_u > 0.0:
        raise ValueError("a resistor and a voltage have uncertainties: state at least one of them")
    total_ohm = resistance_ohm + shunt_ohm
    current_A = voltage_V / total_ohm
    quantities = (
        Stated("voltage", voltage_V, voltage_u, "V", sensitivity=1.0 / total_ohm),
        Stated("resistor", resistance_ohm, resistance_u, "Ω", sensitivity=-current_A / total_ohm),
        Stated("shunt", shunt_ohm, shunt_u, "Ω", sensitivity=-current_A / total_ohm),
    )
    lines = tuple(contribution(stated.quantity, stated) for stated in quantities)
    return Agreement(reading, Budget(current_A, lines))
