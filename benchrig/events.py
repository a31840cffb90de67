"""What happens in a session, as values. Screens, records and stores listen; none is needed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np

    from benchrig.measurement import Outcome
    from benchrig.result import SessionResult, StateResult


@dataclass(frozen=True)
class Happened:
    """One line of the session's log. `time_s` counts from the start of the session; `kind` is
    one stable word; `data` holds what a machine may want of it."""

    time_s: float
    kind: str
    text: str
    state: str | None = None
    data: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class SessionStarted:
    """`states`, `limits` (min and max in A), `expected_s` and `longest_s` have an entry for each
    visit; the last two are an estimate, and what its time limit allows."""

    session: str
    states: tuple[str, ...]
    limits: tuple[tuple[float | None, float | None], ...]
    expected_s: tuple[float, ...]
    longest_s: tuple[float, ...]


@dataclass(frozen=True)
class ReadingsTaken:
    """A batch. `times_s` (n,) counts from the start of the session; `currents_A` (n,) may hold
    the sentinels of SCPI-1999 for overload and not-a-number."""

    state: str
    times_s: np.ndarray
    currents_A: np.ndarray
    range_A: float
    outcome: Outcome | None


@dataclass(frozen=True)
class StateStarted:
    state: str


@dataclass(frozen=True)
class StateEnded:
    result: StateResult


@dataclass(frozen=True)
class ResultChanged:
    """The result so far, for whoever keeps it: a session may be cut off at any moment."""

    result: SessionResult


@dataclass(frozen=True)
class SessionEnded:
    result: SessionResult


Event = (
    Happened
    | SessionStarted
    | ReadingsTaken
    | StateStarted
    | StateEnded
    | ResultChanged
    | SessionEnded
)
Listener = Callable[[Event], None]
Tell = Callable[..., None]
"""``tell(kind, text, **data)``: how drivers report without knowing session, state or time."""


# Kinds of `Happened` that belong to every state, or are told better elsewhere: the lines for the
# states and the results hold what matters of them. The record has them all.
ROUTINE = frozenset(
    {
        "board_said", "entered", "hello", "late_reply", "parked", "power_cycle", "range",
        "reading_format", "reply_lost", "safe_end", "sent", "slept_on", "stimulus", "unasked",
        "unparked", "woken",
    }
)  # fmt: skip
