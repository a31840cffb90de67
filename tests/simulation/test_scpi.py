"""The text of SCPI and what every simulated instrument does with it.

Facts of IEEE 488.2-1992 and SCPI-1999 are given with their clause; all of them from memory, since
the texts were not at hand.
"""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.simulation.commands import Command, numeric, selection, switch
from benchrig.simulation.instrument import QUEUE_DEPTH, Instrument
from benchrig.simulation.scpi import (
    ERRORS,
    Scale,
    ScpiError,
    block,
    boolean,
    choice,
    expand,
    nr1,
    nr2,
    nr3,
    number,
    parse_datum,
    parse_unit,
    quoted,
    short_form,
    split_units,
)

# -- facts of the standards -----------------------------------------------------------------

# SCPI-1999 vol.1 6.2.1 and the headers of vol.2: capitals are the short form (from memory).
LONG_FORMS = """
ABORt AMPLitude APERture ASCii AUTO BORDer CONFigure CONTinuous COUNt CURRent DATA DEFault DELay
ERRor FETCh FORMat FREQuency FUNCtion IMMediate INFinity INITiate INTernal LEVel MAXimum MEASure
MINimum NEXT NORMal OUTPut POWer RANGe READ REAL RESolution RESistance SAMPle SCALar SENSe
SEQuence SOURce STATe STATus SWAPped SYSTem TRIGger UPPer VERSion VOLTage BUS DC ON OFF TIMer
EXTernal
"""


@pytest.mark.parametrize("word", LONG_FORMS.split())
def test_the_capitals_of_the_standard_are_the_short_form(word: str) -> None:
    assert short_form(word) == "".join(c for c in word if c.isupper())


@pytest.mark.parametrize(
    ("text", "pattern"),
    [  # IEEE 488.2 8.7.2, 8.7.3, 8.7.4: NR1, NR2, NR3
        (nr1(-17.0), r"[+-]?\d+"),
        (nr1(0), r"[+-]?\d+"),
        (nr2(3.3, 4), r"[+-]?\d+\.\d+"),
        (nr2(-1e-9, 6), r"[+-]?\d+\.\d+"),
        (nr3(1.2345e-6), r"[+-]?\d+\.\d+E[+-]\d+"),
        (nr3(-9.9e37), r"[+-]?\d+\.\d+E[+-]\d+"),
        (nr3(0.0), r"[+-]?\d+\.\d+E[+-]\d+"),
    ],
)
def test_numeric_response_formats(text: str, pattern: str) -> None:
    assert re.fullmatch(pattern, text)


@pytest.mark.parametrize(
    ("data", "header"),
    [(b"", b"#10"), (b"abc", b"#13"), (bytes(80), b"#280"), (b"x" * 8000, b"#48000")],
)
def test_definite_length_block(data: bytes, header: bytes) -> None:
    """IEEE 488.2 8.7.9: ``#``, one digit that counts the digits of the length, the length."""
    assert block(data) == header + data


