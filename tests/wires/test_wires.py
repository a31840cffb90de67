"""What every wire does, whatever it is made of."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest

from benchrig.clock import Clock
from benchrig.errors import CannotOpen, Interrupted, WireLost
from benchrig.wires import Wire
from tests.wires.far_ends import KINDS, Script, reached

pytestmark = pytest.mark.parametrize("kind", KINDS)


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
def test_bytes_arrive_as_they_were_sent(
    kind: str, actions: list[bytes | float], expected: bytes
) -> None:
    script = Script()
    script.instead("GO", *actions)
    with reached(kind, script) as (wire, clock):
        wire.open()
        wire.write(b"GO\n")
        end = expected[-4:]
        data = b""
        while len(data) < len(expected) and (more := read_until(wire, clock, end)):
            data += more
        assert data == expected
        assert wire.read(0.0) == b""


def test_silence_is_no_bytes_and_takes_its_time(kind: str) -> None:
    with reached(kind, Script()) as (wire, clock):
        wire.open()
        before_s = clock.monotonic()
        assert wire.read(0.12) == b""
        assert clock.monotonic() - before_s >= 0.12 - 1e-9


def test_reading_without_waiting_does_not_wait(kind: str) -> None:
    script = Script()
    script.instead("GO", 30.0, b"never\n")
    with reached(kind, script) as (wire, _):
        wire.open()
        wire.write(b"GO\n")
        assert [wire.read(0.0) for _ in range(20)] == [b""] * 20


def test_a_long_message_is_sent_whole(kind: str) -> None:
    script = Script()
    line = "SET " + "y" * 12000
    script.instead(line, b"got it\n")
    with reached(kind, script) as (wire, clock):
        wire.open()
        wire.write(line.encode() + b"\n")
        assert read_until(wire, clock, b"\n") == b"got it\n"


@pytest.mark.parametrize("ending", ["close", "reset"])
def test_a_lost_peer_is_told_from_silence(kind: str, ending: str) -> None:
    script = Script()
    script.instead("GO", b"last words", 0.05, ending)
    with reached(kind, script) as (wire, _):
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


def test_it_opens_again_after_it_was_closed(kind: str) -> None:
    with reached(kind, Script()) as (wire, clock):
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


def test_a_request_to_stop_ends_a_wait(kind: str) -> None:
    with reached(kind, Script()) as (wire, clock):
        wire.open()
        if kind == "simulated":
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


def test_nobody_there(kind: str) -> None:
    with reached(kind, Script()) as (wire, _):
        pass
    if kind == "simulated":
        wire.unplug()  # type: ignore[attr-defined]
    with pytest.raises(CannotOpen, match="meter") as caught:
        wire.open()
    assert caught.value.kind == ("cannot_open" if "socket" in kind else "port_missing")
    with pytest.raises(WireLost, match=r"not open|unplugged"):
        wire.read(0.0)
