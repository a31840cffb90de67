"""Questions, answers and the certainty that they belong together, on every kind of wire.

``COUNT?`` answers 1, 2, 3 ... in the order in which the far end got to it, so that an answer that
belongs to an earlier question shows.
"""

from __future__ import annotations

import itertools
import struct
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from benchrig.clock import Clock, VirtualClock
from benchrig.drivers.instrument import ScpiInstrument
from benchrig.drivers.scpi import ScpiError, parse_block, parse_numbers
from benchrig.errors import CannotOpen, Fault, Interrupted, NoReply, WireFault, WireLost
from benchrig.wires.simulated import SimulatedWire
from tests.wires.far_ends import IDENTITY, KINDS, Action, Script, reached

every_kind = pytest.mark.parametrize("kind", KINDS)
# The wires that a bench file can give an instrument; tests/wires has shown the others alike.
instrument_kind = pytest.mark.parametrize("kind", ["visa socket", "visa serial", "simulated"])
SHORT_S = 0.04
LATE_S = 0.1


@contextmanager
def opened(kind: str, script: Script, timeout_s: float = 1.0) -> Iterator[ScpiInstrument]:
    with reached(kind, script) as (wire, clock):
        instrument = ScpiInstrument(wire, clock, timeout_s=timeout_s)
        assert instrument.open() == IDENTITY
        yield instrument
        instrument.close()


def numbers(instrument: ScpiInstrument, count: int) -> list[str]:
    return [instrument.ask("COUNT?") for _ in range(count)]


# -- one question, one answer ---------------------------------------------------------------


@every_kind
def test_a_dialogue(kind: str) -> None:
    with opened(kind, Script()) as instrument:
        assert instrument.identity == IDENTITY
        assert numbers(instrument, 3) == ["1", "2", "3"]
        instrument.write("SET 1", "*ESE 4", ":SET 2", "SET 3")
        instrument.send("*ESE?")
        assert instrument.receive() == b"4"
        assert instrument.errors() == []


@every_kind
def test_answers_for_somebody_else_are_told_as_such(kind: str) -> None:
    script = Script()
    script.instead("READ?", b"77\n78\n")
    with opened(kind, script) as instrument:
        with pytest.raises(WireFault, match="Is somebody else connected") as caught:
            instrument.ask("READ?")
        assert caught.value.kind == "garbled_reply"


def test_a_number_is_one_number() -> None:
    with opened("simulated", Script()) as instrument:
        assert instrument.ask_number("COUNT?") == 1.0
        with pytest.raises(Fault) as caught:
            instrument.ask_number("*IDN?")
        assert caught.value.kind == "garbled_reply"
        assert instrument.ask_number("COUNT?") == 2.0


def test_a_command_that_silences_the_instrument_is_named() -> None:
    script = Script()
    script.instead("SET SLOW", 5.0)
    told = "after 'SET SLOW', no answer to 'SYST:ERR\\?'"
    with opened("simulated", script) as instrument, pytest.raises(NoReply, match=told):
        instrument.configure("SET SLOW")


def test_commands_travel_in_one_message() -> None:
    script = Script()
    with opened("simulated", script) as instrument:
        instrument.write("SET 1", "*ESE 4", ":SET 2", "SET 3")
        assert script.lines[-1] == "SET 1;*ESE 4;:SET 2;:SET 3"


@pytest.mark.parametrize(
    ("actions", "answer"),
    [
        pytest.param([b"+1.5\n"], b"+1.5", id="whole"),
        pytest.param([b"+1", 0.002, b".", 0.002, b"5", 0.002, b"\n"], b"+1.5", id="byte-by-byte"),
        pytest.param([b"+1.5\r\n"], b"+1.5\r", id="carriage-return"),
        pytest.param([b"\r\n+1.5\n"], b"+1.5", id="blank-line-before"),
        pytest.param([b"+1.5\n\r"], b"+1.5", id="blank-behind"),
        pytest.param([b'"a\nb"\n'], b'"a\nb"', id="string"),
        pytest.param([b"#13", 0.002, b"\n\n", 0.002, b"\n\n"], b"#13\n\n\n", id="block"),
        pytest.param([b"x" * 50_000 + b"\n"], b"x" * 50_000, id="long"),
        pytest.param([LATE_S, b"slow\n"], b"slow", id="slow"),
    ],
)
@instrument_kind
def test_answers(kind: str, actions: list[Action], answer: bytes) -> None:
    script = Script()
    script.instead("READ?", *actions)
    with opened(kind, script) as instrument:
        assert instrument.ask_bytes("READ?") == answer
        connections = script.connections
        assert numbers(instrument, 2) == ["1", "2"]
        assert script.connections == connections


