"""A session on disk as it happens: ``recording.jsonl``.

The first line is the header: format, versions, the files with their content and SHA-256, the
options of the run, when it began. Each further line is an entry (see `entries`), written at once
and synced at each state's end. Each line ends with a CRC-32 that goes on from the line before, so
that a line which was damaged, lost, doubled or moved is found out. Only a last line without its
end is no damage: the power was cut while it was written.
"""

from __future__ import annotations

import json
import os
import re
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from benchrig import __version__
from benchrig.bench import Bench
from benchrig.errors import Fault, FileProblem, FileProblems, UsageError
from benchrig.events import Listener
from benchrig.records.entries import Entry, Note, from_json, number_at, text_at
from benchrig.records.sources import Role, Source
from benchrig.result import SessionResult
from benchrig.sequencer import run_session
from benchrig.session.toml_file import unreadable
from benchrig.wires.recording import Act

RECORDING = "recording.jsonl"
VERSION = 1
FORMAT = f"benchrig/recording/{VERSION}"

_FORMAT = re.compile(r"benchrig/recording/(\d{1,6})")
# What a line ends with, all of one length.
_SEAL = re.compile(rb',"crc":"([0-9a-f]{8})"\}')
_SEAL_LENGTH = 18
_decoded = json.JSONDecoder().decode

# More were never meant; a session would have no end, and its dates no year.
MOST_REPEATS = 1_000_000
MOST_YEAR = 9000
# What comes of content that is none of a recording's.
_WRONG = (ValueError, KeyError, TypeError, OverflowError, AttributeError)

# From each older version to the next: what makes new objects, the header first, of old ones.
MIGRATIONS: dict[int, Callable[[list[dict[str, Any]]], list[dict[str, Any]]]] = {}


@dataclass(frozen=True)
class Options:
    """How the session was run. `by_hand`: not as a session, but step by step, by
    this test or program."""

    only: tuple[str, ...] = ()
    repeat: int = 1
    serial_number: str | None = None
    operator: str | None = None
    note: str | None = None
    aim: Literal["value", "verdict"] | None = None
    by_hand: str | None = None

    def run(self, bench: Bench, listeners: Sequence[Listener]) -> SessionResult:
        """Run the session of a bench so; it has been given the aim already."""
        return run_session(
            bench.session,
            bench,
            only=self.only,
            repeat=self.repeat,
            serial_number=self.serial_number,
            operator=self.operator,
            note=self.note,
            listeners=listeners,
        )


@dataclass(frozen=True)
class WireHere:
    """What a session knows of a wire before it is opened."""

    name: str
    address: str
    keeps_messages: bool


@dataclass(frozen=True)
class Header:
    """`started` is the date at `start_s` on the session's clock."""

    started: datetime
    start_s: float
    wires: tuple[WireHere, ...]
    sources: Mapping[Role, Source]
    options: Options = Options()
    benchrig: str = __version__


@dataclass(frozen=True)
class Recording:
    """A recording that was read. `torn` is the number of a last line that was cut off."""

    header: Header
    entries: tuple[Entry, ...]
    torn: int | None = None

    @property
    def acts(self) -> list[Act]:
        return [entry for entry in self.entries if isinstance(entry, Act)]

    @property
    def notes(self) -> list[Note]:
        return [entry for entry in self.entries if isinstance(entry, Note)]

    @property
    def rows(self) -> list[dict[str, Any]]:
        """Of the states that had ended."""
        return [note.content for note in self.notes if note.op == "row"]

    @property
    def result(self) -> dict[str, Any] | None:
        """None for a session that was cut off."""
        return next((note.content for note in self.notes if note.op == "result"), None)

    @property
    def took_s(self) -> float:
        return self.entries[-1].time_s - self.header.start_s if self.entries else 0.0


# -- lines ----------------------------------------------------------------------------------


def sealed(content: Mapping[str, Any], crc: int) -> tuple[bytes, int]:
    """A line with its end, and the CRC from which the next goes on."""
    body = json.dumps(content, separators=(",", ":"), allow_nan=False).encode("ascii")[:-1]
    crc = zlib.crc32(body, crc)
    return body + f',"crc":"{crc:08x}"}}\n'.encode("ascii"), crc


