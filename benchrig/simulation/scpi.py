"""The text of SCPI as an instrument reads and writes it. No time, no state, no I/O.

Written from IEEE 488.2-1992 (chapter 7: program messages, chapter 8: response messages) and
SCPI-1999 volume 1 (chapters 6: headers and 7: parameters), both from memory.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import Literal

# SCPI-1999 vol.1 7.2.1.4: what an overload reads as, with its sign.
INFINITY = 9.9e37

# SCPI-1999 vol.2 21.8: the numbers and their texts.
ERRORS = {
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -131: "Invalid suffix",
    -134: "Suffix too long",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -144: "Character data too long",
    -151: "Invalid string data",
    -168: "Block data not allowed",
    -178: "Expression data not allowed",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -214: "Trigger deadlock",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -310: "System error",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -440: "Query UNTERMINATED after indefinite response",
}

# IEEE 488.2 7.7.3, table 7-2. M is milli; mega is MA, so 1 MA of current is a milliampere.
MULTIPLIERS = {
    "EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3, "": 1.0,
    "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18,
}  # fmt: skip

# IEEE 488.2 7.4.1.2: white space is every control character but the line feed, and the blank.
WHITE = "".join(chr(code) for code in range(33) if code != 10)
_MNEMONIC = r"[A-Za-z][A-Za-z0-9_]*"
_HEADER = re.compile(rf"(?:(\*{_MNEMONIC})|(:?)({_MNEMONIC}(?::{_MNEMONIC})*))(\??)")
_NUMBER = re.compile(
    rf"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))(?:[{WHITE}]*[Ee][{WHITE}]*([+-]?[0-9]+))?"
)
_SUFFIX = re.compile(r"[A-Za-z/][A-Za-z0-9./-]*")
_STRING = re.compile(r'"((?:[^"]|"")*)"|\'((?:[^\']|\'\')*)\'')
_PATTERN_NODE = re.compile(r"(\[)?:?([A-Za-z]+):?\]?")
_LONGEST_NAME = 12  # IEEE 488.2 7.6.1.4 and 7.7.1.4


class ScpiError(Exception):
    """Something that goes into the error queue; `number` is a key of `ERRORS`."""

    def __init__(self, number: int) -> None:
        self.number = number
        super().__init__(f'{number},"{ERRORS[number]}"')


# Headers ---------------------------------------------------------------------------------


def short_form(word: str) -> str:
    """The short form of a mnemonic: ``short_form("RANGe")`` is ``"RANG"``.

    SCPI-1999 vol.1 6.2.1: the first four letters, or three if the fourth is a vowel; a word
    of up to four letters has no shorter form.
    """
    upper = word.upper()
    if len(upper) <= 4:
        return upper
    return upper[:3] if upper[3] in "AEIOU" else upper[:4]


def expand(pattern: str) -> Iterator[tuple[str, ...]]:
    """Every way to write ``"[SENSe:]CURRent[:DC]"``, as tuples of short forms."""
    nodes = _PATTERN_NODE.findall(pattern)
    choices = [[(), (short_form(word),)] if bracket else [(short_form(word),)]
               for bracket, word in nodes]  # fmt: skip
    for picked in product(*choices):
        yield tuple(word for node in picked for word in node)


def forms(pattern: str) -> Iterator[tuple[str, str]]:
    """Both spellings of each mnemonic in `pattern`, with the short form they stand for."""
    for _, word in _PATTERN_NODE.findall(pattern):
        yield word.upper(), short_form(word)
        yield short_form(word), short_form(word)


@dataclass(frozen=True)
class Datum:
    """One parameter. `text` of a string is without its quotes; `suffix` goes with numbers."""

    kind: Literal["number", "word", "string"]
    text: str
    suffix: str = ""


@dataclass(frozen=True)
class Unit:
    """One program message unit: ``:CURR:RANG 1MA`` or ``*IDN?``. Mnemonics are upper case."""

    mnemonics: tuple[str, ...]
    absolute: bool
    query: bool
    parameters: tuple[Datum, ...]

    @property
    def common(self) -> bool:
        return self.mnemonics[0].startswith("*")


def split_units(message: str) -> list[str]:
    """A program message as the texts of its units (IEEE 488.2 7.4.1)."""
    return [] if not message.strip(WHITE) else _split(message, ";")


def _split(text: str, separator: str) -> list[str]:
    parts, start, quote = [], 0, ""
    for position, character in enumerate(text):
        if quote:
            quote = "" if character == quote else quote
        elif character in "\"'":
            quote = character
        elif character == separator:
            parts.append(text[start:position])
            start = position + 1
    return [*parts, text[start:]]


def parse_unit(text: str) -> Unit:
    """Raises `ScpiError` of the -100 class."""
    words = re.split(f"[{WHITE}]+", text.strip(WHITE), maxsplit=1)
    found = _HEADER.fullmatch(words[0])
    if found is None:
        raise ScpiError(_header_problem(words[0]))
    common, colon, path, mark = found.groups()
    names = tuple(path.split(":")) if path else (common.upper(),)
    if any(len(name.lstrip("*")) > _LONGEST_NAME for name in names):
        raise ScpiError(-112)
    rest = words[1] if len(words) > 1 else ""
    parameters = tuple(parse_datum(part.strip(WHITE)) for part in _split(rest, ",")) if rest else ()
    names = tuple(_without_suffix(name) for name in names) if path else names
    return Unit(names, bool(colon), bool(mark), parameters)


def _header_problem(header: str) -> int:
    for character in header:
        if character in ",\"'#(":
            return -111  # data follow without white space
        if not re.match(r"[A-Za-z0-9_:*?]", character):
            return -101
    return -102


def _without_suffix(mnemonic: str) -> str:
    """SCPI-1999 vol.1 6.2.5.2: no numeric suffix means 1. There is no second channel here."""
    name = mnemonic.rstrip("0123456789")
    if mnemonic[len(name) :].lstrip("0") not in ("", "1") or mnemonic[len(name) :] == "0":
        raise ScpiError(-114)
    return name.upper()


# Parameters ------------------------------------------------------------------------------


def parse_datum(text: str) -> Datum:
    """One parameter without the white space round it. Raises `ScpiError` of the -100 class."""
    if not text:
        raise ScpiError(-109)
    first = text[0]
    if first in "\"'":
        return _parse_string(text)
    if first in "#(":
        raise ScpiError(-168 if first == "#" else -178)
    if first in "+-.0123456789":
        return _parse_number(text)
    if not ("A" <= first.upper() <= "Z"):
        raise ScpiError(-101)
    if not re.fullmatch(_MNEMONIC, text):
        raise ScpiError(-141)
    if len(text) > _LONGEST_NAME:
        raise ScpiError(-144)
    return Datum("word", text.upper())


def _parse_string(text: str) -> Datum:
    found = _STRING.fullmatch(text)
    if found is None:
        raise ScpiError(-151)
    double, single = found.groups()
    content = double.replace('""', '"') if double is not None else single.replace("''", "'")
    return Datum("string", content)


def _parse_number(text: str) -> Datum:
    found = _NUMBER.match(text)
    if found is None:
        raise ScpiError(-121)
    mantissa, exponent = found.group(1), found.group(2) or "0"
    if len(mantissa) > 255:  # IEEE 488.2 7.7.2.4.1
        raise ScpiError(-124)
    if len(exponent) > 6 or abs(int(exponent)) > 32000:  # IEEE 488.2 7.7.2.4.1
        raise ScpiError(-123)
    suffix = text[found.end() :].strip(WHITE)
    if suffix and not _SUFFIX.fullmatch(suffix):
        raise ScpiError(-131 if suffix[0].isalpha() else -121)
    if len(suffix) > _LONGEST_NAME:
        raise ScpiError(-134)
    return Datum("number", f"{mantissa}E{exponent}", suffix.upper())


def number(datum: Datum, unit: str = "") -> float:
    """The value of an NRf with its suffix, in `unit` (``"A"``, ``"V"``, ``"S"``, none)."""
    if datum.kind != "number":
        raise ScpiError(-141 if datum.kind == "word" else -104)
    return float(datum.text) * _multiplier(datum.suffix, unit)


def _multiplier(suffix: str, unit: str) -> float:
    if not suffix:
        return 1.0
    if not unit:
        raise ScpiError(-138)
    if not suffix.endswith(unit) or suffix[: -len(unit)] not in MULTIPLIERS:
        raise ScpiError(-131)
    return MULTIPLIERS[suffix[: -len(unit)]]


def choice(datum: Datum, *words: str) -> str:
    """The short form of the one of `words` that was given in either form."""
    if datum.kind != "word":
        raise ScpiError(-104)
    for word in words:
        if datum.text in (word.upper(), short_form(word)):
            return short_form(word)
    raise ScpiError(-224)


def boolean(datum: Datum) -> bool:
    """SCPI-1999 vol.1 7.3: ON, OFF, or a number that is rounded; what is not 0 is on."""
    if datum.kind == "number":
        value = number(datum)
        return not math.isfinite(value) or round(value) != 0
    return choice(datum, "ON", "OFF") == "ON"


@dataclass(frozen=True)
class Scale:
    """What a numeric setting may be. A `whole` one is rounded first (IEEE 488.2 7.7.2.4.2)."""

    unit: str
    minimum: float
    maximum: float
    default: float
    whole: bool = False

    def value(self, datum: Datum) -> float:
        """A number within the limits, or MIN, MAX, DEF (SCPI-1999 vol.1 7.2.1)."""
        if datum.kind == "word":
            return self.named(datum)
        value = number(datum, self.unit)
        if not math.isfinite(value):
            raise ScpiError(-222)
        if self.whole:
            value = round(value)
        slack = 1e-9 * abs(value)  # a limit that was read back with fewer digits is still good
        if not self.minimum - slack <= value <= self.maximum + slack:
            raise ScpiError(-222)
        return min(max(value, self.minimum), self.maximum)

    def named(self, datum: Datum) -> float:
        """The value that MIN, MAX or DEF stands for."""
        if datum.kind != "word":
            raise ScpiError(-104)
        for word, value in (
            ("MINimum", self.minimum),
            ("MAXimum", self.maximum),
            ("DEFault", self.default),
        ):
            if datum.text in (word.upper(), short_form(word)):
                return value
        raise ScpiError(-222 if datum.text in ("INF", "INFINITY", "NINF", "NAN") else -141)


# Responses -------------------------------------------------------------------------------


def nr1(value: float) -> str:
    """IEEE 488.2 8.7.2: an integer."""
    return str(round(value))


def nr2(value: float, decimals: int) -> str:
    """IEEE 488.2 8.7.3: a decimal point and no exponent."""
    return f"{value:+.{decimals}f}"


def nr3(value: float, decimals: int = 8) -> str:
    """IEEE 488.2 8.7.4: a decimal point and an exponent."""
    return f"{value:+.{decimals}E}"


def quoted(text: str) -> str:
    """IEEE 488.2 8.7.8: string response data."""
    return '"' + text.replace('"', '""') + '"'


def block(data: bytes) -> bytes:
    """IEEE 488.2 8.7.9: a definite-length block, ``#<count of digits><length><data>``."""
    length = str(len(data))
    return f"#{len(length)}{length}".encode() + data
