"""SCPI as pure text and bytes: numbers, blocks, error replies, and where a response ends.

Sources, from memory: IEEE 488.2-1992 clause 8.7 (response data), SCPI-1999 volume 1 chapter 7
(9.9E37 is infinity, 9.91E37 is not a number) and volume 2 chapter 21 (the error queue).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from benchrig.errors import Fault

OVERLOAD = 9.9e37
NOT_A_NUMBER = 9.91e37
# No instrument sends a longer response; noise without an end must not fill the memory.
LONGEST_RESPONSE = 64 * 1024 * 1024

_NUMBER = re.compile(r"\s*[+-]?(?:\d+\.?\d*|\.\d+)(?:\s*[Ee]\s*[+-]?\d+)?\s*\Z")
_ERROR = re.compile(r'\s*([+-]?\d+)\s*(?:,\s*"?(.*?)"?\s*)?\Z', re.DOTALL)


def _garbled(what: str) -> Fault:
    return Fault("garbled_reply", what)


def is_overload(values: np.ndarray) -> np.ndarray:
    """Which readings (n,) are an overload, of either sign: infinity, but not not-a-number."""
    size = np.abs(values)
    overload: np.ndarray = (size > 9.85e37) & (size < 9.905e37) | np.isinf(values)
    return overload


def is_valid(values: np.ndarray) -> np.ndarray:
    """Which readings (n,) are measured values."""
    valid: np.ndarray = np.isfinite(values) & (np.abs(values) < 1e36)
    return valid


def parse_numbers(text: str, count: int | None = None) -> np.ndarray:
    """Comma-separated NR1, NR2 or NR3 numbers as an array (n,).

    Raises ``garbled_reply`` for anything else, and for another number of them than `count`.
    """
    parts = text.strip().split(",")
    for part in parts:
        if not _NUMBER.match(part):
            raise _garbled(f"{part[:60]!r} is not a number, in the reply {text[:120]!r}")
    values = np.array([float(part.replace(" ", "")) for part in parts])
    if count is not None and len(values) != count:
        raise _garbled(f"{count} numbers were asked for, {len(values)} came: {text[:120]!r}")
    return values


def parse_block(data: bytes, count: int | None = None) -> np.ndarray:
    """A block of big-endian 64-bit reals (``REAL,64``, FORMat:BORDer NORMal) as an array (n,).

    Takes definite length (#, digits, length) and indefinite length (#0 ... up to the end).
    """
    if data[:1] != b"#" or not data[1:2].isdigit():
        raise _garbled(f"no block header in {data[:40]!r}")
    digits = int(data[1:2])
    if digits == 0:
        payload = data[2:].removesuffix(b"\n")
    else:
        length = data[2 : 2 + digits]
        if len(length) < digits or not length.isdigit():
            raise _garbled(f"a block header is cut: {data[:40]!r}")
        payload = data[2 + digits : 2 + digits + int(length)]
        if len(payload) != int(length):
            raise _garbled(f"a block of {int(length)} bytes ended after {len(payload)}")
    if len(payload) % 8:
        raise _garbled(f"a block of {len(payload)} bytes holds no whole 64-bit reals")
    values = np.frombuffer(payload, ">f8").astype(float)
    if count is not None and len(values) != count:
        raise _garbled(f"{count} readings were asked for, {len(values)} came in a block")
    return values


@dataclass(frozen=True)
class ScpiError:
    """One entry of an error queue."""

    code: int
    text: str

    def __str__(self) -> str:
        return f'{self.code},"{self.text}"'


def parse_error_reply(text: str) -> ScpiError:
    """The reply to ``SYSTem:ERRor?``."""
    found = _ERROR.match(text)
    if found is None:
        raise _garbled(f"{text[:120]!r} is no reply to SYST:ERR?")
    return ScpiError(int(found[1]), found[2] or "")


class ResponseFramer:
    """Finds where a response message ends in a stream of bytes.

    The terminator may occur inside a definite-length block or a quoted string, where it ends
    nothing. `feed` returns the responses that are now complete, without their terminators.
    """

    def __init__(self, terminator: bytes) -> None:
        self._terminator = terminator
        self._buffer = bytearray()
        self._at = 0
        self._quote = 0
        # A block may begin where a datum may: at the start, and after a separator.
        self._datum_starts = True

    @property
    def pending(self) -> bytes:
        """What has come of a response that is not complete."""
        return bytes(self._buffer)

    def clear(self) -> None:
        self._buffer.clear()
        self._restart()

    def _restart(self) -> None:
        self._at, self._quote, self._datum_starts = 0, 0, True

    def feed(self, data: bytes) -> list[bytes]:
        """Raises ``garbled_reply`` past the longest response there can be."""
        self._buffer += data
        responses: list[bytes] = []
        while (end := self._find_end()) is not None:
            responses.append(bytes(self._buffer[:end]))
            del self._buffer[: end + len(self._terminator)]
            self._restart()
        if len(self._buffer) > LONGEST_RESPONSE:
            self.clear()
            raise _garbled(f"more than {LONGEST_RESPONSE} bytes came without an end")
        return responses

    def _find_end(self) -> int | None:
        buffer, terminator = self._buffer, self._terminator
        while self._at < len(buffer):
            byte = buffer[self._at]
            if self._quote:
                if byte == self._quote:
                    self._quote = 0
            elif buffer.startswith(terminator, self._at):
                return self._at
            elif byte == terminator[0] and len(buffer) - self._at < len(terminator):
                return None
            elif byte == ord("#") and self._datum_starts:
                length = _block_length(buffer, self._at)
                if length is None or self._at + length > len(buffer):
                    return None
                self._at += length
                self._datum_starts = False
                continue
            elif byte in b"\"'" and self._datum_starts:
                self._quote = byte
            self._datum_starts = byte in b",; " if not self._quote else False
            self._at += 1
        return None


def _block_length(buffer: bytearray, at: int) -> int | None:
    """The length of the definite-length block that begins at `at`, header included; None while
    its header is not complete; 1 (nothing to skip) where it is no such block."""
    header = bytes(buffer[at + 1 : at + 11])
    if not header:
        return None
    if not header[:1].isdigit() or header[:1] == b"0":
        return 1
    digits = int(header[:1])
    size = header[1 : 1 + digits]
    if size and not size.isdigit():
        return 1
    return None if len(size) < digits else 2 + digits + int(size)