# -- never the answer to another question ---------------------------------------------------

ACCIDENTS = [
    pytest.param([LATE_S, b"77\n"], "no_reply", id="late"),
    pytest.param([], "no_reply", id="never"),
    pytest.param([b"7"], "no_reply", id="partial"),
    pytest.param([b"7", LATE_S, b"7\n"], "no_reply", id="partial-then-rest"),
    pytest.param(
        [b"7", 0.03, b"7", 0.03, b"7", 0.03, b"7", 0.03, b"7\n"], "no_reply", id="trickle"
    ),
    pytest.param([b"77\n78\n"], "garbled_reply", id="two-answers"),
    pytest.param([b"77\n7"], "garbled_reply", id="trailing"),
    pytest.param([b"#18abc\n"], "no_reply", id="block-cut-short"),
    pytest.param([b'"open\n'], "no_reply", id="string-cut-short"),
    pytest.param([b"#0abcdefgh\n"], "garbled_reply", id="block-without-length"),
    pytest.param([LATE_S, b'1,"open\n"#19\n'], "no_reply", id="late-and-misleading"),
    pytest.param([LATE_S, b"2\n3\n4\n5\n6\n"], "no_reply", id="late-and-like-markers"),
]


@pytest.mark.parametrize(("actions", "kind_of_fault"), ACCIDENTS)
@instrument_kind
def test_no_answer_is_taken_for_another(
    kind: str, actions: list[Action], kind_of_fault: str
) -> None:
    script = Script()
    script.instead("READ?", *actions)
    with opened(kind, script) as instrument:
        with pytest.raises(WireFault, match="meter: ") as caught:
            instrument.ask("READ?", timeout_s=SHORT_S)
        assert caught.value.kind == kind_of_fault
        assert "'READ?'" in caught.value.message
        assert numbers(instrument, 3) == ["1", "2", "3"]
        assert instrument.errors() == []


@instrument_kind
def test_an_answer_a_second_late(kind: str) -> None:
    script = Script()
    script.instead("COUNT?", 1.0, b"late\n")
    with opened(kind, script) as instrument:
        with pytest.raises(NoReply):
            instrument.ask("COUNT?", timeout_s=SHORT_S)
        assert numbers(instrument, 2) == ["1", "2"]


@instrument_kind
def test_an_answer_that_comes_during_a_later_question(kind: str) -> None:
    """The second answer to one question arrives when the next one has long been asked."""
    script = Script()
    script.instead("READ?", b"1.0\n")
    script.instead("SLOW?", 0.05, b"stray\n", 0.05, b"slow\n")
    with opened(kind, script) as instrument:
        assert instrument.ask("READ?") == "1.0"
        answer = instrument.ask("SLOW?")
        assert answer == "stray"  # nothing can tell it, but nothing goes on from it either:
        instrument._clock.sleep(LATE_S)
        assert numbers(instrument, 2) == ["1", "2"]


@instrument_kind
def test_bytes_that_nobody_asked_for(kind: str) -> None:
    script = Script()
    script.instead("SET 1", b"99\n")
    with opened(kind, script) as instrument:
        instrument.write("SET 1")
        instrument._clock.sleep(0.05)
        assert numbers(instrument, 2) == ["1", "2"]


@instrument_kind
def test_an_interrupted_question(kind: str) -> None:
    script = Script()
    script.instead("READ?", LATE_S, b"77\n")
    with opened(kind, script) as instrument:
        clock = instrument._clock
        instrument.send("READ?")
        clock.stop.make("test")
        with pytest.raises(Interrupted):
            instrument.receive()
        with pytest.raises(Interrupted):
            instrument.ask("COUNT?")
        with clock.shielded():
            instrument.write("SET 1")
            assert script.lines.count("COUNT?") == 0
            assert numbers(instrument, 2) == ["1", "2"]


@instrument_kind
def test_what_is_long_due_is_waited_for(kind: str) -> None:
    """A marker behind an acquisition comes later than the time for a marker alone."""
    script = Script()
    script.instead("READ?", 0.5, b"77\n")
    with opened(kind, script, timeout_s=0.2) as instrument:
        instrument.send("READ?")
        instrument._clock.stop.make("test")
        with pytest.raises(Interrupted):
            instrument.receive(timeout_s=0.5)
        with instrument._clock.shielded():
            assert numbers(instrument, 2) == ["1", "2"]


