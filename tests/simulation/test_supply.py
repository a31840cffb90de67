"""The simulated supply, on a circuit that only takes notes."""

from __future__ import annotations

import pytest

from benchrig.simulation.supply import SimulatedSupply


class Notes:
    """What was set last, with a load of 100 ohm behind it."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.settings: tuple[float, float, bool] | None = None

    def advance(self, t: float) -> None:
        self.now_s = max(self.now_s, t)

    def set_supply(self, voltage_V: float, limit_A: float, on: bool, t: float) -> None:
        self.advance(t)
        self.settings = (voltage_V, limit_A, on)

    def supply_readback(self) -> tuple[float, float]:
        assert self.settings is not None
        voltage_V, limit_A, on = self.settings
        current_A = min(voltage_V / 100.0, limit_A) if on else 0.0
        return current_A * 100.0, current_A


@pytest.fixture
def notes() -> Notes:
    return Notes()


@pytest.fixture
def supply(notes: Notes) -> SimulatedSupply:
    return SimulatedSupply(notes, highest_V=6.0, highest_A=0.5)


def ask(supply: SimulatedSupply, message: str, t: float = 0.0) -> str:
    supply.receive(message.encode() + b"\n", t)
    return supply.output(t).decode().rstrip("\n")


def test_it_starts_with_the_output_off(supply: SimulatedSupply, notes: Notes) -> None:
    assert notes.settings == (0.0, 0.5, False)
    assert ask(supply, "OUTP?;:VOLT?;CURR?") == "0;+0.0000;+0.500000"


@pytest.mark.parametrize(
    "message",
    [
        "VOLT 3.3;CURR 0.1;OUTP ON",
        ":SOURCE:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE 3300 MV;:SOUR:CURR:LEV 100MA;:OUTPUT:STATE 1",
        "sour:volt:imm 3.3V;:curr:ampl 0.1;:outp:stat on",
    ],
)
def test_settings_reach_the_circuit(supply: SimulatedSupply, notes: Notes, message: str) -> None:
    ask(supply, message, 2.5)
    assert notes.settings is not None
    assert notes.settings[:2] == pytest.approx((3.3, 0.1))
    assert notes.settings[2] is True
    assert notes.now_s == 2.5
    assert ask(supply, "SYST:ERR?", 2.5) == '0,"No error"'


def test_readback(supply: SimulatedSupply) -> None:
    ask(supply, "VOLT 3.3;:CURR 0.1;:OUTP ON")
    assert ask(supply, "MEAS:VOLT?;CURR?", 1.0) == "+3.3000;+0.033000"
    ask(supply, "CURR 0.01", 1.0)
    assert ask(supply, "MEAS:SCAL:VOLT:DC?;:MEAS:CURR:DC?", 1.0) == "+1.0000;+0.010000"
    ask(supply, "OUTP OFF", 1.0)
    assert ask(supply, "MEAS:VOLT?", 1.0) == "+0.0000"


@pytest.mark.parametrize("message", ["VOLT 6.1", "VOLT -0.1", "CURR 0.51", "CURR INF"])
def test_beyond_its_limits(supply: SimulatedSupply, notes: Notes, message: str) -> None:
    before = notes.settings
    ask(supply, message)
    assert ask(supply, "SYST:ERR?") == '-222,"Data out of range"'
    assert notes.settings == before


def test_limits_can_be_asked_for(supply: SimulatedSupply, notes: Notes) -> None:
    assert ask(supply, "VOLT? MIN;VOLT? MAX;CURR? MAX") == "+0.0000;+6.0000;+0.500000"
    ask(supply, "VOLT MAX")
    assert notes.settings == (6.0, 0.5, False)


def test_reset_switches_off(supply: SimulatedSupply, notes: Notes) -> None:
    """SCPI-1999 vol.2, OUTPut: *RST sets OFF (from memory)."""
    ask(supply, "VOLT 3;OUTP ON")
    ask(supply, "*RST", 4.0)
    assert notes.settings == (0.0, 0.5, False)


def test_it_has_the_common_commands(supply: SimulatedSupply) -> None:
    assert len(ask(supply, "*IDN?").split(",")) == 4
    assert ask(supply, "*OPC?;*TST?") == "1;0"
    ask(supply, "OUTP MAYBE")
    assert ask(supply, "SYST:ERR?") == '-224,"Illegal parameter value"'
