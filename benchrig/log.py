"""The session's log: one place where what happens gets its time and its state, and goes out to
whoever listens."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from benchrig.clock import Clock
from benchrig.events import Event, Happened, Listener


class Log:
    """Times count from when it was made, or from the last `session`."""

    def __init__(self, clock: Clock, *listeners: Listener) -> None:
        self._clock = clock
        self._listeners = list(listeners)
        # What listeners raised while nothing may stop; None where it may.
        self._held: list[BaseException] | None = None
        self._begin()

    def _begin(self) -> None:
        self.started = self._clock.now()
        self.start_s = self._clock.monotonic()
        self.state: str | None = None
        self.entries: list[Happened] = []

    @contextmanager
    def session(self, listeners: Sequence[Listener]) -> Iterator[None]:
        """A session of its own, with listeners of its own besides those of the bench."""
        self._begin()
        before, self._listeners = self._listeners, [*self._listeners, *listeners]
        try:
            yield
        finally:
            self._listeners = before

    def tell(self, kind: str, text: str, **data: Any) -> None:
        time_s = self._clock.monotonic() - self.start_s
        entry = Happened(round(time_s, 6), kind, text, self.state, data)
        self.entries.append(entry)
        self.emit(entry)

    def emit(self, event: Event) -> None:
        for listener in self._listeners:
            try:
                listener(event)
            except BaseException as error:
                if self._held is None:
                    raise
                self._held.append(error)

    @contextmanager
    def undisturbed(self) -> Iterator[None]:
        """Inside it no listener stops anything: what they raise is raised, the first of it, at
        the end. Inside another one, at the end of that."""
        if self._held is not None:
            yield
            return
        held: list[BaseException] = []
        self._held = held
        try:
            yield
        finally:
            self._held = None
        if held:
            raise held[0]