@instrument_kind
def test_an_answer_that_makes_no_sense(kind: str) -> None:
    """Noise in front of the answer is a line of its own; the answer then comes after it."""
    script = Script()
    script.instead("READ?", b"\xfe\n", 0.05, b"77\n")
    with opened(kind, script) as instrument:
        with pytest.raises(WireFault, match="is not a number") as caught:
            instrument.ask_as("READ?", parse_numbers)
        assert caught.value.kind == "garbled_reply"
        assert caught.value.wire == "meter"
        assert numbers(instrument, 2) == ["1", "2"]


def test_a_tcp_connection_is_made_anew() -> None:
    script = Script()
    script.instead("READ?", LATE_S, b"77\n")
    with opened("visa socket", script) as instrument:
        with pytest.raises(NoReply):
            instrument.ask("READ?", timeout_s=SHORT_S)
        assert script.connections == 1
        assert numbers(instrument, 2) == ["1", "2"]
        assert script.connections == 2


def test_the_tokens_differ_and_fit_the_register() -> None:
    script = Script()
    with opened("simulated", script) as instrument:
        for _ in range(600):
            instrument._find_step()
    tokens = [line.split(";")[0] for line in script.lines if line.startswith("*ESE ")]
    values = [int(token.removeprefix("*ESE ")) for token in tokens]
    assert set(values) == set(range(2, 256))
    assert all(first != second for first, second in itertools.pairwise(values))


