"""Exchanges, late replies, noise, stimuli and parking, against a scripted and a simulated board."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.clock import VirtualClock
from benchrig.drivers.board import Board
from benchrig.drivers.lines import LATE_S, ending_bytes
from benchrig.errors import CannotOpen, Fault, Interrupted, NoReply, UsageError, WireLost
from benchrig.session import load_session
from benchrig.session.bench_file import BoardPort, Parking
from benchrig.session.fields import Ending
from benchrig.session.protocol import Identity, Stimulus, Wake
from benchrig.simulation.files import load_board
from benchrig.simulation.world import World
from benchrig.wires.simulated import SimulatedWire
from tests.drivers.board_ends import Answers, Reply, Rig, ScriptedBoard, ask, make_protocol, rig

ENDINGS: list[Ending] = ["CR", "LF", "CRLF"]
ECHOES = ["", "at once", "in turn"]
FIXTURES = Path(__file__).parents[2] / "fixtures"
IDENTITY = Identity.model_validate(
    {"send": "id", "expect": r"^id sn=(?P<serial_number>\S+) fw=(?P<firmware>\S+)$"}
)


def talking(answers: dict[bytes, Any], **more: Any) -> ScriptedBoard:
    return ScriptedBoard(Answers({b"hello": b"ready\n", **answers}), **more)


def kind_of(call: Callable[[], object]) -> str:
    with pytest.raises(Fault) as caught:
        call()
    return caught.value.kind


def tried(*calls: Callable[[], object]) -> list[str]:
    """The kind of each call's fault, or ""."""
    kinds = []
    for call in calls:
        try:
            call()
            kinds.append("")
        except Fault as fault:
            kinds.append(fault.kind)
    return kinds


# -- one exchange ---------------------------------------------------------------------------


@pytest.mark.parametrize("echo", ECHOES)
@pytest.mark.parametrize("receive", ENDINGS)
@pytest.mark.parametrize("send", ENDINGS)
def test_line_endings_each_way(send: Ending, receive: Ending, echo: str) -> None:
    out, back = ending_bytes(send), ending_bytes(receive)
    answers = {b"hello": b"ready" + back, b"id": b"id sn=HS-1 fw=1.4" + back}
    end = ScriptedBoard(Answers(dict(answers)), ending=out, echo=echo)
    protocol = make_protocol(send_ending=send, receive_ending=receive, echo=bool(echo))
    with rig(end, protocol) as it:
        assert it.board.hello() == pytest.approx(0.004)
        identity = it.board.identify(IDENTITY)
        assert (identity.serial_number, identity.firmware) == ("HS-1", "1.4")
        assert identity.text == "id sn=HS-1 fw=1.4"
        assert end.sent == b"hello" + out + b"id" + out
        assert it.clock.monotonic() == pytest.approx(0.008)


@pytest.mark.parametrize("echo", ECHOES)
def test_no_line_endings_at_all(echo: str) -> None:
    """A reply that grows is not cut short: silence ends it."""
    pieces: Reply = [(0.01, bytes([byte])) for byte in b"id sn=HS-1 fw=1.4"]
    end = ScriptedBoard(Answers({b"hello": b"ready", b"id": pieces}), ending=b"", echo=echo)
    protocol = make_protocol(send_ending="none", receive_ending="none", echo=bool(echo))
    with rig(end, protocol) as it:
        it.board.hello()
        identity = it.board.identify(IDENTITY.model_copy(update={"timeout": 0.5}))
        assert (identity.serial_number, identity.firmware) == ("HS-1", "1.4")


def test_a_dense_hello_without_line_endings_is_heard() -> None:
    """Each hello is answered before the last reply has had its silence."""
    end = ScriptedBoard(Answers({b"hello": b"ready"}), ending=b"")
    with rig(end, make_protocol(send_ending="none", receive_ending="none")) as it:
        assert it.board.hello(0.3, densely=True) < 0.2


@pytest.mark.parametrize("encoding", ["utf-8", "latin-1"])
def test_encodings(encoding: str) -> None:
    end = talking({"wäge".encode(encoding): "3 ‰ Süß".encode(encoding, "replace") + b"\n"})
    with rig(end, make_protocol(encoding=encoding)) as it:
        match = it.board.exchange(ask("wäge", "Süß$"))
        assert match is not None


