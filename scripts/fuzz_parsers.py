"""Spoiled inputs for every parser: only the project's own errors may come out.

    .venv/bin/python scripts/fuzz_parsers.py [--count 120000] [--seed 1] [--only WORDS]

Each input is made from a valid one by a few changes: bytes inverted, lost, doubled, moved, cut,
replaced by pieces that parsers stumble over, or by pieces of another valid input. What stands in a
recording is also spoiled as JSON and sealed again, so that it gets past the checksums. The exit
status is 1 if anything but a `BenchrigError` came out of a parser; its input is then printed.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from benchrig.drivers.lines import Ledger, LineSplitter
from benchrig.drivers.scpi import ResponseFramer, parse_block, parse_error_reply, parse_numbers
from benchrig.errors import BenchrigError
from benchrig.records.recording import load_recording, sealed
from benchrig.records.replaying import replay
from benchrig.records.scrubbing import scrub
from benchrig.records.sources import parse_sources
from benchrig.session import BenchFile, CurveFile, MeterSheet, Session, load_session
from benchrig.session.cell_file import CellFile
from benchrig.session.fault_plan import FaultPlanFile
from benchrig.session.profile_file import ProfileFile
from benchrig.session.toml_file import TomlFile, parse_toml
from benchrig.simulation.files import SimulatedBoardFile, load_board
from benchrig.verification import parse_verification
from benchrig.zeros import load_zeros, parse_zeros

ROOT = Path(__file__).parents[1]
FIXTURES = ROOT / "fixtures"

Parser = Callable[[bytes], object]

TOKENS = [
    b"\x00", b"\xff", b"\xc3", b"\n", b"\r", b'"', b"'", b"#", b"#0", b"#9999999999", b"#1", b",",
    b";", b"-", b"+", b".", b"e", b"E999", b"1e400", b"9.91E37", b"nan", b"inf", b"1_0", b"0x10",
    b"[", b"]", b"[[", b"{", b"}", b"=", b"\\", b"\\u", b"\\N{x}", b"(?P<", b"(" * 3000, b"[a-",
    b"{99999999999}", b"*",
    b"999999999999999999999999", b"-1", b"0", b"true", b"null", b"1979-05-27", b"07:32:00", b"1 uA",
    b"-3 mA", b"1e300 A", b"1 \xc2\xb5A", b"1 s", b"1e999 s", b'"\xed\xa0\x80"', b"\xef\xbb\xbf",
    "١٢".encode(), "½".encode(), b'"""', b"'''", b"utf-16", b"idna", b"rot13", b"none", b"A5 ??",
]  # fmt: skip
VALUES: list[Any] = [
    None, True, False, 0, -1, 3, 10**400, 1.5, -0.0, 1e308, "", "x", "\x00", "\ud800", "2026-01-01",
    "deep_sleep", [], [[]], [1, "x"], {}, {"": {}}, {"kind": 3}, "AAAA", "=", "WireLost",
]  # fmt: skip


def spoiled(valid: bytes, others: Sequence[bytes], chance: random.Random) -> bytes:
    data = bytearray(valid)
    for _ in range(chance.choice((1, 1, 1, 2, 3, 8))):
        at = chance.randrange(len(data) + 1)
        to = min(len(data), at + chance.choice((1, 1, 2, 5, 40)))
        match chance.randrange(8):
            case 0:
                data[at:to] = bytes(byte ^ (1 << chance.randrange(8)) for byte in data[at:to])
            case 1:
                del data[at:to]
            case 2:
                data[at:at] = data[at:to]
            case 3:
                piece = data[at:to]
                del data[at:to]
                where = chance.randrange(len(data) + 1)
                data[where:where] = piece
            case 4 | 5:
                data[at : chance.choice((at, to))] = chance.choice(TOKENS)
            case 6:
                other = chance.choice(others)
                start = chance.randrange(len(other) + 1)
                data[at:to] = other[start : start + chance.randrange(60)]
            case 7:
                if chance.random() < 0.3:
                    del data[at:]
                else:
                    data[at:to] = chance.randbytes(to - at)
    return bytes(data)


def revalued(value: Any, chance: random.Random) -> Any:
    """JSON with one value, or one key, that is another."""
    if isinstance(value, dict) and value and chance.random() < 0.85:
        key = chance.choice(list(value))
        if chance.random() < 0.15:
            return {name: item for name, item in value.items() if name != key}
        return value | {key: revalued(value[key], chance)}
    if isinstance(value, list) and value and chance.random() < 0.85:
        at = chance.randrange(len(value))
        return [*value[:at], revalued(value[at], chance), *value[at + 1 :]]
    return chance.choice(VALUES)


# -- parsers ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Target:
    """A parser, its valid inputs, its share of all inputs, and what spoils them."""

    name: str
    parse: Parser
    valid: tuple[bytes, ...]
    share: float
    spoil: Callable[[bytes, Sequence[bytes], random.Random], bytes] = spoiled


