"""Lines out of bytes, and answers out of lines: pure functions, on invented times."""

from __future__ import annotations

import itertools
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.drivers.lines import (
    LONGEST_LINE,
    SILENCE_S,
    Ledger,
    LineSplitter,
    ending_bytes,
    found,
    readable,
    shown,
)
from benchrig.session.fields import Ending
from benchrig.session.protocol import Exchange, Protocol

FRAMED: list[Ending] = ["CR", "LF", "CRLF"]
EVER = 1e9


def protocol(**more: Any) -> Protocol:
    return Protocol.model_validate({"hello": {"send": "hello", "expect": "^ready"}, **more})


def asks(expect: str, send: str = "ask") -> Exchange:
    return Exchange.model_validate({"send": send, "expect": expect})


def matched(ledger: Ledger, *lines: bytes, t: float = 0.0) -> list[tuple[str | None, str | None]]:
    """What was answered with which group 0."""
    return [
        (
            None if answer.debt.exchange is None else answer.debt.exchange.send,
            None if answer.match is None else str(answer.match[0]),
        )
        for answer in ledger.hear(b"", list(lines), t)
    ]


# -- showing and reading --------------------------------------------------------------------


@given(st.binary())
def test_shown_is_harmless_and_tells_every_byte(data: bytes) -> None:
    text = shown(data)
    assert text.isascii()
    assert text.isprintable()
    assert text.encode().decode("unicode_escape").encode("latin-1") == data


@given(st.binary(), st.sampled_from(["utf-8", "latin-1", "ascii", "utf-16"]))
def test_whatever_comes_can_be_read(data: bytes, encoding: str) -> None:
    assert not set(readable(data, encoding)) & {chr(code) for code in [*range(9), 27, 127]}


def test_undecodable_bytes_are_escaped_and_controls_left_out() -> None:
    assert readable(b"o\x00k \xff\xc3\xa4", "utf-8") == "ok \\xffä"


def test_noise_in_front_of_a_line_is_overlooked_and_noise_inside_is_not() -> None:
    ok = asks("^ok$").expect
    assert found(ok, b"\x00\xff\xfeok", "utf-8")
    assert not found(ok, b"not \xff\xfeok", "utf-8")
    assert found(asks("^ä").expect, "ä".encode(), "utf-8")


# -- lines ----------------------------------------------------------------------------------


@pytest.mark.parametrize("declared", FRAMED)
@pytest.mark.parametrize("sent", FRAMED)
@given(cuts=st.lists(st.integers(0, 60)))
def test_lines_however_they_end_and_wherever_they_are_cut(
    declared: Ending, sent: Ending, cuts: list[int]
) -> None:
    texts = [b"hive ready", b"ok", b"\x00\xff", b"w=12.5"]
    stream = b"".join(text + ending_bytes(sent) for text in texts) + b"half"
    edges = sorted({0, len(stream), *(min(cut, len(stream)) for cut in cuts)})
    splitter = LineSplitter(declared)
    lines = [
        line.data
        for start, end in itertools.pairwise(edges)
        for line in splitter.feed(stream[start:end], 0.0)
    ]
    assert lines == texts
    assert splitter.partial == b"half"
    assert splitter.drop_partial() == b"half"
    assert splitter.partial == b""


def test_what_follows_a_silence_in_a_line_is_told_apart() -> None:
    splitter = LineSplitter("LF")
    assert splitter.feed(b"ok sl", 0.0) == []
    (line,) = splitter.feed(b"hive boot\n", SILENCE_S)
    assert line.parts == (b"ok slhive boot", b"hive boot")
    assert splitter.feed(b"ok sl", 1.0) == []
    (line,) = splitter.feed(b"eep\n", 1.01)
    assert line.parts == (b"ok sleep",)


def test_without_an_ending_a_silence_ends_a_message() -> None:
    splitter = LineSplitter("none")
    assert splitter.due_s() == math.inf
    assert splitter.feed(b"re", 1.0) == []
    assert splitter.feed(b"ady\r\n", 1.04) == []
    assert splitter.due_s() == pytest.approx(1.04 + SILENCE_S)
    assert [line.data for line in splitter.feed(b"", splitter.due_s())] == [b"ready\r\n"]
    assert splitter.feed(b"", 9.0) == []
    assert splitter.feed(b"a", 10.0) == []
    assert [line.data for line in splitter.feed(b"b", 11.0)] == [b"a"]


@pytest.mark.parametrize("ending", ["LF", "none"])
def test_noise_without_an_end_is_cut(ending: Ending) -> None:
    splitter = LineSplitter(ending)
    lines = splitter.feed(b"\xff" * (2 * LONGEST_LINE + 1), 0.0)
    assert [len(line.data) for line in lines] == [LONGEST_LINE, LONGEST_LINE]
    assert splitter.partial == b"\xff"