def test_pauses_between_bytes() -> None:
    end = talking({})
    with rig(end, make_protocol(byte_pause="10 ms")) as it:
        it.board.exchange(ask("abc"))
        assert [(data, round(t, 6)) for kind, data, t in end.events if kind == "sent"] == [
            (b"a", 0.0), (b"b", 0.01), (b"c", 0.02), (b"\n", 0.03),
        ]  # fmt: skip


@pytest.mark.parametrize("echo", [False, True])
def test_bytes_in_hex(echo: bool) -> None:
    reply: Reply = [(0.004, b"\xa5\x01\n"), (0.2, b"\x07")]
    end = ScriptedBoard(Answers({b"\xa5\x01": reply}), ending=b"", echo="at once" if echo else "")
    exchange = ask("", send_hex="A5 01", expect_hex="A5 01 0A ??")
    with rig(end, make_protocol(receive_ending="none", echo=echo)) as it:
        match = it.board.exchange(exchange)
        assert match is not None
        assert match[0] == b"\xa5\x01\n\x07"
        assert end.sent == b"\xa5\x01"


def test_an_exchange_without_a_reply_does_not_wait() -> None:
    with rig(talking({})) as it:
        assert it.board.exchange(ask("lamp on")) is None
        assert it.clock.monotonic() == 0.0


def test_attempts_are_counted_and_the_message_tells_what_was_heard() -> None:
    end = talking({b"stop": b"what\x00\xff\n"})
    with rig(end) as it:
        with pytest.raises(NoReply) as caught:
            it.board.exchange(ask("stop", "^ok", attempts=3))
        assert caught.value.kind == "no_reply"
        assert end.commands == [b"stop"] * 3
        assert it.clock.monotonic() == pytest.approx(0.9)
        for words in ("board: ", "'stop'", "3 × 0.3 s", "'^ok'", "'what\\x00\\xff'", "baud"):
            assert words in caught.value.message


@pytest.mark.parametrize("slow_gate", [False, True])
def test_no_attempt_is_lost_to_slow_sending(slow_gate: bool) -> None:
    end = talking({b"stop": [[(0.0, b"")], [(0.25, b"ok\n")]]})
    with rig(end, make_protocol(byte_pause="100 ms")) as it:
        if slow_gate:
            it.board._gate = lambda why: it.clock.sleep(1.0)
        assert it.board.exchange(ask("stop", "^ok", attempts=2))


def test_a_silent_board() -> None:
    with rig(talking({b"hello": []})) as it:
        with pytest.raises(NoReply, match="heard nothing") as caught:
            it.board.hello()
        assert caught.value.kind == "board_silent"
        assert it.clock.monotonic() == pytest.approx(1.5)
        assert kind_of(lambda: it.board.hello(4.0)) == "board_silent"
        assert it.clock.monotonic() == pytest.approx(5.5)
        assert kind_of(lambda: it.board.hello(0.2, densely=True)) == "board_silent"
        assert it.clock.monotonic() == pytest.approx(5.7)


def test_an_identity_is_never_lost_quietly() -> None:
    with rig(talking({})) as it:
        question = IDENTITY.model_copy(update={"reply_may_be_lost": True})
        assert kind_of(lambda: it.board.identify(question)) == "no_reply"


def test_a_lost_wire_is_told_as_it_is() -> None:
    with rig(talking({})) as it:
        it.wire.unplug()
        with pytest.raises(WireLost):
            it.board.hello()
        with pytest.raises(WireLost):
            it.board.poll()


# -- noise ----------------------------------------------------------------------------------

NOISES = [b"\x00", b"\xff\xfe", b"\x00\n\xff\n", b"half a line", b"\r\n\r\n", b"\xc3", b"7\n"]


@pytest.mark.parametrize("noise", NOISES)
def test_noise_before_and_after_a_question(noise: bytes) -> None:
    end = talking({b"stop": [(0.01, noise if noise != b"half a line" else b""), (0.01, b"ok\n")]})
    with rig(end) as it:
        end.say(noise, 0.0)
        assert it.board.exchange(ask("stop", "^ok$"))
        assert all(text.isprintable() and text.isascii() for _, text in it.told)


