"""A wire that does wrong on purpose: it wraps any other, and spoils what goes over it by a plan.

A message is what is written at once, or what comes in after one write until the next. A fault that
strikes on one side may be triggered on the other: the answer to a certain question is spoiled by a
trigger on what is sent and an act on what is received.
"""

from __future__ import annotations

import math
import random
import re
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from benchrig.clock import Clock
from benchrig.errors import CannotOpen, UsageError, WireLost
from benchrig.wires import Wire

Side = Literal["sent", "received"]
# Times closer than this are the same, so that rounding cannot hold the virtual clock in place.
_SAME_S = 1e-6
# A pattern is looked for in the last of a message: noise without an end must not fill the memory.
_LONGEST = 4096


# -- when ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Chance:
    """Each byte on the side of the act has this probability."""

    probability: float


@dataclass(frozen=True)
class AtMessage:
    """At the first byte of the `number`-th message of a side, counted from 1."""

    number: int
    side: Side = "received"


@dataclass(frozen=True)
class AtTime:
    """So long after the start."""

    time_s: float


@dataclass(frozen=True)
class AtMatch:
    """At the `number`-th match of a pattern in the messages of a side, counted from 1. It begins
    with the first byte of the match, or of as much of it as comes last."""

    pattern: re.Pattern[bytes]
    number: int = 1
    side: Side = "sent"


When = Chance | AtMessage | AtTime | AtMatch


# -- what ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Drop:
    """`count` bytes are lost."""

    count: int = 1


@dataclass(frozen=True)
class Duplicate:
    """`count` bytes come twice."""

    count: int = 1


@dataclass(frozen=True)
class Flip:
    """A byte has the bits of `mask` inverted."""

    mask: int = 1


@dataclass(frozen=True)
class Insert:
    """Bytes come that nobody has sent; triggered by time they wait for no others."""

    data: bytes


@dataclass(frozen=True)
class Cut:
    """The rest of the message is lost."""


@dataclass(frozen=True)
class Delay:
    """The rest of the message, and all behind it, comes so much later."""

    duration_s: float


@dataclass(frozen=True)
class Silence:
    """All is lost for so long."""

    duration_s: float = math.inf


@dataclass(frozen=True)
class Close:
    """The other end closes; it cannot be opened again for so long."""

    duration_s: float = 0.0


@dataclass(frozen=True)
class Replace:
    """The answer to the next question that matches becomes another. ``rewrite(answer)`` is given
    all that has come of it, and returns None until that is the whole."""

    question: re.Pattern[bytes]
    rewrite: Callable[[bytes], bytes | None]
    told: str = "an answer is another"


@dataclass(frozen=True)
class Reset:
    """The far end resets: only a simulated one can be made to."""


Act = Drop | Duplicate | Flip | Insert | Cut | Delay | Silence | Close | Replace | Reset
_TOLD = {
    Drop: "bytes are lost",
    Duplicate: "bytes come twice",
    Flip: "bits of a byte are inverted",
    Insert: "bytes come that nobody sent",
    Cut: "the rest of a message is lost",
    Delay: "bytes come late",
    Silence: "all is lost for a time",
    Close: "the other end closes",
    Reset: "the far end resets",
}
# These need no byte to strike at.
_AT_ONCE = (Silence, Close, Reset)


@dataclass(frozen=True)
class Injection:
    """One fault of a plan: what happens, when, and on which side; `after` so many more bytes there;
    at most so many `times` (None: whenever it is triggered)."""

    act: Act
    when: When
    side: Side = "received"
    after: int = 0
    times: int | None = 1


@dataclass
class _Live:
    """An injection while its wire is in use."""

    injection: Injection
    left: float
    seen: int = 0


@dataclass
class _Way:
    """What is under way on one side."""

    message: bytes = b""
    searched: int = 0
    begins: bool = True
    # How many bytes are still to pass before each.
    armed: list[tuple[int, _Live]] = field(default_factory=list)
    dropping: float = 0
    doubling: int = 0
    silent_until_s: float = -math.inf
    due_s: float = -math.inf
    out: list[tuple[float, bytearray]] = field(default_factory=list)

    def end_message(self) -> None:
        self.message, self.searched, self.begins = b"", 0, True
        self.dropping = 0 if math.isinf(self.dropping) else self.dropping

    def put(self, data: bytes, now_s: float) -> None:
        due_s = max(self.due_s, now_s)
        if self.out and self.out[-1][0] == due_s:
            self.out[-1][1].extend(data)
        elif data:
            self.out.append((due_s, bytearray(data)))

    def take(self) -> list[tuple[float, bytes]]:
        taken, self.out = [(due_s, bytes(data)) for due_s, data in self.out], []
        return taken


# -- the wire -----------------------------------------------------------------------------------


