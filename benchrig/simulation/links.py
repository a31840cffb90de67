"""The ways into a simulated bench: a pty, and TCP sockets. None of them ever waits."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import tempfile
from pathlib import Path
from typing import Protocol

from benchrig.wires.simulated import FarEnd

try:
    import pty
    import tty
except ImportError:  # a system without ptys: the board is on TCP only
    PTYS = False
else:
    PTYS = True

CHUNK = 4096
_BACKLOG = 128


class Link(Protocol):
    """One way to an instrument."""

    def readers(self) -> list[int]: ...

    def writers(self) -> list[int]: ...

    def send(self, data: bytes) -> None:
        """Never waits."""
        ...

    def serve(self, ready: set[int], t: float) -> None:
        """Deal with whatever is ready, and pass on what was received."""
        ...

    def close(self) -> None: ...


class PtyLink:
    def __init__(self, end: FarEnd) -> None:
        self._end = end
        # The slave stays open: without it the master reads an error while there is no client.
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)  # else the terminal echoes the board's output back to it
        os.set_blocking(self._master, False)
        # A pty's number is given to the next one when it is closed; a link of our own is not.
        self._folder = tempfile.mkdtemp(prefix="benchrig-")
        self.path = str(Path(self._folder) / "board")
        os.symlink(os.ttyname(self._slave), self.path)

    def readers(self) -> list[int]:
        return [self._master]

    def writers(self) -> list[int]:
        return []

    def send(self, data: bytes) -> None:
        # A UART does not wait for its listener: what the pty cannot hold is lost.
        with contextlib.suppress(BlockingIOError):
            os.write(self._master, data)

    def serve(self, ready: set[int], t: float) -> None:
        if self._master in ready:
            self._end.receive(os.read(self._master, CHUNK), t)

    def close(self) -> None:
        os.close(self._master)
        os.close(self._slave)
        shutil.rmtree(self._folder, ignore_errors=True)


class TcpLink:
    """One client at a time; the next one waits until it has left.

    With `announce` the far end is told of clients coming and going.
    """

    def __init__(self, end: FarEnd, host: str, port: int, *, announce: bool) -> None:
        self._end = end
        self._announce = announce
        self._client: socket.socket | None = None
        self._unsent = bytearray()
        self._listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if os.name == "posix":  # elsewhere this would let two servers share the port
            self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self._listener.bind((host, port))
            self._listener.listen(_BACKLOG)
        except OSError:
            self._listener.close()
            raise
        self._listener.setblocking(False)
        self.port: int = self._listener.getsockname()[1]

    def readers(self) -> list[int]:
        return [(self._client or self._listener).fileno()]

    def writers(self) -> list[int]:
        return [self._client.fileno()] if self._client is not None and self._unsent else []

    def send(self, data: bytes) -> None:
        if self._client is not None:
            self._unsent += data
            self._flush()

    def _flush(self) -> None:
        assert self._client is not None
        try:
            while self._unsent:
                del self._unsent[: self._client.send(self._unsent)]
        except BlockingIOError:
            pass
        except OSError:
            self._unsent.clear()  # the client is gone; the next read says so

    def serve(self, ready: set[int], t: float) -> None:
        if self._client is None:
            if self._listener.fileno() in ready:
                self._accept(t)
            return
        if self._client.fileno() not in ready:
            return
        if self._unsent:
            self._flush()
        try:
            data = self._client.recv(CHUNK)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if data:
            self._end.receive(data, t)
        else:
            self._leave(t)

    def _accept(self, t: float) -> None:
        try:
            client, _ = self._listener.accept()
        except OSError:
            return  # it has given up already
        client.setblocking(False)
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._client = client
        if self._announce:
            self._end.connect(t)

    def _leave(self, t: float) -> None:
        assert self._client is not None
        self._client.close()
        self._client = None
        self._unsent.clear()
        if self._announce:
            self._end.disconnect(t)

    def close(self) -> None:
        if self._client is not None:
            self._client.close()
        self._listener.close()
