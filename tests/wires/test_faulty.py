"""Faults on purpose: what each does to the bytes, when it strikes, and that it is told."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.clock import VirtualClock
from benchrig.errors import CannotOpen, UsageError, WireLost
from benchrig.wires.faulty import FaultyWire
from benchrig.wires.injections import (
    Act,
    AtMatch,
    AtMessage,
    AtTime,
    Chance,
    Close,
    Cut,
    Delay,
    Drop,
    Duplicate,
    Flip,
    Injection,
    Insert,
    Replace,
    Reset,
    Side,
    Silence,
    When,
)
from benchrig.wires.simulated import SimulatedWire


@dataclass
class Echo:
    """Says ``<what was sent>`` back, 10 ms later, and keeps what it heard; `slowly` in pieces of
    one byte, 1 ms apart."""

    slowly: bool = False
    heard: list[tuple[bytes, float]] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    resets: list[float] = field(default_factory=list)
    _out: list[tuple[float, bytes]] = field(default_factory=list)

    def connect(self, t: float) -> None:
        self._out.clear()

    def disconnect(self, t: float) -> None:
        self._out.clear()

    def receive(self, data: bytes, t: float) -> None:
        self.heard.append((data, round(t, 6)))
        reply = b"<" + data + b">"
        pieces = [reply[at : at + 1] for at in range(len(reply))] if self.slowly else [reply]
        self._out += [(t + 0.01 + 0.001 * at, piece) for at, piece in enumerate(pieces)]

    def output(self, t: float) -> bytes:
        due = [piece for at, piece in self._out if at <= t]
        self._out = [entry for entry in self._out if entry[0] > t]
        return b"".join(due)

    def next_output(self, t: float) -> float | None:
        return min((at for at, _ in self._out), default=None)

    def set_line(self, line: str, asserted: bool, t: float) -> None:
        self.lines.append(line)


@dataclass
class Rig:
    wire: FaultyWire
    end: Echo
    clock: VirtualClock
    told: list[str]

    def ask(self, question: bytes, within_s: float = 1.0) -> bytes:
        self.wire.write(question)
        return self.all_read(within_s)

    def all_read(self, within_s: float = 1.0) -> bytes:
        deadline_s = self.clock.monotonic() + within_s
        data = b""
        while (left_s := deadline_s - self.clock.monotonic()) > 1e-6:
            data += self.wire.read(left_s)
        return data


def rig(*injections: Injection, seed: int = 1, slowly: bool = False) -> Rig:
    clock, end, told = VirtualClock(), Echo(slowly), list[str]()
    inner = SimulatedWire("board", clock, end, reset=end.resets.append)
    wire = FaultyWire(
        inner,
        clock,
        injections,
        seed=seed,
        tell=lambda kind, text, *, wire, fault: told.append(f"{kind} {wire} {fault}"),
        elapsed_s=clock.monotonic,
    )
    wire.open()
    return Rig(wire, end, clock, told)


ASKED = AtMatch(re.compile(b"b"))


# -- what is done to bytes ----------------------------------------------------------------------


@pytest.mark.parametrize("slowly", [False, True])
@pytest.mark.parametrize(
    ("act", "after", "expected"),
    [
        (Drop(), 0, b"abc>"),
        (Drop(2), 1, b"<c>"),
        (Duplicate(2), 1, b"<aabbc>"),
        (Flip(0x20), 2, b"<aBc>"),
        (Insert(b"\xff\n"), 3, b"<ab\xff\nc>"),
        (Cut(), 3, b"<ab"),
        (Silence(5.0), 0, b""),
        (Silence(), 2, b"<a"),
        (Delay(0.5), 0, b"<abc>"),
        (Delay(0.5), 2, b"<abc>"),
        (Drop(), 100, b"<abc>"),
    ],
    ids=repr,
)
def test_an_answer_is_spoiled(act: Act, after: int, expected: bytes, slowly: bool) -> None:
    it = rig(Injection(act, ASKED, after=after), slowly=slowly)
    assert it.ask(b"abc") == expected
    assert it.end.heard == [(b"abc", 0.0)]
    struck = f"injected board {type(act).__name__.lower()}"
    assert it.told == ([] if after == 100 else [struck])


@pytest.mark.parametrize(
    ("act", "expected"),
    [
        (Drop(), [b"xac"]),
        (Duplicate(), [b"xabbc"]),
        (Flip(0x20), [b"xaBc"]),
        (Insert(b"!"), [b"xa!bc"]),
        (Cut(), [b"xa"]),
        (Silence(), [b"xa"]),
    ],
    ids=repr,
)
def test_a_command_is_spoiled_at_its_match(act: Act, expected: list[bytes]) -> None:
    it = rig(Injection(act, ASKED, "sent"))
    it.wire.write(b"xabc")
    assert [data for data, _ in it.end.heard] == expected


def test_a_command_of_which_nothing_is_left_is_not_sent() -> None:
    it = rig(Injection(Cut(), AtMessage(2, "sent"), "sent"))
    for command in (b"one", b"two", b"three"):
        it.wire.write(command)
    assert it.end.heard == [(b"one", 0.0), (b"three", 0.0)]


def test_delays_keep_the_order() -> None:
    it = rig(Injection(Delay(0.3), ASKED, after=2))
    it.wire.write(b"abc")
    it.wire.write(b"x")
    assert it.wire.read(0.1) == b"<a"
    assert it.clock.monotonic() == pytest.approx(0.01)
    assert it.wire.read(0.1) == b""
    assert it.wire.read(1.0) == b"bc><x>"
    assert it.clock.monotonic() == pytest.approx(0.31)
    assert it.ask(b"y") == b"<y>"


def test_a_command_is_held_back() -> None:
    it = rig(Injection(Delay(0.2), ASKED, "sent"))
    it.wire.write(b"abc")
    assert it.end.heard == [(b"a", 0.0), (b"bc", 0.2)]
    it.wire.write(b"next")
    assert it.end.heard[-1] == (b"next", 0.2)


def test_a_cut_ends_with_its_message() -> None:
    it = rig(Injection(Cut(), ASKED, after=1))
    assert it.ask(b"abc") == b"<"
    assert it.ask(b"def") == b"<def>"


def test_a_silence_ends() -> None:
    it = rig(Injection(Silence(1.0), AtTime(2.0)))
    assert it.ask(b"one", 1.5) == b"<one>"
    assert it.ask(b"two", 0.6) == b"<two>"
    assert it.ask(b"three", 0.5) == b""
    assert it.ask(b"four", 0.5) == b"<four>"[:0]
    assert it.ask(b"five", 0.5) == b"<five>"


# -- when ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("when", "times", "struck"),
    [
        (AtMatch(re.compile(b"q")), 1, [1]),
        (AtMatch(re.compile(b"q"), 3), 1, [3]),
        (AtMatch(re.compile(b"q"), 2), 2, [2, 3]),
        (AtMatch(re.compile(b"q"), 2), None, [2, 3, 4, 5]),
        (AtMatch(re.compile(b"<q4"), 1, "received"), 1, [4]),
        (AtMatch(re.compile(b"never")), None, []),
        (AtMessage(4), 1, [4]),
        (AtMessage(2, "sent"), 1, [2]),
        (AtMessage(4), None, [4, 5]),
        (AtTime(2.5), 1, [4]),
        (AtTime(0.0), 1, [1]),
    ],
    ids=repr,
)
def test_triggers(when: When, times: int | None, struck: list[int]) -> None:
    """One question a second; the answer that is spoiled has another beginning."""
    it = rig(Injection(Flip(0x01), when, times=times))
    answers = [it.ask(f"q{number}".encode()) for number in range(1, 6)]
    found = [number for number, answer in enumerate(answers, 1) if not answer.startswith(b"<")]
    assert found == struck
    assert len(it.told) == len(struck)


@pytest.mark.parametrize("slowly", [False, True])
def test_a_pattern_in_an_answer_is_found_however_it_arrives(slowly: bool) -> None:
    it = rig(
        Injection(Drop(), AtMatch(re.compile(b"ready"), 2, "received"), after=1), slowly=slowly
    )
    assert it.ask(b"ready ready") == (b"<ready ready" if slowly else b"<ready rady>")


def test_a_pattern_does_not_reach_over_messages() -> None:
    it = rig(Injection(Drop(), AtMatch(re.compile(b"ab"), 1, "received")))
    assert it.ask(b"a") + it.ask(b"b") == b"<a><b>"
    it = rig(Injection(Drop(), AtMatch(re.compile(b"^ab"), 1, "sent"), "sent", after=1))
    it.wire.write(b"xab")
    it.all_read()
    it.wire.write(b"a")  # with pauses between the bytes it is one message all the same
    it.wire.write(b"bc")
    assert [data for data, _ in it.end.heard] == [b"xab", b"a", b"b"]


@pytest.mark.parametrize("side", ["sent", "received"])
def test_by_probability(side: Side) -> None:
    message, share = b"x" * 2000, 0.05
    injection = Injection(Drop(), Chance(share), side, times=None)

    def left(seed: int) -> int:
        it = rig(injection, seed=seed)
        it.ask(message)
        return len(it.end.heard[0][0]) if side == "sent" else 2002 - len(it.told)

    counts = [left(seed) for seed in range(5)]
    assert counts == [left(seed) for seed in range(5)]
    assert len(set(counts)) > 1
    # Five standard deviations of a binomial distribution.
    for count in counts:
        assert abs(2000 * (1 - share) - count) < 5 * math.sqrt(2000 * share) + 3


def test_noise_does_not_wait_for_an_answer() -> None:
    it = rig(Injection(Insert(b"?!"), AtTime(0.5)))
    assert it.wire.read(2.0) == b"?!"
    assert it.clock.monotonic() == pytest.approx(0.5, abs=1e-4)
    assert it.wire.read(1.0) == b""


@pytest.mark.parametrize("act", [Insert(b"?"), Reset(), Silence(0.01)])
def test_what_strikes_without_end_lets_time_go_on(act: Act) -> None:
    """Whoever reads until a deadline gets there."""
    it = rig(Injection(act, AtTime(0.5), times=None))
    reads = 0
    while it.clock.monotonic() < 2.0:
        it.wire.read(0.1)
        reads += 1
        assert reads < 1000
    assert len(it.told) > 5


def test_noise_on_the_line_to_the_far_end() -> None:
    it = rig(Injection(Insert(b"?!"), AtTime(0.5), "sent"))
    it.clock.sleep(1.0)
    it.wire.write(b"x")
    assert it.end.heard == [(b"?!", 1.0), (b"x", 1.0)]


# -- what is done to the wire -------------------------------------------------------------------


def test_what_came_before_a_close_is_read_and_it_can_be_opened_again() -> None:
    it = rig(Injection(Close(), ASKED, after=2))
    it.wire.write(b"abc")
    assert it.wire.read(1.0) == b"<a"
    for _ in range(2):
        with pytest.raises(WireLost, match=r"closed by its other end|not open"):
            it.wire.read(1.0)
    with pytest.raises(WireLost):
        it.wire.write(b"x")
    it.wire.close()
    it.wire.open()
    assert it.ask(b"abc") == b"<abc>"
    assert it.told == ["injected board close"]


def test_a_wait_ends_when_the_other_end_closes() -> None:
    it = rig(Injection(Close(), AtTime(3.0)))
    with pytest.raises(WireLost):
        it.wire.read(30.0)
    assert it.clock.monotonic() == pytest.approx(3.0, abs=1e-4)


@pytest.mark.parametrize("side", ["sent", "received"])
def test_a_close_in_the_middle_of_a_command(side: Side) -> None:
    it = rig(Injection(Close(), ASKED, side))
    if side == "sent":
        with pytest.raises(WireLost):
            it.wire.write(b"abc")
        assert it.end.heard == [(b"a", 0.0)]
    else:
        it.wire.write(b"abc")
        with pytest.raises(WireLost):
            it.wire.read(1.0)
    with pytest.raises(WireLost):
        it.wire.set_lines(dtr=True)


def test_what_is_gone_cannot_be_opened() -> None:
    it = rig(Injection(Close(10.0), AtTime(1.0)))
    it.clock.sleep(1.0)
    with pytest.raises(WireLost):
        it.wire.write(b"x")
    it.wire.close()
    for _ in range(2):
        with pytest.raises(CannotOpen) as caught:
            it.wire.open()
        assert caught.value.kind == "port_missing"
    it.clock.sleep(10.0)
    it.wire.open()
    assert it.ask(b"y") == b"<y>"


def test_a_reset_reaches_the_far_end() -> None:
    it = rig(Injection(Reset(), AtTime(1.0)))
    it.wire.read(2.0)
    assert it.end.resets == pytest.approx([1.0], abs=1e-4)


def test_only_a_simulated_far_end_is_reset() -> None:
    class Real:
        name = address = "board"
        keeps_messages = False

    with pytest.raises(UsageError, match="a simulated board only"):
        FaultyWire(
            Real(),  # type: ignore[arg-type]
            VirtualClock(),
            [Injection(Reset(), AtTime(0.0))],
            seed=1,
            tell=print,
            elapsed_s=float,
        )


@pytest.mark.parametrize("slowly", [False, True])
def test_an_answer_becomes_another(slowly: bool) -> None:
    def rewrite(answer: bytes) -> bytes | None:
        return b"other" if answer.endswith(b">") else None

    act = Replace(re.compile(b"q2"), rewrite)
    it = rig(Injection(act, AtTime(0.0), times=2), slowly=slowly)
    answers = [it.ask(question) for question in (b"q1", b"q2", b"q3", b"q2", b"q2")]
    assert answers == [b"<q1>", b"other", b"<q3>", b"other", b"<q2>"]
    assert it.told == ["injected board replace"] * 2


def test_an_answer_that_never_ends_is_no_other() -> None:
    it = rig(Injection(Replace(re.compile(b"q"), lambda answer: None), ASKED))
    assert it.ask(b"qb") == b""
    assert it.ask(b"next") == b"<qb><next>"


def test_lines_pass() -> None:
    it = rig()
    it.wire.set_lines(dtr=True, brk=False)
    assert it.end.lines == ["dtr", "brk"]


# -- whatever is planned ------------------------------------------------------------------------

ACTS = st.one_of(
    st.builds(Drop, st.integers(1, 3)),
    st.builds(Duplicate, st.integers(1, 3)),
    st.builds(Flip, st.integers(1, 255)),
    st.builds(Insert, st.binary(min_size=1, max_size=3)),
    st.just(Cut()),
    st.builds(Delay, st.floats(0.001, 3.0)),
    st.builds(Silence, st.one_of(st.just(math.inf), st.floats(0.001, 3.0))),
    st.builds(Close, st.sampled_from([0.0, 1.0])),
    st.just(Reset()),
)
SIDES = st.sampled_from(["sent", "received"])
WHENS = st.one_of(
    st.builds(Chance, st.floats(0.001, 1.0)),
    st.builds(AtMessage, st.integers(1, 3), SIDES),
    st.builds(AtTime, st.floats(0.0, 3.0)),
    st.builds(AtMatch, st.sampled_from([re.compile(b"a+"), re.compile(b"$|b")]), side=SIDES),
)
INJECTIONS = st.builds(
    Injection, ACTS, WHENS, SIDES, st.integers(0, 3), st.one_of(st.none(), st.integers(1, 2))
)


@given(st.lists(INJECTIONS, max_size=4), st.lists(st.binary(min_size=1, max_size=6), max_size=6))
def test_every_plan_ends_and_keeps_time(
    injections: Sequence[Injection], questions: Sequence[bytes]
) -> None:
    """Whatever is planned: a read ends in its time, and what is raised is a fault of the wire."""
    it = rig(*injections)
    for question in questions:
        try:
            it.wire.write(question)
            before_s = it.clock.monotonic()
            data = it.wire.read(0.5)
            assert it.clock.monotonic() <= before_s + 0.5 + 1e-4
            assert data or it.clock.monotonic() >= before_s + 0.5 - 1e-4
        except (WireLost, CannotOpen):
            it.wire.close()
            it.clock.sleep(1.0)
            it.wire.open()


@given(st.lists(st.binary(min_size=1, max_size=20), max_size=6), st.booleans())
def test_an_empty_plan_changes_nothing(questions: list[bytes], slowly: bool) -> None:
    it = rig(slowly=slowly)
    for question in questions:
        assert it.ask(question) == b"<" + question + b">"
    assert [data for data, _ in it.end.heard] == questions
    assert it.told == []
