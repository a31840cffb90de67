"""A wire that does wrong on purpose: it wraps any other, and spoils what goes over it by a plan."""

from __future__ import annotations

import math
import random
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any

from benchrig.clock import Clock
from benchrig.errors import CannotOpen, UsageError, WireLost
from benchrig.wires import Wire
from benchrig.wires.injections import (
    AtMessage,
    AtTime,
    Chance,
    Close,
    Cut,
    Delay,
    Drop,
    Duplicate,
    Flip,
    Injection,
    Insert,
    Replace,
    Reset,
    Side,
    Silence,
)
from benchrig.wires.spoiling import Live, Way

# Times closer than this are the same, so that rounding cannot hold the virtual clock in place.
_SAME_S = 1e-6
# These need no byte to strike at.
_WITHOUT_BYTES = (Silence, Close, Reset)
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


class FaultyWire:
    """A `Wire`, and a `LineWire` where `wire` is one. ``tell("injected", text, ...)`` is called for
    each fault that strikes; ``elapsed_s()`` is the time since the start. Raises `UsageError` for a
    `Reset` of a far end that cannot be reset from here."""

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
        self._live = [
            Live(each, math.inf if each.times is None else each.times) for each in injections
        ]
        self._ways: dict[Side, Way] = {"sent": Way(), "received": Way()}
        self._arriving: deque[tuple[float, bytes]] = deque()
        self._lost = False
        self._shut_until_s = -math.inf
        # Those that wait for their question, the one whose answer is coming, and what has come.
        self._questions: list[Live] = []
        self._replacing: Live | None = None
        self._answer = b""
        if any(isinstance(each.act, Reset) for each in injections) and not hasattr(wire, "reset"):
            raise UsageError(f"{self.name}: a fault plan can reset a simulated board only")

    # -- what every wire does ---------------------------------------------------------------

    def open(self) -> None:
        if self._clock.monotonic() < self._shut_until_s:
            raise CannotOpen("port_missing", self.name, f"{self.address} is gone (injected)")
        self._lost = False
        self._wire.open()

    def close(self) -> None:
        self._lost = False
        self._forget()
        self._wire.close()

    def write(self, data: bytes) -> None:
        self._begin("sent")
        self._check()
        if self._replacing is not None:  # the rest of its answer did not come in time
            self._arrive(self._answer)
        self._end_message("received")
        self._ways["sent"].end_message()
        self._pass("sent", data)
        self._send()
        self._check()
        self._replacing = next((each for each in self._questions if _asks(each, data)), None)
        self._answer = b""

    def read(self, timeout_s: float) -> bytes:
        deadline_s = self._clock.monotonic() + timeout_s
        while True:
            self._begin("received")
            now_s = self._clock.monotonic()
            data = self._arrived(now_s)
            if data:
                return data
            self._check()
            left_s = max(deadline_s - now_s, 0.0)
            came = self._wire.read(min(left_s, self._next_s(now_s)))
            if came:
                self._take(came)
            elif left_s <= _SAME_S:
                return b""

    def set_lines(
        self, *, dtr: bool | None = None, rts: bool | None = None, brk: bool | None = None
    ) -> None:
        self._begin("sent")
        self._check()
        self._wire.set_lines(dtr=dtr, rts=rts, brk=brk)

    def _check(self) -> None:
        if self._lost:
            self._forget()
            self._wire.close()
            raise WireLost(self.name, f"{self.address} was closed by its other end (injected)")

    def _forget(self) -> None:
        self._arriving.clear()
        self._replacing, self._answer = None, b""
        for side, way in self._ways.items():
            self._end_message(side)
            way.forget()

    # -- bytes ------------------------------------------------------------------------------

    def _end_message(self, side: Side) -> None:
        self._ways[side].end_message()
        for live in self._live:
            live.end_message(side)

    def _send(self) -> None:
        for due_s, piece in self._ways["sent"].take():
            self._clock.sleep(due_s - self._clock.monotonic())
            self._wire.write(piece)

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
            when = live.injection.when
            if isinstance(when, AtTime) and when.time_s - elapsed_s > _SAME_S:
                due_s.append(when.time_s - elapsed_s)
        return max(min(due_s, default=math.inf), _SAME_S)

    def _take(self, data: bytes) -> None:
        self._end_message("sent")
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
        """Put on its way what becomes of `data`."""
        way, now_s = self._ways[side], self._clock.monotonic()
        matches = [live.matches(side, data) for live in self._live]
        for index, byte in enumerate(data):
            for live, places in zip(self._live, matches, strict=True):
                if live.left > 0 and (index in places or self._is_due(live, side, way.begins)):
                    self._fire(live)
            way.begins = False
            mask = 0
            for live in way.ready():
                mask ^= self._strike(live, side)
            if self._lost:
                return
            way.pass_byte(byte ^ mask, now_s)

    # -- faults -----------------------------------------------------------------------------

    def _is_due(self, live: Live, side: Side, begins: bool) -> bool:
        """Whether a byte that is about to pass triggers an injection, but by a match."""
        when = live.injection.when
        match when:
            case Chance():
                return side == live.injection.side and self._random.random() < when.probability
            case AtMessage():
                live.seen += begins and side == when.side
                return begins and side == when.side and live.seen >= when.number
            case AtTime():
                return side == live.injection.side and self._has_come(when)
        return False

    def _has_come(self, when: AtTime) -> bool:
        return self._elapsed_s() >= when.time_s - _SAME_S

    def _fire(self, live: Live) -> None:
        live.left -= 1
        if isinstance(live.injection.act, Replace):
            self._questions.append(live)
        else:
            self._ways[live.injection.side].armed.append((live.injection.after, live))

    def _begin(self, side: Side) -> None:
        """What happens by itself before something is done on a side."""
        self._clock.check()
        for live in self._live:
            act, when = live.injection.act, live.injection.when
            alone = isinstance(act, (Replace, Insert, *_WITHOUT_BYTES))
            waits = alone and live.left > 0 and live not in self._questions
            if waits and isinstance(when, AtTime) and self._has_come(when):
                # One without end strikes once at each moment, or time would stand still.
                now_s = self._clock.monotonic()
                if now_s - live.struck_s > _SAME_S:
                    live.struck_s = now_s
                    self._fire(live)
        for where, way in self._ways.items():
            for entry in [entry for entry in way.armed if _strikes_alone(*entry, where == side)]:
                way.armed.remove(entry)
                self._strike(entry[1], where)
        way = self._ways[side]
        if side == "received":
            self._arriving.extend(way.take())
        else:
            self._send()

    def _strike(self, live: Live, side: Side) -> int:
        """Let it happen; returns the mask of the bits to invert in the byte that comes."""
        act, now_s = live.injection.act, self._clock.monotonic()
        self._told(live)
        if isinstance(act, Close):
            self._lost, self._shut_until_s = True, now_s + act.duration_s
        elif isinstance(act, Reset):
            self._wire.reset()
        return self._ways[side].strike(act, now_s)

    def _told(self, live: Live) -> None:
        act, side = live.injection.act, live.injection.side
        what = act.told if isinstance(act, Replace) else _TOLD[type(act)]
        self._tell(
            "injected",
            f"on purpose, {self.name}, {side}: {what}",
            wire=self.name,
            fault=type(act).__name__.lower(),
        )


def _strikes_alone(bytes_left: int, live: Live, on_this_side: bool) -> bool:
    """Whether it strikes between two bytes, without waiting for the next."""
    act = live.injection.act
    if bytes_left > 0:
        return False
    if isinstance(act, (Close, Reset)):  # these have no side
        return True
    comes_by_itself = isinstance(act, Insert) and isinstance(live.injection.when, AtTime)
    return on_this_side and (comes_by_itself or isinstance(act, Silence))


def _asks(live: Live, data: bytes) -> bool:
    act = live.injection.act
    assert isinstance(act, Replace)
    return act.question.search(data) is not None