def test_string_response_doubles_its_quotes() -> None:
    """IEEE 488.2 8.7.8."""
    assert quoted('a"b') == '"a""b"'


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [  # IEEE 488.2 7.7.2 and 7.7.3
        ("1", "A", 1.0),
        ("-1.5", "A", -1.5),
        (".5", "A", 0.5),
        ("5.", "A", 5.0),
        ("+1e-3", "A", 1e-3),
        ("1 E -3", "A", 1e-3),
        ("1MA", "A", 1e-3),  # the unit is A, so M is milli
        ("1 ma", "A", 1e-3),
        ("1MAA", "A", 1e6),  # MA is mega
        ("10UA", "A", 10e-6),
        ("10 NA", "A", 10e-9),
        ("1PA", "A", 1e-12),
        ("2KA", "A", 2e3),
        ("3.3V", "V", 3.3),
        ("3300 MV", "V", 3.3),
        ("20MS", "S", 20e-3),
        ("100US", "S", 100e-6),
    ],
)
def test_numbers_and_suffixes(text: str, unit: str, value: float) -> None:
    assert number(parse_datum(text), unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit", "error"),
    [
        ("1V", "A", -131),
        ("1XA", "A", -131),
        ("1M", "A", -131),
        ("1A", "", -138),
        ("1E99999", "", -123),
        ("1" * 300, "", -124),
        ("1..2", "", -121),
        ("-", "", -121),
        ("1ABCDEFGHIJKLM", "A", -134),
        ("FOO", "A", -141),
        ("FOO!", "", -141),
        ("ABCDEFGHIJKLM", "", -144),
        ('"1"', "A", -104),
        ('"1', "A", -151),
        ("#13abc", "A", -168),
        ("(1+1)", "A", -178),
        ("@1", "A", -101),
        ("", "A", -109),
    ],
)
def test_bad_parameters(text: str, unit: str, error: int) -> None:
    with pytest.raises(ScpiError) as caught:
        number(parse_datum(text), unit)
    assert caught.value.number == error


@pytest.mark.parametrize(
    ("text", "value"),
    [("ON", True), ("off", False), ("1", True), ("0", False), ("0.4", False), ("-3", True)],
)
def test_booleans(text: str, value: bool) -> None:
    """SCPI-1999 vol.1 7.3: numbers are rounded; what is not 0 is on."""
    assert boolean(parse_datum(text)) is value


def test_strings_in_either_quotes() -> None:
    """IEEE 488.2 7.7.5: a quote inside is doubled."""
    assert parse_datum('"CURR:DC"').text == parse_datum("'CURR:DC'").text == "CURR:DC"
    assert parse_datum('"a""b"').text == 'a"b'
    assert parse_datum("'a''b\"'").text == "a'b\""


def test_choices_in_both_forms_only() -> None:
    assert choice(parse_datum("immediate"), "IMMediate", "BUS") == "IMM"
    assert choice(parse_datum("imm"), "IMMediate", "BUS") == "IMM"
    with pytest.raises(ScpiError, match="-224"):
        choice(parse_datum("immed"), "IMMediate", "BUS")


def test_separators_inside_quotes_do_not_separate() -> None:
    assert split_units("A \"x;y\";B 'p,q';C") == ['A "x;y"', "B 'p,q'", "C"]
    assert [datum.text for datum in parse_unit("B 'p,q', 1").parameters] == ["p,q", "1E0"]


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ("CURR&", -101),
        ("CURRé", -101),
        ("CURR::RANG", -102),
        ("", -102),
        ("?", -102),
        ("CURR,1", -111),
        ("ABCDEFGHIJKLM", -112),
        ("CURR2", -114),
    ],
)
def test_bad_headers(text: str, error: int) -> None:
    with pytest.raises(ScpiError) as caught:
        parse_unit(text)
    assert caught.value.number == error


def test_optional_nodes() -> None:
    assert set(expand("[SENSe:]CURRent[:DC]:RANGe[:UPPer]")) == {
        (*sense, "CURR", *dc, "RANG", *upper)
        for sense in ((), ("SENS",))
        for dc in ((), ("DC",))
        for upper in ((), ("UPP",))
    }


# -- an instrument --------------------------------------------------------------------------


