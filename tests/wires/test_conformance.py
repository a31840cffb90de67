"""What every wire does, whatever it is made of: one suite for all of them."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator

import pytest

from benchrig.clock import Clock
from benchrig.drivers.lines import LineSplitter
from benchrig.drivers.scpi import ResponseFramer
from benchrig.errors import CannotOpen, Interrupted, WireLost
from benchrig.wires import Wire
from tests.wires.far_ends import EVERY_KIND, Action, Script, performed, reached

every_kind = pytest.mark.parametrize("kind", EVERY_KIND)
# Nobody asks a recording to stop, and no port of it can be missing.
live_kind = pytest.mark.parametrize("kind", [k for k in EVERY_KIND if not k.startswith("replayed")])


def read_until(wire: Wire, clock: Clock, end: bytes, timeout_s: float = 2.0) -> bytes:
    """What came up to `end`, or all that came in time."""
    deadline_s = clock.monotonic() + timeout_s
    data = b""
    while not data.endswith(end) and (left := deadline_s - clock.monotonic()) > 0:
        data += wire.read(left)
    return data


def repeat(use: Callable[[], object]) -> None:
    for _ in range(50):
        use()


def going(*actions: Action) -> Callable[[], Script]:
    """A script that does `actions` at GO."""

    def script() -> Script:
        made = Script()
        made.instead("GO", *actions)
        return made

    return script


@every_kind
@pytest.mark.parametrize(
    ("actions", "expected"),
    [
        pytest.param([b"whole\n"], b"whole\n", id="whole"),
        pytest.param([b"h", 0.005, b"a", 0.005, b"lf", 0.005, b"\n"], b"half\n", id="in-pieces"),
        pytest.param([b"one\ntwo\n"], b"one\ntwo\n", id="two-at-once"),
        pytest.param([bytes(range(256)) + b"end\n"], bytes(range(256)) + b"end\n", id="all-bytes"),
        pytest.param([b"x" * 50000 + b"end\n"], b"x" * 50000 + b"end\n", id="long"),
        pytest.param([0.1, b"late\n"], b"late\n", id="late"),
    ],
)
def test_bytes_arrive_as_they_were_sent(kind: str, actions: list[Action], expected: bytes) -> None:
    def play(wire: Wire, clock: Clock) -> bytes:
        wire.open()
        wire.write(b"GO\n")
        data = b""
        while len(data) < len(expected) and (more := read_until(wire, clock, expected[-4:])):
            data += more
        assert wire.read(0.0) == b""
        wire.close()
        return data

    assert performed(kind, going(*actions), play) == expected


STREAMS: list[tuple[bytes, list[bytes]]] = [
    (b"+1.200E-03,-5.0E-07\n", [b"+1.200E-03,-5.0E-07"]),
    (b'-113,"Undefined header;\nFOO ""BAR"""\n', [b'-113,"Undefined header;\nFOO ""BAR"""']),
    (b"#18\n\r#0\x00\xff\n\n\n", [b"#18\n\r#0\x00\xff\n\n"]),
    (b"#210+1.0E-03,2;#13\n\n\n\n", [b"#210+1.0E-03,2;#13\n\n\n"]),
    (b"\r\n\n1\r\n", [b"1\r"]),
    (b"1\n2\n", [b"1", b"2"]),
]
LINES: list[tuple[bytes, list[bytes]]] = [
    (b"hive ready\r\n", [b"hive ready"]),
    (b"\x00\xfeok idle\r\n\r\n", [b"\x00\xfeok idle"]),
    (b"ok\rboot\n", [b"ok", b"boot"]),
]
TAIL = b"12"


def heard(wire: Wire, clock: Clock, wanted: int) -> Iterator[bytes]:
    """Pieces, as they are read, until as many bytes as `wanted` have come."""
    deadline_s = clock.monotonic() + 2.0
    while wanted > 0 and (left := deadline_s - clock.monotonic()) > 0:
        piece = wire.read(left)
        wanted -= len(piece)
        yield piece


