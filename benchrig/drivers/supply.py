"""The supply driver: an optional SCPI DC source that powers the board."""

from __future__ import annotations

from dataclasses import dataclass

from benchrig.clock import Clock
from benchrig.drivers.board import Gate
from benchrig.drivers.instrument import ScpiInstrument
from benchrig.errors import Fault
from benchrig.session.bench_file import SupplyPort


@dataclass(frozen=True)
class Delivered:
    """What the supply says of its own output."""

    voltage_V: float
    current_A: float


class Supply:
    """Raises `Fault` with the kinds ``supply_error``, ``supply_voltage`` and what its instrument
    raises. Never asked for more than the bench file allows; switching on, which starts the
    board, first passes the `gate`."""

    def __init__(
        self, instrument: ScpiInstrument, clock: Clock, port: SupplyPort, gate: Gate
    ) -> None:
        self.instrument = instrument
        self._clock = clock
        self._port = port
        self._gate = gate

    def open(self) -> str:
        identity = self.instrument.open()
        self.instrument.write("*CLS")
        return identity

    def close(self) -> None:
        self.instrument.close()

    def set_up(self, voltage_V: float) -> None:
        """Voltage and current limit; the output stays as it is."""
        if voltage_V > self._port.highest_voltage:
            raise Fault(
                "supply_voltage",
                f"supply: the session asks for {voltage_V:g} V, and the bench file allows at the "
                f"most {self._port.highest_voltage:g} V",
            )
        self.instrument.configure(f"VOLT {voltage_V:.6g}", f"CURR {self._port.current_limit:.6g}")

    def switch(self, on: bool) -> None:
        if on:
            self._gate("switching the supply on")
        self.instrument.configure("OUTP ON" if on else "OUTP OFF")
        self._clock.sleep(self._port.settling)

    def read_back(self) -> Delivered:
        ask = self.instrument.ask_number
        return Delivered(ask("MEAS:VOLT?"), ask("MEAS:CURR?"))

    def check_voltage(self, wanted_V: float) -> Delivered:
        """Read back; raises ``supply_voltage`` if the output is not within 5 % of `wanted_V`."""
        delivered = self.read_back()
        if abs(delivered.voltage_V - wanted_V) > 0.05 * wanted_V:
            raise Fault(
                "supply_voltage",
                f"supply: was set to {wanted_V:g} V and delivers {delivered.voltage_V:.4g} V at "
                f"{delivered.current_A:.3g} A. A short, or the current limit is too low",
            )
        return delivered

    def make_safe(self) -> None:
        """Bring the output to what the bench file names for the end."""
        if self._port.at_end != "unchanged":
            self.switch(self._port.at_end == "on")
