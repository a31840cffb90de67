"""A wire through pyserial, to any of its addresses: a device path, ``socket://``, ``rfc2217://``."""

from __future__ import annotations

import errno
import select
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

import serial

from benchrig.clock import SLICE_S, Clock
from benchrig.errors import Fault, WireLost
from benchrig.wires.opening import cannot_open

WRITE_TIMEOUT_S = 2.0
_READ_SIZE = 65536
PARITY = {"none": "N", "even": "E", "odd": "O", "mark": "M", "space": "S"}
_ATTRIBUTES = {"dtr": "dtr", "rts": "rts", "brk": "break_condition"}


@dataclass(frozen=True)
class SerialSettings:
    """How a port is opened. `dtr` and `rts` are set before it opens, since many boards reset on
    an edge; None leaves a line to the system, which asserts it."""

    port: str
    baud_rate: int = 9600
    data_bits: int = 8
    parity: str = "none"
    stop_bits: float = 1
    flow_control: str = "none"
    exclusive: bool = True
    dtr: bool | None = None
    rts: bool | None = None


def wait_in_select(port: Any) -> bool:
    """Whether one can wait for an open or closed `port` in select: ports of the system and
    ``socket://``. Its own time-out must then be 0, else one slice, and must not be changed
    later: pyserial sets up the whole port anew each time."""
    return type(port).fileno is not serial.SerialBase.fileno


def tcp_socket(port: Any) -> socket.socket | None:
    """The socket of an open ``socket://`` port. TCP_NODELAY is set on it: without it a command
    after a command waits for an acknowledgement, 40 ms each."""
    found = getattr(port, "_socket", None)
    # That of ``rfc2217://`` is read by a thread of pyserial's, and its lines are real.
    if not isinstance(found, socket.socket) or not wait_in_select(port):
        return None
    found.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return found


def arrived(port: Any, wait_s: float) -> bytes:
    """What has come at `port`, as soon as there is anything; ``b""`` after `wait_s`."""
    if wait_in_select(port):
        # All that is there at once: ``socket://`` counts no further than 1 in `in_waiting`.
        ready = select.select([port], [], [], wait_s)[0]
        return bytes(port.read(_READ_SIZE)) if ready else b""
    waiting = port.in_waiting
    return bytes(port.read(max(1, waiting))) if waiting or wait_s > 0 else b""


def close_port(port: Any, tcp: socket.socket | None) -> None:
    """Never raises: a port that is gone says so in as many ways as there are systems."""
    with suppress(Exception):
        port.close()
    if tcp is not None:
        tcp.close()  # pyserial forgets to, if the peer was faster


