"""A port server by RFC 2217, with the server's side of the protocol from pyserial."""

from __future__ import annotations

import contextlib
import socket
from types import SimpleNamespace

from serial.rfc2217 import PortManager

from tests.wires.far_ends import TcpServer


class _Port(SimpleNamespace):
    """Stands for the serial port of the server: takes settings, and notes the levels of its lines,
    in `lines`, as they are set."""

    def __init__(self) -> None:
        super().__init__(
            baudrate=9600, bytesize=8, parity="N", stopbits=1, xonxoff=False, rtscts=False,
            cts=False, dsr=False, ri=False, cd=False, lines=[],
        )  # fmt: skip

    def __setattr__(self, name: str, value: object) -> None:
        if name in ("dtr", "rts", "break_condition"):
            self.lines.append((name, value))
        super().__setattr__(name, value)

    def reset_input_buffer(self) -> None:
        pass

    def reset_output_buffer(self) -> None:
        pass


class Rfc2217Server(TcpServer):
    """The script on a serial port that is reached over TCP."""

    def _run(self) -> None:
        self.port_of_server = _Port()
        super()._run()

    def _serve(self, client: socket.socket) -> None:
        self._client = client
        self._manager = PortManager(self.port_of_server, self)
        super()._serve(client)

    def write(self, data: bytes) -> None:
        """What the protocol itself has to say."""
        with contextlib.suppress(OSError):
            self._client.sendall(data)

    def _received(self, data: bytes) -> bytes:
        return b"".join(self._manager.filter(data))

    def _sent(self, data: bytes) -> bytes:
        return b"".join(self._manager.escape(data))