class FaultyWire:
    """A `Wire`, and a `LineWire` where `wire` is one. ``tell("injected", text, ...)`` is called for
    each fault that strikes; ``elapsed_s()`` is the time since the start. Raises `UsageError` for a
    `Reset` of a far end that cannot be reset."""

    def __init__(
        self,
        wire: Wire,
        clock: Clock,
        injections: Sequence[Injection],
        *,
        seed: int,
        tell: Callable[..., None],
        elapsed_s: Callable[[], float],
    ) -> None:
        self.name = wire.name
        self.address = wire.address
        self.keeps_messages = wire.keeps_messages
        self._wire: Any = wire
        self._clock = clock
        self._tell = tell
        self._elapsed_s = elapsed_s
        self._random = random.Random(f"{seed} {wire.name}")
        self._live = [_Live(each, _number(each.times)) for each in injections]
        self._ways: dict[Side, _Way] = {"sent": _Way(), "received": _Way()}
        self._arriving: deque[tuple[float, bytes]] = deque()
        self._lost = False
        self._shut_until_s = -math.inf
        # Answers that are to be replaced, and the one that is.
        self._questions: list[_Live] = []
        self._replacing: _Live | None = None
        self._answer = b""
        if any(isinstance(each.act, Reset) for each in injections) and not hasattr(wire, "reset"):
            raise UsageError(f"{self.name}: only a simulated board can be reset by a fault plan")

    def open(self) -> None:
        if self._clock.monotonic() < self._shut_until_s:
            raise CannotOpen("port_missing", self.name, f"{self.address} is gone (injected)")
        self._lost = False
        self._wire.open()

    def close(self) -> None:
        self._lost = False
        self._forget()
        self._wire.close()

    def _forget(self) -> None:
        self._arriving.clear()
        self._replacing, self._answer = None, b""
        for way in self._ways.values():
            way.end_message()
            way.due_s = -math.inf

    def write(self, data: bytes) -> None:
        self._begin("sent")
        received = self._ways["received"]
        if self._replacing is not None:  # never completed
            self._arrive(self._answer)
        received.end_message()
        way = self._ways["sent"]
        way.begins = True
        self._pass("sent", data)
        for due_s, piece in way.take():
            self._clock.sleep(due_s - self._clock.monotonic())
            self._wire.write(piece)
        self._check()
        asked = [live for live in self._questions if _question(live).search(data)]
        self._replacing = asked[0] if asked else None
        self._answer = b""

    def read(self, timeout_s: float) -> bytes:
        deadline_s = self._clock.monotonic() + timeout_s
        while True:
            self._begin("received")
            now_s = self._clock.monotonic()
            data = self._arrived(now_s)
            if data:
                return data
            left_s = max(deadline_s - now_s, 0.0)
            came = self._wire.read(max(min(left_s, self._next_s(now_s)), 0.0))
            if came:
                self._take(came)
            elif left_s <= _SAME_S:
                return b""

    def set_lines(
        self, *, dtr: bool | None = None, rts: bool | None = None, brk: bool | None = None
    ) -> None:
        self._begin("sent")
        self._wire.set_lines(dtr=dtr, rts=rts, brk=brk)

    # -- bytes ------------------------------------------------------------------------------

    def _arrived(self, now_s: float) -> bytes:
        data = b""
        while self._arriving and self._arriving[0][0] <= now_s + _SAME_S:
            data += self._arriving.popleft()[1]
        return data

    def _next_s(self, now_s: float) -> float:
        """In how many s something happens by itself."""
        due_s = [self._arriving[0][0] - now_s] if self._arriving else []
        elapsed_s = self._elapsed_s()
        for live in self._live:
            if isinstance(live.injection.when, AtTime) and live.left > 0:
                due_s.append(live.injection.when.time_s - elapsed_s)
        return max(min(due_s, default=math.inf), _SAME_S)

    def _take(self, data: bytes) -> None:
        self._ways["sent"].end_message()
        if self._replacing is None:
            self._arrive(data)
            return
        self._answer += data
        act = self._replacing.injection.act
        assert isinstance(act, Replace)
        answer = act.rewrite(self._answer)
        if answer is not None:
            self._questions.remove(self._replacing)
            self._told(self._replacing)
            self._replacing = None
            self._arrive(answer)

    def _arrive(self, data: bytes) -> None:
        self._pass("received", data)
        self._arriving.extend(self._ways["received"].take())

    def _pass(self, side: Side, data: bytes) -> None:
        """Put on its way what is left of `data`."""
        way, now_s = self._ways[side], self._clock.monotonic()
        matches = self._matches(side, data)
        for index, byte in enumerate(data):
            for live in self._live:
                if live.left > 0 and self._is_due(live, side, way.begins, index in matches[id(live)]):
                    self._fire(live)
            way.begins = False
            if self._lost:
                return
            self._pass_byte(side, byte, now_s)

    def _pass_byte(self, side: Side, byte: int, now_s: float) -> None:
        way = self._ways[side]
        ready = [live for bytes_left, live in way.armed if bytes_left == 0]
        way.armed = [(bytes_left - 1, live) for bytes_left, live in way.armed if bytes_left > 0]
        for live in ready:
            byte = self._strike(live, side, byte)
        if self._lost or now_s < way.silent_until_s:
            return
        if way.dropping > 0:
            way.dropping -= 1
            return
        way.put(bytes([byte]) * (2 if way.doubling > 0 else 1), now_s)
        way.doubling = max(way.doubling - 1, 0)

    # -- triggers ---------------------------------------------------------------------------

    def _matches(self, side: Side, data: bytes) -> dict[int, set[int]]:
        """Of each live injection, at which places of `data` its match comes."""
        way = self._ways[side]
        before = len(way.message)
        way.message += data
        found: dict[int, set[int]] = {id(live): set() for live in self._live}
        end = way.searched
        for live in self._live:
            when = live.injection.when
            if not isinstance(when, AtMatch) or when.side != side:
                continue
            for match in when.pattern.finditer(way.message, way.searched):
                if match.end() > max(before, match.start()):
                    live.seen += 1
                    end = max(end, match.end())
                    if live.seen >= when.number:
                        found[id(live)].add(max(match.start() - before, 0))
        too_long = max(len(way.message) - _LONGEST, 0)
        way.message, way.searched = way.message[too_long:], max(end - too_long, 0)
        return found

    def _is_due(self, live: _Live, side: Side, begins: bool, matches: bool) -> bool:
        """Whether a byte that is about to pass triggers an injection."""
        when = live.injection.when
        match when:
            case Chance():
                mine = side == live.injection.side
                return mine and self._random.random() < when.probability
            case AtMessage():
                if not begins or side != when.side:
                    return False
                live.seen += 1
                return live.seen >= when.number
            case _:
                return matches

    def _fire(self, live: _Live) -> None:
        live.left -= 1
        if isinstance(live.injection.act, Replace):
            self._questions.append(live)
        else:
            self._ways[live.injection.side].armed.append((live.injection.after, live))

    def _begin(self, side: Side) -> None:
        """What happens by itself before something is done on a side."""
        self._clock.check()
        elapsed_s = self._elapsed_s()
        for live in self._live:
            when = live.injection.when
            if isinstance(when, AtTime) and live.left > 0 and elapsed_s >= when.time_s - _SAME_S:
                live.left = 1  # there is one such moment
                self._fire(live)
        way = self._ways[side]
        for entry in list(way.armed):
            bytes_left, live = entry
            act, when = live.injection.act, live.injection.when
            alone = isinstance(act, Insert) and isinstance(when, AtTime)
            if bytes_left == 0 and (alone or isinstance(act, _AT_ONCE)):
                way.armed.remove(entry)
                self._strike(live, side, None)
        if way.out:
            self._flush(side, way)
        self._check()

    def _flush(self, side: Side, way: _Way) -> None:
        if side == "received":
            self._arriving.extend(way.take())
            return
        for _, piece in way.take():
            self._wire.write(piece)

    def _check(self) -> None:
        if self._lost:
            self._wire.close()
            self._forget()
            raise WireLost(self.name, f"{self.address} was closed by its other end (injected)")

    # -- acts -------------------------------------------------------------------------------

    def _strike(self, live: _Live, side: Side, byte: int | None) -> int:
        """Let it happen, at a `byte` or between two; returns what has become of the byte."""
        way, act, now_s = self._ways[side], live.injection.act, self._clock.monotonic()
        self._told(live)
        match act:
            case Drop():
                way.dropping += act.count
            case Duplicate():
                way.doubling += act.count
            case Flip():
                return (byte or 0) ^ act.mask
            case Insert():
                way.put(act.data, now_s)
            case Cut():
                way.dropping = math.inf
            case Delay():
                way.due_s = max(way.due_s, now_s) + act.duration_s
            case Silence():
                way.silent_until_s = now_s + act.duration_s
            case Close():
                self._lost, self._shut_until_s = True, now_s + act.duration_s
            case Reset():
                self._wire.reset()
        return byte or 0

    def _told(self, live: _Live) -> None:
        injection = live.injection
        act = injection.act
        what = act.told if isinstance(act, Replace) else _TOLD[type(act)]
        self._tell(
            "injected",
            f"on purpose, {self.name}: {what} ({injection.side})",
            wire=self.name,
            fault=type(act).__name__.lower(),
        )


def _number(times: int | None) -> float:
    return math.inf if times is None else times


def _question(live: _Live) -> re.Pattern[bytes]:
    act = live.injection.act
    assert isinstance(act, Replace)
    return act.question
