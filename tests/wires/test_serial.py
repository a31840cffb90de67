"""What belongs to ports through pyserial alone: settings, lines, locks, and all their errors."""

from __future__ import annotations

import errno
import os
import termios
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

from benchrig.clock import RealClock
from benchrig.errors import CannotOpen, Interrupted, WireLost
from benchrig.wires.opening import cannot_open
from benchrig.wires.serial import SerialSettings, SerialWire, arrived, wait_in_select
from tests.wires.far_ends import PtyServer, Script, TcpServer
from tests.wires.rfc2217_server import Rfc2217Server


@pytest.fixture
def pty() -> Iterator[PtyServer]:
    server = PtyServer(Script())
    yield server
    server.stop()


def make_wire(port: str, **settings: Any) -> SerialWire:
    return SerialWire("board", RealClock(), SerialSettings(port, **settings))


class RecordingPort:
    """Stands for a pyserial port: notes what was set, and when it was opened."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, fails: Exception | None = None) -> None:
        self.__dict__["events"] = []
        self.__dict__["fails"] = fails
        monkeypatch.setattr(serial, "serial_for_url", self._make)

    def _make(self, url: str, **settings: Any) -> RecordingPort:
        self.events.append((url, settings))
        return self

    def __setattr__(self, name: str, value: object) -> None:
        self.events.append((name, value))
        if self.fails is not None and name in ("dtr", "rts", "break_condition"):
            raise self.fails

    def fileno(self) -> int:
        return -1

    def open(self) -> None:
        self.events.append("open")

    def close(self) -> None:
        self.events.append("close")
        if self.fails is not None:
            raise self.fails

    def _fail(self, *_: object) -> Any:
        assert self.fails is not None
        raise self.fails

    write = _fail
    read = _fail
    in_waiting = property(_fail)


def test_lines_have_their_levels_before_the_port_opens(monkeypatch: pytest.MonkeyPatch) -> None:
    port = RecordingPort(monkeypatch)
    make_wire("/dev/null", dtr=False, rts=True).open()
    events = port.events
    assert events.index(("dtr", False)) < events.index("open")
    assert events.index(("rts", True)) < events.index("open")


def test_lines_that_are_not_named_are_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    port = RecordingPort(monkeypatch)
    make_wire("/dev/null").open()
    assert {entry[0] for entry in port.events} & {"dtr", "rts"} == set()


@pytest.mark.parametrize(
    ("flow_control", "again"), [("rtscts", ["dtr"]), ("dsrdtr", ["rts"]), ("none", ["dtr", "rts"])]
)
def test_flow_control_owns_its_line(
    monkeypatch: pytest.MonkeyPatch, flow_control: str, again: list[str]
) -> None:
    port = RecordingPort(monkeypatch)
    make_wire("/dev/null", dtr=False, rts=False, flow_control=flow_control).open()
    after = port.events[port.events.index("open") + 1 :]
    assert [entry[0] for entry in after] == again
    assert port.events[0][1]["rtscts"] == (flow_control == "rtscts")
    assert port.events[0][1]["dsrdtr"] == (flow_control == "dsrdtr")


def test_every_setting_reaches_the_port(monkeypatch: pytest.MonkeyPatch) -> None:
    port = RecordingPort(monkeypatch)
    make_wire(
        "/dev/null", baud_rate=115200, data_bits=7, parity="mark", stop_bits=1.5,
        flow_control="xonxoff",
    ).open()  # fmt: skip
    url, settings = port.events[0]
    assert url == "/dev/null"
    assert settings == {
        "do_not_open": True, "baudrate": 115200, "bytesize": 7, "parity": serial.PARITY_MARK,
        "stopbits": serial.STOPBITS_ONE_POINT_FIVE, "xonxoff": True, "rtscts": False,
        "dsrdtr": False, "write_timeout": 2.0,
    }  # fmt: skip
    assert ("exclusive", True) in port.events


def test_a_port_without_lines_says_so(pty: PtyServer) -> None:
    wire = make_wire(pty.path, dtr=False)
    wire.open()
    assert wire.unsupported_lines == {"dtr"}
    wire.set_lines(rts=True, brk=False)
    assert wire.unsupported_lines == {"dtr", "rts"}
    wire.write(b"*IDN?\n")
    assert wire.read(1.0)
    wire.close()


def test_a_socket_takes_lines_and_has_none() -> None:
    server = TcpServer(Script())
    wire = make_wire(f"socket://127.0.0.1:{server.port}")
    wire.open()
    wire.set_lines(dtr=True, brk=True)
    assert wire.unsupported_lines == {"dtr", "brk"}
    wire.close()
    server.stop()


# pyserial sets up its thread by methods that Python deprecates.
old_daemon = pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")


@pytest.fixture
def port_server() -> Iterator[Rfc2217Server]:
    """Source: RFC 2217, as the server's side of it in pyserial has it."""
    server = Rfc2217Server(Script())
    yield server
    server.stop()


@old_daemon
def test_a_port_server_has_lines(port_server: Rfc2217Server) -> None:
    wire = make_wire(f"rfc2217://127.0.0.1:{port_server.port}", dtr=False, baud_rate=19200)
    wire.open()
    opened = list(port_server.port_of_server.lines)
    assert ("dtr", True) not in opened
    assert ("rts", True) in opened
    wire.set_lines(brk=True)
    wire.set_lines(brk=False)
    pulse = [("break_condition", True), ("break_condition", False)]
    assert port_server.port_of_server.lines[len(opened) :] == pulse
    assert port_server.port_of_server.baudrate == 19200
    assert wire.unsupported_lines == frozenset()
    wire.close()


