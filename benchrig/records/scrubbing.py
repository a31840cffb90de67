"""A recording without serial numbers and host names, that can still be replayed.

What is taken out is replaced character by character, digits by ``0`` and letters by ``X``, so that
every length stays as it was: also where a serial number came in two pieces. Where the session
file asks for a form of serial number that this does not have, letters stay.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from benchrig.drivers.lines import found
from benchrig.errors import FileProblems, UsageError
from benchrig.records.entries import data_out
from benchrig.records.recording import Recording, RecordingFile, load_recording, read_objects
from benchrig.records.sources import Source, parse_sources

# A shorter one stands elsewhere by chance; it is replaced only in an identity, where it belongs.
SHORTEST = 3
_HOSTS = (
    re.compile(r"TCPIP\d*::([^:\s\"']+)", re.IGNORECASE),
    re.compile(r"\b(?:socket|rfc2217|https?)://([^:/\s\"']+)", re.IGNORECASE),
)
# What udev puts into the name of a port: maker, product and serial number of the adapter.
_BY_ID = re.compile(r"/dev/serial/by-id/([^\s\"']+)")
# IEEE 488.2 10.14: maker, model, serial number, firmware; "0" where there is none.
_IDN = re.compile(r"([^,\n]+,[^,\n]+,)([^,\n]+)(,[^,\n]+)")


def scrub(path: Path, out: Path) -> tuple[str, ...]:
    """Write a scrubbed copy to a new file; returns what was taken out. Raises `FileProblems` and
    `UsageError`."""
    recording = load_recording(path)
    objects, _ = read_objects(path)
    secrets = tuple(dict.fromkeys(_secrets(recording)))
    blank = _without_letters if _fits(recording, secrets, _without_letters) else _without_digits
    blanked = {secret: _blanked(secret, blank) for secret in secrets}

    def clean(text: str) -> str:
        for secret in sorted(secrets, key=len, reverse=True):
            text = _bounded(secret).sub(blanked[secret].replace("\\", r"\\"), text)
        return text

    scrubbed = [_cleaned(content, clean) for content in objects]
    for wire in recording.header.wires:
        for op in ("read", "write"):
            _clean_stream(scrubbed, wire.name, op, clean)
    _seal_sources(scrubbed[0])
    file = RecordingFile(out, {**scrubbed[0], "scrubbed": True})
    try:
        for content in scrubbed[1:]:
            file.put(content)
        file.sync()
    except OSError as error:
        raise UsageError(f"{out} cannot be written: {error}") from None
    finally:
        file.close()
    return secrets


# -- what to take out -----------------------------------------------------------------------


def _secrets(recording: Recording) -> Iterator[str]:
    """Each is replaced wherever it stands; of identities the whole, since parts are short."""
    for wire in recording.header.wires:
        yield from _in_address(wire.address)
    for source in recording.header.sources.values():
        yield from _in_address(source.text)
    yield from _serial(recording.header.options.serial_number)
    for content in (recording.result or {}, *(note.content for note in recording.notes)):
        yield from _serial(content.get("serial_number"))
    for answer in _streams(recording):
        yield from _in_identity(answer)
    yield from _of_board(recording)


def _in_address(text: str) -> Iterator[str]:
    for pattern in (*_HOSTS, _BY_ID):
        yield from pattern.findall(text)


def _serial(said: Any) -> Iterator[str]:
    if isinstance(said, str) and len(said) >= SHORTEST:
        yield said


def _streams(recording: Recording) -> Iterator[str]:
    """All that each instrument has said."""
    for wire in recording.header.wires:
        read = [act.data for act in recording.acts if (act.kind, act.wire) == ("read", wire.name)]
        if wire.name != "board":
            yield b"".join(read).decode("latin-1")


def _in_identity(answers: str) -> Iterator[str]:
    for _, serial, _ in _IDN.findall(answers):
        # Not the numbers of a list of readings.
        if len(serial) >= SHORTEST and not re.fullmatch(r"\s*[+-]?[\d.]+(E[+-]?\d+)?\s*", serial):
            yield serial.strip()


def _of_board(recording: Recording) -> Iterator[str]:
    """What the session's own pattern calls a serial number, in each line that the board said."""
    try:
        protocol = parse_sources(recording.header.sources).session.protocol
    except FileProblems:
        return
    if protocol.identity is None:
        return
    for line in re.split(rb"[\r\n]+", _board_said(recording)):
        match = found(protocol.identity.expect, line, protocol.encoding)
        if match is not None:
            yield from _serial(match.groupdict().get("serial_number"))


def _board_said(recording: Recording) -> bytes:
    return b"".join(act.data for act in recording.acts if (act.kind, act.wire) == ("read", "board"))


# -- what to put there ----------------------------------------------------------------------


def _without_letters(text: str) -> str:
    return re.sub(r"[A-Za-z]", "X", _without_digits(text))


def _without_digits(text: str) -> str:
    return re.sub(r"\d", "0", text)


def _blanked(secret: str, blank: Callable[[str], str]) -> str:
    """A secret that this leaves as it is must go all the same."""
    return blank(secret) if blank(secret) != secret else "X" * len(secret)


def _fits(recording: Recording, secrets: Sequence[str], blank: Callable[[str], str]) -> bool:
    """Whether the board's identity still has the form that the session file asks for."""
    try:
        protocol = parse_sources(recording.header.sources).session.protocol
    except FileProblems:
        return True
    if protocol.identity is None:
        return True
    for line in re.split(rb"[\r\n]+", _board_said(recording)):
        if found(protocol.identity.expect, line, protocol.encoding) is not None:
            text = line.decode("latin-1")
            for secret in secrets:
                text = _bounded(secret).sub(_blanked(secret, blank), text)
            if found(protocol.identity.expect, text.encode("latin-1"), protocol.encoding) is None:
                return False
    return True


def _bounded(secret: str) -> re.Pattern[str]:
    return re.compile(rf"(?<![A-Za-z0-9]){re.escape(secret)}(?![A-Za-z0-9])")


# -- putting it there -----------------------------------------------------------------------


def _cleaned(value: Any, clean: Callable[[str], str]) -> Any:
    if isinstance(value, dict):
        return {
            key: each if key == "base64" else _cleaned(each, clean) for key, each in value.items()
        }
    if isinstance(value, list):
        return [_cleaned(each, clean) for each in value]
    return clean(value) if isinstance(value, str) else value


def _clean_stream(
    objects: list[dict[str, Any]], wire: str, op: str, clean: Callable[[str], str]
) -> None:
    """All that went one way over a wire at once, since it may have come in any pieces."""
    pieces = [each for each in objects if (each.get("op"), each.get("wire")) == (op, wire)]
    data = [_data(piece) for piece in pieces]
    stream = clean(b"".join(data).decode("latin-1")).encode("latin-1")
    for piece, before in zip(pieces, data, strict=True):
        after, stream = stream[: len(before)], stream[len(before) :]
        if after != before:
            piece.pop("text", None)
            piece.pop("base64", None)
            piece.update(data_out(after))


def _data(piece: dict[str, Any]) -> bytes:
    if "base64" in piece:
        return base64.b64decode(piece["base64"])
    return str(piece.get("text", "")).encode("latin-1")


def _seal_sources(header: dict[str, Any]) -> None:
    for entry in header["files"].values():
        entry["sha256"] = Source(entry["name"], entry["text"]).sha256
