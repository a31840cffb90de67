"""The supply driver: an optional SCPI DC source that powers the board."""

from __future__ import annotations

from dataclasses import dataclass

from benchrig.clock import Clock
from benchrig.drivers.board import Gate
from benchrig.drivers.instrument import ScpiInstrument
from benchrig.errors import Fault, WireFault
from benchrig.session.bench_file import SupplyPort

# What a supply may deliver more than it was told, by its own reading (common practice, no source).
TOLERANCE = 0.01
# What it may deliver less, or more within its highest voltage, until something is wrong.
DEVIATION = 0.05


@dataclass(frozen=True)
class Delivered:
    """What the supply says of its own output."""

    voltage_V: float
    current_A: float


class Supply:
    """Raises `Fault` with the kinds ``supply_error``, ``supply_voltage`` and what its instrument
    raises. Never asked for more than the bench file allows; what starts the board first passes
    the `gate`."""

    def __init__(
        self, instrument: ScpiInstrument, clock: Clock, port: SupplyPort, gate: Gate
    ) -> None:
        self.instrument = instrument
        self._clock = clock
        self._port = port
        self._gate = gate

    def open(self) -> str:
        """Open; the output stays as it is, and so do its settings."""
        identity = self.instrument.open()
        self.instrument.write("*CLS")
        return identity

    def close(self) -> None:
        self.instrument.close()

    def set_up(self, voltage_V: float) -> None:
        """Current limit and voltage, in this order; the output stays on or off."""
        highest_V = self._port.highest_voltage
        if not 0 <= voltage_V <= highest_V:
            raise Fault(
                "supply_voltage",
                f"supply: the session asks for {voltage_V:g} V, and the bench file allows at the "
                f"most {highest_V:g} V",
            )
        # Where the output is on already, a higher voltage may wake the board.
        self._gate("setting the supply's voltage")
        for header, value in (("CURR", self._port.current_limit), ("VOLT", voltage_V)):
            self.instrument.configure(f"{header} {value:.6g}")
            self._check_set(header, value)

    def change(self, voltage_V: float) -> None:
        """Another voltage while the output is on, and what it takes to arrive there."""
        self.set_up(voltage_V)
        self._clock.sleep(self._port.settling)
        self.check_voltage(voltage_V)

    def _check_set(self, header: str, wanted: float) -> None:
        reads_back = self.instrument.ask_number(f"{header}?")
        if abs(reads_back - wanted) > TOLERANCE * wanted:
            raise Fault(
                "supply_error",
                f"supply: was told {header} {wanted:g} and reads back {reads_back:g}",
            )

    def switch(self, on: bool) -> None:
        """Switch the output. Never on at a voltage above the highest, whoever has set it."""
        if on:
            self._gate("switching the supply on")
            self._check_setting()
        word = "ON" if on else "OFF"
        self.instrument.configure(f"OUTP {word}")
        answer = self.instrument.ask("OUTP?").upper().removeprefix("+")
        if answer not in (("1", "ON") if on else ("0", "OFF")):
            raise Fault("supply_error", f"supply: was told OUTP {word} and answers {answer!r}")
        self._clock.sleep(self._port.settling)

    def _check_setting(self) -> None:
        set_V = self.instrument.ask_number("VOLT?")
        if set_V > self._port.highest_voltage * (1 + TOLERANCE):
            raise Fault(
                "supply_voltage",
                f"supply: is set to {set_V:g} V, above the {self._port.highest_voltage:g} V that "
                "the bench file allows, and was not switched on",
            )

    def read_back(self) -> Delivered:
        ask = self.instrument.ask_number
        return Delivered(ask("MEAS:VOLT?"), ask("MEAS:CURR?"))

    def check_voltage(self, wanted_V: float) -> Delivered:
        """Read back; raises ``supply_voltage`` if the output is not within 5 % of `wanted_V`, or
        above the highest voltage."""
        delivered = self.read_back()
        too_high = delivered.voltage_V > self._port.highest_voltage * (1 + TOLERANCE)
        if too_high or abs(delivered.voltage_V - wanted_V) > DEVIATION * wanted_V:
            raise Fault(
                "supply_voltage",
                f"supply: was set to {wanted_V:g} V and delivers {delivered.voltage_V:.4g} V at "
                f"{delivered.current_A:.3g} A. A short, or the current limit is too low",
            )
        return delivered

    def make_safe(self) -> None:
        """Bring the output to what the bench file names for the end; over a new connection, if
        something went wrong on the old one: the board must not keep its power by that."""
        if self._port.at_end == "unchanged":
            return
        try:
            self.switch(self._port.at_end == "on")
        except WireFault:
            self.instrument.close()
            self.instrument.open()
            self.switch(self._port.at_end == "on")
