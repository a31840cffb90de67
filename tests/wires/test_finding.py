"""Looking for ports: nothing is opened that is not named, and what is named is left as it was."""

from __future__ import annotations

import os
import termios
import tty
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import serial
from pyvisa.constants import InterfaceType
from pyvisa_py.sessions import Session

from benchrig.clock import RealClock
from benchrig.errors import CannotOpen
from benchrig.wires import finding
from benchrig.wires.finding import serial_ports, try_port, visa_addresses


class _Unopened:
    device = "/dev/ttyUSB7"
    description = "n/a"

    def __lt__(self, other: object) -> bool:
        return False


@pytest.fixture
def nothing_opens(monkeypatch: pytest.MonkeyPatch) -> None:
    def opened(*args: Any, **kwargs: Any) -> None:
        raise AssertionError(f"opened: {args} {kwargs}")

    monkeypatch.setattr("serial.Serial.open", opened)
    monkeypatch.setattr("pyvisa.ResourceManager.open_resource", opened)


@pytest.mark.usefixtures("nothing_opens")
def test_serial_ports_are_those_of_the_system(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [_Unopened()])
    assert serial_ports() == [finding.SerialPortHere("/dev/ttyUSB7", "")]


@pytest.mark.usefixtures("nothing_opens")
def test_visa_addresses_of_a_backend(tmp_path: Path) -> None:
    bench = tmp_path / "bench.yaml"
    bench.write_text(
        'spec: "1.1"\n'
        "devices: {scale: {eom: {GPIB INSTR: {q: '\\n', r: '\\n'}}}}\n"
        "resources: {'GPIB::9::INSTR': {device: scale}, 'GPIB::4::INSTR': {device: scale}}\n"
    )
    found, problems = visa_addresses(f"{bench}@sim")
    assert (found, problems) == (["GPIB0::4::INSTR", "GPIB0::9::INSTR"], [])


class _Broken(Session):
    @staticmethod
    def list_resources() -> list[str]:
        raise RuntimeError("no driver")


class _Two(Session):
    @staticmethod
    def list_resources() -> list[str]:
        return ["GPIB0::8::INSTR", "GPIB0::3::INSTR"]


class _Network(Session):
    @staticmethod
    def list_resources() -> list[str]:
        raise AssertionError("the network was searched")


@pytest.mark.usefixtures("nothing_opens")
def test_the_network_is_not_searched_and_a_missing_driver_is_told_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    sessions = {
        (InterfaceType.usb, "INSTR"): _Broken,
        (InterfaceType.usb, "RAW"): _Broken,
        (InterfaceType.gpib, "INSTR"): _Two,
        (InterfaceType.tcpip, "INSTR"): _Network,
        (InterfaceType.vicp, "INSTR"): _Network,
    }
    monkeypatch.setattr(Session, "_session_classes", sessions)
    assert visa_addresses("@py") == (["GPIB0::3::INSTR", "GPIB0::8::INSTR"], ["USB: no driver"])


def test_without_drivers_usb_and_gpib_are_silent(capfd: pytest.CaptureFixture[str]) -> None:
    visa_addresses("@py")
    assert capfd.readouterr() == ("", "")


@pytest.fixture
def device() -> Iterator[str]:
    master, slave = os.openpty()
    tty.setraw(slave)
    settings = termios.tcgetattr(slave)
    settings[4] = settings[5] = termios.B57600
    termios.tcsetattr(slave, termios.TCSANOW, settings)
    yield os.ttyname(slave)
    os.close(master)
    os.close(slave)


def settings_of(path: str) -> list[Any]:
    handle = os.open(path, os.O_RDWR | os.O_NOCTTY)
    try:
        return termios.tcgetattr(handle)
    finally:
        os.close(handle)


@pytest.mark.usefixtures("nothing_opens")
def test_a_device_keeps_its_settings(device: str) -> None:
    before = settings_of(device)
    try_port(device, RealClock())
    assert settings_of(device) == before
    assert before[4] == termios.B57600


def test_a_device_that_somebody_holds(device: str) -> None:
    with serial.Serial(device, exclusive=True), pytest.raises(CannotOpen, match="in use") as told:
        try_port(device, RealClock())
    assert told.value.kind == "port_busy"
    try_port(device, RealClock())  # it was not held by the attempt


@pytest.mark.parametrize(
    ("path", "kind", "text"),
    [
        ("/dev/ttyUSB99", "port_missing", "is not there"),
        ("/dev/null", "cannot_open", "is not a serial port"),
        ("nonsense://here", "cannot_open", "protocol"),
    ],
)
def test_what_cannot_be_opened(path: str, kind: str, text: str) -> None:
    with pytest.raises(CannotOpen, match=text) as told:
        try_port(path, RealClock())
    assert told.value.kind == kind


def test_a_device_of_another_group(device: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(path: str, flags: int) -> int:
        raise PermissionError(13, "Permission denied", path)

    monkeypatch.setattr(os, "open", refuse)  # root may open everything
    with pytest.raises(CannotOpen, match="join the group"):
        try_port(device, RealClock())