@old_daemon
def test_a_port_server_carries_every_byte_until_it_is_gone(port_server: Rfc2217Server) -> None:
    every = bytes(range(256)) * 4
    port_server.script.instead("GO", every)
    port_server.script.instead("END", "close")
    wire = make_wire(f"rfc2217://127.0.0.1:{port_server.port}")
    wire.open()
    wire.write(b"GO\n")
    came = b""
    while len(came) < len(every) and (data := wire.read(2.0)):
        came += data
    assert came == every
    assert wire.read(0.0) == wire.read(0.15) == b""
    wire.write(b"END\n")
    with pytest.raises(WireLost):
        deque((wire.read(0.1) for _ in range(20)), maxlen=0)
    wire.close()


def test_a_port_that_is_held_is_busy(pty: PtyServer, tmp_path: Path) -> None:
    first = make_wire(pty.path)
    first.open()
    link = tmp_path / "port"
    link.symlink_to(pty.path)
    with pytest.raises(CannotOpen, match="in use by another program") as caught:
        make_wire(str(link)).open()
    assert caught.value.kind == "port_busy"
    assert caught.value.wire == "board"
    first.close()
    second = make_wire(str(link))
    second.open()
    second.close()


def test_a_port_may_be_shared_on_request(pty: PtyServer) -> None:
    first, second = make_wire(pty.path), make_wire(pty.path, exclusive=False)
    first.open()
    second.open()
    first.close()
    second.close()


def test_a_file_is_no_port(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("")
    with pytest.raises(CannotOpen, match="not a serial port") as caught:
        make_wire(str(file)).open()
    assert caught.value.kind == "cannot_open"
    assert caught.value.__cause__ is not None


@pytest.mark.parametrize("port", ["nonsense://x", "socket://127.0.0.1", "socket://127.0.0.1:1/x=y"])
def test_an_address_that_makes_no_sense(port: str) -> None:
    with pytest.raises(CannotOpen) as caught:
        make_wire(port).open()
    assert caught.value.kind == "cannot_open"
    assert port in str(caught.value)


def test_settings_that_the_port_refuses(pty: PtyServer) -> None:
    with pytest.raises(CannotOpen, match="baud") as caught:
        make_wire(pty.path, baud_rate=-1).open()
    assert caught.value.kind == "cannot_open"


@pytest.mark.parametrize(
    ("number", "kind"),
    [
        (errno.EBUSY, "port_busy"),
        (errno.EAGAIN, "port_busy"),
        (errno.ENOENT, "port_missing"),
        (errno.ENODEV, "port_missing"),
        (errno.ENXIO, "port_missing"),
        (errno.EACCES, "cannot_open"),
        (errno.EINVAL, "cannot_open"),
        (errno.ECONNREFUSED, "cannot_open"),
        (errno.ENOMEM, "cannot_open"),
    ],
)
def test_system_errors_become_kinds(number: int, kind: str) -> None:
    plain = OSError(number, os.strerror(number))
    assert cannot_open("board", "/dev/x", plain).kind == kind
    assert cannot_open("board", "/dev/x", termios.error(number, "")).kind == kind
    # pyserial drops the number from some errors and keeps only the exception behind them.
    wrapped = serial.SerialException("could not open port")
    wrapped.__context__ = plain
    assert cannot_open("board", "/dev/x", wrapped).kind == kind


LOSSES = [
    OSError(errno.EIO, "Input/output error"),
    serial.SerialException("device reports readiness to read but returned no data"),
    serial.SerialTimeoutException("Write timeout"),
    serial.PortNotOpenError(),
    termios.error(errno.EIO, "Input/output error"),
    TypeError("'NoneType' object cannot be interpreted as an integer"),
    ValueError("filedescriptor cannot be a negative integer"),
]


@pytest.mark.parametrize("error", LOSSES, ids=lambda error: type(error).__name__)
def test_whatever_a_port_raises_is_a_lost_wire(
    monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    wire = make_wire("/dev/null")
    RecordingPort(monkeypatch, error)
    wire.open()
    for use in (
        lambda: wire.write(b"x"),
        lambda: wire.read(0.0),
        lambda: wire.set_lines(dtr=True),
        lambda: wire.set_lines(brk=True),
    ):
        with pytest.raises(WireLost, match="board: /dev/null") as caught:
            use()
        assert isinstance(caught.value.__cause__, Exception)
    wire.close()  # which fails too, and is silent


def test_a_line_that_is_not_there_is_no_loss(monkeypatch: pytest.MonkeyPatch) -> None:
    wire = make_wire("/dev/null")
    RecordingPort(monkeypatch, OSError(errno.ENOTTY, "Inappropriate ioctl for device"))
    wire.open()
    wire.set_lines(dtr=True)
    assert wire.unsupported_lines == {"dtr"}


def test_a_stop_is_no_loss(pty: PtyServer) -> None:
    wire = make_wire(pty.path)
    wire.open()
    wire._clock.stop.make("test")
    with pytest.raises(Interrupted):
        wire.read(1.0)
    wire.close()


def test_a_port_that_takes_nothing_is_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchrig.wires.serial.WRITE_TIMEOUT_S", 0.05)
    master, slave = os.openpty()
    wire = make_wire(os.ttyname(slave))
    wire.open()
    with pytest.raises(WireLost, match="took no data"):
        wire.write(b"x" * 100_000)
    wire.close()
    os.close(master)
    os.close(slave)


def test_ports_that_no_select_knows_are_read_in_bulk() -> None:
    port = serial.serial_for_url("loop://", timeout=0.02)
    assert not wait_in_select(port)
    assert arrived(port, 0.0) == arrived(port, 0.01) == b""
    port.write(b"many bytes")
    assert arrived(port, 0.0) == b"many bytes"
    port.close()
