"""A wire inside the process, to a simulated instrument, on whatever clock is used."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from benchrig.clock import Clock
from benchrig.errors import CannotOpen, WireLost


class FarEnd(Protocol):
    """What a simulated wire leads to. `t` is in seconds on the clock's axis, never decreasing."""

    def connect(self, t: float) -> None: ...

    def disconnect(self, t: float) -> None: ...

    def receive(self, data: bytes, t: float) -> None: ...

    def output(self, t: float) -> bytes:
        """All that was sent up to `t` and has not been fetched."""
        ...

    def next_output(self, t: float) -> float | None:
        """The earliest time after `t` at which output may appear without a further stimulus."""
        ...

    def set_line(self, line: str, asserted: bool, t: float) -> None:
        """`line` is ``"dtr"``, ``"rts"`` or ``"brk"`` (TX held low)."""
        ...


class SimulatedWire:
    """A `LineWire` to a far end. `unplug` is for tests: from then on the wire is lost. ``reset(t)``
    is what `reset` calls."""

    keeps_messages = False

    def __init__(
        self,
        name: str,
        clock: Clock,
        far_end: FarEnd,
        *,
        reset: Callable[[float], None] = lambda t: None,
    ) -> None:
        self.name = name
        self.address = "simulated"
        self._clock = clock
        self._far_end = far_end
        self._reset = reset
        self._open = False
        self._unplugged = False

    def open(self) -> None:
        if self._unplugged:
            raise CannotOpen("port_missing", self.name, "the simulated wire is unplugged")
        self._far_end.connect(self._clock.monotonic())
        self._open = True

    def close(self) -> None:
        if self._open:
            self._far_end.disconnect(self._clock.monotonic())
        self._open = False

    def unplug(self) -> None:
        self.close()
        self._unplugged = True

    def reset(self) -> None:
        """Reset the far end, for a fault on purpose."""
        self._reset(self._clock.monotonic())

    def _check(self) -> None:
        if not self._open:
            state = "was unplugged" if self._unplugged else "is not open"
            raise WireLost(self.name, f"the simulated wire {state}")
        self._clock.check()

    def write(self, data: bytes) -> None:
        self._check()
        self._far_end.receive(data, self._clock.monotonic())

    def read(self, timeout_s: float) -> bytes:
        deadline_s = self._clock.monotonic() + timeout_s
        while True:
            self._check()
            now_s = self._clock.monotonic()
            data = self._far_end.output(now_s)
            if data or now_s >= deadline_s:
                return data
            next_s = self._far_end.next_output(now_s)
            wake_s = deadline_s if next_s is None else min(next_s, deadline_s)
            # At least a microsecond, so that rounding cannot hold the virtual clock in place.
            self._clock.sleep(max(wake_s - now_s, 1e-6))

    def set_lines(
        self, *, dtr: bool | None = None, rts: bool | None = None, brk: bool | None = None
    ) -> None:
        self._check()
        for line, level in (("dtr", dtr), ("rts", rts), ("brk", brk)):
            if level is not None:
                self._far_end.set_line(line, level, self._clock.monotonic())
