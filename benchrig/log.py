"""The session's log: one place where what happens gets its time and its state, and goes out to
whoever listens."""

from __future__ import annotations

from typing import Any

from benchrig.clock import Clock
from benchrig.events import Event, Happened, Listener


class Log:
    def __init__(self, clock: Clock, *listeners: Listener) -> None:
        self._clock = clock
        self._listeners = listeners
        self.started = clock.now()
        self.start_s = clock.monotonic()
        self.state: str | None = None
        self.entries: list[Happened] = []

    def tell(self, kind: str, text: str, **data: Any) -> None:
        time_s = self._clock.monotonic() - self.start_s
        entry = Happened(round(time_s, 6), kind, text, self.state, data)
        self.entries.append(entry)
        self.emit(entry)

    def emit(self, event: Event) -> None:
        for listener in self._listeners:
            listener(event)