@instrument_kind
def test_an_instrument_that_does_not_know_the_marker(
    kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchrig.drivers.instrument.QUIET_S", 0.1)
    script = Script()
    script.unknown = {"*ESE", "*ESE?"}
    script.instead("READ?", LATE_S, b"77\n")
    with opened(kind, script, timeout_s=0.3) as instrument:
        asked = script.lines.count(f"*ESE {instrument._token};*ESE?")
        assert asked == 1
        with pytest.raises(NoReply):
            instrument.ask("READ?", timeout_s=SHORT_S)
        assert numbers(instrument, 2) == ["1", "2"]
        # Nor is a later command blamed for the marker.
        instrument.configure("SET 1")
        assert sum(line.startswith("*ESE ") for line in script.lines) == 1


@instrument_kind
def test_a_marker_that_comes_late_is_known_all_the_same(kind: str) -> None:
    script = Script()
    script.instead("READ?", 0.4, b"77\n")
    with opened(kind, script, timeout_s=0.3) as instrument:
        with pytest.raises(NoReply):
            instrument.ask("READ?", timeout_s=0.01)
        assert numbers(instrument, 2) == ["1", "2"]
        assert instrument._knows_marker


@instrument_kind
def test_a_stale_answer_that_looks_like_the_marker(kind: str) -> None:
    script = Script()
    with opened(kind, script) as instrument:
        script.instead("READ?", LATE_S, str(instrument._token + 1).encode() + b"\n")
        with pytest.raises(NoReply):
            instrument.ask("READ?", timeout_s=SHORT_S)
        assert numbers(instrument, 2) == ["1", "2"]


@instrument_kind
def test_what_an_earlier_program_left(kind: str) -> None:
    script = Script()
    script.instead("*ESE 2;*ESE?", 0.05, b"+1.0E-6\n2\n")
    script.instead("*ESE 3;*ESE?", b"1,#12")  # and nothing more, then the next answer
    with reached(kind, script) as (wire, clock):
        instrument = ScpiInstrument(wire, clock, timeout_s=0.3)
        assert instrument.open() == IDENTITY
        assert numbers(instrument, 2) == ["1", "2"]


# -- not there, or gone ---------------------------------------------------------------------


@instrument_kind
def test_a_wire_with_nobody_at_its_end(kind: str) -> None:
    script = Script()
    script.unknown = {"*ESE", "*ESE?", "*IDN?"}
    with reached(kind, script) as (wire, clock):
        instrument = ScpiInstrument(wire, clock, timeout_s=0.1)
        with pytest.raises(NoReply, match=r"does not answer \*IDN\?; check") as caught:
            instrument.open()
        assert caught.value.kind == "no_reply"
        assert "nobody else is connected" in caught.value.message
        with pytest.raises(WireLost, match="not open"):
            instrument.ask("COUNT?")


@instrument_kind
def test_an_instrument_that_stops_answering(kind: str) -> None:
    script = Script()
    with opened(kind, script, timeout_s=0.1) as instrument:
        script.unknown = {"*ESE", "*ESE?", "*IDN?"}
        with pytest.raises(NoReply):
            instrument.ask("SET 1")
        for _ in range(2):
            with pytest.raises(NoReply, match="any more; check that nobody else has connected"):
                instrument.ask("COUNT?")
        script.unknown = set()
        assert numbers(instrument, 2) == ["1", "2"]


@pytest.mark.parametrize("ending", ["close", "reset"])
@pytest.mark.parametrize("words", [[], [b"7"], [b"77\n"]], ids=["silent", "partial", "whole"])
@instrument_kind
def test_a_wire_that_is_lost(kind: str, words: list[Action], ending: str) -> None:
    script = Script()
    script.instead("READ?", *words, 0.02, ending)
    with opened(kind, script, timeout_s=30.0) as instrument:
        if words != [b"77\n"]:
            with pytest.raises(WireLost):
                instrument.ask("READ?")
        else:
            assert instrument.ask("READ?") == "77"
            instrument._clock.sleep(0.05)
        for _ in range(2):
            with pytest.raises(WireLost):
                instrument.ask("COUNT?")


def test_a_connection_that_the_instrument_frees_late() -> None:
    class Stubborn:
        """Refuses to open a given number of times, from the second opening on."""

        def __init__(self, refusals: int) -> None:
            self.refusals = refusals
            self.openings = 0

        def __call__(self, real: Callable[[], None]) -> None:
            self.openings += 1
            if self.openings > 1 and self.refusals > 0:
                self.refusals -= 1
                raise CannotOpen("cannot_open", "meter", "refused")
            real()

    for refusals, recovers in ((2, True), (100, False)):
        script = Script()
        script.instead("READ?", b"7")
        with reached("simulated", script) as (wire, clock):
            assert isinstance(clock, VirtualClock)
            wire.address = "TCPIP::192.0.2.7::5025::SOCKET"
            stubborn, real = Stubborn(refusals), wire.open
            wire.open = lambda stubborn=stubborn, real=real: stubborn(real)  # type: ignore[method-assign]
            instrument = ScpiInstrument(wire, clock)
            instrument.open()
            with pytest.raises(NoReply):
                instrument.ask("READ?")
            if recovers:
                assert numbers(instrument, 2) == ["1", "2"]
            else:
                with pytest.raises(CannotOpen):
                    instrument.ask("COUNT?")


def test_the_message_says_what_was_sent_how_long_and_what_came() -> None:
    script = Script()
    script.instead("READ?", b"+1.5E\x00")
    with opened("simulated", script) as instrument:
        with pytest.raises(NoReply) as caught:
            instrument.ask("READ?", timeout_s=0.25)
        for words in ("'READ?'", "0.25 s", "+1.5E\\x00", "simulated", "terminations"):
            assert words in caught.value.message


def test_a_stream_that_never_ends_is_no_trap() -> None:
    class Chatterbox:
        """A wire on which there is always something."""

        name, address, keeps_messages = "meter", "simulated", False

        def __init__(self, clock: Clock) -> None:
            self.clock = clock

        def open(self) -> None: ...
        def close(self) -> None: ...
        def write(self, data: bytes) -> None: ...

        def read(self, timeout_s: float) -> bytes:
            self.clock.sleep(min(timeout_s, 0.001))
            return b"noise "

    clock = VirtualClock()
    with pytest.raises(NoReply):
        ScpiInstrument(Chatterbox(clock), clock).open()


# -- interfaces that keep messages ----------------------------------------------------------


class MessageWire:
    """A wire that hands over whole messages, as VXI-11 or USB does."""

    name, address, keeps_messages = "meter", "USB::1::2::3::INSTR", True

    def __init__(self, clock: Clock, script: Script) -> None:
        self._clock = clock
        self._script = script
        self._messages: list[bytes] = []

    def open(self) -> None: ...
    def close(self) -> None: ...

    def write(self, data: bytes) -> None:
        for action in self._script.actions(data.decode().strip()):
            assert isinstance(action, bytes)
            self._messages.append(action)

    def read(self, timeout_s: float) -> bytes:
        if timeout_s > 0 and self._messages:
            return self._messages.pop(0)
        self._clock.sleep(timeout_s)
        return b""


@pytest.mark.parametrize("end", [b"", b"\n"])
@pytest.mark.parametrize("value", [1.5, struct.unpack(">d", b"\n\n;,\"'#\n")[0]])
@pytest.mark.parametrize("header", [b"#18", b"#0"])
def test_blocks_whose_end_is_marked(header: bytes, value: float, end: bytes) -> None:
    clock, script = VirtualClock(), Script()
    script.instead("FETC?", header + struct.pack(">d", value) + end)
    instrument = ScpiInstrument(MessageWire(clock, script), clock)
    assert instrument.open() == IDENTITY
    assert instrument.ask_as("FETC?", parse_block).tolist() == [value]
    assert numbers(instrument, 2) == ["1", "2"]


def test_a_stale_message() -> None:
    clock, script = VirtualClock(), Script()
    script.instead("READ?")
    instrument = ScpiInstrument(MessageWire(clock, script), clock)
    instrument.open()
    with pytest.raises(NoReply):
        instrument.ask("READ?")
    script.instead("*ESE 3;*ESE?", b"77\n", b"3\n")
    assert numbers(instrument, 2) == ["1", "2"]


# -- the error queue ------------------------------------------------------------------------


@instrument_kind
def test_the_offending_command_is_named(kind: str) -> None:
    script = Script()
    with opened(kind, script) as instrument:
        instrument.configure("SET 1", "SET 2")
        with pytest.raises(Fault) as caught:
            instrument.configure("SET 3", "SET WRONG", "SET 4")
        assert caught.value.kind == "meter_error"
        assert caught.value.message.startswith("meter: refuses 'SET WRONG'")
        assert '-222,"Data out of range;WRONG"' in caught.value.message
        assert "SET 4" not in script.lines
        assert instrument.errors() == []


def test_whether_a_command_is_accepted() -> None:
    with opened("simulated", Script()) as instrument:
        assert instrument.accepts("SET 1")
        assert not instrument.accepts("SET WRONG")
        assert instrument.accepts("SET 2")


def test_no_command_is_blamed_for_an_older_error() -> None:
    script = Script()
    with opened("simulated", script) as instrument:
        instrument.write("SET WRONG")
        instrument.configure("SET 1")
        instrument.write("SET WRONG")
        assert instrument.accepts("SET 1")


def test_errors_are_read_in_their_order() -> None:
    with opened("simulated", Script()) as instrument:
        instrument.write("SET WRONG", "FOO")
        assert instrument.errors() == [
            ScpiError(-222, "Data out of range;WRONG"),
            ScpiError(-113, "Undefined header;FOO"),
        ]


def test_a_queue_that_does_not_empty() -> None:
    script = Script()
    with opened("simulated", script) as instrument:
        script.errors.extend(['-350,"Queue overflow"'] * 1000)
        with pytest.raises(Fault, match="does not empty") as caught:
            instrument.errors()
        assert caught.value.kind == "meter_error"


def test_a_garbled_error_queue() -> None:
    script = Script()
    script.instead("SYST:ERR?", b"+1.5E-6\n", 0.05, b'0,"No error"\n')
    with opened("simulated", script) as instrument:
        with pytest.raises(WireFault, match="error queue") as caught:
            instrument.configure("SET 1")
        assert caught.value.kind == "garbled_reply"
        assert numbers(instrument, 2) == ["1", "2"]


class Chatterbox:
    """A far end that says something ten times a second, whatever it is asked."""

    def __init__(self) -> None:
        self._said_s = 0.0

    def connect(self, t: float) -> None: ...

    def disconnect(self, t: float) -> None: ...

    def receive(self, data: bytes, t: float) -> None: ...

    def set_line(self, line: str, asserted: bool, t: float) -> None: ...

    def output(self, t: float) -> bytes:
        if t < self._said_s + 0.1:
            return b""
        self._said_s = t
        return b"22.5 C\n"

    def next_output(self, t: float) -> float | None:
        return self._said_s + 0.1


def test_what_never_stops_talking_is_no_instrument() -> None:
    clock = VirtualClock()
    instrument = ScpiInstrument(SimulatedWire("meter", clock, Chatterbox()), clock)
    with pytest.raises(WireFault, match="without end") as caught:
        instrument.open()
    assert caught.value.kind == "garbled_reply"
    assert clock.monotonic() < 10.0
