"""What the standards print, held against the text functions.

Sources, all from memory, since the texts were not at hand: IEEE 488.2-1992 clause 8.7 (response
data elements) and 10.14 (``*IDN?``); SCPI-1999 volume 1 clause 7.2.1 (infinity and not-a-number)
and volume 2 chapter 21 (error queue, 21.8.2 and the list in 21.8.9 on).
"""

from __future__ import annotations

import struct

import numpy as np
import pytest

from benchrig.drivers.scpi import (
    ResponseFramer,
    ScpiError,
    is_overload,
    is_valid,
    parse_block,
    parse_error_reply,
    parse_numbers,
)
from benchrig.errors import Fault


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("123", 123.0),  # 8.7.2, NR1
        ("+123", 123.0),
        ("-12345", -12345.0),
        ("12.3", 12.3),  # 8.7.3, NR2
        ("+1.234", 1.234),
        ("-0.123", -0.123),
        ("1.23E+4", 12300.0),  # 8.7.4, NR3
        ("-12.34E-5", -12.34e-5),
    ],
)
def test_numeric_response_data(text: str, value: float) -> None:
    assert parse_numbers(text, 1)[0] == value


def test_response_data_are_separated_by_commas() -> None:  # 8.4.1
    assert parse_numbers("1,2.5,-3.0E+00").tolist() == [1.0, 2.5, -3.0]


@pytest.mark.parametrize("text", ["#HF0", "#Q17", "#B101", "VOLT", '"12"'])
def test_other_response_data_are_no_decimal_numbers(text: str) -> None:  # 8.7.1, 8.7.5 to 8.7.8
    with pytest.raises(Fault):
        parse_numbers(text)


def test_infinity_and_not_a_number() -> None:  # SCPI-1999 vol. 1, 7.2.1.4 and 7.2.1.5
    values = parse_numbers("9.9E37,-9.9E37,9.91E37,9.900000E+37,9.910000E+37")
    assert is_overload(values).tolist() == [True, True, False, True, False]
    assert not is_valid(values).any()


@pytest.mark.parametrize("header", [b"#216", b"#3016", b"#800000016"])
def test_definite_length_block(header: bytes) -> None:  # 8.7.9: any number of length digits
    data = header + struct.pack(">dd", 1.0, -2.0)
    assert parse_block(data).tolist() == [1.0, -2.0]
    assert ResponseFramer(b"\n").feed(data + b"\n") == [data]


def test_the_binary64_of_ieee_754() -> None:
    # IEEE 754: 1 is 3FF0 0000 0000 0000, -2 is C000 0000 0000 0000; NORMal order sends the
    # byte with the sign first (SCPI-1999 vol. 2, FORMat:BORDer).
    data = b"#216" + bytes.fromhex("3FF0000000000000C000000000000000")
    assert parse_block(data).tolist() == [1.0, -2.0]
    nan = parse_block(b"#18" + bytes.fromhex("7FF8000000000000"))
    assert np.isnan(nan).all()
    assert not is_valid(nan).any()


def test_indefinite_length_block_ends_with_newline_and_end() -> None:  # 8.7.10
    assert parse_block(b"#0" + struct.pack(">d", 1.0) + b"\n").tolist() == [1.0]


def test_string_response_data_double_their_quotes() -> None:  # 8.7.8
    response = b'"she said ""\n"""'
    assert ResponseFramer(b"\n").feed(response + b"\n") == [response]


@pytest.mark.parametrize(
    ("reply", "error"),
    [
        ('0,"No error"', ScpiError(0, "No error")),
        ('-113,"Undefined header"', ScpiError(-113, "Undefined header")),
        ('-222,"Data out of range"', ScpiError(-222, "Data out of range")),
        ('-350,"Queue overflow"', ScpiError(-350, "Queue overflow")),
        ('-131,"Invalid suffix;FREQ 1.0 V"', ScpiError(-131, "Invalid suffix;FREQ 1.0 V")),
    ],
)
def test_error_queue(reply: str, error: ScpiError) -> None:
    assert parse_error_reply(reply) == error
    assert ResponseFramer(b"\n").feed(reply.encode() + b"\n") == [reply.encode()]


def test_identity_is_arbitrary_ascii() -> None:  # 8.7.11 and 10.14.3
    framer = ResponseFramer(b"\n")
    framer.clear(plain=True)
    reply = b'Apiary Works,5" scale "B,#9,1.0'
    assert framer.feed(reply + b"\n") == [reply]