def _framed(data: bytes) -> object:
    """In pieces, as a wire gives them."""
    for plain in (False, True):
        framer = ResponseFramer(b"\n" if len(data) % 3 else b"\r\n")
        framer.clear(plain=plain)
        for at in range(0, len(data), 7):
            framer.feed(data[at : at + 7])
    return None


@cache
def _protocol() -> Any:
    return load_session(FIXTURES / "hive-scale.session.toml").protocol


def _lines(data: bytes) -> object:
    """All that is owed, while these bytes come in pieces with and without pauses."""
    for ending, echo, encoding in (("CRLF", False, "utf-8"), ("none", True, "latin-1")):
        changes = {"receive_ending": ending, "echo": echo, "encoding": encoding}
        protocol = _protocol().model_copy(update=changes)
        splitter, ledger, t = LineSplitter(protocol.receive_ending), Ledger(protocol), 0.0
        for exchange in (protocol.hello, None, protocol.identity):
            ledger.add(exchange, t, t + 1.0)
        for at in range(0, len(data), 5):
            t += 0.2 if at % 15 == 0 else 0.001
            piece = data[at : at + 5]
            lines = [part for line in splitter.feed(piece, t) for part in line.parts]
            ledger.hear(piece, lines, t)
    return None


def _toml(model: type[TomlFile]) -> Parser:
    return lambda data: parse_toml(data.decode("utf-8", errors="replace"), "spoiled.toml", model)


def _profile(data: bytes) -> object:
    file: Any = _toml(ProfileFile)(data)
    return file.profile, file.typed


def _cell(data: bytes) -> object:
    file: Any = _toml(CellFile)(data)
    return file.cell


def _from_file(load: Callable[[Path], object], suffix: str) -> Parser:
    """For what reads the file itself; beside it stand the files that it may name."""
    folder = Path(tempfile.mkdtemp(prefix="benchrig-fuzz-"))
    (folder / "hive-scale.toml").write_bytes((FIXTURES / "boards/hive-scale.toml").read_bytes())
    path = folder / f"spoiled{suffix}"

    def parse(data: bytes) -> object:
        path.write_bytes(data)
        return load(path)

    return parse


def _recording(path: Path) -> object:
    recording = load_recording(path)
    return parse_sources(recording.header.sources)


def _replayed(path: Path) -> object:
    """And what is done with one that was taken."""
    copy = path.with_suffix(".scrubbed")
    copy.unlink(missing_ok=True)
    scrub(path, copy)
    return replay(load_recording(path))


def _spoiled_recording(valid: bytes, others: Sequence[bytes], chance: random.Random) -> bytes:
    if chance.random() < 0.3:
        return spoiled(valid, others, chance)
    contents = [json.loads(line) for line in valid.splitlines()]
    at = chance.choice((0, chance.randrange(len(contents))))
    contents[at] = revalued(contents[at], chance)
    return _sealed(content for content in contents if isinstance(content, dict))


def _sealed(contents: Iterable[dict[str, Any]]) -> bytes:
    crc, lines = 0, b""
    for content in contents:
        content.pop("crc", None)
        line, crc = sealed(content, crc)
        lines += line
    return lines


def _spoiled_json(valid: bytes, others: Sequence[bytes], chance: random.Random) -> bytes:
    if chance.random() < 0.5:
        return spoiled(valid, others, chance)
    return json.dumps(revalued(json.loads(valid), chance)).encode()


ZEROS = b"""{"format": "benchrig/zeros/1", "meter": "Invented,Meter 1,0,1.0", "zeros": [
{"full_scale_A": 1e-05, "offset_A": 1.2e-11, "standard_uncertainty_A": 3e-12,
"taken": "2026-01-01T12:00:00Z", "readings": 50}]}"""
VERIFICATION = b"""{"format": "benchrig/verification/1", "meter": "Invented,Meter 1,0,1.0",
"taken": "2026-01-01T12:00:00Z", "voltage_V": 3.0, "voltage_accuracy": 0.001, "checks": [
{"full_scale_A": 0.01, "resistance_ohm": 1000.0, "resistor_accuracy": 0.001, "read_A": 0.00299,
"read_uncertainty_A": 1e-6, "expected_A": 0.003, "expected_uncertainty_A": 4e-6,
"normalised_error": -0.9}]}"""
NUMBERS = (b"+1.200E-03,-5.0E-07,9.9E37", b".5", b"1,2,3")
ERRORS = (b'-113,"Undefined header;FOO ""BAR"""', b'0,"No error"', b"+0", b'-222,"Data"\n')
BLOCKS = (b"#216" + bytes(range(56, 72)), b"#0" + b"\x3f\x50" * 8 + b"\n")
ANSWERS = (b'"a;b",#13\n\n\n;1\n', b"Invented,Meter 1,0,1.0\r\n", *NUMBERS, *ERRORS, *BLOCKS)
SAID = (
    b"hive ready\r\nid sn=HS-0042 fw=1.4.2\r\n", b"hello\r\nhive ready\r\n",
    b"\x00error: unknown\r\n", b"hive scale boot 1.4.2\r\n", b"hellohive readyid sn=1 fw=2",
)  # fmt: skip