@every_kind
@pytest.mark.parametrize("way", ["whole", "byte by byte", "with trailing bytes"])
def test_messages_are_framed_alike(kind: str, way: str) -> None:
    """What SCPI and what a board say, however it arrives: the same messages, and the same rest."""
    tail = TAIL if way == "with trailing bytes" else b""

    def script() -> Script:
        made = Script()
        for stream, _ in STREAMS + LINES:
            data = stream + tail
            pieces = [data[at : at + 1] for at in range(len(data))]
            spread = [action for piece in pieces for action in (piece, 0.0005)]
            made.instead("GO", *(spread if way == "byte by byte" else [data]))
        return made

    def play(wire: Wire, clock: Clock) -> list[tuple[list[bytes], bytes]]:
        found: list[tuple[list[bytes], bytes]] = []
        wire.open()
        for stream, _ in STREAMS:
            framer, messages = ResponseFramer(b"\n"), list[bytes]()
            wire.write(b"GO\n")
            for piece in heard(wire, clock, len(stream + tail)):
                messages += framer.feed(piece)
            found.append((messages, framer.pending))
        for stream, _ in LINES:
            splitter, lines = LineSplitter("CRLF"), list[bytes]()
            wire.write(b"GO\n")
            for piece in heard(wire, clock, len(stream + tail)):
                lines += [line.data for line in splitter.feed(piece, clock.monotonic())]
            found.append((lines, splitter.partial))
        wire.close()
        return found

    assert performed(kind, script, play) == [(whole, tail) for _, whole in STREAMS + LINES]


@every_kind
def test_silence_is_no_bytes_and_takes_its_time(kind: str) -> None:
    def play(wire: Wire, clock: Clock) -> bytes:
        wire.open()
        before_s = clock.monotonic()
        data = wire.read(0.12)
        assert clock.monotonic() - before_s >= 0.12 - 1e-5
        return data

    assert performed(kind, Script, play) == b""


@every_kind
def test_reading_without_waiting_does_not_wait(kind: str) -> None:
    def play(wire: Wire, clock: Clock) -> list[bytes]:
        wire.open()
        wire.write(b"GO\n")
        return [wire.read(0.0) for _ in range(20)]

    assert performed(kind, going(30.0, b"never\n"), play) == [b""] * 20


@every_kind
def test_a_long_message_is_sent_whole(kind: str) -> None:
    line = "SET " + "y" * 12000

    def script() -> Script:
        made = Script()
        made.instead(line, b"got it\n")
        return made

    def play(wire: Wire, clock: Clock) -> bytes:
        wire.open()
        wire.write(line.encode() + b"\n")
        return read_until(wire, clock, b"\n")

    assert performed(kind, script, play) == b"got it\n"


@every_kind
@pytest.mark.parametrize("ending", ["close", "reset"])
def test_a_lost_peer_is_told_from_silence(kind: str, ending: str) -> None:
    def play(wire: Wire, clock: Clock) -> None:
        wire.open()
        wire.write(b"GO\n")
        with pytest.raises(WireLost, match="meter") as caught:
            repeat(lambda: wire.read(30.0))
        assert caught.value.kind == "wire_lost"
        with pytest.raises(WireLost):
            wire.read(0.0)
        # A write may be the first to notice, or the second; it never goes on for ever.
        with pytest.raises(WireLost):
            repeat(lambda: wire.write(b"GO\n"))
        wire.close()
        wire.close()

    performed(kind, going(b"last words", 0.05, ending), play)


@every_kind
def test_it_opens_again_after_it_was_closed(kind: str) -> None:
    def play(wire: Wire, clock: Clock) -> None:
        for _ in range(2):
            wire.open()
            wire.open()
            wire.write(b"*IDN?\n")
            assert read_until(wire, clock, b"\n").startswith(b"Apiary")
            wire.close()
        with pytest.raises(WireLost, match="not open"):
            wire.read(0.0)
        with pytest.raises(WireLost, match="not open"):
            wire.write(b"x")

    performed(kind, Script, play)


@live_kind
def test_a_request_to_stop_ends_a_wait(kind: str) -> None:
    with reached(kind, Script()) as (wire, clock):
        wire.open()
        if kind.startswith("simulated"):
            clock.stop.make("test")
        else:
            threading.Timer(0.05, clock.stop.make, ["test"]).start()
        with pytest.raises(Interrupted, match="stopped by test"):
            wire.read(30.0)
        with pytest.raises(Interrupted):
            wire.write(b"*IDN?\n")
        with clock.shielded():
            wire.write(b"*IDN?\n")
            assert read_until(wire, clock, b"\n").startswith(b"Apiary")


@live_kind
def test_nobody_there(kind: str) -> None:
    with reached(kind, going("close")()) as (wire, _):
        if kind.startswith("simulated"):  # there its port ends with the peer
            wire.open()
            wire.write(b"GO\n")
            with pytest.raises(WireLost):
                wire.read(1.0)
    with pytest.raises(CannotOpen, match="meter") as caught:
        wire.open()
    assert caught.value.kind == ("cannot_open" if "socket" in kind else "port_missing")
    with pytest.raises(WireLost, match=r"not open|unplugged"):
        wire.read(0.0)
