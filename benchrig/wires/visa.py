"""A wire through pyvisa, to any VISA address that the backend takes.

What this goes round, measured with pyvisa-py 0.8.1: on a TCP socket a command after a command
costs 40 ms, an open to a refused port succeeds, a closed peer looks like a time-out and takes a
full core meanwhile, bytes that came before a time-out are thrown away, and a write to a peer that
does not read blocks for ever; serial ports are read one byte at a time. So of pyvisa-py's sockets
and serial ports the session's own interface is used for waiting and for counting.
"""

from __future__ import annotations

import select
import socket
import traceback
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from benchrig.clock import SLICE_S, Clock
from benchrig.errors import CannotOpen, Fault, WireLost
from benchrig.wires.opening import cannot_open

if TYPE_CHECKING:
    from pyvisa import ResourceManager

WRITE_TIMEOUT_S = 2.0
# Above any reply: pyvisa-py's VXI-11 loses the end of a message of a multiple of this length.
_CHUNK = 16 * 1024 * 1024
# pyvisa-py's sockets receive this many bytes at a time. Asking for more than one such piece
# could leave bytes in the buffer inside the session, where nobody sees them waiting.
_PIECE = 4096
_FLOW_CONTROL = {"none": "none", "xonxoff": "xon_xoff", "rtscts": "rts_cts", "dsrdtr": "dtr_dsr"}
_STOP_BITS = {1: "one", 1.5: "one_and_a_half", 2: "two"}


@dataclass(frozen=True)
class VisaSettings:
    """How an instrument is reached; from `baud_rate` on for ASRL addresses only."""

    address: str
    backend: str = "@py"
    read_termination: bytes = b"\n"
    open_timeout_s: float = 2.0
    baud_rate: int = 9600
    data_bits: int = 8
    parity: str = "none"
    stop_bits: float = 1
    flow_control: str = "none"


@cache
def _manager(backend: str) -> ResourceManager:
    """The one manager of the process. Never closed: that would close everybody's sessions."""
    import pyvisa

    return pyvisa.ResourceManager(backend)


def _close_left_behind(error: BaseException | None) -> None:
    """Close the sockets that pyvisa-py leaves open when an opening fails: the instrument may take
    one connection only. Nobody holds them any more but the frames that the error passed."""
    while error is not None:
        for frame, _ in traceback.walk_tb(error.__traceback__):
            owner = frame.f_locals.get("self")
            for value in getattr(owner, "__dict__", {}).values():
                if isinstance(value, socket.socket):
                    value.close()
        error = error.__cause__ or error.__context__


