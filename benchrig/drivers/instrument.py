"""A SCPI instrument on a wire: questions, answers, its error queue, and the certainty that an
answer belongs to its question.

A reply that comes too late would be read as the answer to the next question, and every answer
after it would be off by one. So after anything that leaves a reply under way (a time-out, an
interruption, garbage), and whenever bytes are there that nobody asked for, the channel is out
of step, and before the next message it is brought back: a byte stream is closed and opened
again, and then a marker is asked for until it comes back.
"""

from __future__ import annotations

from benchrig.clock import Clock
from benchrig.drivers.lines import shown
from benchrig.drivers.scpi import ResponseFramer, ScpiError, parse_error_reply
from benchrig.errors import Fault, NoReply, WireFault
from benchrig.wires import Wire

# SCPI-1999 error queues hold at least two entries and seldom more than 32; one that still has
# errors after this many does not empty at all.
MOST_ERRORS = 50
RESYNC_S = 5.0


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
        self._clock = clock
        self._write_termination = write_termination
        self._timeout_s = timeout_s
        self._framer = ResponseFramer(read_termination)
        self._in_step = True
        self._token = 1
        self.identity: str | None = None

    def open(self) -> str:
        """Open the wire and ask who is there: an open socket alone proves nothing."""
        self.wire.open()
        self._framer.clear()
        self._in_step = True
        self._drop_input()
        self.identity = self.ask("*IDN?").strip()
        return self.identity

    def close(self) -> None:
        self.wire.close()

    # -- messages ---------------------------------------------------------------------------

    def write(self, command: str) -> None:
        self._bring_in_step()
        self.wire.write(command.encode("ascii", errors="replace") + self._write_termination)

    def ask(self, query: str, timeout_s: float | None = None) -> str:
        """One question, and its answer as text."""
        return self.ask_bytes(query, timeout_s).decode("latin-1")

    def ask_bytes(self, query: str, timeout_s: float | None = None) -> bytes:
        """One question, and its answer as bytes, without the terminator."""
        self._bring_in_step()
        # Out of step from here until the answer is complete, whatever interrupts.
        self._in_step = False
        self.wire.write(query.encode("ascii", errors="replace") + self._write_termination)
        answer = self._receive(self._timeout_s if timeout_s is None else timeout_s, query)
        self._in_step = True
        return answer

    def _receive(self, timeout_s: float, query: str) -> bytes:
        deadline_s = self._clock.monotonic() + timeout_s
        while True:
            left = deadline_s - self._clock.monotonic()
            data = self.wire.read(max(left, 0.0))
            if self.wire.keeps_messages and data:
                return data.rstrip(b"\r\n")
            responses = self._framer.feed(data)
            if len(responses) > 1 or (responses and self._framer.pending):
                self._framer.clear()
                raise Fault(
                    "garbled_reply",
                    f"{self.wire.name}: more than one answer came to {query!r}: "
                    f"{shown(b' | '.join(responses)[:200])}",
                )
            if responses:
                return responses[0].rstrip(b"\r\n")
            # Trickling bytes do not extend the time: the deadline counts for the whole answer.
            if left <= 0:
                came = shown(self._framer.pending[:200])
                raise NoReply(
                    "no_reply",
                    self.wire.name,
                    f"no answer to {query!r} within {timeout_s:.3g} s"
                    + (f" (so far {came!r})" if came else "")
                    + f" at {self.wire.address}. Check its terminations and that it knows the "
                    "command",
                )

    # -- keeping questions and answers in step ----------------------------------------------

    def _drop_input(self) -> bool:
        """Throw away what is there; True if there was anything."""
        dropped = bool(self._framer.pending)
        self._framer.clear()
        while self.wire.read(0.0):
            dropped = True
        return dropped

    def _bring_in_step(self) -> None:
        if not self._drop_input() and self._in_step:
            return
        self._in_step = False
        if not self.wire.keeps_messages and self.identity is not None:
            # What the instrument still sends to a closed connection reaches nobody.
            self.wire.close()
            self.wire.open()
        self._find_marker()
        self._in_step = True

    def _find_marker(self) -> None:
        """Ask for something that no late answer can be mistaken for, until it comes.

        ``*ESE`` is mandatory (IEEE 488.2 10.10, 10.11) and gives back what was put in.
        """
        self._token = self._token % 250 + 2
        deadline_s = self._clock.monotonic() + max(RESYNC_S, self._timeout_s)
        questions = {f"*ESE {self._token};*ESE?": str(self._token)}
        if self.identity:
            questions["*IDN?"] = self.identity
        for query, wanted in questions.items():
            self.wire.write(query.encode("ascii") + self._write_termination)
            while (left := deadline_s - self._clock.monotonic()) > 0:
                data = self.wire.read(left)
                answers = [data] if self.wire.keeps_messages else self._framer.feed(data)
                if any(_same(answer.decode("latin-1"), wanted) for answer in answers):
                    self._drop_input()
                    return
            deadline_s = self._clock.monotonic() + self._timeout_s
        raise NoReply(
            "no_reply",
            self.wire.name,
            f"does not answer any more: asked for a marker at {self.wire.address} after an answer "
            "that did not come in time, and got none. Switch it off and on",
        )

    # -- the error queue --------------------------------------------------------------------

    def errors(self) -> list[ScpiError]:
        """All errors that are queued; reading them empties the queue."""
        found: list[ScpiError] = []
        while True:
            error = parse_error_reply(self.ask("SYST:ERR?"))
            if error.code == 0:
                return found
            found.append(error)
            if len(found) >= MOST_ERRORS:
                raise self._refused(f"its error queue does not empty; it repeats {error}")

    def _refused(self, message: str) -> WireFault:
        return WireFault(f"{self.wire.name}_error", self.wire.name, message)

    def configure(self, *commands: str) -> None:
        """Send each command and drain the error queue after it, so that the offending one can be
        named. Raises ``<wire>_error``."""
        for command in commands:
            self.write(command)
            errors = self.errors()
            if errors:
                said = "; ".join(map(str, errors))
                raise self._refused(f"refuses {command!r}: {said}")

    def accepts(self, command: str) -> bool:
        """Whether the instrument takes a command; the queue is empty afterwards."""
        self.write(command)
        return not self.errors()


def _same(answer: str, wanted: str) -> bool:
    answer = answer.strip()
    if wanted.isdigit():
        return answer.lstrip("+").isdigit() and int(answer) == int(wanted)
    return answer == wanted