class Kettle(Instrument):
    """Something that takes time: ``HEAT`` is pending for two seconds."""

    def __init__(self, terminator: bytes = b"\n") -> None:
        self.level, self.lid, self.colour, self.ready_s = 0.0, False, "RED", -1.0
        commands = [
            *numeric("[POT:]WATer:LEVel", self, "level", Scale("", 0.5, 9.0, 1.0)),
            *switch("[POT:]LID", self, "lid"),
            *selection("[POT:]WATer:COLour", self, "colour", "RED", "YELLow"),
            Command("HEAT", lambda given: self.heat()),
            Command("HEAT?", lambda given: "hot", waits=True),
        ]
        super().__init__("Invented Instruments,Kettle,7,0.1", commands, terminator)

    def heat(self) -> None:
        self.ready_s = self.now_s + 2.0

    @property
    def busy(self) -> bool:
        return self.ready_s > 0.0

    def reset(self) -> None:
        self.level, self.ready_s = 1.0, -1.0

    def _next_edge(self) -> float | None:
        return self.ready_s if self.busy else None

    def _pass_edge(self) -> None:
        self.ready_s = -1.0

    def _ready_at(self) -> float | None:
        return self.ready_s if self.busy else None


@pytest.fixture
def kettle() -> Kettle:
    return Kettle()


def ask(instrument: Instrument, message: str, t: float = 0.0) -> str:
    instrument.receive(message.encode("latin-1") + b"\n", t)
    return instrument.output(t).decode("latin-1").rstrip("\n")


def errors(instrument: Instrument, t: float = 0.0) -> list[int]:
    found = []
    while (line := ask(instrument, "SYST:ERR?", t)) != '0,"No error"':
        found.append(int(line.split(",")[0]))
        assert line == f'{found[-1]},"{ERRORS[found[-1]]}"'
    return found


def test_identity_has_four_fields(kettle: Kettle) -> None:
    """IEEE 488.2 10.14.3: maker, model, serial number, firmware."""
    assert len(ask(kettle, "*IDN?").split(",")) == 4


def test_empty_queue_and_version(kettle: Kettle) -> None:
    """SCPI-1999 vol.2 21.8.8 and 21.21."""
    assert ask(kettle, ":SYSTem:ERRor:NEXT?") == '0,"No error"'
    assert ask(kettle, "syst:err?;vers?") == '0,"No error";1999.0'


@pytest.mark.parametrize(
    ("message", "reply"),
    [  # SCPI-1999 vol.1 6.2.4: after a semicolon the path of the last header is kept
        ("WAT:LEV 2;LEV?", "+2.00000000E+00"),
        ("POT:WAT:LEV 3;COL YELL;:LID ON;:WAT:LEV?;COL?;:POT:LID?", "+3.00000000E+00;YELL;1"),
        ("WAT:LEV 4;*OPC?;LEV?", "1;+4.00000000E+00"),
        (" \t wat:level\t5 ; level? \r", "+5.00000000E+00"),
        ("WAT:LEV? MIN;LEV? MAXimum;LEV? DEF", "+5.00000000E-01;+9.00000000E+00;+1.00000000E+00"),
        ("WAT:LEV MAX;LEV?", "+9.00000000E+00"),
        ("WATER1:COLOUR YELLOW;COL?", "YELL"),
    ],
)
def test_paths(kettle: Kettle, message: str, reply: str) -> None:
    assert ask(kettle, message) == reply
    assert errors(kettle) == []


@pytest.mark.parametrize(
    ("message", "error"),
    [
        ("WATE:LEV 1", -113),
        ("WAT:LEV 1;:LEV?", -113),
        ("WAT:LEV 1;WAT:COL?", -113),
        ("LID?;WAT:LEV?;LID?", -113),
        ("*IDN1?", -113),
        ("*FOO", -113),
        ("HEAT 1", -108),
        ("WAT:LEV", -109),
        ("WAT:LEV 1,", -109),
        ("WAT:LEV 1,2", -108),
        ("WAT:LEV 1;;LEV?", -102),
        ("WAT:LEV 10", -222),
        ("WAT:LEV INF", -222),
        ("WAT:LEV 1E400", -222),
        ("WAT:LEV? 5", -104),
        ("WAT:COL BLUE", -224),
        ("WAT:COL 1", -104),
        ("*ESE 256", -222),
        ("*ESE -1", -222),
        ("*TRG", -211),
        ("*IDN?;*OPC?", -440),
    ],
)
def test_errors(kettle: Kettle, message: str, error: int) -> None:
    ask(kettle, message)
    assert errors(kettle) == [error]


