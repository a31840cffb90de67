"""The UART of a simulated board: bytes in time, messages, and what they mean. No currents here."""

from __future__ import annotations

import math
import re
from collections import deque
from dataclasses import dataclass

from benchrig.simulation.board_parts import Command, UartSettings

ENDINGS = {"CR": b"\r", "LF": b"\n", "CRLF": b"\r\n", "none": b""}

# Two computed times closer than this are the same moment.
SAME_MOMENT_S = 1e-9

# A board's receive buffer; what is longer is no command, and is thrown away.
LONGEST_MESSAGE = 1024


class Transmitter:
    """Bytes that leave one after another, each `byte_s` long."""

    def __init__(self, byte_s: float) -> None:
        self._byte_s = byte_s
        self._queue: deque[tuple[float, int]] = deque()
        self._free_s = 0.0

    def send(self, data: bytes, t: float) -> float:
        """Queue `data` to start at `t`, or behind what is still under way.

        Returns when the last byte has left.
        """
        at = max(t, self._free_s)
        for number, byte in enumerate(data, start=1):
            self._queue.append((at + number * self._byte_s, byte))
        self._free_s = at + len(data) * self._byte_s
        return self._free_s

    def cut(self, t: float) -> None:
        """Drop what has not left by `t`: the transmitter has stopped."""
        self._queue = deque(entry for entry in self._queue if entry[0] <= t + SAME_MOMENT_S)
        self._free_s = min(self._free_s, t)

    def fetch(self, t: float) -> bytes:
        """What has left up to `t` and was not fetched yet."""
        fetched = bytearray()
        while self._queue and self._queue[0][0] <= t + SAME_MOMENT_S:
            fetched.append(self._queue.popleft()[1])
        return bytes(fetched)

    def next_s(self, t: float) -> float:
        """When the next byte after `t` has left; inf if there is none."""
        return next((at for at, _ in self._queue if at > t + SAME_MOMENT_S), math.inf)


class Receiver:
    """Finds the messages in received bytes."""

    def __init__(self, settings: UartSettings, commands: tuple[Command, ...]) -> None:
        self._ending = ENDINGS[settings.receive_ending]
        self._gap_s = settings.frame_gap
        self._encoding = settings.encoding
        self._commands = commands
        self._buffer = bytearray()
        self._last_s = 0.0

    def clear(self) -> None:
        self._buffer.clear()

    def hear(self, byte: int, t: float) -> Order | None:
        """What the message is that `byte` completes; None if it completes none."""
        if len(self._buffer) >= LONGEST_MESSAGE or self._broken_off(t):
            self._buffer.clear()
        self._last_s = t
        self._buffer.append(byte)
        if self._ending and not self._buffer.endswith(self._ending):
            return None
        message = bytes(self._buffer[: len(self._buffer) - len(self._ending)])
        order = find_order(message, self._commands, self._encoding)
        if not self._ending and order.command is None:
            return None
        self._buffer.clear()
        return order if message else None

    def _broken_off(self, t: float) -> bool:
        return not self._ending and t - self._last_s > self._gap_s


@dataclass(frozen=True)
class Order:
    """A received message: the command that it is (None: not understood) and its text reply."""

    command: Command | None
    reply: str | None = None


def find_order(message: bytes, commands: tuple[Command, ...], encoding: str) -> Order:
    text = message.decode(encoding, errors="backslashreplace")
    for command in commands:
        if command.hex == message or (command.text is not None and command.text == text):
            return Order(command, command.reply)
        found = command.pattern.fullmatch(text) if command.pattern is not None else None
        if found is not None:
            return Order(command, _filled(command.reply, found))
    return Order(None)


def _filled(reply: str | None, found: re.Match[str]) -> str | None:
    return None if reply is None else found.expand(reply)
