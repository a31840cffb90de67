"""What a plan of faults does to the bytes of one side of a wire; no I/O."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from benchrig.wires.injections import (
    Act,
    AtMatch,
    Cut,
    Delay,
    Drop,
    Duplicate,
    Flip,
    Injection,
    Insert,
    Side,
    Silence,
)

# A pattern is looked for in the last of a message: noise without an end must not fill the memory.
_LONGEST = 4096


@dataclass(eq=False)
class Live:
    """An injection while its wire is in use: how often it may strike yet, how many messages or
    matches its trigger has `seen`, when it last struck by time, and the message in which it looks
    for its pattern."""

    injection: Injection
    left: float
    seen: int = 0
    struck_s: float = -math.inf
    _text: bytes = b""
    _at: int = 0

    def end_message(self, side: Side) -> None:
        when = self.injection.when
        if isinstance(when, AtMatch) and when.side == side:
            self._text, self._at = b"", 0

    def matches(self, side: Side, data: bytes) -> set[int]:
        """At which places of `data`, which goes on with the message, the pattern is found."""
        when = self.injection.when
        if not isinstance(when, AtMatch) or when.side != side:
            return set()
        before, self._text = len(self._text), self._text + data
        places: set[int] = set()
        for match in when.pattern.finditer(self._text, self._at):
            if match.end() > match.start():
                self.seen += 1
                self._at = match.end()
                if self.seen >= when.number:
                    places.add(max(match.start() - before, 0))
        too_long = max(len(self._text) - _LONGEST, 0)
        self._text, self._at = self._text[too_long:], max(self._at - too_long, 0)
        return places


@dataclass
class Way:
    """One side of a wire: which injections wait for their byte, and the bytes that have passed
    with the time at which they are due."""

    begins: bool = True
    # How many bytes are to pass before each.
    armed: list[tuple[int, Live]] = field(default_factory=list)
    _dropping: float = 0.0
    _doubling: int = 0
    _silent_until_s: float = -math.inf
    _due_s: float = -math.inf
    _out: list[tuple[float, bytearray]] = field(default_factory=list)

    def end_message(self) -> None:
        self.begins = True
        if math.isinf(self._dropping):
            self._dropping = 0.0

    def forget(self) -> None:
        """The wire was closed: what was under way is lost."""
        self.end_message()
        self._due_s = -math.inf
        self._out.clear()

    def take(self) -> list[tuple[float, bytes]]:
        """What has passed, with the time when each piece is due; it is handed over once."""
        taken, self._out = [(due_s, bytes(data)) for due_s, data in self._out], []
        return taken

    def ready(self) -> list[Live]:
        """Those that strike at the byte which comes now."""
        ready = [live for bytes_left, live in self.armed if bytes_left == 0]
        self.armed = [(bytes_left - 1, live) for bytes_left, live in self.armed if bytes_left > 0]
        return ready

    def strike(self, act: Act, now_s: float) -> int:
        """What an act does to the bytes from here on; returns the mask of the bits to invert."""
        match act:
            case Drop():
                self._dropping += act.count
            case Duplicate():
                self._doubling += act.count
            case Flip():
                return act.mask
            case Insert():
                self._put(act.data, now_s)
            case Cut():
                self._dropping = math.inf
            case Delay():
                self._due_s = max(self._due_s, now_s) + act.duration_s
            case Silence():
                self._silent_until_s = now_s + act.duration_s
        return 0

    def pass_byte(self, byte: int, now_s: float) -> None:
        if now_s < self._silent_until_s:
            return
        if self._dropping > 0:
            self._dropping -= 1
            return
        self._put(bytes([byte]) * (2 if self._doubling > 0 else 1), now_s)
        self._doubling = max(self._doubling - 1, 0)

    def _put(self, data: bytes, now_s: float) -> None:
        due_s = max(self._due_s, now_s)
        if self._out and self._out[-1][0] == due_s:
            self._out[-1][1].extend(data)
        else:
            self._out.append((due_s, bytearray(data)))
