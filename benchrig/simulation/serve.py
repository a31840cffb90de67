"""A simulated bench in real time, for programs that talk to ports.

The board is on a raw pty and on a TCP port, meter and supply each on a TCP port, all of them on
loopback. A byte stream carries no line levels: the board's UART lines are undriven here, so
nothing is fed into it through them, and no break and no DTR reach it.
"""

from __future__ import annotations

import os
import select
import sys
import threading
from dataclasses import dataclass
from types import TracebackType

from benchrig.clock import SLICE_S, Clock
from benchrig.errors import Interrupted
from benchrig.simulation.links import CHUNK, PTYS, Link, PtyLink, TcpLink
from benchrig.simulation.world import World
from benchrig.wires.simulated import FarEnd


@dataclass(frozen=True)
class Addresses:
    """Where the instruments are: a path, and TCP ports on `host`. None: there is no such one."""

    host: str
    board_pty: str | None
    board_port: int
    meter_port: int | None
    supply_port: int | None


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
        self._links: list[tuple[FarEnd, list[Link]]] = []
        try:
            board = TcpLink(world.board, host, board_port, announce=False)
            board_links: list[Link] = [board]
            self._links.append((world.board, board_links))
            pty_link = PtyLink(world.board) if with_pty else None
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
        link = TcpLink(end, host, port, announce=True)
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
        while os.read(sys.stdin.fileno(), CHUNK):
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