@given(noise=st.binary(max_size=300), seed=st.integers(0, 3))
@settings(deadline=None)
def test_noise_ends_in_an_answer_or_a_named_fault(noise: bytes, seed: int) -> None:
    protocol = make_protocol(receive_ending=["CR", "LF", "CRLF", "none"][seed])
    end = talking({b"stop": [(0.01, noise), (0.2, b"\nok\n")]})
    with rig(end, protocol) as it:
        named = tried(
            lambda: it.board.hello(),
            lambda: it.board.exchange(ask("stop", "^ok$", attempts=2)),
            lambda: it.board.poll(1.0),
        )
        assert set(named) <= {"", "no_reply", "board_silent", "board_refused", "unexpected_reset"}
        assert all(text.isprintable() for _, text in it.told)
        assert it.clock.monotonic() < 10.0


def test_a_board_that_never_stops_talking_holds_nothing_up() -> None:
    class Chatterbox(ScriptedBoard):
        def output(self, t: float) -> bytes:
            it.clock._elapsed_s += 1e-4
            return b"\xffnoise"

    for ending in ("LF", "none"):
        end = Chatterbox(Answers({}))
        with rig(end, make_protocol(receive_ending=ending)) as it:
            assert kind_of(it.board.hello) == "board_silent"
            it.board.poll(0.5)
            assert it.clock.monotonic() < 20.0


# -- resets and refusals --------------------------------------------------------------------


@pytest.mark.parametrize("before", [b"", b"ok sl", b"noise\n", b"\x00\xff"])
def test_a_boot_banner_where_none_belongs(before: bytes) -> None:
    end = talking({b"run": [(0.01, before), (0.25, b"boot 1.4\nready\n")]})
    with rig(end) as it:
        with pytest.raises(Fault, match="reset line") as caught:
            it.board.exchange(ask("run", "^ok", timeout="1 s"))
        assert caught.value.kind == "unexpected_reset"
        it.board.hello()
        end.say(b"boot 1.4\n", it.clock.monotonic() + 3.0)
        assert it.board.poll(1.0) == []
        assert kind_of(lambda: it.board.poll(5.0)) == "unexpected_reset"
        it.board.banner_belongs = True
        end.say(b"boot 1.4\n", it.clock.monotonic())
        assert it.board.poll() == [b"boot 1.4"]


def test_a_boot_banner_without_line_endings() -> None:
    end = talking({})
    with rig(end, make_protocol(receive_ending="none")) as it:
        for index, byte in enumerate(b"boot 1.4"):
            end.say(bytes([byte]), 0.5 + 0.001 * index)
        assert kind_of(lambda: it.board.poll(1.0)) == "unexpected_reset"


def test_a_refusal_is_named() -> None:
    end = talking({b"fly": b"error: cannot fly\n"})
    with rig(end) as it:
        with pytest.raises(Fault, match="'error: cannot fly' to 'fly', a refusal") as caught:
            it.board.exchange(ask("fly", "^ok", attempts=3))
        assert caught.value.kind == "board_refused"
        assert end.commands == [b"fly"]
        before_s = it.clock.monotonic()
        it.board.hello()
        assert it.clock.monotonic() - before_s < 0.01


def test_a_refusal_of_what_expects_no_reply_is_not_blamed_on_the_next_command() -> None:
    end = talking({b"fly": b"error: cannot fly\n", b"stop": b"ok\n"})
    with rig(end) as it:
        it.board.exchange(ask("fly"))
        with pytest.raises(Fault, match="to 'fly'"):
            it.board.exchange(ask("stop", "^ok"))
        it.board.exchange(ask("fly"))
        with pytest.raises(Fault, match="to 'fly'"):
            it.board.poll(1.0)
        assert it.board.exchange(ask("stop", "^ok"))


def test_hello_goes_on_after_refusals_but_not_for_ever() -> None:
    end = talking({b"hello": [[(0.01, b"error\n")], [(0.01, b"error\n")], [(0.01, b"ready\n")]]})
    with rig(end) as it:
        assert it.board.hello(0.3, densely=True) < 0.1
    with rig(talking({b"hello": b"error\n"})) as it:
        assert kind_of(lambda: it.board.hello(0.5)) == "board_silent"
        assert it.clock.monotonic() <= 0.6


# -- no reply is taken for the answer to a later question -----------------------------------


def number(it: Rig, question: str, **more: Any) -> str:
    """Every question expects the same of its answer: that it is some number."""
    match = it.board.exchange(ask(question, r"^ok (\S+)$", **more))
    assert match is not None
    return str(match[1])