class SerialWire:
    """A `LineWire`. `unsupported_lines` holds those of ``"dtr"``, ``"rts"`` and ``"brk"`` that
    were to be set and that the port is known not to have (a pty, ``socket://``)."""

    keeps_messages = False

    def __init__(self, name: str, clock: Clock, settings: SerialSettings) -> None:
        self.name = name
        self.address = settings.port
        self.unsupported_lines: frozenset[str] = frozenset()
        self._clock = clock
        self._settings = settings
        self._port: Any = None
        self._tcp: socket.socket | None = None

    def open(self) -> None:
        if self._port is not None:
            return
        try:
            _check_address(self.address)
            self._port = self._closed_port()
            self._port.open()
            self._tcp = tcp_socket(self._port)
            self._note_unsupported()
        except Exception as error:
            self.close()
            raise cannot_open(self.name, self.address, error) from error

    def _closed_port(self) -> Any:
        settings = self._settings
        port = serial.serial_for_url(
            settings.port,
            do_not_open=True,
            baudrate=settings.baud_rate,
            bytesize=settings.data_bits,
            parity=PARITY[settings.parity],
            stopbits=settings.stop_bits,
            xonxoff=settings.flow_control == "xonxoff",
            rtscts=settings.flow_control == "rtscts",
            dsrdtr=settings.flow_control == "dsrdtr",
            # ``rfc2217://`` takes none: it has one of its own, 5 s.
            write_timeout=None if _scheme(settings.port) == "rfc2217" else WRITE_TIMEOUT_S,
        )
        port.timeout = 0 if wait_in_select(port) else SLICE_S
        if settings.exclusive and "://" not in settings.port:
            port.exclusive = True
        if settings.dtr is not None:
            port.dtr = settings.dtr
        if settings.rts is not None:
            port.rts = settings.rts
        return port

    def _note_unsupported(self) -> None:
        # pyserial keeps silent about a level that could not be set at open: set it once more.
        # With hardware flow control the line belongs to the driver.
        flow = self._settings.flow_control
        self.set_lines(
            dtr=None if flow == "dsrdtr" else self._settings.dtr,
            rts=None if flow == "rtscts" else self._settings.rts,
        )

    def close(self) -> None:
        port, tcp, self._port, self._tcp = self._port, self._tcp, None, None
        if port is not None:
            close_port(port, tcp)

    @contextmanager
    def _mapped(self, doing: str) -> Iterator[Any]:
        """The open port; whatever it raises becomes `WireLost`. A pulled adapter shows up as
        OSError, as termios.error (which is none), or as a TypeError from inside pyserial."""
        if self._port is None:
            raise WireLost(self.name, f"{self.address} is not open")
        try:
            yield self._port
        except Fault:
            raise
        except serial.SerialTimeoutException as error:
            raise WireLost(
                self.name,
                f"{self.address} took no data for {WRITE_TIMEOUT_S:g} s while {doing}; is flow "
                "control on, or is the other end stuck?",
            ) from error
        except Exception as error:
            raise WireLost(
                self.name, f"{self.address} is gone ({doing}: {error}); check cable and power"
            ) from error

    def write(self, data: bytes) -> None:
        self._clock.check()
        with self._mapped("writing") as port:
            if self._tcp is not None and _closed_by_peer(self._tcp):
                raise WireLost(self.name, f"{self.address} was closed by its other end")
            port.write(data)

    def read(self, timeout_s: float) -> bytes:
        deadline_s = self._clock.monotonic() + timeout_s
        while True:
            self._clock.check()
            left = max(0.0, deadline_s - self._clock.monotonic())
            with self._mapped("reading") as port:
                data = arrived(port, min(left, SLICE_S))
            if data or left <= SLICE_S:
                return data

    def set_lines(
        self, *, dtr: bool | None = None, rts: bool | None = None, brk: bool | None = None
    ) -> None:
        for line, level in (("dtr", dtr), ("rts", rts), ("brk", brk)):
            if level is not None:
                self._set_line(line, level)

    def _set_line(self, line: str, level: bool) -> None:
        with self._mapped(f"setting {line}") as port:
            try:
                setattr(port, _ATTRIBUTES[line], level)
            except OSError as error:
                if error.errno not in (errno.ENOTTY, errno.EINVAL):
                    raise
                self.unsupported_lines |= {line}
        if self._tcp is not None:  # it takes everything and does nothing
            self.unsupported_lines |= {line}


def _scheme(address: str) -> str:
    return address.partition("://")[0].lower()


def _check_address(address: str) -> None:
    """Of an address on the network without a port pyserial says what Python says of it. Raises
    `ValueError`."""
    scheme = _scheme(address)
    if scheme in ("socket", "rfc2217"):
        parts = urlsplit(address)
        if not parts.hostname or parts.port is None:
            raise ValueError(f"it needs host and port, like {scheme}://192.0.2.9:4000")


def _closed_by_peer(tcp: socket.socket) -> bool:
    """A closed connection takes one write as if nothing were wrong."""
    ready = select.select([tcp], [], [], 0)[0]
    return bool(ready) and tcp.recv(1, socket.MSG_PEEK) == b""
