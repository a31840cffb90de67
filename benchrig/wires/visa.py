"""A wire through pyvisa, to any VISA address that the backend takes.

The traps that this goes round (measured with pyvisa-py 0.8.1): a TCP socket without TCP_NODELAY
costs 40 ms a command; an open to a refused port succeeds; a closed socket looks like a time-out
and costs a full core meanwhile; bytes that arrived before a time-out are thrown away; serial
ports are read one byte at a time. So on sockets and serial ports the bytes that are there are
counted first, through the session's own interface, and then exactly those are read.
"""

from __future__ import annotations

import select
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from benchrig.clock import SLICE_S, Clock
from benchrig.errors import BenchrigError, CannotOpen, WireLost

_PARITY = {"none": 0, "odd": 1, "even": 2, "mark": 3, "space": 4}  # VISA's own numbers
_STOP_BITS = {1: 10, 1.5: 15, 2: 20}
WRITE_TIMEOUT_S = 2.0
# Above any reply: some interfaces lose the end of a message that is a multiple of this long.
CHUNK = 16 * 1024 * 1024
PEEK = 65536


@dataclass(frozen=True)
class VisaSettings:
    """How an instrument is reached; the serial settings count for ASRL addresses only."""

    address: str
    backend: str = "@py"
    read_termination: bytes = b"\n"
    open_timeout_s: float = 2.0
    baud_rate: int = 9600
    data_bits: int = 8
    parity: str = "none"
    stop_bits: float = 1


class VisaWire:
    """A `Wire`. `keeps_messages` is known once it is open."""

    def __init__(self, name: str, clock: Clock, settings: VisaSettings) -> None:
        self.name = name
        self.address = settings.address
        self.keeps_messages = False
        self._clock = clock
        self._settings = settings
        self._resource: Any = None
        self._socket: socket.socket | None = None
        self._serial: Any = None

    def open(self) -> None:
        if self._resource is not None:
            return
        import pyvisa

        try:
            manager = pyvisa.ResourceManager(self._settings.backend)
            self._resource = manager.open_resource(
                self.address,
                open_timeout=round(self._settings.open_timeout_s * 1000),
                timeout=round(SLICE_S * 1000),
            )
            self._prepare()
        except BenchrigError:
            self.close()
            raise
        except Exception as error:  # pyvisa-py raises even bare Exception here
            self.close()
            hint = "check the address, and that nobody else is connected"
            raise CannotOpen(
                "cannot_open", self.name, f"{self.address}: {error}; {hint}"
            ) from error

    def _prepare(self) -> None:
        resource = self._resource
        resource.chunk_size = CHUNK
        sessions = getattr(resource.visalib, "sessions", {})
        interface = getattr(sessions.get(resource.session), "interface", None)
        is_stream = self.address.upper().endswith("::SOCKET")
        is_serial = self.address.upper().startswith("ASRL")
        self._socket = interface if is_stream and isinstance(interface, socket.socket) else None
        self._serial = interface if is_serial and hasattr(interface, "in_waiting") else None
        self.keeps_messages = not (is_stream or is_serial)
        if self._socket is not None:
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            number = self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
            if number:
                raise OSError(number, "the connection was refused or failed")
        elif is_stream:
            resource.read_termination = self._settings.read_termination.decode("ascii")
        if is_serial:
            resource.baud_rate = self._settings.baud_rate
            resource.data_bits = self._settings.data_bits
            resource.parity = _PARITY[self._settings.parity]
            resource.stop_bits = _STOP_BITS[self._settings.stop_bits]
        if self._serial is not None:
            self._serial.exclusive = True
            self._serial.write_timeout = WRITE_TIMEOUT_S
        elif is_serial:
            resource.read_termination = self._settings.read_termination.decode("ascii")

    def close(self) -> None:
        resource, self._resource = self._resource, None
        self._socket = self._serial = None
        if resource is not None:
            try:
                resource.close()
            except Exception:  # gone is gone, whatever the backend calls it
                return

    @contextmanager
    def _mapped(self, doing: str) -> Iterator[None]:
        if self._resource is None:
            raise WireLost(self.name, f"{self.address} is not open")
        try:
            yield
        except BenchrigError:
            raise
        except Exception as error:
            raise WireLost(self.name, f"{self.address} is gone ({doing}: {error})") from error

    def write(self, data: bytes) -> None:
        self._clock.check()
        with self._mapped("writing"):
            if self._socket is not None:
                self._available()
                if not select.select([], [self._socket], [], WRITE_TIMEOUT_S)[1]:
                    raise WireLost(self.name, f"{self.address} takes no data")
            self._resource.write_raw(data)

    def read(self, timeout_s: float) -> bytes:
        deadline_s = self._clock.monotonic() + timeout_s
        while True:
            self._clock.check()
            left = deadline_s - self._clock.monotonic()
            with self._mapped("reading"):
                data = self._read_slice(max(0.0, min(left, SLICE_S)))
            if data or left <= 0:
                return data

    def _read_slice(self, wait_s: float) -> bytes:
        if self._socket is not None:
            if not select.select([self._socket], [], [], wait_s)[0]:
                return b""
            return self._exactly(self._available())
        if self._serial is not None:
            self._serial.timeout = wait_s
            data: bytes = self._serial.read(1)
            waiting = self._serial.in_waiting if data else 0
            return data + (self._serial.read(waiting) if waiting else b"")
        return self._message(wait_s)

    def _available(self) -> int:
        """How many bytes the socket holds; raises `WireLost` where the peer has closed it."""
        assert self._socket is not None
        if not select.select([self._socket], [], [], 0)[0]:
            return 0
        count = len(self._socket.recv(PEEK, socket.MSG_PEEK))
        if count == 0:
            raise WireLost(self.name, f"{self.address} was closed by its other end")
        return count

    def _exactly(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            part, _ = self._resource.visalib.read(self._resource.session, count - len(data))
            data += part
        return data

    def _message(self, wait_s: float) -> bytes:
        """A whole message, as the interface frames it."""
        from pyvisa import VisaIOError
        from pyvisa.constants import StatusCode

        self._resource.timeout = max(1, round(wait_s * 1000))
        data = b""
        while True:
            try:
                part, status = self._resource.visalib.read(self._resource.session, CHUNK)
            except VisaIOError as error:
                if error.error_code != StatusCode.error_timeout:
                    raise
                return data
            data += part
            if status != StatusCode.success_max_count_read:
                return data
