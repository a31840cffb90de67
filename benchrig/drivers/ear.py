"""What is heard of the board: lines, answers, boot banners, and replies that come late."""

from __future__ import annotations

import math
from typing import NamedTuple

from benchrig.clock import Clock
from benchrig.drivers.lines import Answer, Ledger, LineSplitter, ending_bytes, found, shown
from benchrig.errors import Fault
from benchrig.events import Tell
from benchrig.session.protocol import Exchange, Protocol
from benchrig.wires import Wire

# How long a board may go on talking without a line's end or a silence before `poll` returns.
LONGEST_TALK_S = 1.0
# Times closer than this are the same, so that rounding makes no further attempt.
SAME_S = 1e-6
# How many pieces of input are read at once: a board that never stops talking must not hold up
# everything.
MOST_PIECES = 1000


def bytes_of(
    protocol: Protocol, send: str | None, send_hex: bytes | None, *, ended: bool = True
) -> bytes:
    """What goes out for `send` or `send_hex`; text with its ending, unless not `ended`."""
    if send_hex is not None:
        return send_hex
    ending = ending_bytes(protocol.send_ending) if ended else b""
    return (send or "").encode(protocol.encoding, errors="replace") + ending


def sent_text(protocol: Protocol, exchange: Exchange | None) -> str:
    """What was sent, for a message."""
    if exchange is None:
        return "a waking byte"
    return shown(bytes_of(protocol, exchange.send, exchange.send_hex, ended=False))


class Heard(NamedTuple):
    data: bytes
    lines: list[bytes]
    answers: list[Answer]


class Ear:
    """Raises ``unexpected_reset``, ``board_refused``, and what its wire raises."""

    def __init__(self, wire: Wire, clock: Clock, protocol: Protocol, tell: Tell) -> None:
        self._wire = wire
        self._clock = clock
        self._protocol = protocol
        self._tell = tell
        self.splitter = LineSplitter(protocol.receive_ending)
        self.ledger = Ledger(protocol)
        self.banner_belongs = True

    def hear(self, timeout_s: float) -> Heard:
        """What comes within `timeout_s`, as soon as anything does."""
        quiet_s = self.splitter.due_s() - self._clock.monotonic()
        data = self._wire.read(min(max(timeout_s, 0.0), max(quiet_s, 0.0)))
        now_s = self._clock.monotonic()
        lines = self.splitter.feed(data, now_s)
        for line in lines:
            self._tell("board_said", shown(line.data))
        whole = [line.data for line in lines]
        answers = self.ledger.hear(data, whole, now_s)
        for line in lines:
            self._check_banner(line.parts)
        for answer in answers:
            # To a command without a reply nobody is listening; its refusal counts all the same.
            if answer.match is None and answer.debt.exchange and not answer.debt.expected:
                raise self.refusal(answer)
        return Heard(data, whole, answers)

    def overhear(self, timeout_s: float) -> Heard:
        """The same while nothing is asked: answers are late ones, to earlier questions."""
        heard = self.hear(timeout_s)
        self.tell_late(heard.answers)
        return heard

    def poll(self, timeout_s: float) -> list[bytes]:
        """The lines that come; waits at most `timeout_s` for the first, and then for its end."""
        lines = self.overhear(timeout_s).lines
        end_s = self._clock.monotonic() + LONGEST_TALK_S
        while not lines and self.splitter.due_s() < math.inf and self._clock.monotonic() < end_s:
            lines = self.overhear(LONGEST_TALK_S).lines
        return lines

    def read_all(self) -> None:
        """Read what is there, so that it is not taken for an answer to what comes now."""
        for _ in range(MOST_PIECES):
            if not self.overhear(0.0).data:
                return

    def await_debts(self) -> None:
        """Wait for replies that may still be under way, and read all that is there."""
        while True:
            now_s = self._clock.monotonic()
            due_s = [debt.until_s for debt in self.ledger.owed if debt.expected]
            left_s = max(due_s, default=now_s) - now_s
            if left_s <= SAME_S:
                break
            self.overhear(left_s)
        self.read_all()

    def forget_half_a_line(self) -> None:
        """What has come of a line before a question is no part of its answer."""
        if half := self.splitter.drop_partial():
            what = ", and no end of the line" if self.splitter.framed else ""
            self._tell("board_said", f"{shown(half)}{what}")

    def tell_late(self, answers: list[Answer]) -> None:
        for answer in answers:
            said, sent = shown(answer.said), sent_text(self._protocol, answer.debt.exchange)
            self._tell("late_reply", f"'{said}' came late, in answer to '{sent}'")

    def refusal(self, answer: Answer) -> Fault:
        said, sent = shown(answer.said), sent_text(self._protocol, answer.debt.exchange)
        return Fault("board_refused", f"board: answered '{said}' to '{sent}', a refusal")

    def _check_banner(self, parts: tuple[bytes, ...]) -> None:
        banner, encoding = self._protocol.banner, self._protocol.encoding
        if self.banner_belongs or not any(found(banner, part, encoding) for part in parts):
            return
        raise Fault(
            "unexpected_reset",
            f"board: sent its boot banner '{shown(parts[-1])}' where none belongs: it has reset. "
            "Look at its supply voltage, its watchdog, its reset line, and at wake-ups that the "
            "session does not declare as ticks: on a low range they cost the board its voltage",
        )
