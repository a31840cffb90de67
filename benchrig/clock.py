"""The one place that knows time.

Everything that waits or looks at a clock is given a `Clock`. `RealClock` is the computer's;
`VirtualClock` jumps, so that a session of ten minutes runs in a fraction of a second with the
same code and the same result every time.

A clock also carries the request to stop. A signal handler calls `request_stop`; whoever waits
on the clock then gets `Interrupted` at a place where nothing is half sent.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from typing import Protocol

from benchrig.errors import Interrupted

# The longest a wait may last before it looks for a request to stop.
SLICE_S = 0.05


class Clock(Protocol):
    def monotonic(self) -> float:
        """Seconds since some fixed moment; never runs backwards."""
        ...

    def now(self) -> datetime:
        """The date and time, in UTC."""
        ...

    def sleep(self, duration_s: float) -> None:
        """Wait. Raises `Interrupted` if a stop was requested before or meanwhile."""
        ...

    def check(self) -> None:
        """Raise `Interrupted` if a stop was requested and is not being ignored."""
        ...

    def request_stop(self, reason: str) -> None:
        """Ask whoever waits on this clock to end. Safe in a signal handler."""
        ...

    def ignore_stop(self) -> None:
        """From now on no request interrupts: the bench is being left safe."""
        ...


class _Stoppable:
    def __init__(self) -> None:
        self._stop_reason: str | None = None
        self._ignoring = False

    def request_stop(self, reason: str) -> None:
        if self._stop_reason is None:
            self._stop_reason = reason

    def ignore_stop(self) -> None:
        self._ignoring = True

    def check(self) -> None:
        if self._stop_reason is not None and not self._ignoring:
            raise Interrupted(self._stop_reason)


class RealClock(_Stoppable):
    """The computer's monotonic clock and date."""

    def monotonic(self) -> float:
        return time.monotonic()

    def now(self) -> datetime:
        return datetime.now(UTC)

    def sleep(self, duration_s: float) -> None:
        deadline = time.monotonic() + duration_s
        while True:
            self.check()
            left = deadline - time.monotonic()
            if left <= 0:
                return
            time.sleep(min(left, SLICE_S))


class VirtualClock(_Stoppable):
    """A clock that jumps over every wait.

    `start` is the date it begins at: fixed, so that a run in a test is the same every time.
    """

    def __init__(self, start: datetime = datetime(2026, 1, 1, tzinfo=UTC)) -> None:
        super().__init__()
        self._start = start
        self._elapsed_s = 0.0

    def monotonic(self) -> float:
        return self._elapsed_s

    def now(self) -> datetime:
        return self._start + timedelta(seconds=self._elapsed_s)

    def sleep(self, duration_s: float) -> None:
        self.check()
        self._elapsed_s += max(duration_s, 0.0)
