"""What belongs to VISA alone: its openings, its traps, and interfaces that keep messages."""

from __future__ import annotations

import errno
import os
import select
import socket
import sys
import termios
from collections import deque
from collections.abc import Iterator
from typing import Any

import pytest
import pyvisa
from pyvisa.constants import StatusCode

from benchrig.clock import RealClock
from benchrig.errors import CannotOpen, WireLost
from benchrig.wires import visa
from benchrig.wires.visa import VisaSettings, VisaWire
from tests.wires.far_ends import PtyServer, Script, TcpServer


@pytest.fixture
def server() -> Iterator[TcpServer]:
    server = TcpServer(Script())
    yield server
    server.stop()


def make_wire(address: str, **settings: Any) -> VisaWire:
    return VisaWire("meter", RealClock(), VisaSettings(address, **settings))


def make_tcp_wire(server: TcpServer) -> VisaWire:
    return make_wire(f"TCPIP::127.0.0.1::{server.port}::SOCKET")


def test_a_command_does_not_wait_for_an_acknowledgement(server: TcpServer) -> None:
    wire = make_tcp_wire(server)
    wire.open()
    assert wire._tcp is not None
    assert wire._tcp.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
    wire.close()


@pytest.mark.parametrize("size", [1, 4095, 4096, 4097, 8192, 8193, 100_000])
def test_nothing_stays_behind_inside_the_session(server: TcpServer, size: int) -> None:
    server.script.instead("GO", b"y" * size)
    wire = make_tcp_wire(server)
    wire.open()
    wire.write(b"GO\n")
    came = 0
    while came < size:
        came += len(wire.read(2.0))
        assert not wire._session()._pending_buffer
    assert came == size
    wire.close()