class VisaWire:
    """A `Wire`. Where the interface keeps messages a request to stop waits for the end of a
    `read`: a wait cut into slices would lose what it holds of a message, and on USB and GPIB make
    the instrument report an error. For the same reason ``read(0)`` asks nothing there."""

    def __init__(self, name: str, clock: Clock, settings: VisaSettings) -> None:
        self.name = name
        self.address = settings.address
        address = settings.address.upper()
        self._is_serial = address.startswith("ASRL")
        self.keeps_messages = not (self._is_serial or address.endswith("::SOCKET"))
        self._clock = clock
        self._settings = settings
        self._resource: Any = None
        # The interface inside pyvisa-py's session, where it is one of these two.
        self._tcp: socket.socket | None = None
        self._port: Any = None
        self._begun = b""

    # -- opening ----------------------------------------------------------------------------

    def open(self) -> None:
        if self._resource is not None:
            return
        try:
            self._check_host()
            self._resource = _manager(self._settings.backend).open_resource(
                self.address, open_timeout=round(self._settings.open_timeout_s * 1000)
            )
            self._prepare()
        except Exception as error:  # pyvisa-py raises even bare Exception here
            self.close()
            _close_left_behind(error)
            raise self._why_not(error) from error

    def _check_host(self) -> None:
        """Of a name that cannot be resolved pyvisa-py says only that it could not connect."""
        if self._settings.backend == "@py" and self.address.upper().startswith("TCPIP"):
            host = self.address.split("::")[1].split(",")[0]
            socket.getaddrinfo(host, None, socket.AF_INET)

    def _prepare(self) -> None:
        session = self._session()
        if session is None and hasattr(self._resource.visalib, "sessions"):
            raise LookupError("the backend knows no such address")  # pyvisa-sim is silent about it
        interface = getattr(session, "interface", None)
        if isinstance(interface, socket.socket):
            self._tcp = interface
            interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            if number := interface.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR):
                raise OSError(number, "no connection")
            interface.getpeername()  # raises if it is not connected after all
        elif self._is_serial and hasattr(interface, "in_waiting"):
            self._port = interface
            self._prepare_port()
        elif self._is_serial:
            self._prepare_attributes()
        elif not self.keeps_messages:
            self._resource.read_termination = self._settings.read_termination.decode("ascii")

    def _session(self) -> Any:
        """The session inside a backend that is written in Python, else None."""
        sessions = getattr(self._resource.visalib, "sessions", {})
        return sessions.get(self._resource.session)

    def _prepare_port(self) -> None:
        from benchrig.wires.serial import PARITY, tcp_socket, wait_in_select

        settings = self._settings
        self._port.exclusive = True
        self._port.write_timeout = WRITE_TIMEOUT_S
        self._port.timeout = 0 if wait_in_select(self._port) else SLICE_S
        self._port.baudrate = settings.baud_rate
        self._port.bytesize = settings.data_bits
        self._port.stopbits = settings.stop_bits
        self._port.xonxoff = settings.flow_control == "xonxoff"
        self._port.rtscts = settings.flow_control == "rtscts"
        self._port.dsrdtr = settings.flow_control == "dsrdtr"
        self._port.parity = PARITY[settings.parity]
        tcp_socket(self._port)

    def _prepare_attributes(self) -> None:
        from pyvisa.constants import ControlFlow, Parity, StopBits

        settings = self._settings
        self._resource.baud_rate = settings.baud_rate
        self._resource.data_bits = settings.data_bits
        self._resource.parity = Parity[settings.parity]
        self._resource.stop_bits = StopBits[_STOP_BITS[settings.stop_bits]]
        self._resource.flow_control = ControlFlow[_FLOW_CONTROL[settings.flow_control]]
        self._resource.read_termination = settings.read_termination.decode("ascii")

    def _why_not(self, error: Exception) -> CannotOpen:
        from pyvisa import VisaIOError
        from pyvisa.constants import StatusCode

        kinds = {
            StatusCode.error_resource_not_found: "port_missing",
            StatusCode.error_resource_busy: "port_busy",
            StatusCode.error_resource_locked: "port_busy",
        }
        if isinstance(error, socket.gaierror):
            advice = "its host is not known; a host name or an IPv4 address is needed"
            return CannotOpen("cannot_open", self.name, f"{self.address}: {advice} ({error})")
        if isinstance(error, VisaIOError):
            if error.error_code == StatusCode.error_invalid_resource_name:
                like = "TCPIP::192.0.2.7::5025::SOCKET or ASRL/dev/ttyUSB1::INSTR"
                advice = f"is no VISA address; one is like {like}"
                return CannotOpen("cannot_open", self.name, f"{self.address} {advice}")
            kind = kinds.get(StatusCode(error.error_code), "cannot_open")
            advice = "check the address, and that nobody else is connected"
            return CannotOpen(kind, self.name, f"{self.address}: {error}; {advice}")
        return cannot_open(self.name, self.address, error)

    def close(self) -> None:
        resource, port = self._resource, self._port
        self._resource = self._tcp = self._port = None
        self._begun = b""
        if resource is not None:
            with suppress(Exception):  # gone is gone, whatever the backend calls it
                resource.close()
        if port is not None:
            from benchrig.wires.serial import close_port

            close_port(port, None)

    # -- the way of the bytes ---------------------------------------------------------------

    @contextmanager
    def _mapped(self, doing: str) -> Iterator[None]:
        """Whatever the libraries raise becomes `WireLost`. They raise VisaIOError, InvalidSession,
        OSError, termios.error, RuntimeError, TypeError, EOFError, and classes of their own that
        derive from Exception alone."""
        if self._resource is None:
            raise WireLost(self.name, f"{self.address} is not open")
        try:
            yield
        except Fault:
            raise
        except Exception as error:
            raise WireLost(
                self.name, f"{self.address} is gone ({doing}: {error}); check cable and power"
            ) from error

    def write(self, data: bytes) -> None:
        self._clock.check()
        with self._mapped("writing"):
            if self._tcp is not None:
                self._write_tcp(self._tcp, data)
                return
            if self._port is None:
                self._resource.timeout = round(WRITE_TIMEOUT_S * 1000)
            if self._resource.write_raw(data) < len(data):
                raise WireLost(self.name, f"{self.address} took only a part of a command")

    def _write_tcp(self, tcp: socket.socket, data: bytes) -> None:
        self._waiting(tcp)
        deadline_s = self._clock.monotonic() + WRITE_TIMEOUT_S
        for start in range(0, len(data), _PIECE):
            left = max(0.0, deadline_s - self._clock.monotonic())
            if not select.select([], [tcp], [], left)[1]:
                raise WireLost(
                    self.name,
                    f"{self.address} took no data for {WRITE_TIMEOUT_S:g} s; it does not listen",
                )
            self._resource.write_raw(data[start : start + _PIECE])

    def read(self, timeout_s: float) -> bytes:
        deadline_s = self._clock.monotonic() + timeout_s
        while True:
            self._clock.check()
            left = max(0.0, deadline_s - self._clock.monotonic())
            wait_s = left if self.keeps_messages else min(left, SLICE_S)
            with self._mapped("reading"):
                data = self._arrived(wait_s)
            if data or left <= wait_s:
                return data

    def _arrived(self, wait_s: float) -> bytes:
        if self._tcp is not None:
            if not select.select([self._tcp], [], [], wait_s)[0]:
                return b""
            count = self._waiting(self._tcp)
            return bytes(self._resource.read_bytes(count, chunk_size=_PIECE))
        if self._port is not None:
            from benchrig.wires.serial import arrived

            return arrived(self._port, wait_s)
        if self.keeps_messages and wait_s <= 0:
            return b""
        return self._message(wait_s)

    def _waiting(self, tcp: socket.socket) -> int:
        """How many bytes have come, at most one piece; raises `WireLost` if the peer has closed."""
        if not select.select([tcp], [], [], 0)[0]:
            return 0
        count = len(tcp.recv(_PIECE, socket.MSG_PEEK))
        if count == 0:
            raise WireLost(
                self.name,
                f"{self.address} was closed by the instrument; has it lost power, or does it "
                "serve somebody else, who is connected already?",
            )
        return count

    def _message(self, wait_s: float) -> bytes:
        """One message up to its END, or on a byte stream what comes until its terminator."""
        from pyvisa import VisaIOError
        from pyvisa.constants import StatusCode

        self._resource.timeout = max(1, round(wait_s * 1000))
        while True:
            part, status = self._transfer()
            self._begun += part
            # What has come of a message must not pass for the whole: it waits for the rest.
            if status == StatusCode.error_timeout and self.keeps_messages:
                return b""
            if status != StatusCode.success_max_count_read:
                if status < 0 and status != StatusCode.error_timeout:
                    raise VisaIOError(status)
                message, self._begun = self._begun, b""
                return message

    def _transfer(self) -> tuple[bytes, int]:
        """One viRead: its bytes and its status."""
        from pyvisa import VisaIOError
        from pyvisa.constants import StatusCode

        session = self._session()
        if session is not None:
            # Past the library, which drops the bytes that came before a time-out.
            part, status = session.read(_CHUNK)
            return bytes(part), status
        try:
            with self._resource.ignore_warning(StatusCode.success_max_count_read):
                part, status = self._resource.visalib.read(self._resource.session, _CHUNK)
                return part, status
        except VisaIOError as error:
            if error.error_code != StatusCode.error_timeout:
                raise
            return b"", StatusCode.error_timeout
