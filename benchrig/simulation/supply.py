"""The simulated DC supply: SCPI in front of the source in the circuit."""

from __future__ import annotations

from typing import Protocol

from benchrig.simulation.commands import Command, numeric, switch
from benchrig.simulation.instrument import Instrument
from benchrig.simulation.scpi import Scale, nr2


class SupplyCircuit(Protocol):
    """What the supply does to the line and sees of it."""

    def advance(self, t: float) -> None: ...
    def set_supply(self, voltage_V: float, limit_A: float, on: bool, t: float) -> None: ...
    def supply_readback(self) -> tuple[float, float]: ...


class SimulatedSupply(Instrument):
    """A SCPI DC source of up to `highest_V` and `highest_A`.

    It starts, and comes back from *RST, with its output off at 0 V and the highest limit
    (SCPI-1999 vol.2: OUTPut OFF; the levels are left to the instrument).
    """

    def __init__(
        self,
        circuit: SupplyCircuit,
        *,
        highest_V: float = 30.0,
        highest_A: float = 3.0,
        identity: str = "Invented Instruments,Supply 1,0,1.0",
        terminator: bytes = b"\n",
    ) -> None:
        self._circuit = circuit
        self._highest_V, self._highest_A = highest_V, highest_A
        super().__init__(identity, self._commands(), terminator)
        self.reset()

    def reset(self) -> None:
        self._voltage_V, self._limit_A, self._on = 0.0, self._highest_A, False
        self._apply()

    @property
    def voltage_V(self) -> float:
        return self._voltage_V

    @voltage_V.setter
    def voltage_V(self, value: float) -> None:
        self._voltage_V = value
        self._apply()

    @property
    def limit_A(self) -> float:
        return self._limit_A

    @limit_A.setter
    def limit_A(self, value: float) -> None:
        self._limit_A = value
        self._apply()

    @property
    def on(self) -> bool:
        return self._on

    @on.setter
    def on(self, value: bool) -> None:
        self._on = value
        self._apply()

    def _apply(self) -> None:
        self._circuit.set_supply(self._voltage_V, self._limit_A, self._on, self.now_s)

    def _measured(self) -> tuple[str, str]:
        self._circuit.advance(self.now_s)
        voltage_V, current_A = self._circuit.supply_readback()
        return _volts(voltage_V), _amperes(current_A)

    def _commands(self) -> list[Command]:
        level, mean = "[:LEVel][:IMMediate][:AMPLitude]", "MEASure[:SCALar]"
        volts = Scale("V", 0.0, self._highest_V, 0.0)
        amperes = Scale("A", 0.0, self._highest_A, self._highest_A)
        return [
            *numeric(f"[SOURce:]VOLTage{level}", self, "voltage_V", volts, _volts),
            *numeric(f"[SOURce:]CURRent{level}", self, "limit_A", amperes, _amperes),
            *switch("OUTPut[:STATe]", self, "on"),
            Command(f"{mean}:VOLTage[:DC]?", lambda given: self._measured()[0]),
            Command(f"{mean}:CURRent[:DC]?", lambda given: self._measured()[1]),
        ]


def _volts(value: float) -> str:
    """It resolves 0.1 mV."""
    return nr2(value, 4)


def _amperes(value: float) -> str:
    """It resolves 1 µA."""
    return nr2(value, 6)