@pytest.mark.parametrize("echo", ECHOES)
@pytest.mark.parametrize("attempts", [1, 2, 3])
@pytest.mark.parametrize("late_s", [0.31, 0.7, 1.0, 2.2, 2.35, 3.0, 3.7, 8.0])
def test_a_late_reply(late_s: float, attempts: int, echo: str) -> None:
    end = talking(
        {b"A": [[(late_s, b"ok A\n")], [(0.01, b"ok A\n")]], b"B": b"ok B\n", b"C": b"ok C\n"},
        echo=echo,
    )
    with rig(end, make_protocol(echo=bool(echo))) as it:
        answers: list[str] = []
        (first,) = tried(lambda: answers.append(number(it, "A", attempts=attempts)))
        assert first == ("" if late_s < 0.3 * attempts else "no_reply")
        later = tried(
            lambda: answers.append(number(it, "B")), lambda: answers.append(number(it, "C"))
        )
        # Later than is reckoned with: then the board counts as silent.
        assert set(later) <= ({""} if late_s <= LATE_S else {"", "board_silent"})
        asked = zip("ABC", [first, *later], strict=True)
        assert answers == [question for question, kind in asked if not kind]
        if late_s <= LATE_S:
            assert it.clock.monotonic() < 0.9 + LATE_S + 0.5
        assert it.clock.monotonic() < 12.0


@pytest.mark.parametrize("echo", ECHOES)
def test_a_lost_reply(echo: str) -> None:
    """The wait for it is bounded, and what is asked next is answered."""
    end = talking({b"A": [], b"B": b"ok B\n"}, echo=echo)
    with rig(end, make_protocol(echo=bool(echo))) as it:
        assert kind_of(lambda: number(it, "A")) == "no_reply"
        assert number(it, "B") == "B"
        assert it.clock.monotonic() < 0.3 + 0.3 + LATE_S + 0.1
        assert end.commands == [b"A", b"hello", b"B"]
        before_s = it.clock.monotonic()
        assert number(it, "B") == "B"
        assert it.clock.monotonic() - before_s < 0.01


def test_after_a_late_reply_nothing_more_is_waited_for() -> None:
    end = talking({b"A": [(1.0, b"ok A\n")], b"B": b"ok B\n"})
    with rig(end) as it:
        assert kind_of(lambda: number(it, "A")) == "no_reply"
        assert number(it, "B") == "B"
        assert it.clock.monotonic() == pytest.approx(1.004)
        assert end.commands == [b"A", b"B"]
        assert ("late_reply", "'ok A' came late, in answer to 'A'") in it.told


def test_replies_to_all_attempts() -> None:
    """The first is the answer, the others come while the next question waits."""
    end = talking({b"A": [(0.5, b"ok A\n")], b"B": b"ok B\n"})
    with rig(end) as it:
        assert number(it, "A", attempts=3) == "A"
        assert number(it, "B") == "B"
        assert it.told_kinds().count("late_reply") == 1


def test_an_interrupted_question_is_owed_too() -> None:
    end = talking({b"A": [(0.2, b"ok A\n")], b"B": b"ok B\n"})
    with rig(end) as it:

        def stop(kind: str, text: str, **data: Any) -> None:
            if kind == "sent":
                it.clock.stop.make("test")

        it.board._tell = stop
        with pytest.raises(Interrupted):
            number(it, "A")
        with it.clock.shielded():
            assert number(it, "B") == "B"


@pytest.mark.parametrize("echo", ECHOES)
@pytest.mark.parametrize("boots_s", [0.1, 0.95, 1.3, 3.1])
@pytest.mark.parametrize("loses", [False, True])
@pytest.mark.parametrize("densely", [False, True])
def test_hello_to_a_board_that_boots(densely: bool, loses: bool, boots_s: float, echo: str) -> None:
    """All that was said meanwhile is answered at once, or lost. Each answer fits the next
    question as well."""
    end = ScriptedBoard(
        Answers({b"hello": b"ok ready\n", b"B": b"ok B\n"}),
        awake_s=boots_s,
        loses=loses,
        echo=echo,
    )
    hello = {"send": "hello", "expect": "^ok", "timeout": "300 ms"}
    with rig(end, make_protocol(hello=hello, echo=bool(echo)), belongs=True) as it:
        took_s = it.board.hello(4.0, densely=densely)
        assert boots_s <= took_s <= boots_s + (0.41 if loses else 0.01)
        assert number(it, "B") == "B"
        assert it.clock.monotonic() < 2.3 * took_s + 0.5


