"""A recording without serial numbers, host names and the operator, that can still be replayed.

What is taken out is replaced character by character, digits by ``0`` and letters by ``X``, so that
every length stays as it was: also where a serial number came in two pieces. Of names that would
become the same the later ones are numbered. Where the session
file asks for a form of serial number that this does not have, letters stay.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple, get_args

from benchrig.drivers.lines import found
from benchrig.errors import FileProblems, UsageError
from benchrig.records.entries import NoteKind, data_out
from benchrig.records.recording import Recording, RecordingFile, load_recording, read_objects
from benchrig.records.sources import Role, Source, parse_sources
from benchrig.wires.recording import Kind

# A shorter one stands elsewhere by chance, even in a block of readings; it is replaced only where
# it was found, with all that stands around it there.
SHORTEST = 4
# A host may be called so, and these words hold a recording together.
_OURS = {"supply", "meter", "simulated", *get_args(Kind), *get_args(NoteKind), *get_args(Role)}
_IPV6 = r"\[[\w:.%]+\]"
# Each with the name as its group.
_ADDRESSES = (
    re.compile(rf"\bTCPIP\d*::({_IPV6}|[^:\s\"']+)", re.IGNORECASE),
    re.compile(rf"\b(?:socket|rfc2217|visa|https?)://({_IPV6}|[^:/\s\"']+)", re.IGNORECASE),
    # VPP-4.3: maker, model, serial number (from memory).
    re.compile(r"\bUSB\d*::[^:\s]+::[^:\s]+::([^:\s\"']+)", re.IGNORECASE),
    # What systems put into the name of a port: maker, product and serial number of the adapter.
    re.compile(r"/dev/serial/by-id/([^\s\"']+)"),
    re.compile(r"/dev/(?:cu|tty)\.(?:usbserial|usbmodem)-?([^\s\"']+)"),
    re.compile(r"\bhwgrep://([^\s\"']+)", re.IGNORECASE),
)
_USER = re.compile(r"[/\\](?:home|Users)[/\\]([^/\\\s\"']+)")
# IEEE 488.2 10.14: maker, model, serial number, firmware; a list of readings begins with none.
_IDENTITY = re.compile(r"[A-Za-z][ -+\--~]*,[ -+\--~]*,([ -+\--~]+),[ -~]*")
# Values that are taken out whatever they are.
_KEYS = ("serial_number", "operator")

Blank = Callable[[str], str]


class Scrubbed(NamedTuple):
    """What was taken out, and the number of a torn last line, if there is one."""

    names: tuple[str, ...]
    torn: int | None


def scrub(path: Path, out: Path) -> Scrubbed:
    """Write a scrubbed copy to a new file. Raises `FileProblems` and `UsageError`."""
    recording = load_recording(path)
    objects, _ = read_objects(path)
    board = _matches_of_board(recording)
    blank = _Blanks(_without_letters if all(map(_fits, board)) else _without_digits)
    matches = [*_matches(recording), *board]
    serials = list(_given(objects, "serial_number"))
    blanked = _blanked(matches, serials, blank)
    patterns = [(_bounded(name), blanked[name]) for name in sorted(blanked, key=len, reverse=True)]

    def clean(text: str) -> str:
        for pattern, other in patterns:
            text = pattern.sub(other.replace("\\", r"\\"), text)
        return text

    scrubbed = [_cleaned(content, clean, blank) | _crossed(content) for content in objects]
    for wire in recording.header.wires:
        for op in ("read", "write"):
            _clean_stream(scrubbed, wire.name, op, clean)
    _seal_sources(scrubbed[0])
    _write(out, scrubbed)
    names = [*map(_name, matches), *serials, *_given(objects, "operator")]
    return Scrubbed(tuple(dict.fromkeys(names)), recording.torn)


def _write(out: Path, objects: list[dict[str, Any]]) -> None:
    file = RecordingFile(out, {**objects[0], "scrubbed": True})
    try:
        for content in objects[1:]:
            file.put(content)
        file.sync()
    except OSError as error:
        raise UsageError(f"{out} cannot be written: {error}") from None
    finally:
        file.close()


# -- what to take out -----------------------------------------------------------------------


def _matches(recording: Recording) -> Iterator[re.Match[str]]:
    """Names where they stand in addresses, in paths and in what instruments answered."""
    texts = [wire.address for wire in recording.header.wires]
    for source in recording.header.sources.values():
        texts += [source.name, source.text]
    for pattern in (*_ADDRESSES, _USER):
        for text in texts:
            yield from pattern.finditer(text)
    for line in _said(recording):
        match = _IDENTITY.fullmatch(line)
        if match is not None and match[1].strip() != "0":  # "0": it has none
            yield match


def _said(recording: Recording) -> Iterator[str]:
    """All lines that instruments have said."""
    for wire in recording.header.wires:
        if wire.name != "board":
            between = b"\n" if wire.keeps_messages else b""
            text = between.join(_read(recording, wire.name)).decode("latin-1")
            yield from re.split(r"[\r\n]+", text)


def _matches_of_board(recording: Recording) -> list[re.Match[str]]:
    """Where the session's own pattern finds a serial number in what the board said."""
    try:
        protocol = parse_sources(recording.header.sources).session.protocol
    except FileProblems:
        return []
    if protocol.identity is None:
        return []
    lines = re.split(rb"[\r\n]+", b"".join(_read(recording, "board")))
    matches = [found(protocol.identity.expect, line, protocol.encoding) for line in lines]
    return [match for match in matches if match and match.groupdict().get("serial_number")]