def _files(*names: str) -> tuple[bytes, ...]:
    return tuple((FIXTURES / name).read_bytes() for name in names)


def _recording_like(name: str) -> bytes:
    """Its header, and of each kind of entry and of each set of keys the first: so short that many
    can be tried."""
    lines = (FIXTURES / "recordings" / f"{name}.jsonl").read_bytes().splitlines()
    firsts: dict[tuple[str, ...], dict[str, Any]] = {}
    for line in lines:
        content = json.loads(line)
        firsts.setdefault((content.get("op", ""), *content), content)
    return _sealed(firsts.values())


def targets() -> tuple[Target, ...]:
    boards = ("boards/hive-scale.toml", "boards/reference-resistor.toml")
    defects = tuple(f"boards/hive-scale-{name}.toml" for name in ("late-drift", "dead-uart"))
    recordings = (_recording_like("good"), _recording_like("meter-lost"))
    sessions_kept = _files("recordings/dead-uart.jsonl")
    sessions = _files("hive-scale.session.toml", "hive-scale-sweep.session.toml")
    kinds = ("lithium-manganese-dioxide-coin", "nickel-metal-hydride-two-aa")
    cells = tuple(f"cells/{name}.cell.toml" for name in kinds)
    return (
        Target("SCPI numbers", parse_numbers, NUMBERS, 0.10),
        Target("SCPI blocks", parse_block, BLOCKS, 0.10),
        Target("SCPI errors", parse_error_reply, ERRORS, 0.11),
        Target("SCPI framing", _framed, ANSWERS, 0.12),
        Target("board lines", _lines, SAID, 0.12),
        Target("session files", _toml(Session), sessions, 0.04),
        Target("profiles", _profile, _files("hive-scale.profile.toml"), 0.02),
        Target("cells", _cell, _files(*cells), 0.02),
        Target("bench files", _toml(BenchFile), _files("bench-2.bench.toml"), 0.06),
        Target("meter sheets", _toml(MeterSheet), _files("meter-6-digit.toml"), 0.05),
        Target("curve files", _toml(CurveFile), _files("hive-scale.curve.toml"), 0.02),
        Target("board files", _toml(SimulatedBoardFile), _files(*boards), 0.05),
        Target("board variants", _from_file(load_board, ".toml"), _files(*defects), 0.01),
        Target("fault plans", _toml(FaultPlanFile), _files("faults/lost-byte.faults.toml"), 0.05),
        Target("zeros", lambda data: _as_text(data, parse_zeros), (ZEROS,), 0.03, _spoiled_json),
        Target("zeros on disk", _from_file(load_zeros, ".json"), (ZEROS,), 0.01),
        Target(
            "verifications",
            lambda data: _as_text(data, parse_verification),
            (VERIFICATION,),
            0.03,
            _spoiled_json,
        ),
        Target(
            "recordings", _from_file(_recording, ".jsonl"), recordings, 0.05, _spoiled_recording
        ),
        Target("replays", _from_file(_replayed, ".jsonl"), sessions_kept, 0.01, _spoiled_recording),
    )


def _as_text(data: bytes, parse: Callable[[str, str], object]) -> object:
    return parse(data.decode("utf-8", errors="replace"), "spoiled.json")


# -- trying -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Tried:
    """How many inputs were taken, how many refused, and what came out that must not."""

    taken: int
    refused: int
    escaped: tuple[tuple[bytes, Exception], ...]


def attempt(target: Target, count: int, seed: int) -> Tried:
    chance = random.Random(f"{seed} {target.name}")
    taken = refused = 0
    escaped: list[tuple[bytes, Exception]] = []
    for _ in range(count):
        data = target.spoil(chance.choice(target.valid), target.valid, chance)
        try:
            target.parse(data)
            taken += 1
        except BenchrigError:
            refused += 1
        except Exception as error:  # whatever it is, it is what is looked for
            escaped.append((data, error))
    return Tried(taken, refused, tuple(escaped))


def main(arguments: Sequence[str] | None = None) -> int:
    as_it_is = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=as_it_is)
    parser.add_argument("--count", type=int, default=120_000, help="inputs in all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="only parsers whose name contains this")
    asked = parser.parse_args(arguments)
    total = escapes = 0
    for target in targets():
        if asked.only not in target.name:
            continue
        count, start_s = round(asked.count * target.share), time.monotonic()
        tried = attempt(target, count, asked.seed)
        total, escapes = total + count, escapes + len(tried.escaped)
        print(
            f"{target.name:15} {count:6} inputs, {tried.taken:6} taken, {tried.refused:6} refused, "
            f"{len(tried.escaped)} escaped, {time.monotonic() - start_s:.1f} s"
        )
        for data, error in tried.escaped[:5]:
            print(f"    {error!r:.200} from {data!r:.400}")
    print(f"{total} inputs, seed {asked.seed}: {escapes} came to something else than an own error")
    return 1 if escapes else 0


if __name__ == "__main__":
    sys.exit(main())
