"""The board driver: exchanges over a UART, as the session file describes them.

Everything that leaves for the board, a byte or a level on a line, may wake it or make it draw
more. So each such act first asks the `gate`, which is there to bring the meter to a range that
leaves the board its voltage; if it cannot, it raises, and nothing is sent.

A reply that comes too late must not be taken for the answer to the next question. So replies
that are owed are waited for, for a bounded time, before anything else is asked; if none has come,
hello is asked first: since a board does one thing after the other, behind its answer to hello
nothing older can follow.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from benchrig.clock import Clock
from benchrig.drivers.ear import LONGEST_TALK_S, SAME_S, Ear, bytes_of, sent_text
from benchrig.drivers.lines import LATE_S, SILENCE_S, Answer, Match, ending_bytes, shown
from benchrig.drivers.pins import Pins
from benchrig.errors import Fault, NoReply
from benchrig.events import Tell
from benchrig.session.bench_file import BoardPort, Parking
from benchrig.session.protocol import Exchange, Hello, Identity, Protocol, Stimulus, Wake
from benchrig.wires import LineWire

Gate = Callable[[str], None]

# Between a refused hello and the next.
PAUSE_S = 0.01


@dataclass(frozen=True)
class BoardIdentity:
    serial_number: str | None
    firmware: str | None
    text: str


class Board:
    """One board on one wire. Raises `Fault` with the kinds ``board_silent``, ``no_reply``,
    ``board_refused``, ``unexpected_reset``, and whatever its wire and its gate raise."""

    def __init__(
        self,
        wire: LineWire,
        clock: Clock,
        protocol: Protocol,
        port: BoardPort,
        gate: Gate,
        tell: Tell,
    ) -> None:
        self.wire = wire
        self._clock = clock
        self._protocol = protocol
        self._gate = gate
        self._tell = tell
        self._ear = Ear(wire, clock, protocol, tell)
        self._ledger = self._ear.ledger
        self._pins = Pins(wire, clock, port, tell)

    # -- the wire ---------------------------------------------------------------------------

    def open(self) -> None:
        self._gate("opening the board's port")
        self.wire.open()

    def close(self) -> None:
        self.wire.close()

    def poll(self, timeout_s: float = 0.0) -> list[bytes]:
        """The lines that have come, as bytes without endings; waits at most `timeout_s` for the
        first. Raises ``unexpected_reset`` if one of them is a boot banner where none belongs."""
        if self._pins.closed:
            self._clock.sleep(timeout_s)
            return []
        return self._ear.poll(timeout_s)

    @property
    def banner_belongs(self) -> bool:
        """True while a boot is part of the plan: after power-up, or a wake that reboots."""
        return self._ear.banner_belongs

    @banner_belongs.setter
    def banner_belongs(self, belongs: bool) -> None:
        self._ear.banner_belongs = belongs

    def _write(self, data: bytes) -> None:
        pause = self._protocol.byte_pause
        pieces = [data] if pause == 0 else [data[i : i + 1] for i in range(len(data))]
        for index, piece in enumerate(pieces):
            if index:
                self._clock.sleep(pause)
            self.wire.write(piece)

    # -- exchanges --------------------------------------------------------------------------

    def exchange(self, exchange: Exchange) -> Match | None:
        """Send, and wait for the reply; None where none is expected, or one that may be lost is.

        One that may be lost is sent once only: a board that has fallen asleep over its answer
        would be woken by a second attempt. Raises ``no_reply`` when all attempts stay without
        the reply.
        """
        # Asked before anything else, since it may take its time, in which the board may speak.
        self._gate(f"sending '{sent_text(self._protocol, exchange)}'")
        self._settle_debts()
        self._ear.forget_half_a_line()
        if not exchange.expects_reply:
            self._transmit(exchange)
            return None
        attempts = 1 if exchange.reply_may_be_lost else exchange.attempts
        match, heard = self._converse(exchange, exchange.timeout, attempts)
        if match is not None:
            return match
        sent, partial = sent_text(self._protocol, exchange), self._ear.splitter.drop_partial()
        if exchange.reply_may_be_lost:
            self._tell("reply_lost", f"no full reply to '{sent}'", partial=shown(partial))
            return None
        wanted = exchange.expect.pattern if exchange.expect else "the expected bytes"
        raise NoReply(
            "no_reply",
            self.wire.name,
            f"sent '{sent}', waited {attempts} × {exchange.timeout:g} s for '{wanted}', "
            f"heard {_last([*heard, partial])}. Check this exchange and its timeout in the session "
            "file, the line endings and the baud rate",
        )

    def insist(self, exchange: Exchange) -> Match | None:
        """`exchange`, and where a reply was lost, garbled or a refusal, hello and the exchange once
        more: what spoils one byte of a line says nothing about the board. Only for an exchange that
        is repeatable; raises as `exchange` and `hello` do."""
        try:
            return self.exchange(exchange)
        except Fault as fault:
            lost = isinstance(fault, NoReply) and fault.wire == self.wire.name
            if not exchange.repeatable or not (lost or fault.kind == "board_refused"):
                raise
            sent = sent_text(self._protocol, exchange)
            self._tell("repeating", f"hello, and '{sent}' once more after {fault}")
        self.hello()
        return self.exchange(exchange)

    def _converse(
        self, exchange: Exchange, spacing_s: float, attempts: int, until_s: float = -math.inf
    ) -> tuple[Match | None, list[bytes]]:
        """Send every `spacing_s` until the reply comes: as often as `attempts`, and on until
        `until_s` on the clock. Returns the match and the lines heard."""
        heard: list[bytes] = []
        sent = 0
        while sent < attempts or until_s - self._clock.monotonic() > SAME_S:
            self._transmit(exchange)
            sent += 1
            left_s = until_s - self._clock.monotonic()
            wait_s = spacing_s if sent <= attempts else min(spacing_s, left_s)
            answer = self._await(exchange, wait_s, heard)
            if answer is None:
                continue
            self._ledger.excuse(answer.debt, self._clock.monotonic())
            if answer.match is not None:
                return answer.match, heard
            if not isinstance(exchange, Hello):
                raise self._ear.refusal(answer)
            # A board that was waking has lost the beginning of hello.
            self._clock.sleep(PAUSE_S)
        return None, heard

    def _await(self, exchange: Exchange, timeout_s: float, heard: list[bytes]) -> Answer | None:
        """The answer to `exchange`, to whichever asking of it; None if none comes in time."""
        deadline_s = self._clock.monotonic() + timeout_s
        while True:
            left_s = deadline_s - self._clock.monotonic()
            # A message that only silence ends is heard out.
            talks = self._ear.splitter.due_s() < math.inf and left_s > -LONGEST_TALK_S
            came = self._ear.hear(max(left_s, SILENCE_S) if talks else left_s)
            heard += came.lines
            own = [answer for answer in came.answers if answer.debt.exchange == exchange]
            self._ear.tell_late([answer for answer in came.answers if answer not in own])
            if own:
                return next((answer for answer in own if answer.match is not None), own[0])
            if left_s <= 0 and not talks:
                return None

    def _transmit(self, exchange: Exchange) -> None:
        data = bytes_of(self._protocol, exchange.send, exchange.send_hex, ended=True)
        self._gate(f"sending '{shown(data)}'")
        patience_s = (exchange.timeout if exchange.expects_reply else 0.0) + LATE_S
        now_s = self._clock.monotonic()
        # Owed from here until it comes: also when something interrupts.
        debt = self._ledger.add(exchange, now_s, now_s + patience_s)
        self._write(data)
        self._tell("sent", shown(data))
        debt.sent_s = self._clock.monotonic()
        debt.until_s = debt.sent_s + patience_s
        self._ledger.extend(debt)

    def _settle_debts(self) -> None:
        """See to it that nothing which was asked earlier is answered after this. Raises
        ``board_silent`` if that cannot be reached."""
        self._ear.await_debts()
        if self._ledger.doubt is not None:
            self._tell("resync", "an answer is missing: asking hello before anything else")
            self.hello()
            self._ear.await_debts()

    # -- hello, identity --------------------------------------------------------------------

    def hello(self, within_s: float = 0.0, *, densely: bool = False) -> float:
        """Say hello until it is answered; returns the seconds that took.

        It is said as often as the session file says, and longer where `within_s` is longer;
        `densely` for exactly `within_s` and at shorter spacing, so that the time is worth
        something. Raises ``board_silent``.
        """
        hello = self._protocol.hello
        sent = sent_text(self._protocol, hello)
        self._gate(f"sending '{sent}'")
        start_s = self._clock.monotonic()
        self._ear.read_all()
        self._ear.forget_half_a_line()
        if densely:
            attempts, spacing_s = 0, min(hello.timeout, max(within_s / 10, 0.05))
        else:
            attempts, spacing_s = hello.attempts, hello.timeout
        match, heard = self._converse(hello, spacing_s, attempts, start_s + within_s)
        took_s = self._clock.monotonic() - start_s
        if match is not None:
            return took_s
        raise NoReply(
            "board_silent",
            self.wire.name,
            f"does not answer hello: sent '{sent}' for {took_s:.3g} s, heard "
            f"{_last([*heard, self._ear.splitter.partial])}. Check that the board has power, that "
            "TX and RX are not exchanged, the baud rate, the line endings, and protocol.byte_pause "
            "for a board that loses bytes",
        )

    def identify(self, identity: Identity) -> BoardIdentity:
        """Who the board is."""
        match = self.insist(identity.model_copy(update={"reply_may_be_lost": False}))
        assert match is not None
        # An identity is asked for in text, so its match is one of text.
        groups: dict[str, Any] = match.groupdict()
        return BoardIdentity(groups.get("serial_number"), groups.get("firmware"), str(match[0]))

    # -- stimuli and lines ------------------------------------------------------------------

    def stimulate(self, stimulus: Stimulus | Wake) -> None:
        """Do to the board's pins what a file describes (`by` byte, break, dtr or rts)."""
        if stimulus.by != "byte":
            self._pins.check(stimulus)
        why = f"a stimulus by {stimulus.by}"
        self._gate(why)
        self._tell("stimulus", why)
        if stimulus.by == "byte":
            self._stimulate_by_byte(stimulus)
        else:
            self._pins.pulse(stimulus)

    def _stimulate_by_byte(self, stimulus: Stimulus | Wake) -> None:
        data = bytes_of(self._protocol, stimulus.send, stimulus.send_hex, ended=False)
        if isinstance(stimulus, Wake) and not stimulus.byte_lost:
            # A byte that is not lost would become the beginning of the next command. As a line
            # of its own it may be refused.
            data += ending_bytes(self._protocol.send_ending)
            now_s = self._clock.monotonic()
            self._ledger.add(None, now_s, now_s + LATE_S)
        self._write(data)

    def park(self, parking: Parking) -> None:
        """Put the lines where they feed no current into a sleeping board."""
        if not parking.needed or self._pins.parked is not None:
            return
        self._pins.unparked_levels(parking)  # raises if there is no way back
        self._gate("parking the lines")
        self._pins.park(parking)

    def unpark(self) -> None:
        """Put the lines back. May raise what opening a port raises."""
        if self._pins.parked is None:
            return
        self._gate("unparking the lines")
        if self._pins.closed:
            # Nothing of what was half said before the port closed goes on now.
            self._ear.forget_half_a_line()
        self._pins.unpark()


def _last(heard: list[bytes]) -> str:
    return ", ".join(f"'{shown(line)}'" for line in heard[-3:] if line) or "nothing"
