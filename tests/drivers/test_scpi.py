"""SCPI as text: each case of framing is run whole, byte by byte, and with trailing bytes."""

from __future__ import annotations

import itertools
import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.drivers import scpi
from benchrig.drivers.scpi import (
    ResponseFramer,
    ScpiError,
    block_length,
    is_overload,
    is_valid,
    parse_block,
    parse_error_reply,
    parse_numbers,
)
from benchrig.errors import Fault


def refused(parse: object, *args: object) -> str:
    """The message with which `parse` refuses its arguments as a garbled reply."""
    with pytest.raises(Fault) as caught:
        parse(*args)  # type: ignore[operator]
    assert caught.value.kind == "garbled_reply"
    return caught.value.message


# -- numbers --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reply", "values"),
    [
        ("1", [1.0]),
        ("-17", [-17.0]),
        ("+1.5", [1.5]),
        ("-.5", [-0.5]),
        ("5.", [5.0]),
        ("+1.23456789E-07", [1.23456789e-7]),
        ("1E3", [1000.0]),
        ("1.0e+3", [1000.0]),
        (" 1 , 2 ,3\n", [1.0, 2.0, 3.0]),
        (b"1,-2.5\r\n", [1.0, -2.5]),
        ("9.91E37,-9.9E37", [9.91e37, -9.9e37]),
    ],
)
def test_numbers(reply: str | bytes, values: list[float]) -> None:
    found = parse_numbers(reply)
    assert found.dtype == np.float64
    assert found.tolist() == values


@pytest.mark.parametrize(
    "reply",
    [
        "", " ", "1,", ",1", "1,,2", "nan", "inf", "1_0", "0x10", "1.2E", "E5", ".", "+", "1 2",
        "1.5 A", "1.5;2", "#15hello", "--1", "1.2.3", "\u0661", b"\xff1", "1E999", "1e-3 e",
    ],
)  # fmt: skip
def test_what_is_no_number(reply: str | bytes) -> None:
    refused(parse_numbers, reply)


def test_another_count_than_was_asked_for() -> None:
    assert parse_numbers("1,2", 2).size == 2
    assert "3 numbers were asked for, 2 came" in refused(parse_numbers, "1,2", 3)
    refused(parse_numbers, "1,2", 1)


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=50))
def test_numbers_survive_the_way(values: list[float]) -> None:
    assert parse_numbers(",".join(f"{value:+.17E}" for value in values)).tolist() == values


def test_sentinels_are_no_readings() -> None:
    single = np.array([9.9e37, 9.91e37], dtype=np.float32).astype(float)
    readings = np.array(
        [0.0, 1e-6, -1e30, 9.9e37, -9.9e37, 9.91e37, -9.91e37, 1e38, np.inf, -np.inf, np.nan,
         *single]
    )  # fmt: skip
    assert is_overload(readings).tolist() == [
        False, False, False, True, True, False, False, True, True, True, False, True, False,
    ]  # fmt: skip
    assert is_valid(readings).tolist() == [True] * 3 + [False] * 10


# -- blocks ---------------------------------------------------------------------------------


def block(*values: float) -> bytes:
    payload = struct.pack(f">{len(values)}d", *values)
    length = str(len(payload))
    return b"#%d%s" % (len(length), length.encode()) + payload


NASTY = struct.unpack(">d", b"?\n;,\"'#\n")[0]


@pytest.mark.parametrize("end", [b"", b"\n", b"\r\n"])
@pytest.mark.parametrize("values", [(), (1.5,), (NASTY, NASTY), tuple(map(float, range(2000)))])
def test_blocks(values: tuple[float, ...], end: bytes) -> None:
    found = parse_block(block(*values) + end, len(values))
    assert found.dtype == np.float64
    assert found.dtype.isnative
    assert found.tolist() == list(values)


def test_a_header_may_have_leading_zeros() -> None:
    assert parse_block(b"#500008" + struct.pack(">d", 2.5)).tolist() == [2.5]


@pytest.mark.parametrize("end", [b"", b"\n"])
@pytest.mark.parametrize("values", [(1.5, -2.0), (NASTY,)])
def test_blocks_of_indefinite_length(values: tuple[float, ...], end: bytes) -> None:
    data = b"#0" + struct.pack(f">{len(values)}d", *values) + end
    assert parse_block(data).tolist() == list(values)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "cut short"),
        (b"+1.0E-6", "no block"),
        (b"#", "cut short"),
        (b"#2", "cut short"),
        (b"#21", "cut short"),
        (b"#H1F", "no block"),
        (b"#1x", "no block"),
        (b"#18abc", "ended after"),
        (b"#13abc", "whole 64-bit"),
        (b"#18abcdefghX", "after a block"),
        (b"#0abc\n", "whole 64-bit"),
    ],
)
def test_what_is_no_block(data: bytes, words: str) -> None:
    assert words in refused(parse_block, data)


def test_another_count_in_a_block() -> None:
    assert "3 readings were asked for, 2 came" in refused(parse_block, block(1.0, 2.0), 3)


# -- errors ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reply", "error"),
    [
        ('-113,"Undefined header;FOO"', ScpiError(-113, "Undefined header;FOO")),
        (b'+0,"No error"\r\n', ScpiError(0, "No error")),
        ("0", ScpiError(0, "")),
        ("-222, Data out of range", ScpiError(-222, "Data out of range")),
        ('-100,"a ""quoted"" word"', ScpiError(-100, 'a "quoted" word')),
        ('100,"with, comma"', ScpiError(100, "with, comma")),
        ('7,""', ScpiError(7, "")),
    ],
)
def test_error_replies(reply: str | bytes, error: ScpiError) -> None:
    assert parse_error_reply(reply) == error


