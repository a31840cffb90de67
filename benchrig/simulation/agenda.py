"""What a simulated board is going to do, in order of time."""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable
from dataclasses import dataclass, field

Action = Callable[[float], None]


@dataclass(frozen=True, slots=True, order=True)
class _Entry:
    t: float
    number: int  # entries for the same moment are done in the order in which they were made
    action: Action = field(compare=False)
    silent: bool = field(compare=False)
    lasting: bool = field(compare=False)


class Agenda:
    """Actions with their times. One that is `lasting` survives `drop`; one that is `silent`
    only changes a current, and can lead to no output."""

    def __init__(self) -> None:
        self._entries: list[_Entry] = []
        self._made = 0

    def add(self, t: float, action: Action, *, silent: bool = False, lasting: bool = False) -> None:
        heapq.heappush(self._entries, _Entry(t, self._made, action, silent, lasting))
        self._made += 1

    def drop(self) -> None:
        """Forget everything that is not lasting."""
        self._entries = [entry for entry in self._entries if entry.lasting]
        heapq.heapify(self._entries)

    @property
    def next_s(self) -> float:
        return self._entries[0].t if self._entries else math.inf

    def next_audible_s(self) -> float:
        """The next action that may lead to output; inf if there is none."""
        return min((entry.t for entry in self._entries if not entry.silent), default=math.inf)

    def run_due(self, t: float) -> None:
        while self._entries and self._entries[0].t <= t:
            entry = heapq.heappop(self._entries)
            entry.action(entry.t)