def test_a_command_error_drops_the_rest_and_an_execution_error_does_not(kettle: Kettle) -> None:
    assert ask(kettle, "WAT:LEV 10;COL?;FOO?;COL?") == "RED"
    assert errors(kettle) == [-222, -113]
    assert ask(kettle, "WAT:COL?") == "RED"


def test_the_queue_is_first_in_first_out_and_tells_of_its_overflow(kettle: Kettle) -> None:
    """SCPI-1999 vol.2 21.8.1: the last place becomes -350."""
    assert QUEUE_DEPTH >= 20
    ask(kettle, "WAT:LEV 10")
    for _ in range(QUEUE_DEPTH + 5):
        ask(kettle, "FOO")
    assert ask(kettle, "SYST:ERR:COUN?") == str(QUEUE_DEPTH)
    assert errors(kettle) == [-222, *[-113] * (QUEUE_DEPTH - 2), -350]


@pytest.mark.parametrize(
    ("message", "bit"),
    [  # IEEE 488.2 11.5.1.1: the bit of each error class
        ("FOO", 32),
        ("WAT:LEV 10", 16),
        ("*IDN?;*OPC?", 4),
        ("*OPC", 1),
    ],
)
def test_event_status(kettle: Kettle, message: str, bit: int) -> None:
    assert ask(kettle, "*ESR?") == "128"  # power on
    ask(kettle, message)
    assert ask(kettle, "*ESR?") == str(bit)
    assert ask(kettle, "*ESR?") == "0"  # reading clears


def test_status_byte(kettle: Kettle) -> None:
    """SCPI-1999 vol.1 9.1: bit 2 is the error queue. IEEE 488.2 11.2.1: 4 MAV, 5 ESB, 6 MSS."""
    ask(kettle, "*CLS;*ESE 32;*SRE 36")
    assert ask(kettle, "*STB?") == "0"
    assert ask(kettle, "*ESE?;*STB?") == "32;16"
    ask(kettle, "FOO")
    assert ask(kettle, "*STB?") == str(4 + 32 + 64)
    assert errors(kettle) == [-113]
    assert ask(kettle, "*STB?") == str(32 + 64)
    ask(kettle, "*CLS")
    assert ask(kettle, "*STB?") == "0"
    assert ask(kettle, "*ESE?;*SRE?") == "32;36"  # *CLS leaves the enables (IEEE 488.2 10.3)


def test_reset_leaves_status_and_queue(kettle: Kettle) -> None:
    """IEEE 488.2 10.32."""
    ask(kettle, "*ESE 8;WAT:LEV 5;FOO")
    ask(kettle, "*RST")
    assert ask(kettle, "WAT:LEV?") == "+1.00000000E+00"
    assert ask(kettle, "*ESE?") == "8"
    assert errors(kettle) == [-113]


def test_service_enable_has_no_bit_6(kettle: Kettle) -> None:
    """IEEE 488.2 11.3.2.3: MSS can't enable itself."""
    ask(kettle, "*SRE 255")
    assert ask(kettle, "*SRE?") == "191"


# -- time -----------------------------------------------------------------------------------


def test_what_waits_holds_up_what_is_behind_it(kettle: Kettle) -> None:
    kettle.receive(b"HEAT;HEAT?;*ESR?\n*OPC?\n", 1.0)
    assert kettle.output(1.0) == b""
    assert kettle.next_output(1.0) == 3.0
    assert kettle.output(2.999) == b""
    assert kettle.output(3.0) == b"hot;128\n1\n"
    assert kettle.next_output(3.0) is None


def test_operation_complete(kettle: Kettle) -> None:
    """IEEE 488.2 10.18: the bit is set when nothing is pending any more."""
    kettle.receive(b"*ESR?;HEAT;*OPC\n", 0.0)
    kettle.output(0.0)
    assert ask(kettle, "*ESR?", 1.0) == "0"
    assert ask(kettle, "*ESR?", 2.5) == "1"