def test_a_late_answer_to_hello_is_an_answer_to_hello() -> None:
    """A board that is a second late with everything is found, and then asked in step."""
    end = talking({b"hello": [(1.0, b"ready\n")], b"B": [(1.0, b"ok B\n")]})
    with rig(end) as it:
        assert it.board.hello() == pytest.approx(1.0)
        assert number(it, "B", timeout="1.5 s") == "B"


def test_a_late_reply_that_fits_hello_is_not_its_answer() -> None:
    end = talking({b"A": [(0.9, b"ok A\n")], b"hello": b"ok hello\n", b"B": b"ok B\n"})
    hello = {"send": "hello", "expect": "^ok", "timeout": "300 ms"}
    with rig(end, make_protocol(hello=hello)) as it:
        assert kind_of(lambda: number(it, "A")) == "no_reply"
        it.board.hello()
        assert it.clock.monotonic() >= 0.9
        assert number(it, "B") == "B"


def test_a_late_reply_in_bytes() -> None:
    end = ScriptedBoard(
        Answers({b"A": [(1.0, b"\xa5A")], b"B": b"\xa5B", b"hello": b"\x06"}), ending=b""
    )
    hello = {"send": "hello", "expect_hex": "06"}
    protocol = make_protocol(hello=hello, send_ending="none", receive_ending="none")
    with rig(end, protocol) as it:
        question = ask("A", None, expect_hex="A5 ??")
        assert kind_of(lambda: it.board.exchange(question)) == "no_reply"
        match = it.board.exchange(question.model_copy(update={"send": "B"}))
        assert match is not None
        assert match[0] == b"\xa5B"


@given(
    delays=st.lists(st.sampled_from([0.001, 0.1, 0.29, 0.31, 0.6, 1.0, 1.9, 2.5, 4.0, None])),
    attempts=st.lists(st.integers(1, 3), min_size=8, max_size=8),
    echo=st.sampled_from(ECHOES),
    ending=st.sampled_from(["LF", "none"]),
)
@settings(deadline=None, max_examples=300)
def test_whatever_is_late_or_lost(
    delays: list[float | None], attempts: list[int], echo: str, ending: Ending
) -> None:
    """Every answer belongs to its question, or there is a fault; and no wait is without end. Here
    a reply comes within `LATE_S` of its time, or never."""
    left = list(delays)

    def reply(command: bytes) -> Reply:
        delay_s = left.pop(0) if left else 0.001
        said = b"ready\n" if command == b"hello" else b"ok " + command + b"\n"
        return [] if delay_s is None else [(delay_s, said)]

    end = ScriptedBoard(reply, echo=echo, latest_s=0.3 + LATE_S)
    with rig(end, make_protocol(echo=bool(echo), receive_ending=ending)) as it:
        for index, most in enumerate(attempts):
            before_s = it.clock.monotonic()
            try:
                match = it.board.exchange(
                    ask(f"q{index}", r"ok (q\d)", timeout="300 ms", attempts=most)
                )
                assert match is not None
                assert match[1] == f"q{index}", delays
            except NoReply:
                pass
            # Owed replies, hello and what is owed of it, the question itself.
            assert it.clock.monotonic() - before_s < 2 * (0.3 + 2 * LATE_S) + 1.5 + 0.9, delays


# -- going to sleep -------------------------------------------------------------------------


@pytest.mark.parametrize("acknowledgement", [b"", b"ok sl", b"\xff", b"ok sleep\n"])
def test_an_acknowledgement_that_may_be_lost(acknowledgement: bytes) -> None:
    end = talking({b"sleep": acknowledgement})
    with rig(end) as it:
        question = ask("sleep", "^ok sleep$", reply_may_be_lost=True, attempts=5)
        match = it.board.exchange(question)
        assert (match is not None) == acknowledgement.endswith(b"\n")
        # A second attempt would wake it.
        assert end.commands == [b"sleep"]
        assert it.clock.monotonic() <= 0.3
        # What was cut off is no part of what the board says next.
        assert it.board.hello() == pytest.approx(0.004)


