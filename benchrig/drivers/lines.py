"""The board's side of the UART as pure text and bytes: what arrived, and what it answers.

No I/O here. `LineSplitter` is fed with bytes and cuts them into lines; `Ledger` knows what was
sent to the board and finds out which of it each line answers.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from benchrig.session.fields import Ending
from benchrig.session.protocol import Exchange, Hello, Protocol

_ENDINGS: dict[Ending, bytes] = {"CR": b"\r", "LF": b"\n", "CRLF": b"\r\n", "none": b""}

# A line longer than this is noise; it is cut so that noise without an end cannot fill the memory.
LONGEST_LINE = 4096
# A pause of this length ends a message where no line ending does: some bytes' time even at
# 1200 baud. Where lines have endings, it is where a line may have been cut short by a reset.
SILENCE_S = 0.05
# How much later than its time a reply may come and still be reckoned with.
LATE_S = 2.0

Match = re.Match[str] | re.Match[bytes]


def ending_bytes(ending: Ending) -> bytes:
    return _ENDINGS[ending]


def shown(data: bytes) -> str:
    """Bytes made harmless and readable: ``b"ok\\x00"`` is ``ok\\x00``."""
    return "".join(
        chr(byte) if 32 <= byte < 127 and byte != 92 else _ESCAPES.get(byte, f"\\x{byte:02x}")
        for byte in data
    )


_ENDS = re.compile(rb"[\r\n]")
_ESCAPES = {10: "\\n", 13: "\\r", 9: "\\t", 92: "\\\\"}
_CONTROLS = re.compile(r"[\x00-\x08\x0b-\x1f\x7f]")
# What a transmitter that wakes up leaves in front of its first line.
_NOISE = bytes(byte for byte in range(256) if not 32 <= byte < 127)


def readable(data: bytes, encoding: str) -> str:
    """Bytes as text to match against: undecodable ones escaped, control characters left out."""
    return _CONTROLS.sub("", data.decode(encoding, errors="backslashreplace"))


def _readings(data: bytes, encoding: str) -> tuple[str, str]:
    """A line as text: as it is, and without noise in front. Noise inside it stays: what came
    before it may have been the word "not"."""
    return readable(data, encoding), readable(data.lstrip(_NOISE), encoding)


def found(pattern: re.Pattern[str] | None, data: bytes, encoding: str) -> re.Match[str] | None:
    """The match of a pattern in a line, with or without the noise in front of it."""
    if pattern is None:
        return None
    matches = (pattern.search(text) for text in _readings(data, encoding))
    return next((match for match in matches if match is not None), None)


# -- lines ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Line:
    """A line without its ending. `resumed` is where it went on after a silence, else 0."""

    data: bytes
    resumed: int = 0

    @property
    def parts(self) -> tuple[bytes, ...]:
        """The line, and what came after a silence in it: a reset cuts a line short, and the boot
        banner goes on in it."""
        return (self.data, self.data[self.resumed :]) if self.resumed else (self.data,)


class LineSplitter:
    """Cuts what a board sends into lines, and keeps the last, unfinished one.

    CR and LF both end a line, whatever was declared, and empty lines are none: so a board that
    sends CRLF though LF was declared still works, and so does an echo with the ending that was
    sent. With the ending ``none`` a silence of `SILENCE_S` ends what counts as a line.
    """

    def __init__(self, ending: Ending) -> None:
        self.framed = ending != "none"
        self._last_s = -math.inf
        self._resumed = 0
        self.partial = b""

    def due_s(self) -> float:
        """When silence makes a line of what has come; inf where it does not."""
        return math.inf if self.framed or not self.partial else self._last_s + SILENCE_S

    def feed(self, data: bytes, t: float) -> list[Line]:
        """The lines that are complete with `data`, which came at `t` (s, on any axis)."""
        paused = bool(self.partial) and t >= self._last_s + SILENCE_S
        if data:
            self._last_s = t
        return self._by_endings(data, paused) if self.framed else self._by_silence(data, paused)

    def _by_endings(self, data: bytes, paused: bool) -> list[Line]:
        if not data:
            return []
        if paused:
            self._resumed = len(self.partial)
        *pieces, self.partial = _ENDS.split(self.partial + data)
        while len(self.partial) > LONGEST_LINE:
            pieces.append(self.partial[:LONGEST_LINE])
            self.partial = self.partial[LONGEST_LINE:]
        lines = [Line(piece) for piece in pieces if piece]
        if pieces:
            if lines and pieces[0]:
                lines[0] = Line(pieces[0], self._resumed)
            self._resumed = 0
        return lines

    def _by_silence(self, data: bytes, paused: bool) -> list[Line]:
        pieces = [self.drop_partial()] if paused else []
        self.partial += data
        while len(self.partial) > LONGEST_LINE:
            pieces.append(self.partial[:LONGEST_LINE])
            self.partial = self.partial[LONGEST_LINE:]
        return [Line(piece) for piece in pieces]

    def drop_partial(self) -> bytes:
        """Give up the unfinished line, and return it."""
        dropped, self.partial, self._resumed = self.partial, b"", 0
        return dropped


# -- what they answer -----------------------------------------------------------------------


@dataclass(eq=False)
class Debt:
    """Something sent to the board that it may answer until `until_s`. No `exchange`: bytes that
    were meant to wake it, and that it may refuse as a command it does not know."""

    exchange: Exchange | None
    sent_s: float
    until_s: float
    # Its echo, until that has come. The reply comes behind it.
    echo: bytes = b""

    @property
    def expected(self) -> bool:
        return self.exchange is not None and self.exchange.expects_reply

    @property
    def raw(self) -> bool:
        """Whether the reply is looked for in the bytes, not in the lines."""
        return self.exchange is not None and self.exchange.expect_hex is not None


def _longest_s(paid: Debt, t: float) -> float:
    """How long after an answer at `t` the next may come, to the same question asked again: the
    board took no longer than since the first asking, for one command after the other."""
    return min((t - paid.sent_s) * 1.2 + 0.05, LATE_S)


@dataclass(frozen=True)
class Answer:
    """What was said in answer to what. No `match`: a refusal."""

    debt: Debt
    said: bytes
    match: Match | None


class Ledger:
    """Keeps what was sent to the board and not answered yet.

    A board does one thing after the other. So what fits to several of its debts answers the
    earliest of them, and what it was asked before that one it will not answer any more.
    """

    def __init__(self, protocol: Protocol) -> None:
        self._protocol = protocol
        self._framed = protocol.receive_ending != "none"
        self._bytes = b""
        self._now_s = -math.inf
        self.owed: list[Debt] = []
        # The last question, while nobody knows whether its answer is still under way.
        self.doubt: Debt | None = None

    def add(self, exchange: Exchange | None, sent_s: float, until_s: float) -> Debt:
        debt = Debt(exchange, sent_s, until_s, self._echo(exchange))
        if not any(entry.raw for entry in self.owed):
            self._bytes = b""
        self.owed.append(debt)
        self.extend(debt)
        if debt.expected:
            self.doubt = debt
        return debt

    def extend(self, debt: Debt) -> None:
        """What was asked before in the same words may come as late as this one."""
        for earlier in self._askings_of(debt):
            earlier.until_s = max(earlier.until_s, debt.until_s)

    def excuse(self, paid: Debt, t: float) -> None:
        """The question was answered at `t`, so that its other askings are waited for only as long
        as that took: most were lost on a board that was not awake yet. Of hello that is enough;
        after others hello settles what is left."""
        for debt in self._askings_of(paid):
            debt.until_s = t + _longest_s(paid, t)
        if isinstance(paid.exchange, Hello):
            self.doubt = None

    def _askings_of(self, debt: Debt) -> list[Debt]:
        return [other for other in self.owed if other.exchange == debt.exchange]

    def _echo(self, exchange: Exchange | None) -> bytes:
        if not self._protocol.echo or exchange is None:
            return b""
        if exchange.expect_hex is not None and exchange.send_hex is not None:
            return exchange.send_hex
        # A terminal echoes text; what it makes of other bytes nobody knows.
        return (exchange.send or "").encode(self._protocol.encoding, errors="replace").strip()

    def hear(self, data: bytes, lines: list[bytes], t: float) -> list[Answer]:
        """What `data` answers, which has completed `lines`."""
        self._now_s = t
        self.owed = [debt for debt in self.owed if debt.until_s >= t]
        if not self.owed and not data:
            return []
        answers = self._in_bytes(data)
        for line in lines:
            answers += self._in_line(line) if self._framed else self._in_burst(line)
        return answers

    def _pay(self, debt: Debt, said: bytes, match: Match | None) -> Answer:
        settled = self.owed.index(debt) + 1
        if self.doubt in self.owed[:settled]:
            self.doubt = None
        del self.owed[:settled]
        for other in self._askings_of(debt):
            other.until_s = max(other.until_s, self._now_s + _longest_s(debt, self._now_s))
        return Answer(debt, said, match)

    def _in_bytes(self, data: bytes) -> list[Answer]:
        """Answers to exchanges in bytes: their length is known, so they need no ending."""
        self._bytes = (self._bytes + data)[-LONGEST_LINE:]
        answers = []
        while (answer := self._first_in_bytes()) is not None:
            answers.append(answer)
        return answers

    def _first_in_bytes(self) -> Answer | None:
        for debt in self.owed:
            if debt.exchange is None or debt.exchange.expect_hex is None:
                continue
            _, echoed, after = self._bytes.partition(debt.echo) if debt.echo else (b"", b"", b"")
            if debt.echo and not echoed:
                continue
            match = debt.exchange.expect_hex.search(after if debt.echo else self._bytes)
            if match is not None:
                self._bytes = match.string[match.end() :]
                return self._pay(debt, match[0], match)
        return None

    def _in_line(self, line: bytes) -> list[Answer]:
        text = readable(line, self._protocol.encoding).rstrip()
        for debt in self.owed:
            # A prompt may stand in front of the echo.
            if debt.echo and not debt.raw and text.endswith(self._text(debt.echo)):
                debt.echo = b""
                return []
        answer = self._answer(line)
        return [] if answer is None else [answer]

    def _in_burst(self, burst: bytes) -> list[Answer]:
        """All that is answered between two silences: echoes and replies may stand in one."""
        rest = burst
        for debt in self.owed:
            if debt.echo and not debt.raw and debt.echo in rest:
                rest = rest.partition(debt.echo)[2]
                debt.echo = b""
        answers = []
        while rest and (answer := self._answer(rest)) is not None:
            answers.append(answer)
            if answer.match is None:
                break
            said = answer.match.string
            assert isinstance(said, str)
            rest = said[answer.match.end() :].encode(self._protocol.encoding, errors="replace")
        return answers

    def _answer(self, line: bytes) -> Answer | None:
        encoding = self._protocol.encoding
        audible = [debt for debt in self.owed if not debt.echo]
        for debt in audible:
            expect = None if debt.exchange is None else debt.exchange.expect
            match = found(expect, line, encoding)
            if match is not None:
                return self._pay(debt, line, match)
        if audible and found(self._protocol.reject, line, encoding) is not None:
            return self._pay(audible[0], line, None)
        return None

    def _text(self, data: bytes) -> str:
        return readable(data, self._protocol.encoding)