# -- which question a line answers ----------------------------------------------------------


def test_a_line_answers_the_earliest_question_that_it_fits() -> None:
    ledger = Ledger(protocol())
    ledger.add(asks("^ok", "first"), 0.0, EVER)
    ledger.add(asks("^ok", "second"), 1.0, EVER)
    assert matched(ledger, b"noise") == []
    assert matched(ledger, b"ok 1", b"ok 2", b"ok 3") == [("first", "ok"), ("second", "ok")]


def test_what_was_asked_before_an_answered_question_is_answered_no_more() -> None:
    ledger = Ledger(protocol())
    ledger.add(asks("^ok", "lost"), 0.0, EVER)
    ledger.add(asks("^ready", "hello"), 1.0, EVER)
    ledger.add(asks("^ok", "next"), 2.0, EVER)
    assert matched(ledger, b"ready", b"ok") == [("hello", "ready"), ("next", "ok")]


def test_a_debt_ends_with_its_time() -> None:
    ledger = Ledger(protocol())
    ledger.add(asks("^ok", "first"), 0.0, 1.0)
    ledger.add(asks("^ok", "second"), 0.0, EVER)
    assert matched(ledger, b"ok", t=1.1) == [("second", "ok")]


def test_there_is_doubt_until_the_last_question_is_answered() -> None:
    ledger = Ledger(protocol())
    assert ledger.doubt is None
    ledger.add(asks("^ok"), 0.0, EVER)
    last = ledger.add(asks("^ready"), 1.0, EVER)
    ledger.add(Exchange(send="nothing expected"), 1.0, EVER)
    assert matched(ledger, b"ok") == [("ask", "ok")]
    assert ledger.doubt is last
    assert matched(ledger, b"ready") == [("ask", "ready")]
    assert ledger.doubt is None


def test_the_echo_comes_before_the_reply() -> None:
    ledger = Ledger(protocol(echo=True))
    ledger.add(asks("^ok", "garbled on its way"), 0.0, EVER)
    ledger.add(asks("^ok|^status", "status"), 1.0, EVER)
    assert matched(ledger, b"ok too early") == []
    assert matched(ledger, b"> status") == []
    assert matched(ledger, b"ok") == [("status", "ok")]


def test_a_reply_that_looks_like_its_question() -> None:
    ledger = Ledger(protocol(echo=True))
    ledger.add(asks("^stop$", "stop"), 0.0, EVER)
    assert matched(ledger, b"stop") == []
    assert matched(ledger, b"stop") == [("stop", "stop")]


def test_echoes_and_replies_of_several_questions_in_one_burst() -> None:
    ledger = Ledger(protocol(echo=True, receive_ending="none"))
    for _ in range(2):
        ledger.add(asks("ok", "ask"), 0.0, EVER)
    assert matched(ledger, b"askaskokok") == [("ask", "ok")] * 2


def test_a_refusal_answers_the_earliest_question() -> None:
    ledger = Ledger(protocol(reject="^error"))
    assert matched(ledger, b"error") == []
    ledger.add(None, 0.0, EVER)  # a waking byte, sent as a line
    ledger.add(asks("^ready", "hello"), 0.0, EVER)
    assert matched(ledger, b"error", b"ready") == [(None, None), ("hello", "ready")]


def in_bytes(expect: str, send: str = "A5 01") -> Exchange:
    return Exchange.model_validate({"send_hex": send, "expect_hex": expect})


@pytest.mark.parametrize("echo", [False, True])
@pytest.mark.parametrize("step", [1, 3, 100])
def test_answers_in_bytes(echo: bool, step: int) -> None:
    ledger = Ledger(protocol(echo=echo, receive_ending="none"))
    ledger.hear(b"\xa5\x99", [], 0.0)  # what came before the question is no part of its answer
    ledger.add(in_bytes("A5 ?? 0A"), 0.0, EVER)
    ledger.add(in_bytes("A5 ?? 0A", "A5 02"), 0.0, EVER)
    reply = b"\xa5\x07\n"
    # Noise, or what is sent: the echo of the second question is used up with the first reply.
    stream = (b"\xa5\x01\xa5\x02" if echo else b"\xff\xa5\xff") + reply * 2
    answers = [
        answer
        for at in range(0, len(stream), step)
        for answer in ledger.hear(stream[at : at + step], [], 0.0)
    ]
    assert [answer.said for answer in answers] == [reply] * (1 if echo else 2)