def unsealed(line: bytes, crc: int) -> tuple[dict[str, Any], int]:
    """What stands in a line without its end. Raises `ValueError` for a damaged one."""
    body, seal = line[:-_SEAL_LENGTH], _SEAL.fullmatch(line[-_SEAL_LENGTH:])
    if seal is None:
        raise ValueError("is damaged, or no line of a recording: it does not end with its checksum")
    crc = zlib.crc32(body, crc)
    if crc != int(seal[1], 16):
        raise ValueError("is damaged, or a line before it is missing: its checksum does not fit")
    try:
        content = _decoded(body.decode("utf-8") + "}")
    except (ValueError, RecursionError) as error:
        raise ValueError(f"is no JSON object: {error}") from None
    # What ends like an object is one.
    assert isinstance(content, dict)
    return content, crc


def header_as_json(header: Header) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "benchrig": header.benchrig,
        "started": header.started.isoformat(),
        "start_s": header.start_s,
        "wires": [asdict(wire) for wire in header.wires],
        "options": {key: value for key, value in asdict(header.options).items() if value},
        "files": {
            role: {"name": source.name, "sha256": source.sha256, "text": source.text}
            for role, source in header.sources.items()
        },
    }


# -- writing --------------------------------------------------------------------------------


def refuse_place(path: Path) -> None:
    """Raises `UsageError` where no new file can be made."""
    if path.exists():
        raise UsageError(f"{path} is there already; name another file to record to")
    if not path.parent.is_dir():
        raise UsageError(f"{path}: there is no folder {path.parent} to record to; make it first")


class RecordingFile:
    """Lines that are on their way to the disk as soon as they are put. The file is a new one:
    raises `UsageError` if it is there already, for a recording is never overwritten, and where
    there is no folder for it."""

    def __init__(self, path: Path, header: Mapping[str, Any]) -> None:
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
        self._crc = 0
        refuse_place(path)
        try:
            self._file = os.open(path, flags, 0o644)
            self.put(header)
            self.sync()
            _sync_folder(path.parent)
        except FileExistsError:
            raise UsageError(f"{path} is there already; name another file to record to") from None
        except OSError as error:
            raise Fault(
                "record_failed", f"the recording {path} cannot be written: {error}"
            ) from error

    def put(self, content: Mapping[str, Any]) -> None:
        """Raises `OSError`."""
        line, self._crc = sealed(content, self._crc)
        while line:
            line = line[os.write(self._file, line) :]

    def sync(self) -> None:
        """So that not even a power cut loses what was put. Raises `OSError`."""
        os.fsync(self._file)

    def close(self) -> None:
        os.close(self._file)


