"""Recorded wires: what was read comes again where the same is sent, at the recorded times.

All wires and the clock of a session are one tape, since one thing is done after the other. What is
sent must be what was sent then: an open, a close, a write, levels of lines. How long something is
waited for may differ, so that old recordings stay of use where a time-out has changed; each such
wait is counted, for with none the times, and so all figures, are exactly those of the session.
"""

from __future__ import annotations

import difflib
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from datetime import datetime, timedelta

from benchrig.clock import StopRequest
from benchrig.errors import Fault, ReplayEnded, ReplayMismatch
from benchrig.wires.recording import SENDS, Act, Kind, levels_of

# A loop that waits for what the recording does not hold must end.
MOST_OTHER_WAITS = 100_000
_NO_LEVELS: Mapping[str, bool] = {}


class Tape:
    """The acts of a session, used up one after the other. `complete`: the session had ended by
    itself. `step` is for reports: what the session was doing."""

    def __init__(self, acts: Sequence[Act], start_s: float, *, complete: bool) -> None:
        self.time_s = start_s
        self.step = "before the first step"
        self.tell: Callable[..., None] = lambda kind, text, **data: None
        self.other_waits = 0
        self._acts = acts
        self._complete = complete
        self._at = 0
        # The next act; none after the last.
        self._act = acts[0] if acts else None
        # What was read then in places where nobody reads now.
        self._unread: dict[str, list[bytes]] = defaultdict(list)
        # Once it has stopped nothing goes on, whoever tries.
        self._stopped: ReplayEnded | None = None

    @property
    def left(self) -> int:
        """How many acts have not been used."""
        return len(self._acts) - self._at

    def _next(self) -> Act | None:
        if self._stopped is not None:
            raise self._stopped
        return self._act

    def _next_on_wire(self) -> Act | None:
        """The next, after what was told in the middle of it."""
        while (act := self._next()) is not None and act.told is not None:
            self._use(act)
            self.tell(act.told.kind, act.told.text, **act.told.data)
        return act

    def _use(self, act: Act) -> bytes:
        """Let it happen again."""
        self._at += 1
        self._act = self._acts[self._at] if self._at < len(self._acts) else None
        if act.time_s > self.time_s:
            self.time_s = act.time_s
        if act.failure is not None:
            fault = act.failure.fault(act.wire)
            if fault is None:
                raise self._stop(ReplayEnded(f"the session was cut off by a {act.failure.name}"))
            raise fault
        return act.data

    def _stop(self, why: ReplayEnded) -> ReplayEnded:
        self._stopped = why
        return why

    # -- waiting ----------------------------------------------------------------------------

    def sleep(self, duration_s: float) -> None:
        act = self._next_on_wire()
        if act is not None and act.kind == "sleep":
            self._use(act)
        else:
            self._wait_otherwise(duration_s)

    def read(self, wire: str, timeout_s: float) -> bytes:
        act = self._next_on_wire()
        if unread := self._unread.get(wire):
            return unread.pop(0)
        if act is not None and act.kind == "read" and act.wire == wire:
            return self._use(act)
        self._wait_otherwise(timeout_s)
        return b""

    def _wait_otherwise(self, duration_s: float) -> None:
        if not self.left and not self._complete:
            raise self._stop(ReplayEnded(f"the recording ends here: {self.step}"))
        self.other_waits += 1
        if self.other_waits > MOST_OTHER_WAITS:
            raise self._stop(ReplayMismatch(f"{self.step}: waits without end for a reply"))
        self.time_s += max(duration_s, 0.0)

    def check(self) -> None:
        act = self._next()
        if act is not None and act.kind == "check":
            self._use(act)

    def heard(self, count: int) -> None:
        """The listeners are at their event number `count`. Raises what one of them raised then."""
        raised: list[Fault] = []
        while (act := self._next()) and (act.kind, act.count) == ("listener", count):
            try:
                self._use(act)
            except Fault as fault:
                raised.append(fault)
        if raised:
            raise raised[0]

    # -- sending ----------------------------------------------------------------------------

    def send(
        self, kind: Kind, wire: str, data: bytes = b"", levels: Mapping[str, bool] = _NO_LEVELS
    ) -> None:
        """Do what was done then. Raises `ReplayMismatch` if it was something else."""
        act = self._next_on_wire()
        while act is not None and act.kind in ("sleep", "read") and act.failure is None:
            # Waits that are none any more.
            self.other_waits += 1
            if read := self._use(act):
                self._unread[act.wire].append(read)
            act = self._next_on_wire()
        if act is None and not self._complete:
            raise self._stop(ReplayEnded(f"the recording ends here: {self.step}"))
        if act is None and kind == "close":
            return  # cut off while its ports were closed, or left open by who had opened them
        if act is None or _sent(act) != (kind, wire, data, levels):
            wanted = Act(kind, wire, data=data, levels=dict(levels))
            raise self._stop(ReplayMismatch(self._report(wanted, act)))
        self._use(act)

    def _report(self, wanted: Act, act: Act | None) -> str:
        return "\n".join(
            [
                "the replay would send something else than was recorded",
                f"  step:      {self.step}",
                f"  now:       {told(wanted)}",
                f"  recorded:  {self._told_at(self._at) if act else 'nothing more'}",
                *self._about_nearest(wanted),
            ]
        )

    def _told_at(self, index: int) -> str:
        """An exchange: what was sent, and what came back before the next thing was sent there."""
        act = self._acts[index]
        reply = b""
        for later in self._acts[index + 1 :]:
            if later.wire == act.wire:
                if later.kind in SENDS:
                    break
                reply += later.data
        answer = f", answered {shown(reply)}" if reply else ""
        return f"{told(act)}{answer} (line {act.line})"

    def _about_nearest(self, wanted: Act) -> Iterator[str]:
        nearest = self._nearest(wanted)
        if nearest is None:
            yield f"  nearest:   nothing was ever sent to the {wanted.wire}"
            return
        act = self._acts[nearest]
        yield f"  nearest:   {self._told_at(nearest)}"
        fields = {
            "wire": act.wire == wanted.wire,
            "act": act.kind == wanted.kind,
            "bytes": act.data == wanted.data,
            "lines": act.levels == wanted.levels,
            "place": nearest == self._at,
        }
        yield f"  agree:     {', '.join(name for name, same in fields.items() if same) or 'none'}"
        yield f"  differ:    {', '.join(name for name, same in fields.items() if not same)}"
        if nearest < self._at:
            same = "the same" if _sent(act) == _sent(wanted) else "one like it"
            yield f"  used up:   {same} was recorded earlier, and is used up already"
        elif nearest > self._at:
            between = sum(other.kind in SENDS for other in self._acts[self._at : nearest])
            yield f"  later:     before it there were other things to send: {between}"

    def _nearest(self, wanted: Act) -> int | None:
        """The most similar thing that was sent on this wire; of equals one that is not used up,
        and of these the closest."""

        def rank(index: int) -> tuple[float, bool, int]:
            act = self._acts[index]
            likeness = difflib.SequenceMatcher(None, act.data, wanted.data).ratio()
            same = (act.kind == wanted.kind) + (act.levels == wanted.levels) + likeness
            return same, index >= self._at, -abs(index - self._at)

        sent = [
            index
            for index, act in enumerate(self._acts)
            if act.kind in SENDS and act.wire == wanted.wire
        ]
        return max(sent, key=rank, default=None)