def test_clear_status_forgets_a_pending_operation_complete(kettle: Kettle) -> None:
    """IEEE 488.2 10.3: *CLS puts the device into the operation complete command idle state."""
    ask(kettle, "HEAT;*OPC;*CLS")
    assert ask(kettle, "*ESR?", 5.0) == "0"


def test_wait_to_continue(kettle: Kettle) -> None:
    kettle.receive(b"HEAT;*WAI;WAT:COL?\n", 0.0)
    assert kettle.output(1.9) == b""
    assert kettle.output(2.0) == b"RED\n"


def test_pieces_of_messages_and_several_at_once(kettle: Kettle) -> None:
    for byte in b"WAT:COL?\nWAT:COL YELL\nWAT:COL?":
        kettle.receive(bytes([byte]), 0.0)
    assert kettle.output(0.0) == b"RED\n"
    kettle.receive(b"\n\n \n", 0.0)
    assert kettle.output(0.0) == b"YELL\n"
    assert errors(kettle) == []


@pytest.mark.parametrize("terminator", [b"\n", b"\r\n", b"\r"])
def test_terminators(terminator: bytes) -> None:
    kettle = Kettle(terminator)
    kettle.receive(b"WAT:COL?" + terminator + b"LID?" + terminator, 0.0)
    assert kettle.output(0.0) == b"RED" + terminator + b"0" + terminator


def test_a_message_without_end_is_thrown_away(kettle: Kettle) -> None:
    kettle.receive(b"x" * 70_000, 0.0)
    assert errors(kettle) == [-363]


def test_disconnecting_loses_what_was_under_way(kettle: Kettle) -> None:
    kettle.reply_delay_s = 1.0
    kettle.receive(b"WAT:COL?\nWAT:", 0.0)
    kettle.disconnect(0.5)
    kettle.connect(0.6)
    assert kettle.next_output(0.6) is None
    kettle.reply_delay_s = 0.0
    assert ask(kettle, "LID?", 2.0) == "0"


def test_lines_mean_nothing(kettle: Kettle) -> None:
    kettle.set_line("dtr", True, 0.5)
    assert ask(kettle, "LID?", 0.5) == "0"


# -- switches that make it misbehave --------------------------------------------------------


def test_late_replies(kettle: Kettle) -> None:
    kettle.reply_delay_s = 0.25
    kettle.receive(b"LID?\n", 1.0)
    assert kettle.output(1.0) == b""
    assert kettle.next_output(1.0) == 1.25
    assert kettle.output(1.25) == b"0\n"


def test_replies_do_not_overtake(kettle: Kettle) -> None:
    kettle.reply_delay_s = 1.0
    kettle.receive(b"LID?\n", 0.0)
    kettle.reply_delay_s = 0.0
    kettle.receive(b"WAT:COL?\n", 0.5)
    assert kettle.output(0.9) == b""
    assert kettle.output(1.0) == b"0\nRED\n"


def test_a_prompt_reply_behind_a_late_one_is_still_under_way(kettle: Kettle) -> None:
    kettle.reply_delay_s = 1.0
    kettle.receive(b"LID?\n", 0.0)
    kettle.reply_delay_s = 0.0
    kettle.receive(b"WAT:COL?\n", 0.5)
    kettle.interrupts_queries = True
    kettle.receive(b"WAT:LEV 2\n", 0.6)
    assert kettle.output(2.0) == b""


def test_silence_garbage_and_cut_replies(kettle: Kettle) -> None:
    kettle.silent = True
    assert ask(kettle, "WAT:LEV 4;LEV?") == ""
    kettle.silent = False
    kettle.garbage = b"\xff\x00\n"
    kettle.receive(b"LID?\n", 0.0)
    assert kettle.output(0.0) == b"\xff\x00\n"
    kettle.garbage = None
    kettle.cut_reply_after = 3
    kettle.receive(b"WAT:LEV?\n", 0.0)
    assert kettle.output(0.0) == b"+4."


