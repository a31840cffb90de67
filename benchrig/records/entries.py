"""What stands in a recording: acts on wires and notes of what the session did, as JSON objects.

    op                      with
    write, read             wire, and text or base64; neither: the read timed out
    lines                   wire, levels: {"dtr": true}
    open, close             wire
    sleep                   for, in s
    check, listener, told   see `Kind`
    state, step             state, kind, text: a state begins; the session told of something
    row, result             content: a state, and the session, has ended

Each has `t`, in s on the session's clock, at its end; an act that failed has ``failed``: the name,
kind and message of its fault.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, get_args

from benchrig.events import Event, Happened, SessionEnded, StateEnded, StateStarted
from benchrig.wires.recording import Act, Failure, Kind, Told

NoteKind = Literal["state", "step", "row", "result"]
_NOTES, _ACTS = frozenset(get_args(NoteKind)), frozenset(get_args(Kind))
_TEXT = re.compile(rb"[ -~\t\r\n]+")
# Three centuries: later ones are no times of a session.
MOST_S = 1e10
# These are on the wire as well.
_ON_THE_WIRE = ("sent", "board_said")


@dataclass(frozen=True)
class Note:
    """A state begins, a step is told of, a state or the session has ended with its `content`."""

    op: NoteKind
    time_s: float
    kind: str = ""
    state: str | None = None
    text: str = ""
    content: dict[str, Any] = field(default_factory=dict)
    line: int = 0


Entry = Act | Note


def note_of(event: Event, time_s: float) -> Note | None:
    """What is kept of an event, if anything."""
    match event:
        case Happened() if event.kind not in _ON_THE_WIRE:
            return Note("step", time_s, event.kind, event.state, event.text)
        case StateStarted():
            return Note("state", time_s, state=event.state)
        case StateEnded():
            row = event.result.model_dump(mode="json")
            return Note("row", time_s, state=event.result.name, content=row)
        case SessionEnded():
            return Note("result", time_s, content=event.result.model_dump(mode="json"))
    return None


# -- out ------------------------------------------------------------------------------------


def as_json(entry: Entry) -> dict[str, Any]:
    """Only what differs from the defaults: most entries are short."""
    if isinstance(entry, Note):
        told = {"kind": entry.kind, "state": entry.state, "text": entry.text}
        told = {key: value for key, value in told.items() if value}
        content = {"content": entry.content} if entry.content else {}
        return {"t": entry.time_s, "op": entry.op, **told, **content}
    out: dict[str, Any] = {"t": entry.time_s, "op": entry.kind}
    if entry.wire:
        out["wire"] = entry.wire
    if entry.data:
        out |= data_out(entry.data)
    if entry.levels:
        out["levels"] = entry.levels
    if entry.kind == "sleep":
        out["for"] = entry.duration_s
    if entry.count:
        out["event"] = entry.count
    if entry.told is not None:
        out["told"] = vars(entry.told)
    if entry.failure is not None:
        out["failed"] = {key: value for key, value in vars(entry.failure).items() if value}
    return out


def data_out(data: bytes) -> dict[str, str]:
    """Bytes as text where they are readable, else in base64."""
    if _TEXT.fullmatch(data):
        return {"text": data.decode("ascii")}
    return {"base64": base64.b64encode(data).decode("ascii")}


# -- in -------------------------------------------------------------------------------------


def from_json(raw: Any, line: int) -> Entry:
    """Raises `ValueError` for what is no entry."""
    if not isinstance(raw, dict):
        raise ValueError("is no JSON object")
    op: Any = raw.get("op")
    time_s = number_at(raw, "t")
    known = isinstance(op, str) and (op in _ACTS or op in _NOTES)
    if not known:
        raise ValueError(f"op is {op!r}, which this version does not know")
    if op in _NOTES:
        content = raw.get("content", {})
        if not isinstance(content, dict):
            raise ValueError(f"the content of a {op} is no JSON object")
        kind, text = text_at(raw, "kind"), text_at(raw, "text")
        return Note(op, time_s, kind, text_at(raw, "state") or None, text, content, line)
    return Act(
        op,
        text_at(raw, "wire"),
        time_s,
        _data_in(raw),
        _levels(raw["levels"]) if "levels" in raw else {},
        number_at(raw, "for") if op == "sleep" else 0.0,
        raw["event"] if isinstance(raw.get("event"), int) else 0,
        _failure(raw["failed"]) if "failed" in raw else None,
        _told(raw["told"]) if "told" in raw else None,
        line,
    )


def number_at(raw: Mapping[str, Any], key: str) -> float:
    value: Any = raw.get(key)
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not is_number or not -MOST_S < value < MOST_S:
        raise ValueError(f"{key} is {value!r}, and no time in seconds")
    return float(value)


def text_at(raw: Mapping[str, Any], key: str) -> str:
    value = raw.get(key, "")
    if not isinstance(value, str):
        raise ValueError(f"{key} is {value!r}, and no text")
    return value


def _data_in(raw: dict[str, Any]) -> bytes:
    if "base64" in raw:
        return base64.b64decode(text_at(raw, "base64"), validate=True)
    return text_at(raw, "text").encode("ascii")


def _levels(raw: Any) -> dict[str, bool]:
    if not isinstance(raw, dict) or not all(isinstance(level, bool) for level in raw.values()):
        raise ValueError(f"levels is {raw!r}, and no lines with true or false")
    return raw


def _failure(raw: Any) -> Failure | None:
    if raw is None:
        return None
    if not isinstance(raw, dict):
        raise ValueError(f"failed is {raw!r}, and no JSON object")
    return Failure(text_at(raw, "name"), text_at(raw, "kind"), text_at(raw, "message"))


def _told(raw: Any) -> Told | None:
    if raw is None:
        return None
    if not isinstance(raw, dict) or not isinstance(raw.get("data"), dict):
        raise ValueError(f"told is {raw!r}, and nothing that was told")
    return Told(text_at(raw, "kind"), text_at(raw, "text"), raw["data"])
