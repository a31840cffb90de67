"""The board driver: exchanges over a UART, as the session file describes them.

Everything that leaves for the board, a byte or a level on a line, may wake it or make it draw
more. So each such act first asks the `gate`, which is there to bring the meter to a range that
leaves the board its voltage; if it cannot, it raises, and nothing is sent.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from benchrig.clock import Clock
from benchrig.drivers.lines import Awaited, LineSplitter, ending_bytes, readable, shown
from benchrig.errors import Fault, NoReply
from benchrig.events import Tell
from benchrig.session.bench_file import BoardPort, Parking
from benchrig.session.session_file import Exchange, Hello, Identity, Protocol, Stimulus, Wake
from benchrig.wires import LineWire

Gate = Callable[[str], None]
Match = re.Match[str] | re.Match[bytes]


@dataclass(frozen=True)
class BoardIdentity:
    serial_number: str | None
    firmware: str | None
    text: str


class Board:
    """One board on one wire. Raises `Fault` with the kinds ``board_silent``, ``no_reply``,
    ``board_refused``, ``unexpected_reset``, and whatever its wire raises."""

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
        self._splitter = LineSplitter(protocol.receive_ending)
        self._framed = protocol.receive_ending != "none"
        self._resting = port
        # Questions whose replies have not come and may still be under way.
        self._debts: list[Exchange] = []
        self._patience_s = 0.0
        self._last_sent_s = 0.0
        self._parked: Parking | None = None
        # True while a boot is part of the plan: after power-up, or a wake that reboots.
        self.banner_belongs = True

    # -- the wire ---------------------------------------------------------------------------

    def open(self) -> None:
        self.wire.open()

    def close(self) -> None:
        self.wire.close()

    def poll(self, timeout_s: float = 0.0) -> list[bytes]:
        """The lines that have come, as bytes without endings; waits at most `timeout_s` for the
        first. Raises ``unexpected_reset`` if one of them is a boot banner where none belongs."""
        if self._parked is not None and self._parked.tx == "closed":
            self._clock.sleep(timeout_s)
            return []
        return self._lines(self.wire.read(timeout_s))

    def _lines(self, data: bytes) -> list[bytes]:
        lines = self._splitter.feed(data)
        for line in lines:
            self._tell("board_said", shown(line))
            self._check_banner(line)
        return lines

    def _check_banner(self, line: bytes) -> None:
        banner = self._protocol.banner
        if banner is None or not banner.search(readable(line, self._protocol.encoding)):
            return
        if not self.banner_belongs:
            raise Fault(
                "unexpected_reset",
                f"board: sent its boot banner {shown(line)!r} where none belongs: it has reset. "
                "Look at its supply voltage, its watchdog and its reset line",
            )

    def _send(self, data: bytes, why: str) -> None:
        self._gate(why)
        pause = self._protocol.byte_pause
        pieces = [data] if pause == 0 else [data[i : i + 1] for i in range(len(data))]
        for index, piece in enumerate(pieces):
            if index:
                self._clock.sleep(pause)
            self.wire.write(piece)

    def _bytes_of(self, send: str | None, send_hex: bytes | None, *, ended: bool) -> bytes:
        if send_hex is not None:
            return send_hex
        ending = ending_bytes(self._protocol.send_ending) if ended else b""
        return (send or "").encode(self._protocol.encoding, errors="replace") + ending

    # -- exchanges --------------------------------------------------------------------------

    def exchange(self, exchange: Exchange) -> Match | None:
        """Send, and wait for the reply; None where none is expected, or one that may be lost is.

        Raises ``no_reply`` when all attempts stay without the reply.
        """
        if not exchange.expects_reply:
            self._prepare()
            self._transmit(exchange)
            return None
        duration_s = exchange.attempts * exchange.timeout
        match, heard = self._converse(exchange, exchange.timeout, duration_s)
        if match is not None:
            return match
        sent = shown(self._bytes_of(exchange.send, exchange.send_hex, ended=False))
        if exchange.reply_may_be_lost:
            partial = shown(self._splitter.drop_partial())
            self._tell("reply_lost", f"no full reply to {sent!r}", partial=partial)
            return None
        wanted = exchange.expect.pattern if exchange.expect else "the expected bytes"
        raise NoReply(
            "no_reply",
            self.wire.name,
            f"sent {sent!r}, waited {exchange.attempts} × {exchange.timeout:g} s for {wanted!r}, "
            f"heard {_last(heard)}. Check this exchange in the session file, the line endings "
            "and the baud rate",
        )

    def _converse(
        self, exchange: Exchange, spacing_s: float, duration_s: float
    ) -> tuple[Match | None, list[bytes]]:
        """Send every `spacing_s` until the reply comes or `duration_s` has passed. Returns the
        match and the lines heard. Replies that have not come stay owed."""
        self._prepare()
        heard: list[bytes] = []
        start_s = self._clock.monotonic()
        end_s = start_s + duration_s
        while (left := end_s - self._clock.monotonic()) > 0:
            awaited = self._awaited(exchange)
            # Owed from here until it comes: also when the wait is interrupted.
            self._debts.append(exchange)
            self._transmit(exchange)
            self._patience_s = exchange.timeout * 1.5
            try:
                match = self._await(awaited, min(spacing_s, left), heard)
            except Fault as refusal:
                if refusal.kind != "board_refused" or not isinstance(exchange, Hello):
                    raise
                # A board that was waking has lost the beginning of hello. This one is answered.
                self._debts.pop()
                continue
            if match is not None:
                self._debts.pop()
                # The reply may be that to the first question: the others then come as late.
                self._patience_s = (self._clock.monotonic() - start_s) * 1.2 + 0.05
                return match, heard
        return None, heard

    def _prepare(self) -> None:
        """Nothing that was asked earlier may be answered after this."""
        self._collect_debts()
        for line in self.poll():
            self._tell("unasked", shown(line))

    def _transmit(self, exchange: Exchange) -> None:
        if not self._framed or exchange.expect_hex is not None:
            self._splitter.drop_partial()
        data = self._bytes_of(exchange.send, exchange.send_hex, ended=True)
        self._send(data, f"sending {shown(data)!r}")
        self._tell("sent", shown(data))
        self._last_sent_s = self._clock.monotonic()

    def _awaited(self, exchange: Exchange) -> Awaited:
        protocol = self._protocol
        return Awaited(
            exchange, encoding=protocol.encoding, echo=protocol.echo, framed=self._framed
        )

    def _await(self, awaited: Awaited, timeout_s: float, heard: list[bytes]) -> Match | None:
        deadline_s = self._clock.monotonic() + timeout_s
        while True:
            left = deadline_s - self._clock.monotonic()
            data = self.wire.read(max(left, 0.0))
            match: Match | None = awaited.raw(data)
            for line in self._lines(data):
                heard.append(line)
                found = awaited.line(line)
                match = match or found
                if match is None:
                    self._check_refusal(line)
            if match is not None:
                return match
            if not data and left <= 0:
                return None

    def _check_refusal(self, line: bytes) -> None:
        reject = self._protocol.reject
        if reject is not None and reject.search(readable(line, self._protocol.encoding)):
            raise Fault("board_refused", f"board: answered {shown(line)!r}, a refusal")

    def _collect_debts(self) -> None:
        """Wait for replies to earlier questions that may still be under way, so that none of
        them is taken for the answer to the next one."""
        owed = [self._awaited(exchange) for exchange in self._debts]
        deadline_s = self._last_sent_s + self._patience_s
        while owed and (left := deadline_s - self._clock.monotonic()) > 0:
            data = self.wire.read(left)
            pieces = [(entry, entry.raw(data)) for entry in owed]
            lines = self._lines(data)
            for entry, match in pieces:
                if match or any(entry.line(line) for line in lines):
                    owed.remove(entry)
                    self._tell("late_reply", "a reply to an earlier question came late")
                    break
        self._debts.clear()

    # -- hello, identity --------------------------------------------------------------------

    def hello(self, within_s: float = 0.0, *, densely: bool = False) -> float:
        """Say hello until it is answered; returns the seconds that took.

        It is said as often as the session file says, and longer where `within_s` is longer;
        `densely` for exactly `within_s` and at shorter spacing, so that the time is worth
        something. Raises ``board_silent``.
        """
        hello = self._protocol.hello
        start_s = self._clock.monotonic()
        if densely:
            duration_s, spacing_s = within_s, min(hello.timeout, max(within_s / 10, 0.05))
        else:
            duration_s, spacing_s = max(within_s, hello.attempts * hello.timeout), hello.timeout
        match, heard = self._converse(hello, spacing_s, duration_s)
        if match is not None:
            return self._clock.monotonic() - start_s
        sent = shown(self._bytes_of(hello.send, hello.send_hex, ended=False))
        raise NoReply(
            "board_silent",
            self.wire.name,
            f"does not answer hello: sent {sent!r} for {duration_s:.3g} s, heard {_last(heard)}. "
            "Check that the board has power, that TX and RX are not exchanged, the baud rate and "
            "the line endings",
        )

    def identify(self, identity: Identity) -> BoardIdentity:
        """Who the board is."""
        match = self.exchange(identity)
        assert match is not None
        # An identity is asked for in text, so its match is one of text.
        groups: dict[str, Any] = match.groupdict()
        return BoardIdentity(groups.get("serial_number"), groups.get("firmware"), str(match[0]))

    # -- stimuli and lines ------------------------------------------------------------------

    def stimulate(self, stimulus: Stimulus | Wake) -> None:
        """Do to the board's pins what a file describes (`by` byte, break, dtr or rts)."""
        self._tell("stimulus", f"stimulus by {stimulus.by}")
        if stimulus.by == "byte":
            data = self._bytes_of(stimulus.send, stimulus.send_hex, ended=False)
            if isinstance(stimulus, Wake) and not stimulus.byte_lost:
                # A byte that is not lost would become the beginning of the next command.
                data += ending_bytes(self._protocol.send_ending)
            self._send(data, f"a waking byte {shown(data)!r}")
            return
        line = {"break": "brk"}.get(stimulus.by, stimulus.by)
        resting = {"brk": False, "dtr": bool(self._resting.dtr), "rts": bool(self._resting.rts)}
        self._set_lines(f"a pulse by {stimulus.by}", **{line: not resting[line]})
        self._clock.sleep(stimulus.pulse)
        self._set_lines(f"a pulse by {stimulus.by}", **{line: resting[line]})

    def _set_lines(self, why: str, **levels: bool | None) -> None:
        self._gate(why)
        self.wire.set_lines(**levels)

    def park(self, parking: Parking) -> None:
        """Put the lines where they feed no current into a sleeping board."""
        if not parking.needed or self._parked is not None:
            return
        self._tell("parked", f"lines parked: TX {parking.tx}, DTR {parking.dtr}, RTS {parking.rts}")
        self._parked = parking
        if parking.tx == "closed":
            self._gate("closing the port")
            self.wire.close()
        else:
            brk = True if parking.tx == "low" else None
            self._set_lines("parking the lines", brk=brk, dtr=parking.dtr, rts=parking.rts)

    def unpark(self) -> None:
        """Put the lines back. May raise what opening a port raises."""
        parking, self._parked = self._parked, None
        if parking is None:
            return
        if parking.tx == "closed":
            self._gate("opening the port again")
            self.wire.open()
            return
        self._set_lines(
            "unparking the lines",
            brk=False if parking.tx == "low" else None,
            dtr=None if parking.dtr is None else bool(self._resting.dtr),
            rts=None if parking.rts is None else bool(self._resting.rts),
        )


def _last(heard: list[bytes]) -> str:
    return ", ".join(repr(shown(line)) for line in heard[-3:]) or "nothing"
