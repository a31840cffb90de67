"""What every simulated SCPI instrument has: a command table, the common commands, the status
registers of IEEE 488.2 chapter 11, an error queue, and replies that take time.

Where the standards leave a choice, this is made here:

* After an error of the -100 class the rest of that program message is dropped; responses that
  it has made by then are sent. After any other error it goes on with the next unit.
* Messages are executed in the order of their arrival. One that waits (``FETCh?`` while a
  measurement runs) holds up those behind it, as on a socket or a UART. With
  `interrupts_queries` a message that comes while a reply is due discards that reply and puts
  -410 into the queue, as IEEE 488.2 6.3.2.3 has it for interfaces that keep messages apart.
* A stream has no demand to read, so there is no -420 (Query UNTERMINATED) here.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field

from benchrig.simulation.commands import Command, CommandTable, Parameters, numeric
from benchrig.simulation.scpi import (
    ERRORS,
    Scale,
    ScpiError,
    Unit,
    nr1,
    parse_unit,
    quoted,
    split_units,
)

QUEUE_DEPTH = 32
LONGEST_MESSAGE = 65536
# Standard event status register, IEEE 488.2 11.5.1.
OPC, QYE, DDE, EXE, CME, PON = 1, 4, 8, 16, 32, 128
# Status byte: SCPI-1999 vol.1 9.1 (error queue) and IEEE 488.2 11.2.
ERROR_QUEUE, MAV, ESB, MSS = 4, 16, 32, 64


@dataclass
class _Message:
    """A program message on its way through execution."""

    units: deque[str]
    path: tuple[str, ...] = ()
    held: tuple[Command, Parameters] | None = None
    responses: list[bytes] = field(default_factory=list)
    indefinite: bool = False

    def resolve(self, unit: Unit) -> tuple[str, ...]:
        """SCPI-1999 vol.1 6.2.4: the full path of a header, which then sets the path."""
        if unit.common:
            return unit.mnemonics
        full = unit.mnemonics if unit.absolute else self.path + unit.mnemonics
        self.path = full[:-1]
        return full


class Instrument:
    """A far end that speaks SCPI. `identity` has the four fields of ``*IDN?``."""

    def __init__(self, identity: str, commands: Iterable[Command], terminator: bytes) -> None:
        self.now_s = 0.0
        # Switches for tests: each makes the instrument misbehave from now on.
        self.reply_delay_s = 0.0
        self.silent = False
        self.cut_reply_after: int | None = None
        self.garbage: bytes | None = None
        self.fail_headers: set[str] = set()
        self.stuck_errors = False
        self.interrupts_queries = False
        self._identity = identity
        self._terminator = terminator
        self._table = CommandTable([*self._common_commands(), *commands])
        self._errors: deque[int] = deque()
        self._event_status = PON
        self.event_enable = 0
        self._service_enable = 0
        self._completion_asked = False
        self._received = bytearray()
        self._messages: deque[_Message] = deque()
        self._outgoing: deque[tuple[float, bytes]] = deque()

    # -- what an instrument with operations that take time provides ------------------------

    @property
    def busy(self) -> bool:
        """Whether an operation is pending, in the sense of ``*OPC``."""
        return False

    def reset(self) -> None:
        """``*RST``."""
        raise NotImplementedError

    def trigger(self) -> None:
        """``*TRG``."""
        raise ScpiError(-211)

    def _next_edge(self) -> float | None:
        """When something happens next by itself."""
        return None

    def _pass_edge(self) -> None:
        """What happens then; `now_s` has been set to it."""

    def _ready_at(self) -> float | None:
        """When the pending operation will have ended, as far as can be foreseen."""
        return None

    # -- the far end ------------------------------------------------------------------------

    def connect(self, t: float) -> None:
        self.disconnect(t)

    def disconnect(self, t: float) -> None:
        """What was under way to or from the old peer is lost (as after a device clear)."""
        self.advance(t)
        self._received.clear()
        self._messages.clear()
        self._outgoing.clear()

    def set_line(self, line: str, asserted: bool, t: float) -> None:
        """Modem-control lines mean nothing to it."""
        self.advance(t)

    def advance(self, t: float) -> None:
        while (edge := self._next_edge()) is not None and edge <= t:
            self.now_s = edge
            self._pass_edge()
            if not self.busy:
                self._serve()
        self.now_s = max(self.now_s, t)

    def receive(self, data: bytes, t: float) -> None:
        self.advance(t)
        if self.interrupts_queries and (self._messages or self._in_flight()):
            self._messages.clear()
            self._outgoing = deque(entry for entry in self._outgoing if entry[0] <= self.now_s)
            self.report(-410)
        self._received += data
        *messages, rest = self._received.split(self._terminator[-1:])
        self._received = rest
        if len(rest) > LONGEST_MESSAGE:
            self._received.clear()
            self.report(-363)
        self._messages.extend(
            _Message(deque(split_units(message.decode("latin-1").replace("\n", " "))))
            for message in messages
        )
        self._serve()

    def output(self, t: float) -> bytes:
        self.advance(t)
        sent = bytearray()
        while self._outgoing and self._outgoing[0][0] <= t:
            sent += self._outgoing.popleft()[1]
        return bytes(sent)

    def next_output(self, t: float) -> float | None:
        self.advance(t)
        due = [when for when, _ in self._outgoing if when > t]
        if due:
            return due[0]
        ready = self._ready_at() if self._messages else None
        return None if ready is None else ready + self.reply_delay_s

    def _in_flight(self) -> bool:
        return bool(self._outgoing) and self._outgoing[-1][0] > self.now_s

    # -- execution --------------------------------------------------------------------------

    def report(self, number: int) -> None:
        """Put an error into the queue; the last place tells of an overflow (SCPI vol.2 21.8.1)."""
        self._event_status |= {1: CME, 2: EXE, 3: DDE, 4: QYE}[-number // 100]
        if len(self._errors) < QUEUE_DEPTH:
            self._errors.append(number)
        else:
            self._errors[-1] = -350

    def _serve(self) -> None:
        self._tell_completion()
        while self._messages:
            message = self._messages[0]
            if not self._finish(message):
                return
            self._messages.popleft()
            if message.responses:
                self._send(b";".join(message.responses) + self._terminator)

    def _finish(self, message: _Message) -> bool:
        """Execute what is left of a message; False if it has to wait."""
        while message.held or message.units:
            try:
                if message.held is None:
                    message.held = self._look_up(message, message.units.popleft())
                if message.held[0].waits and self.busy:
                    return False
                self._execute(message)
            except ScpiError as error:
                message.held = None
                self.report(error.number)
                if -199 <= error.number <= -100:
                    message.units.clear()
        return True

    def _look_up(self, message: _Message, text: str) -> tuple[Command, Parameters]:
        unit = parse_unit(text)
        command = self._table.find(message.resolve(unit), unit.query)
        if self._fails(command):
            raise ScpiError(-113)
        if len(unit.parameters) > command.most:
            raise ScpiError(-108)
        if len(unit.parameters) < command.least:
            raise ScpiError(-109)
        if unit.query and message.indefinite:
            raise ScpiError(-440)
        return command, unit.parameters

    def _fails(self, command: Command) -> bool:
        """`fail_headers`: ``"SAMP:COUN"`` fails with its query, ``"SAMP:COUN?"`` is only that."""
        for header in self.fail_headers:
            path = tuple(header.upper().rstrip("?").lstrip(":").split(":"))
            for query in (True,) if header.endswith("?") else (False, True):
                try:
                    if self._table.find(path, query) == command:
                        return True
                except ScpiError:
                    continue
        return False

    def _execute(self, message: _Message) -> None:
        assert message.held is not None
        command, parameters = message.held
        response = command.run(parameters)
        message.held = None if command.then is None else (command.then, ())
        if response is not None:
            data = response if isinstance(response, bytes) else response.encode("latin-1")
            message.responses.append(data)
            message.indefinite = command.header == "*IDN?"

    def _send(self, reply: bytes) -> None:
        if self.silent:
            return
        if self.garbage is not None:
            reply = self.garbage
        if self.cut_reply_after is not None:
            reply = reply[: self.cut_reply_after]
        earliest = self._outgoing[-1][0] if self._outgoing else self.now_s
        self._outgoing.append((max(self.now_s + self.reply_delay_s, earliest), reply))

    # -- common commands (IEEE 488.2 chapter 10) and what SCPI requires of everybody --------

    def _common_commands(self) -> list[Command]:
        byte = Scale("", 0, 255, 0, whole=True)
        return [
            Command("*IDN?", lambda given: self._identity),
            Command("*RST", lambda given: self._reset()),
            Command("*TST?", lambda given: "0"),
            Command("*CLS", lambda given: self._clear_status()),
            Command("*OPC", lambda given: self._ask_completion()),
            Command("*OPC?", lambda given: "1", waits=True),
            Command("*WAI", lambda given: None, waits=True),
            Command("*TRG", lambda given: self.trigger()),
            Command("*ESR?", lambda given: self._read_event_status()),
            *numeric("*ESE", self, "event_enable", byte, nr1),
            *numeric("*SRE", self, "service_enable", byte, nr1),
            Command("*STB?", lambda given: nr1(self.status_byte)),
            Command("SYSTem:ERRor[:NEXT]?", lambda given: self._next_error()),
            Command("SYSTem:ERRor:COUNt?", lambda given: nr1(len(self._errors))),
            Command("SYSTem:VERSion?", lambda given: "1999.0"),
        ]

    @property
    def status_byte(self) -> int:
        """IEEE 488.2 11.2, with the error queue in bit 2 as SCPI has it. Bit 6 is MSS."""
        answering = bool(self._messages) and bool(self._messages[0].responses)
        byte = (
            (ERROR_QUEUE if self._errors or self.stuck_errors else 0)
            | (MAV if answering or self._in_flight() else 0)
            | (ESB if self._event_status & self.event_enable else 0)
        )
        return byte | (MSS if byte & self.service_enable else 0)

    @property
    def service_enable(self) -> int:
        return self._service_enable

    @service_enable.setter
    def service_enable(self, value: int) -> None:
        """IEEE 488.2 11.3.2: MSS can't enable itself."""
        self._service_enable = value & ~MSS

    def _read_event_status(self) -> str:
        status, self._event_status = self._event_status, 0
        return nr1(status)

    def _next_error(self) -> str:
        queued = self._errors.popleft() if self._errors and not self.stuck_errors else 0
        number = -310 if self.stuck_errors else queued
        return f"{number},{quoted(ERRORS[number])}"

    def _ask_completion(self) -> None:
        self._completion_asked = True
        self._tell_completion()

    def _tell_completion(self) -> None:
        if self._completion_asked and not self.busy:
            self._completion_asked = False
            self._event_status |= OPC

    def _clear_status(self) -> None:
        """IEEE 488.2 10.3: the enable registers and the output queue are left alone."""
        self._event_status = 0
        self._errors.clear()
        self._completion_asked = False

    def _reset(self) -> None:
        """IEEE 488.2 10.32: status, queues and enable registers are left alone."""
        self._completion_asked = False
        self.reset()