def _sync_folder(folder: Path) -> None:
    """The name of a new file is on disk once its folder is."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


# -- reading --------------------------------------------------------------------------------


def load_recording(path: str | os.PathLike[str]) -> Recording:
    """Raises `FileProblems`, which name the line, for a file that is no recording, is of a version
    that this benchrig does not know, or is damaged elsewhere than in a torn last line."""
    path = Path(path)
    objects, torn = read_objects(path)
    try:
        header = _header(objects[0])
    except _WRONG as error:
        raise _wrong(path, 1, error) from None
    entries = []
    for number, content in enumerate(objects[1:], 2):
        try:
            entries.append(from_json(content, number))
        except _WRONG as error:
            raise _wrong(path, number, error) from None
    return Recording(header, tuple(entries), torn)


def read_objects(path: Path) -> tuple[list[dict[str, Any]], int | None]:
    """The objects of all lines, as of the present version, and the number of a torn last line.
    Raises `FileProblems`."""
    try:
        data = path.read_bytes()
    except (OSError, ValueError) as error:
        raise unreadable(path, error) from None
    *lines, rest = data.split(b"\n")
    objects, crc = [], 0
    try:
        version = _version(lines[0] if lines else rest)
        if not lines:
            raise ValueError("is no recording: not even its first line is whole")
        for line in lines:
            content, crc = unsealed(line, crc)
            objects.append(content)
    except _WRONG as error:
        raise _wrong(path, len(objects) + 1, error) from None
    for older in range(version, VERSION):
        objects = MIGRATIONS[older](objects)
    return objects, len(lines) + 1 if rest else None


def _problem(path: Path, line: int | None, message: str) -> FileProblems:
    return FileProblems([FileProblem(str(path), line, "", message)])


def _wrong(path: Path, line: int, error: Exception) -> FileProblems:
    what = f"{error} is missing" if isinstance(error, KeyError) else str(error)
    return _problem(path, line, what)


def _version(line: bytes) -> int:
    """What the first line says, whatever it ends with: in another version the checksum may be
    another. A line that is damaged is left to its checksum."""
    try:
        header = json.loads(line)
    except (ValueError, RecursionError):
        return VERSION
    said = header.get("format") if isinstance(header, dict) else None
    found = _FORMAT.fullmatch(said) if isinstance(said, str) else None
    if found is None:
        told = "no format is named" if said is None else f"format is {said!r}"
        raise ValueError(f"{told}: this is no recording, or it is damaged")
    version = int(found[1])
    if version != VERSION and version not in MIGRATIONS:
        raise ValueError(f"format is {said!r}; this version of benchrig reads {FORMAT!r}")
    return version


def _header(content: Mapping[str, Any]) -> Header:
    """Raises `ValueError`, `KeyError` or `TypeError`."""
    started = datetime.fromisoformat(_text(content, "started"))
    if started.tzinfo is None or started.year > MOST_YEAR:
        raise ValueError("started is no date and time with its zone")
    if not isinstance(content["files"], dict):
        raise ValueError("files is no JSON object")
    return Header(
        started,
        number_at(content, "start_s"),
        tuple(_wire(entry) for entry in content["wires"]),
        {role: _source(entry) for role, entry in content["files"].items()},
        _options(content["options"]),
        _text(content, "benchrig"),
    )


def _text(content: Mapping[str, Any], key: str) -> str:
    """One that must be there."""
    if key not in content:
        raise KeyError(key)
    return text_at(content, key)


def _wire(entry: Mapping[str, Any]) -> WireHere:
    keeps_messages = entry["keeps_messages"]
    if not isinstance(keeps_messages, bool):
        raise ValueError(f"keeps_messages is {keeps_messages!r}, neither true nor false")
    return WireHere(_text(entry, "name"), _text(entry, "address"), keeps_messages)


_TEXTS = ("serial_number", "operator", "note", "aim", "by_hand")


def _options(raw: Any) -> Options:
    """Raises `ValueError`, which names the option, for what was never written here."""
    if not isinstance(raw, dict) or not raw.keys() <= Options.__dataclass_fields__.keys():
        known = ", ".join(Options.__dataclass_fields__)
        raise ValueError(f"options must be an object with some of the keys {known}")
    only, repeat = raw.get("only", []), raw.get("repeat", 1)
    if not isinstance(only, list) or not all(isinstance(name, str) for name in only):
        raise ValueError("options.only must be a list of names of states")
    if not isinstance(repeat, int) or isinstance(repeat, bool) or not 1 <= repeat <= MOST_REPEATS:
        raise ValueError(f"options.repeat must be a whole number from 1 to {MOST_REPEATS}")
    for key in _TEXTS:
        if not isinstance(raw.get(key), str | None):
            raise ValueError(f"options.{key} must be text")
    if raw.get("aim") not in (None, "value", "verdict"):
        raise ValueError("options.aim must be 'value' or 'verdict'")
    return Options(tuple(only), repeat, **{key: raw.get(key) for key in _TEXTS})


def _source(entry: Mapping[str, Any]) -> Source:
    source = Source(_text(entry, "name"), _text(entry, "text"))
    if source.sha256 != entry["sha256"]:
        raise ValueError(f"the content of {source.name} is not what its SHA-256 says")
    return source