def _read(recording: Recording, wire: str) -> list[bytes]:
    return [act.data for act in recording.acts if (act.kind, act.wire) == ("read", wire)]


def _given(value: Any, key: str) -> Iterator[str]:
    """What stands under this key, anywhere."""
    if isinstance(value, dict):
        if isinstance(said := value.get(key), str) and said:
            yield said
        value = list(value.values())
    if isinstance(value, list):
        for each in value:
            yield from _given(each, key)


# -- what to put there ----------------------------------------------------------------------


def _blanked(matches: list[re.Match[str]], serials: list[str], blank: Blank) -> dict[str, str]:
    """What is replaced wherever it stands, and by what."""
    names = [_name(match) for match in matches if match.re is not _USER] + serials
    names = [each for each in names if len(each) >= SHORTEST and each.lower() not in _OURS]
    out = {name: blank(name) for name in names}
    return out | {match[0]: _within(match, blank) for match in matches}


def _name(match: re.Match[str]) -> str:
    return match["serial_number" if "serial_number" in match.re.groupindex else 1].strip()


def _within(match: re.Match[str], blank: Blank) -> str:
    """All that was found, with another name in it."""
    start, end = match.span("serial_number" if "serial_number" in match.re.groupindex else 1)
    text = match.string
    return text[match.start() : start] + blank(text[start:end]) + text[end : match.end()]


def _fits(match: re.Match[str]) -> bool:
    """Whether the board's identity still has the form that the session file asks for."""
    return match.re.search(_within(match, _without_letters)) is not None


def _without_letters(text: str) -> str:
    return _gone(text, re.sub(r"[A-Za-z]", "X", re.sub(r"\d", "0", text)))


def _without_digits(text: str) -> str:
    return _gone(text, re.sub(r"\d", "0", text))


class _Blanks:
    """What is put in place of each name. For another name it is another, so that the serial number
    of a board that was not the expected one still is not."""

    def __init__(self, blank: Blank) -> None:
        self._blank = blank
        self._given: dict[str, str] = {}

    def __call__(self, name: str) -> str:
        known = name.lower()
        if known not in self._given:
            plain, taken = self._blank(name), set(self._given.values())
            others = (_numbered(plain, number) for number in range(len(taken) + 1))
            self._given[known] = next((each for each in others if each not in taken), plain)
        return self._given[known]


def _numbered(text: str, number: int) -> str:
    """A blank text with a number in its digits, or in its letters where it has none."""
    figures = "0123456789" if "0" in text else "XABCDEFGHIJKLMNOPQRSTUVWYZ"
    out = list(text)
    for at in range(len(out) - 1, -1, -1):
        if out[at] == figures[0]:
            number, figure = divmod(number, len(figures))
            out[at] = figures[figure]
    return "".join(out)


def _gone(text: str, other: str) -> str:
    """A name that is left as it was must go all the same."""
    return other if other != text else "X" * len(text)


def _bounded(name: str) -> re.Pattern[str]:
    # Case means nothing in the name of a host, and people write serial numbers either way.
    return re.compile(rf"(?<![A-Za-z0-9]){re.escape(name)}(?![A-Za-z0-9])", re.IGNORECASE)


# -- putting it there -----------------------------------------------------------------------


def _cleaned(value: Any, clean: Blank, blank: Blank) -> Any:
    if isinstance(value, dict):
        return {
            key: blank(each)
            if key in _KEYS and isinstance(each, str) and each
            else _cleaned(each, clean, blank)
            for key, each in value.items()
        }
    if isinstance(value, list):
        return [_cleaned(each, clean, blank) for each in value]
    return clean(value) if isinstance(value, str) else value


def _crossed(content: dict[str, Any]) -> dict[str, Any]:
    """What was read or written, as it was: it is cleaned as part of its stream."""
    if content.get("op") not in ("read", "write"):
        return {}
    return {key: content[key] for key in ("text", "base64") if key in content}


def _clean_stream(objects: list[dict[str, Any]], wire: str, op: str, clean: Blank) -> None:
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
