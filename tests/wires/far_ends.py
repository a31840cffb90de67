"""Far ends for the tests of wires and drivers: a scripted instrument, reached in the three ways
that there are: a TCP server on loopback, a pty, and in the process on the virtual clock. And what
was done on the last of these again, from its recording.

A script says what is done at each line that arrives: bytes are sent, a number is a pause in
seconds, "close" and "reset" end the connection. It works through one line after the other, as an
instrument does, so a late answer holds up those behind it.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import struct
import threading
import tty
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

from benchrig.clock import Clock, LatchedClock, RealClock, VirtualClock
from benchrig.wires import Wire
from benchrig.wires.faulty import FaultyWire
from benchrig.wires.recording import Act, RecordingWire
from benchrig.wires.replay import ReplayClock, ReplayWire, Tape
from benchrig.wires.serial import SerialSettings, SerialWire
from benchrig.wires.simulated import SimulatedWire
from benchrig.wires.visa import VisaSettings, VisaWire

Action = bytes | float | str
T = TypeVar("T")

IDENTITY = "Apiary Works,Scale ammeter,0001,1.0"


class Script:
    """What a plain SCPI instrument answers; `odd` holds what it does instead, once for each entry.

    ``COUNT?`` answers 1, 2, 3 ..., so that an answer tells which question it belongs to.
    """

    def __init__(self) -> None:
        self.odd: dict[str, deque[Sequence[Action]]] = {}
        self.terminator = b"\n"
        self.lines: list[str] = []
        self.connections = 0
        self.errors: deque[str] = deque()
        self.unknown: set[str] = set()
        self._count = 0
        self._enable = 0

    def instead(self, line: str, *actions: Action) -> None:
        self.odd.setdefault(line, deque()).append(actions)

    def actions(self, line: str) -> Sequence[Action]:
        self.lines.append(line)
        if self.odd.get(line):
            return self.odd[line].popleft()
        replies = [reply for unit in line.split(";") if (reply := self._reply(unit)) is not None]
        return [";".join(replies).encode() + self.terminator] if replies else []

    def _reply(self, unit: str) -> str | None:
        header, _, value = unit.removeprefix(":").partition(" ")
        if header in self.unknown:
            self.errors.append(f'-113,"Undefined header;{header}"')
            return None
        match header:
            case "*IDN?":
                return IDENTITY
            case "*ESE":
                self._enable = int(value)
            case "*ESE?":
                return str(self._enable)
            case "COUNT?":
                self._count += 1
                return str(self._count)
            case "SYST:ERR?":
                return self.errors.popleft() if self.errors else '+0,"No error"'
            case "SET":
                if value == "WRONG":
                    self.errors.append('-222,"Data out of range;WRONG"')
            case _:
                self.errors.append(f'-113,"Undefined header;{header}"')
        return None


class _Connection:
    """One connection of the script, however the bytes travel."""

    def __init__(self, script: Script) -> None:
        self._script = script
        self._received = b""

    def lines(self, data: bytes) -> Iterator[Sequence[Action]]:
        self._received += data
        while b"\n" in self._received:
            line, _, self._received = self._received.partition(b"\n")
            yield self._script.actions(line.decode())


class _Server:
    """A thread with a descriptor to wait for and a pipe that ends it."""

    def __init__(self, script: Script) -> None:
        self.script = script
        self._wake, self._end = os.pipe()
        self._thread = threading.Thread(target=self._run, name=type(self).__name__)
        self._thread.start()

    def _ready(self, descriptor: int) -> bool:
        """False when the thread has to end."""
        return self._wake not in select.select([descriptor, self._wake], [], [])[0]

    def _pause(self, duration_s: float) -> bool:
        return not select.select([self._wake], [], [], duration_s)[0]

    def _run(self) -> None:
        raise NotImplementedError

    def stop(self) -> None:
        os.close(self._end)
        self._thread.join(5)
        assert not self._thread.is_alive()
        os.close(self._wake)


class TcpServer(_Server):
    """The script on a port of 127.0.0.1, one connection after the other."""

    def __init__(self, script: Script) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0), backlog=128)
        self.port = self._listener.getsockname()[1]
        super().__init__(script)

    def _run(self) -> None:
        while self._ready(self._listener.fileno()):
            client, _ = self._listener.accept()
            self.script.connections += 1
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            with client, contextlib.suppress(OSError):
                self._serve(client)

    def _serve(self, client: socket.socket) -> None:
        connection = _Connection(self.script)
        while self._ready(client.fileno()):
            data = client.recv(65536)
            if not data:
                return
            for actions in connection.lines(self._received(data)):
                for action in actions:
                    if action == "reset":
                        linger = struct.pack("ii", 1, 0)
                        client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
                    if isinstance(action, str):
                        return
                    if isinstance(action, bytes):
                        client.sendall(self._sent(action))
                    elif not self._pause(action):
                        return

    def _received(self, data: bytes) -> bytes:
        return data

    def _sent(self, data: bytes) -> bytes:
        return data

    def stop(self) -> None:
        super().stop()
        self._listener.close()


class PtyServer(_Server):
    """The script behind a pty in raw mode; `path` is its other end."""

    def __init__(self, script: Script) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        super().__init__(script)

    def _run(self) -> None:
        connection = _Connection(self.script)
        while self._ready(self._master):
            for actions in connection.lines(os.read(self._master, 65536)):
                for action in actions:
                    if isinstance(action, str):
                        self._unplug()
                        return
                    if isinstance(action, bytes):
                        os.write(self._master, action)
                    elif not self._pause(action):
                        return

    def _unplug(self) -> None:
        for descriptor in (self._master, self._slave):
            with contextlib.suppress(OSError):
                os.close(descriptor)
        self._master = self._slave = -1

    def stop(self) -> None:
        super().stop()
        self._unplug()


class ScriptedFarEnd:
    """The script as the far end of a simulated wire."""

    def __init__(self, script: Script) -> None:
        self.script = script
        self.wire: SimulatedWire | None = None
        self.set_lines: list[tuple[str, bool]] = []
        self._connection = _Connection(script)
        self._outgoing: deque[tuple[float, bytes]] = deque()
        self._free_s = 0.0
        self._ends_s = float("inf")

    def connect(self, t: float) -> None:
        self.script.connections += 1

    def disconnect(self, t: float) -> None:
        pass

    def receive(self, data: bytes, t: float) -> None:
        for actions in self._connection.lines(data):
            self._free_s = max(self._free_s, t)
            for action in actions:
                if isinstance(action, float):
                    self._free_s += action
                elif isinstance(action, bytes):
                    self._outgoing.append((self._free_s, action))
                else:
                    self._ends_s = self._free_s

    def output(self, t: float) -> bytes:
        if t >= self._ends_s and not self._outgoing:
            assert self.wire is not None
            self.wire.unplug()
            return b""
        data = b""
        while self._outgoing and self._outgoing[0][0] <= t:
            data += self._outgoing.popleft()[1]
        return data

    def next_output(self, t: float) -> float | None:
        due = self._outgoing[0][0] if self._outgoing else self._ends_s
        return due if due < float("inf") else None

    def set_line(self, line: str, asserted: bool, t: float) -> None:
        self.set_lines.append((line, asserted))


KINDS = ("visa socket", "visa serial", "pyserial pty", "pyserial socket", "simulated")
FAULTLESS = " under an empty fault plan"
EVERY_KIND = tuple(kind + plan for kind in (*KINDS, "replayed") for plan in ("", FAULTLESS))
# Closing this one takes 0.3 s each time, inside pyserial.
QUICK_KINDS = tuple(kind for kind in KINDS if kind != "pyserial socket")


@contextlib.contextmanager
def reached(kind: str, script: Script) -> Iterator[tuple[Wire, Clock]]:
    """A closed wire of one of `KINDS` to the script, and the clock that it runs on; each of them
    also with a plan in which there are no faults."""
    if kind.endswith(FAULTLESS):
        with reached(kind.removesuffix(FAULTLESS), script) as (inner, its_clock):
            yield faultless(inner, its_clock), its_clock
        return
    if kind == "simulated":
        virtual = VirtualClock()
        far_end = ScriptedFarEnd(script)
        far_end.wire = SimulatedWire("meter", virtual, far_end)
        yield far_end.wire, virtual
        return
    clock = RealClock()
    wire: Wire
    server: TcpServer | PtyServer = (
        TcpServer(script) if kind.endswith("socket") else PtyServer(script)
    )
    if isinstance(server, TcpServer):
        if kind.startswith("visa"):
            address = f"TCPIP::127.0.0.1::{server.port}::SOCKET"
            wire = VisaWire("meter", clock, VisaSettings(address))
        else:
            address = f"socket://127.0.0.1:{server.port}"
            wire = SerialWire("meter", clock, SerialSettings(address))
    elif kind.startswith("visa"):
        wire = VisaWire("meter", clock, VisaSettings(f"ASRL{server.path}::INSTR"))
    else:
        wire = SerialWire("meter", clock, SerialSettings(server.path))
    try:
        yield wire, clock
    finally:
        wire.close()
        server.stop()


def faultless(wire: Wire, clock: Clock) -> FaultyWire:
    def tell(kind: str, text: str, **data: object) -> None:
        raise AssertionError(f"nothing was planned, and it tells {kind}: {text}")

    return FaultyWire(wire, clock, (), seed=1, tell=tell, elapsed_s=clock.monotonic)


def performed(kind: str, script: Callable[[], Script], play: Callable[[Wire, Clock], T]) -> T:
    """What comes of a `play` on a closed wire of one of `EVERY_KIND`. On a replayed one it is
    played twice: it is recorded on a simulated wire, and comes to the same again."""
    if not kind.startswith("replayed"):
        with reached(kind, script()) as (wire, clock):
            return play(wire, clock)
    latched, acts = LatchedClock(VirtualClock()), list[Act]()
    far_end = ScriptedFarEnd(script())
    far_end.wire = SimulatedWire("meter", latched, far_end)
    first = play(RecordingWire(far_end.wire, latched, acts.append), latched)
    tape = Tape(acts, latched.origin[1], complete=True)
    replay = ReplayWire(tape, "meter", "recorded", keeps_messages=False)
    its_clock = ReplayClock(tape, latched.origin)
    again = play(faultless(replay, its_clock) if FAULTLESS in kind else replay, its_clock)
    assert again == first
    return again