def test_half_an_acknowledgement_is_shown() -> None:
    with rig(talking({b"sleep": b"ok\x00sl"})) as it:
        data: dict[str, Any] = {}
        it.board._tell = lambda kind, text, **more: data.update({kind: (text, more)})
        it.board.exchange(ask("sleep", "^ok sleep$", reply_may_be_lost=True))
        assert data["reply_lost"] == ("no full reply to 'sleep'", {"partial": "ok\\x00sl"})


# -- stimuli --------------------------------------------------------------------------------


def wake(**given: Any) -> Wake:
    return Wake.model_validate({"within": "300 ms", **given})


@pytest.mark.parametrize(
    ("stimulus", "sent"),
    [
        (Stimulus(by="byte", send="U"), b"U"),
        (wake(by="byte", send_hex="55"), b"U"),
        (wake(by="byte", send_hex="55", byte_lost=False), b"U\n"),
        (wake(by="byte", send="ä"), "ä".encode()),
    ],
)
def test_a_waking_byte(stimulus: Stimulus | Wake, sent: bytes) -> None:
    with rig(talking({})) as it:
        it.board.stimulate(stimulus)
        assert it.end.sent == sent


def test_a_byte_that_is_not_lost_and_refused_as_a_command() -> None:
    """Its refusal is not that of hello, whose answer then would come as one too many."""
    end = talking({b"U": [(0.02, b"error\n")], b"hello": b"ok hello\n", b"B": b"ok B\n"})
    hello = {"send": "hello", "expect": "^ok", "timeout": "300 ms"}
    with rig(end, make_protocol(hello=hello)) as it:
        it.board.stimulate(wake(by="byte", send_hex="55", byte_lost=False))
        assert it.board.hello(0.3, densely=True) < 0.05
        assert number(it, "B") == "B"
        assert end.commands == [b"U", b"hello", b"B"]


@pytest.mark.parametrize(
    ("by", "rest", "line"),
    [("break", None, "brk"), ("dtr", False, "dtr"), ("dtr", True, "dtr"), ("rts", True, "rts")],
)
def test_a_pulse_goes_away_from_rest_and_comes_back(by: str, rest: bool | None, line: str) -> None:
    port: dict[str, Any] = {} if rest is None else {by: rest}
    with rig(talking({}), **port) as it:
        it.board.stimulate(wake(by=by, pulse="20 ms"))
        assert it.end.events[1:] == [(line, not rest, 0.0), (line, bool(rest), 0.02)]


def test_an_interrupted_pulse_comes_back() -> None:
    with rig(talking({})) as it:
        it.board._tell = lambda *_, **__: None
        sleep = it.clock.sleep

        def stopped(duration_s: float) -> None:
            it.clock.stop.make("test")
            sleep(duration_s)

        it.clock.sleep = stopped  # type: ignore[method-assign]
        with pytest.raises(Interrupted):
            it.board.stimulate(wake(by="break"))
        assert [entry[:2] for entry in it.end.events[1:]] == [("brk", True), ("brk", False)]


def test_a_line_whose_rest_is_not_told_rests_asserted() -> None:
    """As the system leaves it at opening."""
    with rig(talking({})) as it:
        it.board.stimulate(wake(by="dtr"))
        assert [entry[:2] for entry in it.end.events[1:]] == [("dtr", False), ("dtr", True)]
        it.board.park(Parking(rts=False))
        it.board.unpark()
        assert [entry[:2] for entry in it.end.events[3:]] == [("rts", False), ("rts", True)]
        with pytest.raises(UsageError, match="'operator'"):
            it.board.stimulate(wake(by="operator", prompt="press the button"))


# -- parking --------------------------------------------------------------------------------


def test_parking_low() -> None:
    with rig(talking({}), dtr=True, rts=False) as it:
        parking = Parking(tx="low", dtr=False, rts=True)
        for _ in range(2):
            it.board.park(parking)
        moved = [entry[:2] for entry in it.end.events[1:]]
        assert moved == [("dtr", False), ("rts", True), ("brk", True)]
        it.end.say(b"still heard\n", 0.0)
        assert it.board.poll() == [b"still heard"]
        for _ in range(2):
            it.board.unpark()
        moved = [entry[:2] for entry in it.end.events[4:]]
        assert moved == [("dtr", True), ("rts", False), ("brk", False)]


def test_parking_by_closing_the_port() -> None:
    with rig(talking({})) as it:
        it.board.park(Parking(tx="closed"))
        assert it.board.poll(1.5) == []
        assert it.clock.monotonic() == 1.5
        it.board.unpark()
        assert [kind for kind, _, _ in it.end.events] == ["open", "close", "open"]
        it.board.hello()


