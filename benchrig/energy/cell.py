"""A cell, several of them in series and parallel, and a regulator between them and the board."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from benchrig.energy.profile import Values, quantity
from benchrig.measurement.combining import Budget

Points = tuple[tuple[float, float], ...]
"""(x, y), x rising."""

EXACT_ONE = quantity("1", 1.0)


@dataclass(frozen=True)
class Regulator:
    """Between cell and board. Linear: what flows in is what flows out and the `quiescent` current
    in A. Switching: the power balance with the `efficiency`, given over the board's current in A,
    at `output_V`. Below `minimum_input_V` it no longer regulates."""

    kind: Literal["linear", "switching"]
    quiescent: Budget
    output_V: float
    minimum_input_V: float
    efficiency: Points = ()


@dataclass(frozen=True)
class Cell:
    """One cell as its maker states it, in a pack of `series` times `parallel` that are alike.

    `capacity` in C at `stated_load_A` and `stated_temperature_C`, down to `end_voltage_V`;
    `self_discharge`: share of what is left that is lost per year; `shelf_life_s`: it counts as
    dead after that, whatever is left. `depths`: depth of discharge 0 to 1 with the open-circuit
    voltage in V and the internal resistance in Ω. `temperatures`: °C with the share of the
    capacity and the factor of the resistance. `loads`: load in A with the share of the capacity;
    or `peukert`, the exponent, of which `peukert_from` is the load that the capacity is stated at.
    """

    name: str
    chemistry: str
    rechargeable: bool
    capacity: Budget
    stated_load_A: float
    stated_temperature_C: float
    self_discharge: Budget
    shelf_life_s: float
    end_voltage_V: float
    depths: tuple[tuple[float, float, float], ...]
    resistance_scale: Budget = EXACT_ONE
    temperatures: tuple[tuple[float, float, float], ...] = ()
    loads: Points = ()
    peukert: float = 1.0
    series: int = 1
    parallel: int = 1
    regulator: Regulator | None = None

    @property
    def quantities(self) -> dict[str, Budget]:
        found = {
            "capacity": self.capacity,
            "self-discharge": self.self_discharge,
            "internal resistance": self.resistance_scale,
        }
        if self.regulator is not None:
            found["quiescent current"] = self.regulator.quiescent
        return found

    @property
    def switching(self) -> bool:
        """Whether the board's load is a power to the pack."""
        return self.regulator is not None and self.regulator.kind == "switching"

    @property
    def mean_voltage_V(self) -> float:
        """Of the pack at half its charge: where a load in W becomes one in A for derating."""
        return float(self.voltage_V(np.array(0.5)))

    def voltage_V(self, depth: Any) -> Any:
        """Open-circuit voltage of the pack."""
        return self.series * np.interp(depth, *self._column(1))

    def resistance_ohm(self, depth: Any) -> Any:
        """Of the pack, at the temperature that the cell is stated at."""
        return self.series / self.parallel * np.interp(depth, *self._column(2))

    def _column(self, which: int) -> tuple[list[float], list[float]]:
        return [point[0] for point in self.depths], [point[which] for point in self.depths]

    def at(self, temperature_C: float | None) -> tuple[float, float]:
        """Share of the capacity and factor of the resistance; straight lines between the points,
        and the outermost of them beyond."""
        if temperature_C is None or not self.temperatures:
            return 1.0, 1.0
        xs = [point[0] for point in self.temperatures]
        share, factor = (
            float(np.interp(temperature_C, xs, [point[column] for point in self.temperatures]))
            for column in (1, 2)
        )
        return share, factor

    def load_share(self, pack_load_A: Any) -> Any:
        """Share of the capacity that a load can draw; never above 1.

        Peukert's law, t = H (C/(I H))^n (1897, from memory), gives C (I_stated/I)^(n - 1). It was
        found at loads of hours: far below the stated load it would promise more than there is.
        """
        load_A = np.maximum(pack_load_A / self.parallel, 1e-15)
        if self.loads:
            logs = [math.log(point[0]) for point in self.loads]
            return np.interp(np.log(load_A), logs, [point[1] for point in self.loads])
        if self.peukert == 1.0:
            return np.ones_like(load_A)
        return np.minimum(1.0, (self.stated_load_A / load_A) ** (self.peukert - 1.0))

    def efficiency(self, board_A: Any) -> Any:
        assert self.regulator is not None
        logs = [math.log(point[0]) for point in self.regulator.efficiency]
        shares = [point[1] for point in self.regulator.efficiency]
        return np.interp(np.log(np.maximum(board_A, 1e-15)), logs, shares)

    def pack_capacity_C(self, values: Values) -> Any:
        return self.parallel * values["capacity"]


def decay_per_s(share_per_year: Any, year_s: float) -> Any:
    """The rate k of dC/dt = -k C with which a share is lost in a year: it compounds. What would
    lose all, or more, loses nearly all."""
    return -np.log1p(-np.minimum(share_per_year, 1.0 - 1e-12)) / year_s
