"""The board's side of the UART as pure text and bytes: what arrived, and what it means.

No I/O here. `LineSplitter` is fed with bytes and cuts them into lines; `Awaited` looks among them
for the reply to one exchange.
"""

from __future__ import annotations

import re

from benchrig.session.fields import Ending
from benchrig.session.session_file import Exchange

_ENDINGS: dict[Ending, bytes] = {"CR": b"\r", "LF": b"\n", "CRLF": b"\r\n", "none": b""}

# A line longer than this is noise; it is cut so that noise without an end cannot fill the memory.
LONGEST_LINE = 4096


def ending_bytes(ending: Ending) -> bytes:
    return _ENDINGS[ending]


def shown(data: bytes) -> str:
    """Bytes made harmless and readable: ``b"ok\\x00"`` is ``ok\\x00``."""
    return "".join(
        chr(byte) if 32 <= byte < 127 and byte != 92 else _ESCAPES.get(byte, f"\\x{byte:02x}")
        for byte in data
    )


_ESCAPES = {10: "\\n", 13: "\\r", 9: "\\t", 92: "\\\\"}
_CONTROLS = re.compile(r"[\x00-\x08\x0b-\x1f\x7f]")


def readable(data: bytes, encoding: str) -> str:
    """Bytes as text to match against: undecodable ones escaped, control characters left out."""
    return _CONTROLS.sub("", data.decode(encoding, errors="backslashreplace"))


class LineSplitter:
    """Cuts what a board sends into lines, and keeps the last, unfinished one.

    CR alone ends a line only where the board is said to send CR; elsewhere LF does, and a CR
    before it is dropped, so that a board which sends CRLF though LF was declared still works.
    """

    def __init__(self, ending: Ending) -> None:
        self._separator = b"\r" if ending == "CR" else b"\n"
        self._splits = ending != "none"
        self.partial = b""

    def feed(self, data: bytes) -> list[bytes]:
        """The lines that are now complete, without their endings. With the ending ``none``
        each piece counts as a line, as it came."""
        if not self._splits:
            return [data] if data else []
        *lines, self.partial = (self.partial + data).split(self._separator)
        while len(self.partial) > LONGEST_LINE:
            lines.append(self.partial[:LONGEST_LINE])
            self.partial = self.partial[LONGEST_LINE:]
        return [line.strip(b"\r\n") for line in lines]

    def drop_partial(self) -> bytes:
        """Give up the unfinished line, and return it."""
        dropped, self.partial = self.partial, b""
        return dropped


class Awaited:
    """Looks for the reply to one exchange among the lines and bytes that arrive after it."""

    def __init__(self, exchange: Exchange, *, encoding: str, echo: bool, framed: bool) -> None:
        self._exchange = exchange
        self._encoding = encoding
        self._framed = framed
        # The echo marks where the reply begins: a late reply to an earlier question comes
        # before it. Bytes of a binary protocol are not echoed.
        self._echo = exchange.send if echo and exchange.send else None
        self._raw = b""
        self._text = ""

    def line(self, data: bytes) -> re.Match[str] | re.Match[bytes] | None:
        """The match, if this line (or, unframed, all so far) is the reply."""
        exchange = self._exchange
        if exchange.expect_hex is not None:
            # The endings were cut off, but in a binary protocol they are bytes like others.
            return None
        text = readable(data, self._encoding)
        if not self._framed:
            self._text += text
            text = self._text
            if self._echo is not None:
                _, found, after = text.partition(self._echo)
                if not found:
                    return None
                text = after
        elif self._echo is not None:
            if text.rstrip().endswith(self._echo):
                self._echo = None
            return None
        return exchange.expect.search(text) if exchange.expect is not None else None

    def raw(self, data: bytes) -> re.Match[bytes] | None:
        """The match of a pattern of bytes in all that has come so far."""
        pattern = self._exchange.expect_hex
        if pattern is None:
            return None
        self._raw = (self._raw + data)[-LONGEST_LINE:]
        return pattern.search(self._raw)
