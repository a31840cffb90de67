"""A wire that keeps what crosses it: every act on it, with the time at its end."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any, Literal, cast

from benchrig.clock import LatchedClock
from benchrig.errors import CannotOpen, Fault, Interrupted, NoReply, WireFault, WireLost
from benchrig.wires import LineWire, Wire

Kind = Literal["open", "close", "write", "lines", "read", "sleep", "check", "listener", "told"]
"""``check``: a request to stop was heeded between two acts; ``listener``: who keeps the record or
shows it has raised something, which ends a session too; ``told``: a wire told the log something in
the middle of the next act, as one does that fails on purpose."""

SENDS = ("open", "close", "write", "lines")

_FAULTS = {
    kind.__name__: kind for kind in (CannotOpen, Interrupted, NoReply, WireLost, WireFault, Fault)
}


@dataclass(frozen=True)
class Failure:
    """How an act failed: class, kind and message of a fault; of what is none its class alone."""

    name: str
    kind: str = ""
    message: str = ""

    @classmethod
    def of(cls, error: BaseException) -> Failure:
        if type(error).__name__ in _FAULTS and isinstance(error, Fault):
            return cls(type(error).__name__, error.kind, error.message)
        return cls(type(error).__name__)

    def fault(self, wire: str) -> Fault | None:
        """The same fault once more; None for what was none."""
        if self.name not in _FAULTS or not self.kind:
            return None
        kind = _FAULTS[self.name]
        fault = kind.__new__(kind)
        # Past its own constructor, which would put the wire in front of the message once more.
        Fault.__init__(fault, self.kind, self.message)
        if isinstance(fault, WireFault):
            fault.wire = wire
        return fault


@dataclass(frozen=True)
class Told:
    """What was told to the log, of one stable `kind`."""

    kind: str
    text: str
    data: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Act:
    """Something done on a wire or with the clock. `time_s` is that of the session's clock at its
    end; `data` what was written or read; `levels` the lines that were set; `duration_s` of a
    sleep; `count` the number of the event at which a listener failed; `line` where it stands."""

    kind: Kind
    wire: str = ""
    time_s: float = 0.0
    data: bytes = b""
    levels: dict[str, bool] = field(default_factory=dict)
    duration_s: float = 0.0
    count: int = 0
    failure: Failure | None = None
    told: Told | None = None
    line: int = 0


Keep = Callable[[Act], None]


class RecordingWire:
    """A `LineWire` round any wire, which may be one without lines: then nobody sets them."""

    def __init__(self, inner: Wire, clock: LatchedClock, keep: Keep) -> None:
        self.name = inner.name
        self.address = inner.address
        self.keeps_messages = inner.keeps_messages
        self._inner = inner
        self._clock = clock
        self._keep = keep

    @contextmanager
    def _kept(self, act: Act) -> Iterator[list[bytes]]:
        """Does what is inside while time passes, and keeps the act, whatever comes of it. What is
        put into the list is what was read."""
        read: list[bytes] = []
        failure: Failure | None = None
        try:
            with self._clock.moving():
                yield read
        except BaseException as error:
            failure = Failure.of(error)
            raise
        finally:
            data = b"".join(read) or act.data
            time_s = self._clock.monotonic()
            self._keep(replace(act, time_s=time_s, data=data, failure=failure))

    def open(self) -> None:
        with self._kept(Act("open", self.name)):
            self._inner.open()

    def close(self) -> None:
        with self._kept(Act("close", self.name)):
            self._inner.close()

    def write(self, data: bytes) -> None:
        with self._kept(Act("write", self.name, data=data)):
            self._inner.write(data)

    def read(self, timeout_s: float) -> bytes:
        with self._kept(Act("read", self.name)) as read:
            read.append(self._inner.read(timeout_s))
        return read[0]

    def set_lines(
        self, *, dtr: bool | None = None, rts: bool | None = None, brk: bool | None = None
    ) -> None:
        levels = levels_of(dtr, rts, brk)
        with self._kept(Act("lines", self.name, levels=levels)):
            cast(LineWire, self._inner).set_lines(dtr=dtr, rts=rts, brk=brk)


def levels_of(dtr: bool | None, rts: bool | None, brk: bool | None) -> dict[str, bool]:
    """The lines that are to be set, by name."""
    lines = {"dtr": dtr, "rts": rts, "brk": brk}
    return {line: level for line, level in lines.items() if level is not None}
