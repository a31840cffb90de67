"""A SCPI instrument on a wire: questions, answers, its error queue, and the certainty that an
answer belongs to its question.

A reply that comes too late would be read as the answer to the next question, and every answer
after it would be off by one. So from the moment a question is sent until its answer is there,
whole and alone, the channel counts as out of step, and so it does when bytes are there that
nobody asked for. Before the next question it is brought back into step: a TCP connection is
closed and opened again, and a marker is asked for until it comes back.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from typing import TypeVar

from benchrig.clock import Clock
from benchrig.drivers.lines import shown
from benchrig.drivers.scpi import ResponseFramer, ScpiError, parse_error_reply, parse_numbers
from benchrig.errors import CannotOpen, Fault, NoReply, WireFault
from benchrig.wires import Wire

T = TypeVar("T")

# SCPI-1999 error queues hold at least two entries and seldom more than 32; one that still has
# errors after this many does not empty at all.
MOST_ERRORS = 50
# How long to listen on after an instrument that knows no marker has told its name.
QUIET_S = 0.5
# How often a TCP connection is tried again that the instrument has not set free yet.
RETRY_S = 0.2
# How many pieces of input are thrown away at once: an instrument that never stops talking must
# not hold up everything.
MOST_DROPPED = 1000


class ScpiInstrument:
    """Raises ``no_reply``, ``garbled_reply``, ``<wire>_error``, and what its wire raises."""

    def __init__(
        self,
        wire: Wire,
        clock: Clock,
        *,
        write_termination: bytes = b"\n",
        read_termination: bytes = b"\n",
        timeout_s: float = 2.0,
    ) -> None:
        self.wire = wire
        self.identity = ""
        self._clock = clock
        self._write_termination = write_termination
        self._timeout_s = timeout_s
        self._read_termination = read_termination
        self._framer = ResponseFramer(read_termination)
        # Answers that came while the channel was out of step and have not been looked at.
        self._strays: deque[str] = deque()
        self._question = ""
        self._in_step = False
        # When the last answer must have come, if it comes at all.
        self._due_s = -math.inf
        # When the last answer began to come: how long it took after that is only its length.
        self.answered_s = -math.inf
        self._token = 1
        self._knows_marker = True
        # Whether the error queue was empty after all that was sent.
        self._queue_empty = False

    def open(self) -> str:
        """Open the wire and ask who is there, the ``*IDN?`` reply: an open socket alone proves
        nothing, and what an earlier program asked may still be on its way."""
        self.wire.open()
        self.identity = ""
        self._due_s = -math.inf
        self._knows_marker = True
        try:
            self._find_step()
        except BaseException:
            self.close()
            raise
        return self.identity

    def close(self) -> None:
        """Never raises."""
        self._in_step = False
        self.wire.close()

    # -- messages ---------------------------------------------------------------------------

    def write(self, *commands: str) -> None:
        """Send commands that give no answer, as one message. Goes out at once, even while an
        answer is due: ``ABORt`` must not wait for what it ends."""
        self._queue_empty = False
        self._put(_joined(commands))

    def send(self, question: str) -> None:
        """Send a question; `receive` fetches its answer."""
        if self._drop_input() or not self._in_step:
            self._find_step()
        # Out of step from here until the answer is complete, whatever interrupts.
        self._in_step = False
        self._queue_empty = False
        self._question = question
        self._due_s = self._clock.monotonic() + self._timeout_s
        self._framer.clear(plain=question.upper().endswith("*IDN?"))
        self._put(question)

    def receive(self, timeout_s: float | None = None) -> bytes:
        """The answer to the question that was sent, without its terminator. The time counts for
        the whole answer: bytes that trickle in do not prolong it."""
        timeout_s = self._timeout_s if timeout_s is None else timeout_s
        self._due_s = self._clock.monotonic() + timeout_s
        while True:
            left = self._due_s - self._clock.monotonic()
            data = self.wire.read(max(left, 0.0))
            if data and not self._framer.pending:
                self.answered_s = self._clock.monotonic()
            answers = self._understood(self._framed, data)
            if answers:
                return self._only(answers)
            if left <= 0:
                raise self._no_answer(timeout_s)

    def ask(self, question: str, timeout_s: float | None = None) -> str:
        """One question, and its answer as text without blanks around it."""
        return _text(self.ask_bytes(question, timeout_s))

    def ask_bytes(self, question: str, timeout_s: float | None = None) -> bytes:
        self.send(question)
        return self.receive(timeout_s)

    def ask_as(
        self, question: str, parse: Callable[[bytes], T], timeout_s: float | None = None
    ) -> T:
        """One question, and what `parse` makes of its answer. After an answer that `parse`
        refuses with a `Fault` nobody knows what else is on its way."""
        return self._understood(parse, self.ask_bytes(question, timeout_s))

    def ask_number(self, question: str, timeout_s: float | None = None) -> float:
        """One question whose answer is a single number. Raises ``garbled_reply`` for others."""
        values = self.ask_as(question, lambda answer: parse_numbers(answer, 1), timeout_s)
        return float(values[0])

    def _put(self, message: str) -> None:
        self.wire.write(message.encode("ascii") + self._write_termination)

    def _framed(self, data: bytes) -> list[bytes]:
        """The answers that are complete with `data`."""
        if not self.wire.keeps_messages:
            return self._framer.feed(data)
        if not data.strip():
            return []
        # A block tells its own length, and its last byte may look like a terminator.
        return [data if data[:1] == b"#" else data.removesuffix(self._read_termination)]

    def _understood(self, parse: Callable[[bytes], T], data: bytes) -> T:
        try:
            return parse(data)
        except Fault as fault:
            self._in_step = False
            message = f"to {self._question!r}: {fault.message}"
            raise WireFault(fault.kind, self.wire.name, message) from fault

    def _only(self, answers: list[bytes]) -> bytes:
        """Of two answers to one question nobody knows which is the right one."""
        rest = self._framer.pending
        if len(answers) > 1 or rest.strip():
            came = shown(b" | ".join([*answers, rest])[:200])
            raise WireFault(
                "garbled_reply",
                self.wire.name,
                f"to {self._question!r}: more than one answer came: {came}. Is somebody else "
                "connected to the instrument? End other programs that talk to it",
            )
        self._in_step = True
        self._due_s = -math.inf
        return answers[0]

    def _no_answer(self, timeout_s: float) -> NoReply:
        came = shown(self._framer.pending[:200])
        return NoReply(
            "no_reply",
            self.wire.name,
            f"no answer to {self._question!r} within {timeout_s:.3g} s at {self.wire.address}"
            + (f"; '{came}' came and no terminator" if came else "")
            + ". Check the terminations and the timeout in the bench file, that nothing else talks "
            "to the instrument, and that it knows the command",
        )

    # -- keeping questions and answers in step ----------------------------------------------

    def _drop_input(self) -> bool:
        """Throw away what is there; whether there was more than blanks."""
        dropped = self._framer.pending
        self._framer.clear()
        self._strays.clear()
        for _ in range(MOST_DROPPED):
            data = self.wire.read(0.0)
            if not data:
                break
            dropped += data
        return bool(dropped.strip())

    def _find_step(self) -> None:
        self._in_step = False
        self._drop_input()
        if self.identity and self.wire.address.upper().startswith("TCPIP"):
            # What is still on its way to a closed connection reaches nobody.
            self._reopen()
        # Plain: behind the lost beginning of a reply, a quote or a # means nothing.
        self._framer.clear(plain=True)
        marked = self._knows_marker and self._marker_comes()
        self.identity = self._name_comes(marked)
        self._in_step = True
        self._due_s = -math.inf

    def _reopen(self) -> None:
        deadline_s = self._clock.monotonic() + self._timeout_s
        self.wire.close()
        while True:
            try:
                self.wire.open()
                return
            except CannotOpen:
                if self._clock.monotonic() >= deadline_s:
                    raise
            self._clock.sleep(RETRY_S)

    def _marker_comes(self) -> bool:
        """Ask for a number, each time another one. ``*ESE`` gives back what was put in and is
        mandatory (IEEE 488.2 10.10, 10.11); nothing here makes use of the register."""
        self._token = self._token + 1 if self._token < 255 else 2
        self._put(f"*ESE {self._token};*ESE?")
        deadline_s = self._patience_s()
        while (answer := self._stray(deadline_s)) is not None:
            if self._is_marker(answer):
                return True
        return False

    def _name_comes(self, marked: bool) -> str:
        """Ask for the instrument's name: the proof that the marker was none by chance, and the
        marker itself where ``*ESE`` is not known."""
        self._put("*IDN?")
        name = ""
        deadline_s = self._patience_s()
        # However much it says meanwhile.
        latest_s = deadline_s + self._timeout_s
        while (answer := self._stray(min(deadline_s, latest_s))) is not None:
            if self._is_marker(answer):
                # It comes late: all before it was older, and the name is behind it.
                marked, name, deadline_s = True, "", self._patience_s()
            elif self.identity in ("", answer):
                name = answer
                # Without a marker, what an earlier question left may have come first.
                deadline_s = self._clock.monotonic() + QUIET_S
            if marked and name:
                break
        if not marked and self._clock.monotonic() >= latest_s:
            raise WireFault(
                "garbled_reply",
                self.wire.name,
                f"{self.wire.address} says something without end; is it an instrument with SCPI?",
            )
        if not name:
            raise self._silent()
        self._knows_marker = marked
        return name

    def _is_marker(self, answer: str) -> bool:
        return answer.removeprefix("+") == str(self._token)

    def _patience_s(self) -> float:
        """Until when to wait for a marker: what is still due comes before it."""
        return max(self._clock.monotonic(), self._due_s) + self._timeout_s

    def _stray(self, deadline_s: float) -> str | None:
        """The next answer, to whatever question; None if none comes."""
        while not self._strays:
            left = deadline_s - self._clock.monotonic()
            if left <= 0:
                return None
            data = self.wire.read(left)
            with suppress(Fault):
                self._strays.extend(map(_text, self._framed(data)))
        return self._strays.popleft()

    def _silent(self) -> NoReply:
        if self.identity:
            message = (
                "does not answer any more; check that nobody else has connected to it, switch it "
                "off and on, and check its remote control"
            )
        else:
            message = (
                "does not answer *IDN?; check that it is on, that remote control is enabled, that "
                "nobody else is connected (many instruments serve one at a time), and address, "
                "baud rate and terminations in the bench file"
            )
        return NoReply("no_reply", self.wire.name, f"{self.wire.address} {message}")

    # -- the error queue --------------------------------------------------------------------

    def errors(self) -> list[ScpiError]:
        """All errors that are queued; reading them empties the queue."""
        found: list[ScpiError] = []
        while (error := self.ask_as("SYST:ERR?", parse_error_reply)).code != 0:
            found.append(error)
            if len(found) >= MOST_ERRORS:
                raise self._refusal(f"its error queue does not empty; it repeats {error}")
        self._queue_empty = True
        return found

    def configure(self, *commands: str) -> None:
        """Send each command and drain the error queue after it, so that the offending one can be
        named. Raises ``<wire>_error``."""
        for command in commands:
            errors = self._tried(command)
            if errors:
                said = "; ".join(map(str, errors))
                raise self._refusal(f"refuses {command!r}: {said}")

    def accepts(self, command: str) -> bool:
        """Whether the instrument takes a command; the queue is empty afterwards."""
        return not self._tried(command)

    def takes(self, header: str, value: float) -> bool:
        """Whether the instrument takes a value, and has made no other one of it."""
        if not self.accepts(f"{header} {value:.9g}"):
            return False
        return math.isclose(self.ask_number(f"{header}?"), value, rel_tol=0.01)

    def _tried(self, command: str) -> list[ScpiError]:
        if not self._queue_empty:
            self.errors()  # of what came before: nothing that this command can be blamed for
        self.write(command)
        try:
            return self.errors()
        except NoReply as silence:
            # The command is still at work, perhaps, or SYSTem:ERRor? is not known.
            message = silence.message.removeprefix(f"{silence.wire}: ")
            told = f"after {command!r}, {message}"
            raise NoReply(silence.kind, silence.wire, told) from silence

    def _refusal(self, message: str) -> WireFault:
        return WireFault(f"{self.wire.name}_error", self.wire.name, message)


def _joined(commands: tuple[str, ...]) -> str:
    """One program message; each command from the root of the tree (SCPI-1999 volume 1, 6.2.4)."""
    first, *others = commands
    return first + "".join(
        (";" if command.startswith(("*", ":")) else ";:") + command for command in others
    )


def _text(answer: bytes) -> str:
    return answer.decode("ascii", errors="backslashreplace").strip()
