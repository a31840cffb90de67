"""The burden: a shunt in the supply line takes voltage from the board, so the board was measured
at the supply's voltage minus the burden, and not at the supply's voltage."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from benchrig.measurement.combining import Budget, combine
from benchrig.measurement.contributions import Contribution, Stated, contribution
from benchrig.measurement.line_fit import fit_line

BURDEN_NOT_CORRECTED = "burden_not_corrected"


@dataclass(frozen=True)
class SupplyLine:
    """What lies before the board: the supply at `voltage_V` and the shunt of the meter's range.

    Standard uncertainties. `name` tells the range: results with an equal name share the error of
    its shunt, and all results share that of the supply.
    """

    voltage_V: float
    shunt_ohm: float
    voltage_uncertainty_V: float = 0.0
    shunt_uncertainty_ohm: float = 0.0
    name: str = ""


@dataclass(frozen=True)
class Sensitivity:
    """dI/dV of a state: how its current changes with the voltage at the board, in A/V.

    About I/V for a resistor, 0 for a constant current, -I/V for a converter that draws constant
    power. `kind`: "A" where it was measured by a sweep, "B" where it was declared. Results that are
    corrected with one sweep share its error. What was declared for two states may be wrong by the
    same or not: nothing is known of it, so their errors add linearly.
    """

    slope_A_per_V: float
    standard_uncertainty_A_per_V: float
    dof: float = math.inf
    kind: Literal["A", "B"] = "B"


def board_voltage(current: Budget, line: SupplyLine) -> Budget:
    """The voltage at the board, in V, with its uncertainty: V - I R."""
    own = Budget(0.0, tuple(_supply_and_shunt(line, 1.0, -current.value)))
    value_V = line.voltage_V - current.value * line.shunt_ohm
    return combine([own, current], [1.0, -line.shunt_ohm], value_V)


def corrected_for_burden(
    current: Budget, line: SupplyLine, sensitivity: Sensitivity, nominal_V: float | None = None
) -> Budget:
    """The current that the board would draw at `nominal_V` (the supply's voltage if not given)
    with no shunt in its line: I + dI/dV (V_nominal - V + I R).

    It holds as far as the current changes linearly over that step; a sweep with `fit_sensitivity`
    shows whether it does, since it widens the slope's uncertainty where the points lie on no line.
    """
    slope, nominal = sensitivity.slope_A_per_V, nominal_V
    step_V = (line.voltage_V if nominal is None else nominal) - line.voltage_V
    step_V += current.value * line.shunt_ohm
    stated = Stated(
        "dI/dV", slope, sensitivity.standard_uncertainty_A_per_V, "A/V", sensitivity=step_V
    )
    swept = sensitivity.kind == "A"
    slope_line = contribution(
        "burden",
        stated,
        sensitivity.dof,
        sensitivity.kind,
        shared=f"dI/dV of {slope!r} A/V" if swept else None,
        statement=None if swept else "dI/dV as declared",
    )
    # More volts at the supply than supposed are more at the board, and a smaller correction.
    rest = _supply_and_shunt(line, -slope, slope * current.value)
    scaled = [part.scaled(1.0 + slope * line.shunt_ohm) for part in current.contributions]
    return Budget(current.value + slope * step_V, (*scaled, slope_line, *rest))


def burden_flags(
    current_A: float, expanded_uncertainty_A: float, line: SupplyLine
) -> tuple[str, ...]:
    """`burden_not_corrected` where the shunt changes a current by more than its expanded
    uncertainty, if that goes with the voltage, as the current of a clocked CMOS circuit does."""
    changed_A = current_A**2 * line.shunt_ohm / line.voltage_V
    return (BURDEN_NOT_CORRECTED,) if changed_A > expanded_uncertainty_A else ()


def fit_sensitivity(
    voltages_V: Sequence[float],
    currents_A: Sequence[float],
    uncertainties_A: Sequence[float] | None = None,
) -> Sensitivity:
    """dI/dV from a sweep of the supply. Shapes (n,).

    `voltages_V` are those at the board. `uncertainties_A` are the standard uncertainties of
    averaging and resolution alone: the gain of a range moves all points together and changes the
    slope by its own small share. Raises `ValueError` for points that define no line.
    """
    fit = fit_line(voltages_V, currents_A, uncertainties_A)
    return Sensitivity(fit.slope, fit.slope_uncertainty, fit.dof, "A")


def recharge_time_s(shunt_ohm: float, capacitance_F: float, share: float) -> float:
    """How long the board's decoupling, charged through the shunt, takes to come within `share` of
    a step of its supply: R C ln(1/share), 6.9 time constants to 0.1 % and 13.8 to 1 ppm.

    Raises `ValueError` unless `share` is above 0 and at most 1.
    """
    if not 0.0 < share <= 1.0:
        raise ValueError(f"a share must be above 0 and at most 1, not {share!r}")
    return -shunt_ohm * capacitance_F * math.log(share)


def _supply_and_shunt(
    line: SupplyLine, per_volt: float, per_ohm: float
) -> tuple[Contribution, Contribution]:
    supply = Stated(
        "supply voltage", line.voltage_V, line.voltage_uncertainty_V, "V", sensitivity=per_volt
    )
    shunt = Stated("shunt", line.shunt_ohm, line.shunt_uncertainty_ohm, "Ω", sensitivity=per_ohm)
    return (
        contribution("supply", supply, shared="supply voltage"),
        contribution("shunt", shunt, shared=f"shunt of {line.name}" if line.name else None),
    )
