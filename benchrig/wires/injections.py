"""The faults that a wire can be given on purpose, as frozen values: what happens, and when.

A message is what is written at once, or what comes in after one write until the next. A fault that
strikes on one side may be triggered on the other: the answer to a certain question is spoiled by a
trigger on what is sent and an act on what is received.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

Side = Literal["sent", "received"]


# -- when ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Chance:
    """Each byte on the side of the act has this probability."""

    probability: float


@dataclass(frozen=True)
class AtMessage:
    """At the first byte of the `number`-th message of a side, counted from 1."""

    number: int
    side: Side = "received"


@dataclass(frozen=True)
class AtTime:
    """From so long after the start on: at the bytes, or the answers, that come next. On a wire that
    is closed then, nothing happens before it is used again."""

    time_s: float


@dataclass(frozen=True)
class AtMatch:
    """At the `number`-th match of a pattern in the messages of a side, counted from 1. It begins
    with the first byte of the match, or of as much of it as comes last."""

    pattern: re.Pattern[bytes]
    number: int = 1
    side: Side = "sent"


When = Chance | AtMessage | AtTime | AtMatch


# -- what ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Drop:
    """`count` bytes are lost."""

    count: int = 1


@dataclass(frozen=True)
class Duplicate:
    """`count` bytes come twice."""

    count: int = 1


@dataclass(frozen=True)
class Flip:
    """A byte has the bits of `mask` inverted."""

    mask: int = 1


@dataclass(frozen=True)
class Insert:
    """Bytes come that nobody has sent; triggered by time they wait for no others."""

    data: bytes


@dataclass(frozen=True)
class Cut:
    """The rest of the message is lost."""


@dataclass(frozen=True)
class Delay:
    """The rest of the message, and all behind it, comes so much later."""

    duration_s: float


@dataclass(frozen=True)
class Silence:
    """All is lost for so long."""

    duration_s: float = math.inf


@dataclass(frozen=True)
class Close:
    """The other end closes; it cannot be opened again for so long."""

    duration_s: float = 0.0


@dataclass(frozen=True)
class Replace:
    """The answer to the next question that matches becomes another. ``rewrite(answer)`` is given
    all that has come of it, and returns None until that is the whole."""

    question: re.Pattern[bytes]
    rewrite: Callable[[bytes], bytes | None]
    told: str = "an answer is another"


@dataclass(frozen=True)
class Reset:
    """The far end resets: only a simulated one can be made to."""


Act = Drop | Duplicate | Flip | Insert | Cut | Delay | Silence | Close | Replace | Reset


@dataclass(frozen=True)
class Injection:
    """One fault of a plan: what happens, when, and on which side; `after` so many more bytes there;
    at most so many `times` (None: whenever it is triggered)."""

    act: Act
    when: When
    side: Side = "received"
    after: int = 0
    times: int | None = 1
