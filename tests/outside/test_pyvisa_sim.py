"""The wire and the channel against an instrument that was not written here: pyvisa-sim 0.7.1,
its own `default.yaml` and a dialogue in its own file format.

Source: the package ``pyvisa-sim`` (MIT), module ``pyvisa_sim.devices``, which answers as the
file says and keeps replies in a queue until they are read.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig.clock import RealClock
from benchrig.drivers.instrument import ScpiInstrument
from benchrig.drivers.scpi import ScpiError, parse_numbers
from benchrig.errors import CannotOpen, Fault, NoReply
from benchrig.wires.visa import VisaSettings, VisaWire

# Invented, like every name in it. It knows no compound messages and no *ESE, and answers what it
# does not know with silence. To it a value out of range is an unknown command.
AMMETER = r"""
spec: "1.1"
devices:
  ammeter:
    eom:
      ASRL INSTR: {q: "\n", r: "\n"}
      USB INSTR: {q: "\n", r: "\n"}
      TCPIP INSTR: {q: "\n", r: "\n"}
      TCPIP SOCKET: {q: "\n", r: "\n"}
      GPIB INSTR: {q: "\n", r: "\n"}
    error:
      error_queue:
        - q: "SYST:ERR?"
          default: '+0,"No error"'
          command_error: '-113,"Undefined header"'
    dialogues:
      - {q: "*IDN?", r: "Apiary Works,Winter scale ammeter,0001,1.0"}
      - {q: "*RST"}
      - {q: "FETC?", r: "+1.20E-06,+1.30E-06,+9.9E37"}
    properties:
      range:
        default: 0.01
        getter: {q: "SENS:CURR:DC:RANG?", r: "{:+.6E}"}
        setter: {q: "SENS:CURR:DC:RANG {:.6f}"}
        specs: {min: 0.00001, max: 0.1, type: float}
resources:
  ADDRESS: {device: ammeter}
"""
ADDRESSES = [
    "ASRL1::INSTR",
    "USB::0x1111::0x2222::0x0001::INSTR",
    "TCPIP::192.0.2.7::inst0::INSTR",
    "TCPIP::192.0.2.7::5025::SOCKET",
    "GPIB::9::INSTR",
]


@pytest.fixture
def backend(tmp_path: Path, address: str) -> str:
    file = tmp_path / "ammeter.yaml"
    file.write_text(AMMETER.replace("ADDRESS", address))
    return f"{file}@sim"


@pytest.fixture(autouse=True)
def quickly(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchrig.drivers.instrument.QUIET_S", 0.03)


def make_instrument(address: str, backend: str) -> ScpiInstrument:
    clock = RealClock()
    wire = VisaWire("meter", clock, VisaSettings(address, backend=backend))
    return ScpiInstrument(wire, clock, timeout_s=0.1)


@pytest.mark.parametrize("address", ADDRESSES)
def test_a_whole_dialogue(address: str, backend: str) -> None:
    instrument = make_instrument(address, backend)
    assert instrument.open() == "Apiary Works,Winter scale ammeter,0001,1.0"
    assert instrument.wire.keeps_messages == (
        not address.startswith("ASRL") and not address.endswith("SOCKET")
    )
    instrument.configure("*RST", "SENS:CURR:DC:RANG 0.001000")
    assert float(instrument.ask("SENS:CURR:DC:RANG?")) == 1e-3
    assert instrument.ask_as("FETC?", parse_numbers).tolist() == [1.2e-6, 1.3e-6, 9.9e37]
    assert not instrument.accepts("FOO")
    with pytest.raises(Fault, match=r"'SENS:CURR:DC:RANG .*': -113") as caught:
        instrument.configure("SENS:CURR:DC:RANG 5.000000")
    assert caught.value.kind == "meter_error"
    instrument.write("FOO")
    assert instrument.errors() == [ScpiError(-113, "Undefined header")]
    instrument.close()


@pytest.mark.parametrize("address", ADDRESSES[:4])
def test_after_a_question_that_it_does_not_know(address: str, backend: str) -> None:
    instrument = make_instrument(address, backend)
    instrument.open()
    with pytest.raises(NoReply):
        instrument.ask("NONSENSE?")
    assert float(instrument.ask("SENS:CURR:DC:RANG?")) == 1e-2
    instrument.close()


@pytest.mark.parametrize("address", ADDRESSES[:4])
def test_an_answer_that_nobody_fetched(address: str, backend: str) -> None:
    instrument = make_instrument(address, backend)
    instrument.open()
    instrument.send("FETC?")
    assert float(instrument.ask("SENS:CURR:DC:RANG?")) == 1e-2
    assert float(instrument.ask("SENS:CURR:DC:RANG?")) == 1e-2
    instrument.close()


@pytest.mark.parametrize("address", ["GPIB::9::INSTR"])
def test_an_address_that_is_not_in_its_file(backend: str) -> None:
    with pytest.raises(CannotOpen):
        make_instrument("GPIB::10::INSTR", backend).open()


@pytest.mark.parametrize("address", ["GPIB::9::INSTR", "USB::0x1111::0x2222::0x2468::INSTR"])
def test_the_instrument_that_comes_with_the_package(address: str) -> None:
    """``device 2`` of its default.yaml, which has no *ESE."""
    instrument = make_instrument(address, "@sim")
    assert instrument.open() == "SCPI,MOCK,VERSION_1.0"
    instrument.write(":VOLT:IMM:AMPL 2.500")
    assert instrument.ask(":VOLT:IMM:AMPL?") == "+2.50000000E+00"
    instrument.close()
