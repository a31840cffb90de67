"""The fault-plan file: what is to go wrong on purpose, on which wire, and when."""

from __future__ import annotations

import re
from collections.abc import Iterator
from os import PathLike
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Field, PlainSerializer

from benchrig.session.fields import (
    Duration,
    FileModel,
    HexBytes,
    PositiveDuration,
    Text,
    compiled,
)
from benchrig.session.toml_file import TomlFile, as_path, read_toml
from benchrig.session.toml_lines import KeyPath


def _byte_pattern(value: Any) -> re.Pattern[bytes]:
    if isinstance(value, re.Pattern):
        return value
    if not isinstance(value, str) or not value:
        raise ValueError("must be a regular expression, like 'FETC\\?'")
    return compiled(value.encode())


BytePattern = Annotated[
    re.Pattern[bytes],
    BeforeValidator(_byte_pattern),
    PlainSerializer(lambda pattern: pattern.pattern.decode()),
    Field(json_schema_extra={"type": "string", "examples": ["^hello"]}),
]

_TRIGGERS = ("probability", "message", "time", "sent", "received")


class When(FileModel):
    """One trigger: the `probability` of each byte, the n-th `message` of the fault's side, the
    `time` since the session began, or the n-th `match` of a pattern in what is `sent` or
    `received`."""

    probability: Annotated[float, Field(gt=0, le=1)] | None = None
    message: Annotated[int, Field(ge=1)] | None = None
    time: Duration | None = None
    sent: BytePattern | None = None
    received: BytePattern | None = None
    match: Annotated[int, Field(ge=1)] = 1

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        given = [key for key in _TRIGGERS if getattr(self, key) is not None]
        if not given:
            yield ((), f"is empty: give one of {', '.join(_TRIGGERS)}")
        for key in given[1:]:
            yield (key,), f"does not go with {given[0]}: give one of the two"
        if self.match != 1 and self.sent is None and self.received is None:
            yield ("match",), "goes with sent or received only"


Deed = Literal[
    "drop",
    "duplicate",
    "flip",
    "insert",
    "cut",
    "delay",
    "silence",
    "close",
    "overload",
    "error_queue",
    "reset",
]
# Which keys go with which deed; the other deeds have none of them.
_WITH = {
    "count": ("drop", "duplicate"),
    "bit": ("flip",),
    "data_hex": ("insert",),
    "duration": ("delay", "silence", "close"),
    "says": ("error_queue",),
}
_NEEDED = {"insert": "data_hex", "delay": "duration"}
_EXAMPLES = {"data_hex": 'data_hex = "FF"', "duration": 'duration = "1 s"'}


class PlannedFault(FileModel):
    """One fault. Without a `duration` a silence lasts for ever, and what was closed can be opened
    again at once. `times`: at most so often; without it once, or by probability without end."""

    wire: Literal["board", "meter", "supply"]
    do: Deed
    when: When
    side: Literal["sent", "received"] = "received"
    after: Annotated[int, Field(ge=0)] = 0
    times: Annotated[int, Field(ge=1)] | None = None
    count: Annotated[int, Field(ge=1)] | None = None
    bit: Annotated[int, Field(ge=0, le=7)] | None = None
    data_hex: HexBytes | None = None
    duration: PositiveDuration | None = None
    says: Text | None = None

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        for key, deeds in _WITH.items():
            if getattr(self, key) is not None and self.do not in deeds:
                yield (key,), f"goes with do = {' or '.join(map(repr, deeds))} only"
        needed = _NEEDED.get(self.do)
        if needed is not None and getattr(self, needed) is None:
            yield (needed,), f"is missing: add {_EXAMPLES[needed]}, say"
        if self.do == "overload" and self.wire != "meter":
            yield ("wire",), "must be 'meter': nothing else gives readings"
        if self.do == "error_queue" and self.wire == "board":
            yield ("wire",), "must be 'meter' or 'supply': a board has no error queue"
        if self.do == "reset" and self.wire != "board":
            yield ("wire",), "must be 'board': nothing else is reset"


class FaultPlanFile(TomlFile):
    FORMAT: ClassVar[str] = "benchrig/fault-plan/1"

    format: Literal["benchrig/fault-plan/1"]
    description: Text | None = None
    seed: Annotated[int, Field(ge=0)] = 1
    faults: Annotated[tuple[PlannedFault, ...], Field(strict=False)] = ()


def load_fault_plan(path: str | PathLike[str]) -> FaultPlanFile:
    """A fault-plan file. Raises `FileProblems` with all that is wrong in it, and `UsageError`."""
    return read_toml(as_path(path, "fault plan"), FaultPlanFile)
