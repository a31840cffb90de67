"""SCPI as pure text and bytes: numbers, blocks, error replies, and where a response ends.

Sources, from memory: IEEE 488.2-1992 clause 8.7 (response data), SCPI-1999 volume 1 clause 7.2.1
(9.9E37 is infinity, 9.91E37 is not a number) and volume 2 chapter 21 (the error queue). As usual
under these standards, what comes in is taken more generously than it should be sent.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from benchrig.errors import Fault

OVERLOAD = 9.9e37
NOT_A_NUMBER = 9.91e37
# Both are recognised within this share: some meters compute in single precision.
_SENTINEL_SHARE = 1e-6
# No instrument sends a longer response; noise without an end must not fill the memory.
LONGEST_RESPONSE = 64 * 1024 * 1024

# NR1, NR2 and NR3 (8.7.2 to 8.7.4). Not `float`, which also takes "nan", "1_0" and "infinity".
# Blanks behind a sign and around the E are not allowed in a response, and sent by some.
_NR = r"\s*[+-]?\s*(?:\d+\.?\d*|\.\d+)(?:\s*[Ee]\s*[+-]?\d+)?\s*"
_NUMBER = re.compile(_NR, re.ASCII)
_ERROR = re.compile(r'\s*([+-]?\d+)\s*(?:,\s*(?:"(.*)"|([^"]*?))\s*)?', re.ASCII | re.DOTALL)
# Where a datum begins, at the start and after a separator, a block or string may begin.
_OPENING = re.compile(rb"""(?<=[,;])[#"']""")


def _garbled(what: str) -> Fault:
    return Fault("garbled_reply", what)


def _text(reply: str | bytes) -> str:
    return reply if isinstance(reply, str) else reply.decode("ascii", errors="backslashreplace")


# -- values ---------------------------------------------------------------------------------


def is_overload(values: np.ndarray) -> np.ndarray:
    """Which readings (n,) are an overload: infinity of either sign, but not not-a-number."""
    size = np.abs(values)
    not_a_number = np.abs(size - NOT_A_NUMBER) <= _SENTINEL_SHARE * NOT_A_NUMBER
    overload: np.ndarray = (size >= OVERLOAD * (1 - _SENTINEL_SHARE)) & ~not_a_number
    return overload


def is_valid(values: np.ndarray) -> np.ndarray:
    """Which readings (n,) are measured values: neither an overload nor not-a-number."""
    valid: np.ndarray = np.abs(values) < OVERLOAD * (1 - _SENTINEL_SHARE)
    return valid


def parse_numbers(reply: str | bytes, count: int | None = None) -> np.ndarray:
    """Comma-separated NR1, NR2 or NR3 numbers as an array (n,).

    Raises ``garbled_reply`` for anything else, and for another number of them than `count`.
    """
    text = _text(reply)
    parts = text.split(",")
    for part in parts:
        if not _NUMBER.fullmatch(part):
            raise _garbled(f"{part[:60]!r} is not a number, in the reply {text[:120]!r}")
    values = np.array([float("".join(part.split())) for part in parts])
    if not np.isfinite(values).all():
        raise _garbled(f"a number is too large for a float, in the reply {text[:120]!r}")
    if count is not None and len(values) != count:
        raise _garbled(f"{count} numbers were asked for, {len(values)} came: {text[:120]!r}")
    return values


def parse_block(data: bytes, count: int | None = None) -> np.ndarray:
    """A block of big-endian 64-bit reals (``REAL,64``, FORMat:BORDer NORMal) as an array (n,).

    Takes definite length (8.7.9: ``#``, number of digits, length) and indefinite length (8.7.10:
    ``#0``, then all up to the end). Raises ``garbled_reply``.
    """
    length = block_length(data)
    if data[:2] == b"#0":
        payload = data[2:-1] if len(data) % 8 == 3 and data.endswith(b"\n") else data[2:]
    elif length is None:
        raise _garbled(f"a block header is cut short: {data[:40]!r}")
    elif length == 0:
        raise _garbled(f"no block begins with {data[:40]!r}")
    elif len(data) < length:
        raise _garbled(f"a block of {length} bytes, header included, ended after {len(data)}")
    elif data[length:].strip(b"\r\n"):
        raise _garbled(f"after a block came {data[length : length + 40]!r}")
    else:
        payload = data[2 + int(data[1:2]) : length]
    if len(payload) % 8:
        raise _garbled(f"a block of {len(payload)} bytes holds no whole 64-bit reals")
    values = np.frombuffer(payload, ">f8").astype(float)
    if count is not None and len(values) != count:
        raise _garbled(f"{count} readings were asked for, {len(values)} came in a block")
    return values


# -- errors ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class ScpiError:
    """One entry of an error queue."""

    code: int
    text: str

    def __str__(self) -> str:
        return f'{self.code},"{self.text}"'


def parse_error_reply(reply: str | bytes) -> ScpiError:
    """The reply to ``SYSTem:ERRor?``: ``-113,"Undefined header;FOO"`` (21.8). Quotes inside the
    text come doubled (8.7.8)."""
    text = _text(reply)
    found = _ERROR.fullmatch(text.strip())
    if found is None:
        raise _garbled(f"{text[:120]!r} is no entry of an error queue")
    quoted, bare = found[2], found[3]
    return ScpiError(int(found[1]), bare or "" if quoted is None else quoted.replace('""', '"'))


# -- framing --------------------------------------------------------------------------------


def block_length(data: bytes | bytearray, at: int = 0) -> int | None:
    """The length of the definite-length block that begins at `at`, header included. 0 where no
    such block begins, None while that cannot be told yet."""
    header = bytes(data[at : at + 11])
    if header[:1] not in (b"#", b""):
        return 0
    digits, size = header[1:2], header[2 : 2 + int(header[1:2])] if header[1:2].isdigit() else b""
    if digits and not (b"1" <= digits <= b"9" and (not size or size.isdigit())):
        return 0
    if not digits or len(size) < int(digits):
        return None
    return 2 + int(digits) + int(size)


class ResponseFramer:
    """Finds where a response message ends in a stream of bytes.

    The terminator ends nothing inside a definite-length block or a quoted string. `feed` returns
    the responses that are now complete, without their terminators; `pending` is what has come of
    the next one: ``b""`` is nothing, anything else needs more. Blank lines are no responses.
    """

    def __init__(self, terminator: bytes) -> None:
        self._terminator = terminator
        self._buffer = bytearray()
        self.clear()

    @property
    def pending(self) -> bytes:
        return bytes(self._buffer)

    def clear(self, *, plain: bool = False) -> None:
        """Forget what has come. With `plain` the first terminator ends a response whatever stands
        around it: arbitrary ASCII response data (8.7.11), as ``*IDN?`` gives."""
        self._buffer.clear()
        self._plain = plain
        self._restart()

    def _restart(self) -> None:
        self._at = 0  # all before it is done with
        self._opens = not self._plain  # whether a block or string may begin at `_at`
        self._quote = b""  # what ends the string that `_at` is in

    def feed(self, data: bytes) -> list[bytes]:
        """Raises ``garbled_reply`` past the longest response there can be, and for a block of
        indefinite length, whose end cannot be told on a stream."""
        self._buffer += data
        responses: list[bytes] = []
        while self._buffer and (end := self._find_end()) is not None:
            responses.append(bytes(self._buffer[:end]))
            del self._buffer[: end + len(self._terminator)]
            self._restart()
        if len(self._buffer) > LONGEST_RESPONSE:
            raise _garbled(f"more than {LONGEST_RESPONSE} bytes came without an end")
        return responses

    def _find_end(self) -> int | None:
        if self._at == 0 and not self._quote and self._buffer[0] in b"\r\n":
            del self._buffer[: len(self._buffer) - len(self._buffer.lstrip(b"\r\n"))]
        while self._at < len(self._buffer):
            if self._quote:
                complete = self._pass_string()
            elif self._opens:
                complete = self._pass_opening()
            else:
                opening = None if self._plain else _OPENING.search(self._buffer, self._at)
                before = len(self._buffer) if opening is None else opening.start()
                end = self._buffer.find(self._terminator, self._at, before)
                if end >= 0:
                    return end
                if opening is None:
                    # The terminator's own beginning may be there already.
                    self._at = max(self._at, len(self._buffer) - len(self._terminator) + 1)
                    return None
                self._at, self._opens, complete = before, True, True
            if not complete:
                return None
        return None

    def _pass_string(self) -> bool:
        at = self._buffer.find(self._quote, self._at)
        self._at = len(self._buffer) if at < 0 else at
        # A doubled quote belongs to the string (8.7.8), so the byte behind it is needed too.
        if self._at + 1 >= len(self._buffer):
            return False
        doubled = self._buffer[at + 1 : at + 2] == self._quote
        self._at = at + 2 if doubled else at + 1
        self._quote = self._quote if doubled else b""
        return True

    def _pass_opening(self) -> bool:
        first = bytes(self._buffer[self._at : self._at + 1])
        if first in (b'"', b"'"):
            self._quote = first
            self._at += 1
        elif first == b"#":
            if self._buffer[self._at + 1 : self._at + 2] == b"0":
                raise _garbled("a block of indefinite length came where nothing marks its end")
            length = block_length(self._buffer, self._at)
            if length is None or self._at + length > len(self._buffer):
                if length is not None and length > LONGEST_RESPONSE:
                    raise _garbled(f"a block of {length} bytes was announced")
                return False
            self._at += max(length, 1)
        self._opens = False
        return True