@pytest.mark.parametrize("reply", ["", "No error", "1.5", "+1.2E-6,2", '-1"x"', '-1,"x" y"z'])
def test_what_is_no_error_reply(reply: str) -> None:
    assert repr(reply) in refused(parse_error_reply, reply)


# -- framing --------------------------------------------------------------------------------

CASES = [
    pytest.param(b"+1.5E-06", id="number"),
    pytest.param(b"1,2;3", id="list"),
    pytest.param(b'-113,"Undefined; header"', id="string"),
    pytest.param(b'"first\nsecond"', id="newline-in-string"),
    pytest.param(b"'it''s\n'", id="single-quotes-doubled"),
    pytest.param(b'"say ""hi\n"" now"', id="doubled-quotes"),
    pytest.param(b'1;"a\n"', id="string-after-semicolon"),
    pytest.param(b'"\'\n"', id="other-quote-inside"),
    pytest.param(b"#14a\nb\n", id="block"),
    pytest.param(block(NASTY, NASTY), id="block-of-nasty-bytes"),
    pytest.param(b"1,#12\n\n;2,#11\n", id="blocks-after-separators"),
    pytest.param(b"#10", id="empty-block"),
    pytest.param(b"#H0A", id="hexadecimal"),
    pytest.param(b"CH#12", id="hash-inside-a-word"),
    pytest.param(b'5" screen', id="quote-inside-a-word"),
    pytest.param(b"a" * 10_000, id="long"),
]
TERMINATORS = [b"\n", b"\r\n", b"\r"]


@pytest.mark.parametrize("terminator", TERMINATORS)
@pytest.mark.parametrize("response", CASES)
def test_framing(response: bytes, terminator: bytes) -> None:
    if terminator == b"\r":
        response = response.replace(b"\n", b"\r")
    whole = ResponseFramer(terminator)
    assert whole.feed(response + terminator) == [response]
    assert whole.pending == b""

    bytewise = ResponseFramer(terminator)
    message = response + terminator
    for index in range(len(message) - 1):
        assert bytewise.feed(message[index : index + 1]) == []
        assert bytewise.pending == message[: index + 1]
    assert bytewise.feed(message[-1:]) == [response]
    assert bytewise.pending == b""

    trailing = ResponseFramer(terminator)
    assert trailing.feed(message + message + b"7") == [response, response]
    assert trailing.pending == b"7"
    assert trailing.feed(terminator) == [b"7"]


@given(
    st.lists(
        st.sampled_from([b"1", b"-2.5E-3", b'"x\ny"', b"#13\n;,", b"'''\n'", b"ABC"]), min_size=1
    ),
    st.lists(st.integers(0, 200)),
)
def test_framing_does_not_depend_on_the_pieces(parts: list[bytes], cuts: list[int]) -> None:
    message = b",".join(parts)
    stream = message + b"\n"
    framer = ResponseFramer(b"\n")
    found: list[bytes] = []
    edges = [0, *sorted(cut for cut in cuts if cut < len(stream)), len(stream)]
    for start, end in itertools.pairwise(edges):
        found += framer.feed(stream[start:end])
    assert found == [message]
    assert framer.pending == b""


def test_need_more_is_told_from_nothing() -> None:
    framer = ResponseFramer(b"\n")
    assert (framer.feed(b""), framer.pending) == ([], b"")
    assert (framer.feed(b"+1."), framer.pending) == ([], b"+1.")
    framer.clear()
    assert framer.pending == b""
    assert framer.feed(b"5\n") == [b"5"]


@pytest.mark.parametrize("blank", [b"\n", b"\r\n", b"\r", b"\n\r\n"])
def test_blank_lines_are_no_responses(blank: bytes) -> None:
    framer = ResponseFramer(b"\n")
    assert framer.feed(blank) == []
    assert framer.feed(blank + b"#11\n" + b"\n" + blank) == [b"#11\n"]
    assert framer.pending == b""


def test_arbitrary_text_ends_at_the_first_terminator() -> None:
    framer = ResponseFramer(b"\n")
    framer.clear(plain=True)
    for _ in range(2):
        assert framer.feed(b'Apiary,#512345,"x,1\n') == [b'Apiary,#512345,"x,1']


def test_noise_without_an_end_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scpi, "LONGEST_RESPONSE", 100)
    framer = ResponseFramer(b"\n")
    assert framer.feed(b"x" * 100) == []
    assert "without an end" in refused(framer.feed, b"x")
    framer.clear()
    assert framer.feed(b"1\n") == [b"1"]


def test_a_block_that_is_too_long_is_refused_at_its_header() -> None:
    framer = ResponseFramer(b"\n")
    assert "was announced" in refused(framer.feed, b"1,#9999999999")


def test_indefinite_length_has_no_end_on_a_stream() -> None:
    assert "indefinite" in refused(ResponseFramer(b"\n").feed, b"#0abcdefgh\n")


@pytest.mark.parametrize(
    ("data", "length"),
    [(b"#15", 8), (b"#210", 14), (b"#", None), (b"", None), (b"#2", None), (b"#21", None),
     (b"#0", 0), (b"#H", 0), (b"#1x", 0), (b"#2x", 0), (b"1", 0)],
)  # fmt: skip
def test_block_lengths(data: bytes, length: int | None) -> None:
    assert block_length(data) == length
    assert block_length(b"ab" + data, 2) == length