def test_a_port_that_does_not_open_again_stays_parked() -> None:
    with rig(talking({})) as it:
        it.board.park(Parking(tx="closed"))
        it.wire._unplugged = True
        with pytest.raises(CannotOpen):
            it.board.unpark()
        assert it.board.poll() == []
        it.wire._unplugged = False
        it.board.unpark()
        it.board.hello()


@pytest.mark.parametrize(
    ("parking", "text"),
    [
        (Parking(tx="low"), "lines parked: TX low"),
        (Parking(tx="low", dtr=False), "lines parked: TX low, DTR off"),
        (Parking(dtr=True, rts=False), "lines parked: TX idle, DTR on, RTS off"),
    ],
)
def test_only_lines_that_are_moved_are_told(parking: Parking, text: str) -> None:
    with rig(talking({})) as it:
        it.board.park(parking)
        assert ("parked", text) in it.told


def test_nothing_is_parked_where_nothing_is_asked_for() -> None:
    with rig(talking({})) as it:
        it.board.park(Parking())
        it.board.unpark()
        assert [kind for kind, _, _ in it.end.events] == ["open"]


# -- the gate -------------------------------------------------------------------------------

ACTS: dict[str, Callable[[Rig], object]] = {
    "exchange": lambda it: it.board.exchange(ask("stop", "^ok")),
    "exchange without a reply": lambda it: it.board.exchange(ask("stop")),
    "hello": lambda it: it.board.hello(),
    "dense hello": lambda it: it.board.hello(0.3, densely=True),
    "identify": lambda it: it.board.identify(IDENTITY),
    "byte": lambda it: it.board.stimulate(wake(by="byte", send="U", byte_lost=False)),
    "break": lambda it: it.board.stimulate(wake(by="break")),
    "dtr": lambda it: it.board.stimulate(Stimulus(by="dtr")),
    "rts": lambda it: it.board.stimulate(Stimulus(by="rts")),
    "park low": lambda it: it.board.park(Parking(tx="low")),
    "park dtr": lambda it: it.board.park(Parking(dtr=True, rts=True)),
    "park closed": lambda it: it.board.park(Parking(tx="closed")),
    "open": lambda it: it.board.open(),
}


class Closed(Fault):
    def __init__(self, why: str) -> None:
        super().__init__("burden_too_high", why)


def shut(why: str) -> None:
    assert why
    raise Closed(why)


def gated(end: Any) -> Any:
    return rig(end, dtr=False, rts=False)


@pytest.mark.parametrize("act", ACTS)
def test_nothing_leaves_before_the_gate_was_passed(act: str) -> None:
    end = talking({b"stop": b"ok\n", b"id": b"id sn=1 fw=2\n"})
    with gated(end) as it:
        it.board._gate = lambda why: end.events.append(("gate", why, 0.0))
        del end.events[:]
        ACTS[act](it)
        assert end.events[0][0] == "gate"
        assert {kind for kind, _, _ in end.events} != {"gate"}


@pytest.mark.parametrize("act", ACTS)
def test_nothing_leaves_where_the_gate_is_shut(act: str) -> None:
    end = talking({b"stop": b"ok\n", b"id": b"id sn=1 fw=2\n"})
    with gated(end) as it:
        it.board._gate = shut
        del end.events[:]
        with pytest.raises(Closed):
            ACTS[act](it)
        assert end.events == []
        # And nothing is owed for what was not sent.
        it.board._gate = it.gates.append
        before_s = it.clock.monotonic()
        it.board.unpark()
        assert it.board.exchange(ask("stop", "^ok"))
        assert end.commands == [b"stop"]
        assert it.clock.monotonic() - before_s < 0.01


@pytest.mark.parametrize("tx", ["low", "closed"])
def test_what_is_parked_stays_so_where_the_gate_is_shut(tx: str) -> None:
    end = talking({})
    with gated(end) as it:
        it.board.park(Parking.model_validate({"tx": tx}))
        it.board._gate = shut
        moved = len(end.events)
        with pytest.raises(Closed):
            it.board.unpark()
        assert len(end.events) == moved
        it.board._gate = it.gates.append
        it.board.unpark()
        assert len(end.events) == moved + 1