def _sent(act: Act) -> tuple[object, ...]:
    return act.kind, act.wire, act.data, act.levels


def shown(data: bytes) -> str:
    """Bytes as a person reads them: ``'ok\\r\\n'``."""
    return repr(data)[1:]


def told(act: Act) -> str:
    """Something that was sent, in words: ``write 'hello\\n' to the board``."""
    match act.kind:
        case "write":
            return f"write {shown(act.data)} to the {act.wire}"
        case "lines":
            levels = ", ".join(f"{line} {'on' if on else 'off'}" for line, on in act.levels.items())
            return f"set {levels} at the {act.wire}"
        case kind:
            return f"{kind} the {act.wire}"


class ReplayClock:
    """The clock of a tape. `origin`: date and time at which the session's clock began."""

    def __init__(self, tape: Tape, origin: tuple[datetime, float]) -> None:
        self.stop = StopRequest()
        self._tape = tape
        self._origin = origin

    def monotonic(self) -> float:
        return self._tape.time_s

    def now(self) -> datetime:
        start, start_s = self._origin
        return start + timedelta(seconds=self._tape.time_s - start_s)

    def sleep(self, duration_s: float) -> None:
        self._tape.sleep(duration_s)

    def check(self) -> None:
        self._tape.check()

    def shielded(self) -> AbstractContextManager[None]:
        # Where a request interrupted then, it does so now, and nowhere else.
        return nullcontext()


class ReplayWire:
    """A `LineWire` of a tape; touches no port."""

    def __init__(self, tape: Tape, name: str, address: str, *, keeps_messages: bool) -> None:
        self.name = name
        self.address = address
        self.keeps_messages = keeps_messages
        self._tape = tape

    def open(self) -> None:
        self._tape.send("open", self.name)

    def close(self) -> None:
        self._tape.send("close", self.name)

    def write(self, data: bytes) -> None:
        self._tape.send("write", self.name, data)

    def read(self, timeout_s: float) -> bytes:
        return self._tape.read(self.name, timeout_s)

    def set_lines(
        self, *, dtr: bool | None = None, rts: bool | None = None, brk: bool | None = None
    ) -> None:
        self._tape.send("lines", self.name, levels=levels_of(dtr, rts, brk))