@pytest.mark.parametrize(
    ("address", "kind", "words"),
    [
        ("TCPIP::127.0.0.1::{free}::SOCKET", "cannot_open", "refused"),
        ("TCPIP::127.0.0.1,{free}::inst0::INSTR", "cannot_open", "refused"),
        ("TCPIP::127.0.0.1::hislip0,{free}::INSTR", "port_missing", "check the address"),
        ("TCPIP::no-such-host.invalid::5025::SOCKET", "cannot_open", "host is not known"),
        ("TCPIP::[::1]::5025::SOCKET", "cannot_open", "IPv4"),
        ("TCPIP:127.0.0.1::5025::SOCKET", "cannot_open", "no VISA address; one is like TCPIP::"),
        ("ASRL/no/such/port::INSTR", "port_missing", "not there"),
        ("NONSENSE", "cannot_open", "is no VISA address"),
        ("TCPIP", "cannot_open", "TCPIP"),
        ("GPIB::9::INSTR", "cannot_open", "GPIB"),
    ],
)
def test_what_cannot_be_opened(address: str, kind: str, words: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        free = listener.getsockname()[1]
    wire = make_wire(address.format(free=free), open_timeout_s=0.5)
    with pytest.raises(CannotOpen, match="meter: ") as caught:
        wire.open()
    assert caught.value.kind == kind
    assert words in str(caught.value)
    assert caught.value.__cause__ is not None
    with pytest.raises(WireLost, match="not open"):
        wire.write(b"*IDN?\n")


def test_a_backend_that_is_not_installed() -> None:
    with pytest.raises(CannotOpen) as caught:
        make_wire("TCPIP::127.0.0.1::5025::SOCKET", backend="@nosuchbackend").open()
    assert caught.value.kind == "cannot_open"


def test_a_serial_port_that_is_held_is_busy() -> None:
    pty = PtyServer(Script())
    first, second = (make_wire(f"ASRL{pty.path}::INSTR") for _ in range(2))
    first.open()
    with pytest.raises(CannotOpen, match="another program") as caught:
        second.open()
    assert caught.value.kind == "port_busy"
    first.close()
    second.open()
    second.close()
    pty.stop()


def test_serial_settings_reach_the_port(monkeypatch: pytest.MonkeyPatch) -> None:
    pty = PtyServer(Script())
    wire = make_wire(f"ASRL{pty.path}::INSTR", baud_rate=19200, stop_bits=2)
    wire.open()
    port = wire._port
    assert (port.baudrate, port.bytesize, port.parity, port.stopbits) == (19200, 8, "N", 2)
    assert port.timeout == 0
    wire.close()
    pty.stop()


def test_a_peer_that_does_not_read_is_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(visa, "WRITE_TIMEOUT_S", 0.05)
    listener = socket.create_server(("127.0.0.1", 0))
    wire = make_wire(f"TCPIP::127.0.0.1::{listener.getsockname()[1]}::SOCKET")
    wire.open()
    peer, _ = listener.accept()
    with pytest.raises(WireLost, match="took no data"):
        wire.write(b"x" * 50_000_000)
    wire.close()
    peer.close()
    listener.close()


def test_importing_the_wire_does_not_import_pyvisa() -> None:
    code = "import sys, benchrig.wires.visa; sys.exit('pyvisa' in sys.modules)"
    assert os.spawnv(os.P_WAIT, sys.executable, [sys.executable, "-c", code]) == 0


# -- interfaces that keep messages, and every error, on a stand-in for the backend -------------

END, MORE, LATE = StatusCode.success, StatusCode.success_max_count_read, StatusCode.error_timeout


class StandIn:
    """A pyvisa resource, with the library and the session behind it in one."""

    def __init__(self, python_backend: bool, *parts: tuple[bytes, int] | Exception) -> None:
        self.visalib = self
        self.session: Any = 1
        self.timeout = 0
        self.timeouts: list[int] = []
        self._parts = deque(parts)
        if python_backend:
            self.sessions = {1: _Session(self)}

    def read(self, session: int, count: int) -> tuple[bytes, int]:
        part, status = self.next_part()
        if status < 0:
            raise pyvisa.VisaIOError(status)  # as every library does, with no bytes
        return part, status

    def next_part(self) -> tuple[bytes, int]:
        self.timeouts.append(self.timeout)
        part = self._parts.popleft()
        if isinstance(part, Exception):
            raise part
        return part

    def write_raw(self, data: bytes) -> int:
        self.next_part()
        return len(data) - 1

    def ignore_warning(self, *_: object) -> Any:
        from contextlib import nullcontext

        return nullcontext()

    def close(self) -> None:
        raise RuntimeError("closing fails too")


class _Session:
    def __init__(self, resource: StandIn) -> None:
        self._resource = resource

    def read(self, count: int) -> tuple[bytes, int]:
        return self._resource.next_part()


def stand_in_for(
    address: str, python_backend: bool, *parts: tuple[bytes, int] | Exception
) -> tuple[VisaWire, StandIn]:
    wire = make_wire(address)
    resource = StandIn(python_backend, *parts)
    wire._resource = resource
    return wire, resource


@pytest.mark.parametrize("python_backend", [True, False])
def test_a_message_is_kept_together(python_backend: bool) -> None:
    wire, resource = stand_in_for(
        "USB::1::2::3::INSTR", python_backend, (b"#15ab", MORE), (b"\nde", MORE), (b"\n", END)
    )
    assert wire.keeps_messages
    assert wire.read(1.5) == b"#15ab\nde\n"
    assert resource.timeouts == [1500] * 3


def test_part_of_a_message_does_not_pass_for_the_whole() -> None:
    wire, _ = stand_in_for("USB::1::2::3::INSTR", True, (b"+1.2", LATE), (b"3E-6\n", END))
    assert wire.read(0.01) == b""
    assert wire.read(0.01) == b"+1.23E-6\n"


@pytest.mark.parametrize("python_backend", [True, False])
def test_silence_on_an_interface_that_keeps_messages(python_backend: bool) -> None:
    wire, _ = stand_in_for("GPIB::9::INSTR", python_backend, (b"", LATE))
    assert wire.read(0.01) == b""


def test_not_waiting_asks_nothing_where_messages_are_kept() -> None:
    # An instrument that is told to talk and has nothing to say puts -420 into its error queue
    # (IEEE 488.2 6.3.2.2, from memory).
    wire, resource = stand_in_for("GPIB::9::INSTR", False)
    assert wire.read(0.0) == b""
    assert resource.timeouts == []


def test_streams_of_other_backends_give_what_has_come() -> None:
    wire, resource = stand_in_for(
        "TCPIP::h::5025::SOCKET", True, (b"", LATE), (b"+1.", LATE), (b"5\n", END)
    )
    assert not wire.keeps_messages
    assert wire.read(0.2) == b"+1."
    assert wire.read(0.2) == b"5\n"
    assert max(resource.timeouts) <= 50


class _BackendError(Exception):
    """The RPC and VXI-11 errors of pyvisa-py derive from Exception alone."""


LOSSES: list[Exception | tuple[bytes, int]] = [
    pyvisa.VisaIOError(StatusCode.error_connection_lost),
    pyvisa.errors.InvalidSession(),
    OSError(errno.EPIPE, "Broken pipe"),
    ConnectionResetError(),
    termios.error(errno.EIO, "Input/output error"),
    RuntimeError("the peer has closed"),
    TypeError("argument must be an int"),
    ValueError("filedescriptor cannot be a negative integer"),
    UnicodeDecodeError("ascii", b"\xff", 0, 1, "ordinal not in range"),
    EOFError("end of the RPC record"),
    _BackendError("wrong xid"),
    (b"", StatusCode.error_io),
]


@pytest.mark.parametrize("python_backend", [True, False])
@pytest.mark.parametrize("loss", LOSSES, ids=lambda loss: type(loss).__name__)
def test_whatever_a_backend_raises_is_a_lost_wire(
    loss: Exception | tuple[bytes, int], python_backend: bool
) -> None:
    wire, _ = stand_in_for("USB::1::2::3::INSTR", python_backend, loss, loss)
    for use in (lambda: wire.read(0.01), lambda: wire.write(b"x")):
        with pytest.raises(WireLost, match="meter: USB") as caught:
            use()
        assert caught.value.kind == "wire_lost"
    wire.close()  # which fails too, and is silent


def test_errors_of_the_real_libraries_are_covered() -> None:
    """None of them is a `Fault`, which alone passes unmapped."""
    from pyvisa_py.protocols import rpc, vxi11
    from pyvisa_py.sessions import OpenError, UnknownAttribute

    from benchrig.errors import Fault

    for error in (rpc.RPCError, vxi11.Vxi11Error, OpenError, UnknownAttribute, select.error):
        assert issubclass(error, Exception)
        assert not issubclass(error, Fault)
