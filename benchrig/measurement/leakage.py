"""Current that flows between the board and its UART lines, and is read as the board's own.

An idle line drives high: it feeds a pull-down through the board, or the board itself through a
protection diode. The meter in the supply line then reads too much or too little. A reading is
corrected by `difference(current, leakage)`, in which the gain that both share acts once.
"""

from __future__ import annotations

import math
from dataclasses import replace

from benchrig.measurement.combining import Budget, difference
from benchrig.measurement.contributions import Stated, contribution


def declared_leakage(
    current_A: float, half_width_A: float, *, divisor: float = math.sqrt(3.0)
) -> Budget:
    """What the lines add to a reading, as declared: within `half_width_A` of `current_A`.

    In two states it may be wrong by the same or not: nothing is known of it, so the errors of
    what was declared add linearly.
    """
    stated = Stated("leakage through the lines", current_A, half_width_A, divisor=divisor)
    line = contribution("leakage", stated, statement="leakage as declared")
    return Budget(current_A, (line,))


def measured_leakage(connected: Budget, parked: Budget) -> Budget:
    """What the lines add: the current with them connected minus that with them parked.

    On one range the offset or the zero cancels, and the gain acts on the small difference alone.
    What scattered while it was measured is one error in all states that it is subtracted from.
    The state that was measured parked needs no correction: it is `parked`.
    """
    found = difference(connected, parked)
    own = f"of the leakage of {found.value!r} A"
    lines = (
        part if part.shared else replace(part, shared=f"{part.name} {own}")
        for part in found.contributions
    )
    named = tuple(replace(part, name=f"leakage: {part.name}") for part in lines)
    return Budget(found.value, named)