@pytest.mark.parametrize("header", ["WAT:COL", ":pot:water:colour", "POT:WAT:COL"])
def test_headers_that_it_lacks(kettle: Kettle, header: str) -> None:
    kettle.fail_headers = {header}
    ask(kettle, "WAT:COL RED")
    ask(kettle, "WAT:COL?")
    assert errors(kettle) == [-113, -113]
    kettle.fail_headers = {header + "?"}
    ask(kettle, "WAT:COL YELL")
    assert errors(kettle) == []
    assert ask(kettle, "POT:WAT:COL?") == ""
    assert errors(kettle) == [-113]
    assert ask(kettle, "WAT:LEV?") != ""


def test_an_error_queue_that_never_empties(kettle: Kettle) -> None:
    kettle.stuck_errors = True
    assert [ask(kettle, "SYST:ERR?") for _ in range(3)] == ['-310,"System error"'] * 3


def test_a_new_message_interrupts_a_query(kettle: Kettle) -> None:
    """IEEE 488.2 6.3.2.3: the unread response is discarded, and that is a query error."""
    kettle.interrupts_queries = True
    ask(kettle, "*CLS")
    kettle.receive(b"HEAT;HEAT?\n", 0.0)
    kettle.receive(b"WAT:COL?\n", 1.0)
    assert kettle.output(1.0) == b"RED\n"
    assert kettle.output(5.0) == b""
    assert errors(kettle, 5.0) == [-410]
    assert ask(kettle, "*ESR?", 5.0) == "4"


def test_a_late_reply_is_interrupted_too(kettle: Kettle) -> None:
    kettle.interrupts_queries = True
    kettle.reply_delay_s = 1.0
    kettle.receive(b"LID?\n", 0.0)
    kettle.receive(b"WAT:COL?\n", 0.5)
    assert kettle.output(9.0) == b"RED\n"


# -- whatever comes -------------------------------------------------------------------------

FRAGMENTS = st.sampled_from(
    ["WAT", ":", "LEV", "?", ";", " ", ",", "COL", "RED", "1", "-2.5E3", "MA", '"', "'", "#",
     "*IDN", "*ESE", "HEAT", "SYST:ERR?", "\n", "é", "\x00", "(", "MAX", "1E99", "POT",
     "LID ON", "*OPC?"]
)  # fmt: skip
MESSAGES = st.one_of(
    st.binary(max_size=40),
    st.lists(FRAGMENTS, max_size=12).map(lambda parts: "".join(parts).encode("latin-1")),
)


@settings(derandomize=True, max_examples=400, deadline=None)
@given(st.lists(MESSAGES, max_size=4))
def test_nothing_that_is_received_raises(chunks: list[bytes]) -> None:
    kettle = Kettle()
    for position, chunk in enumerate(chunks):
        kettle.receive(chunk, float(position))
        kettle.next_output(float(position))
        kettle.output(float(position))
    kettle.receive(b"\n", 50.0)
    kettle.output(50.0)
    numbers = errors(kettle, 50.0)
    assert all(number in ERRORS for number in numbers)
    assert re.fullmatch(r"\d+", ask(kettle, "*ESR?", 50.0))


@settings(derandomize=True, max_examples=300, deadline=None)
@given(st.text(alphabet=st.characters(max_codepoint=255, exclude_characters="\nAaIi*")))
def test_what_is_no_command_is_an_error(text: str) -> None:
    """Without A, I and the asterisk no command of the kettle can be spelled, but for queries."""
    kettle = Kettle()
    reply = ask(kettle, text)
    blank = not text.strip("".join(chr(code) for code in range(33)))
    assert blank == (not reply and not errors(kettle)), repr(text)
