"""A simulated bench in real time, for programs that talk to ports.

The board is on a raw pty and on a TCP port, meter and supply each on a TCP port, all of them on
loopback. A byte stream carries no line levels: the board's UART lines are undriven here, so
nothing is fed into it through them, and no break and no DTR reach it.
"""

from __future__ import annotations

import os
import select
import shutil
import socket
import sys
import tempfile
import threading
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Protocol

from benchrig.clock import SLICE_S, Clock
from benchrig.errors import Interrupted
from benchrig.simulation.world import FarEnd, World

try:
    import pty
    import tty
except ImportError:  # a system without ptys: the board is on TCP only
    PTYS = False
else:
    PTYS = True

_CHUNK = 4096
_BACKLOG = 128


@dataclass(frozen=True)
class Addresses:
    """Where the instruments are: a path, and TCP ports on `host`. None: there is no such one."""

    host: str
    board_pty: str | None
    board_port: int
    meter_port: int | None
    supply_port: int | None


class _Link(Protocol):
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


class _PtyLink:
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
        try:
            os.write(self._master, data)
        except BlockingIOError:
            pass

    def serve(self, ready: set[int], t: float) -> None:
        if self._master in ready:
            self._end.receive(os.read(self._master, _CHUNK), t)

    def close(self) -> None:
        os.close(self._master)
        os.close(self._slave)
        shutil.rmtree(self._folder, ignore_errors=True)


class _TcpLink:
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
            data = self._client.recv(_CHUNK)
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


class Server:
    """Serves `world` at `pace` seconds of the world per second of `clock`.

    Its ports are open, and `addresses` known, once it is made; `run` then serves until `stop`,
    a request to stop on the clock, or the end of stdin. A port of 0 is chosen by the system.
    Raises `OSError` if a port cannot be had.
    """

    def __init__(
        self,
        world: World,
        clock: Clock,
        pace: float = 1.0,
        *,
        host: str = "127.0.0.1",
        board_port: int = 0,
        meter_port: int = 0,
        supply_port: int = 0,
        with_pty: bool = PTYS,
    ) -> None:
        self._world = world
        self._clock = clock
        self._pace = pace
        self._stopping = threading.Event()
        self._links: list[tuple[FarEnd, list[_Link]]] = []
        try:
            board = _TcpLink(world.board, host, board_port, announce=False)
            board_links: list[_Link] = [board]
            self._links.append((world.board, board_links))
            pty_link = _PtyLink(world.board) if with_pty else None
            if pty_link is not None:
                board_links.append(pty_link)
            meter = None if world.simulated_meter is None else world.meter
            self.addresses = Addresses(
                host,
                None if pty_link is None else pty_link.path,
                board.port,
                self._offer(meter, host, meter_port),
                self._offer(world.supply, host, supply_port),
            )
        except BaseException:
            self.close()
            raise
        self._started_s = clock.monotonic()

    def _offer(self, end: FarEnd | None, host: str, port: int) -> int | None:
        if end is None:
            return None
        link = _TcpLink(end, host, port, announce=True)
        self._links.append((end, [link]))
        return link.port

    def __enter__(self) -> Server:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close all ports. Closing twice is fine."""
        links, self._links = self._links, []
        for _, ways in links:
            for link in ways:
                link.close()

    def stop(self) -> None:
        """Let `run` return soon. From any thread."""
        self._stopping.set()

    def run(self, *, until_stdin_closes: bool = False) -> None:
        if until_stdin_closes:
            threading.Thread(target=self._watch_stdin, daemon=True).start()
        try:
            while not self._stopping.is_set():
                self._clock.check()
                self._turn()
        except Interrupted:
            pass

    def _watch_stdin(self) -> None:
        # A thread, since select cannot wait for a pipe on every system.
        while os.read(sys.stdin.fileno(), _CHUNK):
            pass
        self.stop()

    def _now_s(self) -> float:
        return self._pace * (self._clock.monotonic() - self._started_s)

    def _turn(self) -> None:
        """Send what is due, then wait for input or for what comes next."""
        t = self._now_s()
        wait_s = SLICE_S
        for end, ways in self._links:
            data = end.output(t)
            for link in ways if data else ():
                link.send(data)
            next_s = end.next_output(t)
            if next_s is not None:
                wait_s = min(wait_s, max(next_s - t, 0.0) / self._pace)
        links = [link for _, ways in self._links for link in ways]
        readable, writable, _ = select.select(
            [fd for link in links for fd in link.readers()],
            [fd for link in links for fd in link.writers()],
            [],
            wait_s,
        )
        ready = {*readable, *writable}
        for link in links:
            link.serve(ready, self._now_s())
