"""A wire through pyserial, to any of its addresses."""

from __future__ import annotations

import errno
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import serial

from benchrig.clock import SLICE_S, Clock
from benchrig.errors import CannotOpen, WireLost

_PARITY = {"none": "N", "even": "E", "odd": "O", "mark": "M", "space": "S"}
WRITE_TIMEOUT_S = 2.0


@dataclass(frozen=True)
class SerialSettings:
    """How a port is opened. `dtr` and `rts` are set before it opens, since many boards reset on
    an edge; None leaves a line to the system."""

    port: str
    baud_rate: int = 9600
    data_bits: int = 8
    parity: str = "none"
    stop_bits: float = 1
    flow_control: str = "none"
    exclusive: bool = True
    dtr: bool | None = None
    rts: bool | None = None


class SerialWire:
    """A `LineWire`. `unsupported_lines` names lines that the port does not have (a pty, say)."""

    keeps_messages = False

    def __init__(self, name: str, clock: Clock, settings: SerialSettings) -> None:
        self.name = name
        self.address = settings.port
        self._clock = clock
        self._settings = settings
        self._port: Any = None
        self._socket: socket.socket | None = None
        self.unsupported_lines: set[str] = set()

    def open(self) -> None:
        if self._port is not None:
            return
        settings = self._settings
        try:
            port = serial.serial_for_url(
                settings.port,
                do_not_open=True,
                baudrate=settings.baud_rate,
                bytesize=settings.data_bits,
                parity=_PARITY[settings.parity],
                stopbits=settings.stop_bits,
                xonxoff=settings.flow_control == "xonxoff",
                rtscts=settings.flow_control == "rtscts",
                dsrdtr=settings.flow_control == "dsrdtr",
                timeout=SLICE_S,
                write_timeout=WRITE_TIMEOUT_S,
                **({"exclusive": True} if settings.exclusive and "://" not in self.address else {}),
            )
            if settings.dtr is not None:
                port.dtr = settings.dtr
            if settings.rts is not None:
                port.rts = settings.rts
            port.open()
        except Exception as error:
            raise self._cannot_open(error) from error
        self._port = port
        found = getattr(port, "_socket", None)
        self._socket = found if isinstance(found, socket.socket) else None
        if self._socket is not None:
            # Without it a command after a command waits for an acknowledgement: 40 ms each.
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _cannot_open(self, error: Exception) -> CannotOpen:
        number = getattr(error, "errno", None)
        words = str(error).lower()
        if number in (errno.EAGAIN, errno.EBUSY, errno.EWOULDBLOCK) or "exclusively lock" in words:
            advice = "is in use by another program; end that program first"
            return CannotOpen("port_busy", self.name, f"{self.address} {advice}")
        if number == errno.ENOENT or isinstance(error, FileNotFoundError):
            advice = "is not there; `benchrig find` lists the ports that are"
            return CannotOpen("port_missing", self.name, f"{self.address} {advice}")
        if number == errno.EACCES:
            advice = "may not be opened by this user; on Linux, join the group that owns it"
            return CannotOpen("cannot_open", self.name, f"{self.address} {advice}")
        return CannotOpen("cannot_open", self.name, f"{self.address}: {error}")

    def close(self) -> None:
        port, self._port, self._socket = self._port, None, None
        if port is not None:
            try:
                port.close()
            except Exception:  # the port may be gone, in as many ways as there are systems
                return

    @contextmanager
    def _mapped(self, doing: str) -> Iterator[None]:
        # termios.error, which pyserial lets through when an adapter is pulled, is not an OSError
        # and does not exist everywhere; TypeError comes from a port that was closed meanwhile.
        if self._port is None:
            raise WireLost(self.name, f"{self.address} is not open")
        try:
            yield
        except serial.SerialTimeoutException as error:
            raise WireLost(self.name, f"{self.address} took no data for {doing}") from error
        except (OSError, TypeError, ValueError, AttributeError) as error:
            raise WireLost(self.name, f"{self.address} is gone ({doing}: {error})") from error
        except Exception as error:
            if type(error).__module__ != "termios":
                raise
            raise WireLost(self.name, f"{self.address} is gone ({doing}: {error})") from error

    def write(self, data: bytes) -> None:
        self._clock.check()
        with self._mapped("writing"):
            if self._socket is not None and self._peer_closed():
                raise WireLost(self.name, f"{self.address} was closed by its other end")
            self._port.write(data)

    def _peer_closed(self) -> bool:
        """A closed socket first takes a write as if nothing were wrong."""
        assert self._socket is not None
        flags = socket.MSG_PEEK | getattr(socket, "MSG_DONTWAIT", 0)
        try:
            return self._socket.recv(1, flags) == b""
        except BlockingIOError:
            return False

    def read(self, timeout_s: float) -> bytes:
        deadline_s = self._clock.monotonic() + timeout_s
        while True:
            self._clock.check()
            left = deadline_s - self._clock.monotonic()
            with self._mapped("reading"):
                wait_s = max(0.0, min(left, SLICE_S))
                if self._port.timeout != wait_s:
                    self._port.timeout = wait_s
                data = self._port.read(1)
                while data and (waiting := self._port.in_waiting):
                    data += self._port.read(waiting)
                    if self._socket is not None and len(data) > 65536:
                        break
            if data or left <= 0:
                return bytes(data)

    def set_lines(
        self, *, dtr: bool | None = None, rts: bool | None = None, brk: bool | None = None
    ) -> None:
        for line, level in (("dtr", dtr), ("rts", rts), ("brk", brk)):
            if level is not None:
                self._set_line(line, level)

    def _set_line(self, line: str, level: bool) -> None:
        with self._mapped(f"setting {line}"):
            try:
                setattr(self._port, "break_condition" if line == "brk" else line, level)
            except OSError as error:
                if error.errno not in (errno.ENOTTY, errno.EINVAL):
                    raise
                self.unsupported_lines.add(line)