@pytest.mark.parametrize("refused", [1, 2, 3, 4, 5])
def test_a_gate_that_shuts_between_two_attempts(refused: int) -> None:
    end = talking({})
    with gated(end) as it:
        calls: list[str] = []

        def gate(why: str) -> None:
            calls.append(why)
            if len(calls) == refused:
                raise Closed(why)

        it.board._gate = gate
        with pytest.raises((Closed, NoReply)):
            it.board.exchange(ask("A", "^ok", attempts=3))
        assert len(end.commands) == min(max(refused - 2, 0), 3)


# -- the simulated board --------------------------------------------------------------------


def simulated(
    name: str = "hive-scale", *, belongs: bool = True, **defects: Any
) -> tuple[Board, World, VirtualClock, list[str]]:
    file = load_board(FIXTURES / "boards" / f"{name}.toml")
    if defects:
        made = type(file.defects).model_validate(defects)
        file = file.model_copy(update={"defects": made})
    world, clock, told = World(file, None, seed=1), VirtualClock(), []
    board = Board(
        SimulatedWire("board", clock, world.board),
        clock,
        load_session(FIXTURES / "hive-scale.session.toml").protocol,
        BoardPort(dtr=False, rts=False),
        lambda why: None,
        lambda kind, text, **data: told.append(text),
    )
    board.open()
    board.banner_belongs = belongs
    return board, world, clock, told


def state(name: str) -> Any:
    states = load_session(FIXTURES / "hive-scale.session.toml").states
    return next(state for state in states if state.name == name)


def enter(board: Board, name: str) -> None:
    for exchange in state(name).enter:
        board.exchange(exchange.model_copy(update={"reply_may_be_lost": state(name).sleeps}))


def found(board: Board) -> None:
    board.hello(2.0)
    board.banner_belongs = False


def test_a_walk_through_all_states() -> None:
    board, world, clock, told = simulated()
    found(board)
    identity = board.identify(load_session(FIXTURES / "hive-scale.session.toml").protocol.identity)  # type: ignore[arg-type]
    assert (identity.serial_number, identity.firmware) == ("HS-0042", "1.4.2")
    assert "hive scale boot 1.4.2" in told
    for name in ("idle", "weigh", "lamp", "light_sleep", "deep_sleep"):
        enter(board, name)
        board.park(Parking(tx="closed"))
        clock.sleep(3.0)
        world.advance(clock.monotonic())
        assert world.simulated_board.state == name
        board.unpark()
        wakes = state(name).wake
        if wakes is not None:
            board.banner_belongs = wakes.reboots
            board.stimulate(wakes)
            board.hello(wakes.within, densely=True)
            board.banner_belongs = False
            assert world.simulated_board.state == "idle"
    assert world.simulated_board.boots == 2


@pytest.mark.parametrize("by", ["dtr", "break"])
def test_waking_by_a_line(by: str) -> None:
    board, world, clock, _ = simulated()
    found(board)
    enter(board, "deep_sleep")
    clock.sleep(2.0)
    board.banner_belongs = True
    board.stimulate(wake(by=by, pulse="20 ms"))
    board.hello(1.5, densely=True)
    assert world.simulated_board.boots == 2


def test_a_simulated_board_that_is_always_a_second_late() -> None:
    board, _, clock, _ = simulated(late_reply={"extra": "1 s"})
    found(board)
    for name in ("weigh", "lamp", "idle"):
        (exchange,) = state(name).enter
        for timeout_s in (0.3, 1.5):
            before_s = clock.monotonic()
            question = exchange.model_copy(update={"timeout": timeout_s})
            (kind,) = tried(partial(board.exchange, question))
            assert kind == ("no_reply" if timeout_s == 0.3 else "")
            assert clock.monotonic() - before_s < 5.0


@pytest.mark.parametrize(
    ("defects", "kind"),
    [
        ({"dead_uart": True}, "board_silent"),
        ({"garbage_reply": True}, "board_silent"),
        ({"spontaneous_reset": {"state": "weigh", "after": "100 ms"}}, "unexpected_reset"),
    ],
)
def test_defects_have_names(defects: dict[str, Any], kind: str) -> None:
    board, _, _, _ = simulated(**defects)

    def session() -> None:
        found(board)
        enter(board, "weigh")
        for _ in range(100):
            board.poll(0.1)

    assert kind_of(session) == kind
