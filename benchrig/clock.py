"""The one place that knows time.

Everything that waits or looks at a clock is given a `Clock`. `RealClock` is the computer's;
`VirtualClock` jumps, so that a session of ten minutes runs in a fraction of a second with the
same code and the same result every time.

`LatchedClock` is another clock that stands still between the moments that a recording keeps, so
that a replay sees the same time however often the code looks at it.

A clock also heeds a request to stop. A signal handler makes the request; whoever waits on the
clock then gets `Interrupted` at a place where nothing is half sent.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from datetime import UTC, datetime, timedelta
from typing import Protocol

from benchrig.errors import Interrupted

# The longest a wait may last before it looks for a request to stop.
SLICE_S = 0.05


class StopRequest:
    """Made before there is a clock, so that a signal can be caught from the first moment."""

    def __init__(self) -> None:
        self.reason: str | None = None

    def make(self, reason: str) -> None:
        """Ask for the end; the first reason stays. Safe in a signal handler and in any thread."""
        if self.reason is None:
            self.reason = reason


class Clock(Protocol):
    stop: StopRequest

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
        """Raise `Interrupted` if a stop was requested, except inside `shielded`."""
        ...

    def shielded(self) -> AbstractContextManager[None]:
        """Inside it no request interrupts: the bench is being left safe."""
        ...


class _Stoppable:
    def __init__(self, stop: StopRequest | None) -> None:
        self.stop = StopRequest() if stop is None else stop
        self._shields = 0

    @contextmanager
    def shielded(self) -> Iterator[None]:
        self._shields += 1
        try:
            yield
        finally:
            self._shields -= 1

    def check(self) -> None:
        if self.stop.reason is not None and not self._shields:
            raise Interrupted(self.stop.reason)


class RealClock(_Stoppable):
    """The computer's monotonic clock and date."""

    def __init__(self, stop: StopRequest | None = None) -> None:
        super().__init__(stop)

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

    def __init__(
        self,
        start: datetime = datetime(2026, 1, 1, tzinfo=UTC),
        stop: StopRequest | None = None,
    ) -> None:
        super().__init__(stop)
        self._start = start
        self._elapsed_s = 0.0

    def monotonic(self) -> float:
        return self._elapsed_s

    def now(self) -> datetime:
        return self._start + timedelta(seconds=self._elapsed_s)

    def sleep(self, duration_s: float) -> None:
        self.check()
        self._elapsed_s += max(duration_s, 0.0)


class LatchedClock:
    """Another clock that stands still outside `moving` and `sleep`: between two acts at the bench
    only this process computes.

    ``kept(time_s, duration_s, interrupted)`` is called after each sleep, with None for the duration
    where `check` has interrupted. `origin` is the date and the time at which it began.
    """

    def __init__(self, inner: Clock) -> None:
        self.stop = inner.stop
        self.kept: Callable[[float, float | None, Interrupted | None], None] | None = None
        self._inner = inner
        self._moving = 0
        self.begin()

    def begin(self) -> None:
        """Begin at the present moment."""
        self.origin = self._inner.now(), self._inner.monotonic()
        self._time_s = self.origin[1]

    def monotonic(self) -> float:
        if self._moving:
            self._time_s = self._inner.monotonic()
        return self._time_s

    @property
    def told_s(self) -> float:
        """The time that was told last: that of what has just been told, also while time passes."""
        return self._time_s

    def now(self) -> datetime:
        start, start_s = self.origin
        return start + timedelta(seconds=self.monotonic() - start_s)

    @contextmanager
    def moving(self) -> Iterator[None]:
        """Inside, time passes: something is done on a wire."""
        self._moving += 1
        try:
            yield
        finally:
            self._moving -= 1
            self._time_s = self._inner.monotonic()

    @property
    def is_moving(self) -> bool:
        return self._moving > 0

    def sleep(self, duration_s: float) -> None:
        if self._moving:
            self._inner.sleep(duration_s)
            return
        interrupted: Interrupted | None = None
        try:
            with self.moving():
                self._inner.sleep(duration_s)
        except Interrupted as request:
            interrupted = request
            raise
        finally:
            self._keep(duration_s, interrupted)

    def check(self) -> None:
        try:
            self._inner.check()
        except Interrupted as request:
            if not self._moving:
                self._keep(None, request)
            raise

    def _keep(self, duration_s: float | None, interrupted: Interrupted | None) -> None:
        if self.kept is not None:
            self.kept(self._time_s, duration_s, interrupted)

    def shielded(self) -> AbstractContextManager[None]:
        return self._inner.shielded()
