"""A scripted board for the tests of the board driver: with line endings, echo, delays, noise and a
time of booting that the simulation does not have. It records all that is done to it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from benchrig.clock import VirtualClock
from benchrig.drivers.board import Board
from benchrig.session.bench_file import BoardPort
from benchrig.session.protocol import Exchange, Protocol
from benchrig.wires.simulated import SimulatedWire

Reply = list[tuple[float, bytes]]
"""Pieces with the time in s before each, counted from when the board gets to the command."""


@dataclass
class ScriptedBoard:
    """Does one command after the other. `echo` is ``"at once"`` (by its interrupt routine, also
    while it is busy) or ``"in turn"``. Before `awake_s` it keeps what arrives, or loses it."""

    reply: Callable[[bytes], Reply]
    ending: bytes = b"\n"
    echo: str = ""
    awake_s: float = 0.0
    loses: bool = False
    # A reply that would come later than this after its command does not come at all.
    latest_s: float = math.inf
    events: list[tuple[str, Any, float]] = field(default_factory=list)
    commands: list[bytes] = field(default_factory=list)
    _received: bytes = b""
    _outgoing: list[tuple[float, bytes]] = field(default_factory=list)
    _free_s: float = 0.0

    def connect(self, t: float) -> None:
        self.events.append(("open", None, t))

    def disconnect(self, t: float) -> None:
        self.events.append(("close", None, t))

    def set_line(self, line: str, asserted: bool, t: float) -> None:
        self.events.append((line, asserted, t))

    def receive(self, data: bytes, t: float) -> None:
        self.events.append(("sent", data, t))
        if t < self.awake_s and self.loses:
            return
        if self.echo == "at once":
            self.say(data, t)
        self._received += data
        while self.ending and self.ending in self._received:
            command, _, self._received = self._received.partition(self.ending)
            self._do(command, max(t, self.awake_s))
        if not self.ending and self._received:
            command, self._received = self._received, b""
            self._do(command, max(t, self.awake_s))

    def _do(self, command: bytes, t: float) -> None:
        self.commands.append(command)
        self._free_s = max(self._free_s, t)
        if self.echo == "in turn":
            self.say(command + self.ending, self._free_s)
        for delay_s, piece in self.reply(command):
            self._free_s += delay_s
            if self._free_s <= t + self.latest_s:
                self.say(piece, self._free_s)

    def say(self, data: bytes, t: float) -> None:
        self._outgoing.append((t, data))
        self._outgoing.sort(key=lambda entry: entry[0])

    def output(self, t: float) -> bytes:
        data = b""
        while self._outgoing and self._outgoing[0][0] <= t:
            data += self._outgoing.pop(0)[1]
        return data

    def next_output(self, t: float) -> float | None:
        return self._outgoing[0][0] if self._outgoing else None

    @property
    def sent(self) -> bytes:
        return b"".join(data for kind, data, _ in self.events if kind == "sent")


class Answers:
    """Fixed replies; a list of them is used up one by one, up to its last."""

    def __init__(self, answers: dict[bytes, bytes | Reply | list[Reply]]) -> None:
        self._answers = {
            command: [[(0.004, given)]] if isinstance(given, bytes) else _listed(given)
            for command, given in answers.items()
        }

    def __call__(self, command: bytes) -> Reply:
        replies = self._answers.get(command)
        if not replies:
            return []
        return replies.pop(0) if len(replies) > 1 else replies[0]


def _listed(given: Any) -> list[Reply]:
    return [given] if given and isinstance(given[0], tuple) else list(given)


@dataclass
class Rig:
    board: Board
    end: Any
    clock: VirtualClock
    wire: SimulatedWire
    gates: list[str]
    told: list[tuple[str, str]]

    def told_kinds(self) -> list[str]:
        return [kind for kind, _ in self.told]


def make_protocol(**more: Any) -> Protocol:
    hello = {"send": "hello", "expect": "^ready$", "timeout": "300 ms", "attempts": 5}
    return Protocol.model_validate({"hello": hello, "banner": "^boot", "reject": "^error", **more})


def ask(send: str, expect: str | None = None, **more: Any) -> Exchange:
    given: dict[str, Any] = {"timeout": "300 ms", **more}
    if "send_hex" not in more:
        given["send"] = send
    return Exchange.model_validate(given if expect is None else {**given, "expect": expect})


@contextmanager
def rig(
    end: Any, protocol: Protocol | None = None, *, belongs: bool = False, **port: Any
) -> Iterator[Rig]:
    """A driver with its port open, and what it told and asked of its gate."""
    clock, gates, told = VirtualClock(), [], []
    wire = SimulatedWire("board", clock, end)
    board = Board(
        wire,
        clock,
        protocol or make_protocol(),
        BoardPort(**port),
        gates.append,
        lambda kind, text, **data: told.append((kind, text)),
    )
    board.open()
    board.banner_belongs = belongs
    yield Rig(board, end, clock, wire, gates, told)
    board.close()
