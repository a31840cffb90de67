"""How a board talks, and what is done to its pins: the parts of a session file that describe it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Annotated, Literal

from pydantic import Field

from benchrig.session.fields import (
    UNKNOWN,
    Duration,
    Encoding,
    Ending,
    FileModel,
    HexBytes,
    HexPattern,
    PositiveDuration,
    Regex,
    Text,
)
from benchrig.session.toml_lines import KeyPath


class Exchange(FileModel):
    """Something sent to the board, and what it should answer (nothing, where no `expect`).

    One that is `repeatable` does the same when it is said twice: so it may be said once more where
    its answer was lost or garbled. A command that toggles something is not.
    """

    send: str | None = None
    send_hex: HexBytes | None = None
    expect: Regex | None = None
    expect_hex: HexPattern | None = None
    timeout: PositiveDuration = 1.0
    attempts: Annotated[int, Field(ge=1, le=100)] = 1
    reply_may_be_lost: bool = False
    repeatable: bool = True

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        if self.send is None and self.send_hex is None:
            yield ("send",), "is missing: give send (text) or send_hex (bytes)"
        if self.send is not None and self.send_hex is not None:
            yield ("send_hex",), "does not go with send: give one of the two"
        if self.expect is not None and self.expect_hex is not None:
            yield ("expect_hex",), "does not go with expect: give one of the two"

    @property
    def expects_reply(self) -> bool:
        return self.expect is not None or self.expect_hex is not None


class Hello(Exchange):
    """The question that finds the board."""

    timeout: PositiveDuration = 0.5
    attempts: Annotated[int, Field(ge=1, le=100)] = 5

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        yield from super().checks()
        if not self.expects_reply:
            yield ("expect",), "is missing: what the board answers, in expect or expect_hex"


_WHO = {"serial_number", "firmware"}


class Identity(Exchange):
    """The question who the board is; `expect` has the groups serial_number and/or firmware."""

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        yield from super().checks()
        groups = "a group (?P<serial_number>...) or (?P<firmware>...), or both"
        if self.expect is None:
            yield ("expect",), f"is missing: a regular expression with {groups}"
        elif self.expect is not UNKNOWN and not _WHO & set(self.expect.groupindex):
            yield ("expect",), f"is {self.expect.pattern!r}; it must have {groups}"


_CLOCK_UNITS = {"{Hz}": 1, "{kHz}": 1_000, "{MHz}": 1_000_000}


class ClockCommand(Exchange):
    """How the board is told its clock frequency: `send` holds ``{Hz}``, ``{kHz}`` or ``{MHz}`` in
    place of the number, and so may `expect`. The number is a plain decimal, as short as it can
    be: 2.5 MHz are ``2.5``, 4 MHz are ``4``."""

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        yield from super().checks()
        units = ", ".join(_CLOCK_UNITS)
        if self.send_hex is not None:
            yield ("send_hex",), "does not go with a clock: its frequency is sent as text, in send"
        elif isinstance(self.send, str) and not any(unit in self.send for unit in _CLOCK_UNITS):
            yield ("send",), f"holds no place for the frequency: one of {units}"

    def at(self, frequency_Hz: float) -> Exchange:
        """The exchange for one frequency."""
        sent, pattern = self.send or "", None if self.expect is None else self.expect.pattern
        for place, unit_Hz in _CLOCK_UNITS.items():
            # As a decimal: 4000000.0 / 1e6 in binary may end in digits that no board expects.
            number = f"{(Decimal(repr(frequency_Hz)) / unit_Hz).normalize():f}"
            sent = sent.replace(place, number)
            pattern = pattern and pattern.replace(place, re.escape(number))
        expect = None if pattern is None else re.compile(pattern)
        return self.model_copy(update={"send": sent, "expect": expect})


class Protocol(FileModel):
    """How the board talks."""

    hello: Hello
    identity: Identity | None = None
    set_clock: ClockCommand | None = None
    banner: Regex | None = None
    reject: Regex | None = None
    send_ending: Ending = "LF"
    receive_ending: Ending = "LF"
    encoding: Encoding = "utf-8"
    echo: bool = False
    byte_pause: Duration = 0.0


class Stimulus(FileModel):
    """An event from outside at the board's pins."""

    by: Literal["byte", "break", "dtr", "rts"]
    send: str | None = None
    send_hex: HexBytes | None = None
    pulse: PositiveDuration = 0.01

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        return _wrong_bytes(self)


class Wake(FileModel):
    """How a state is left. `within` counts from the stimulus to the answer to hello."""

    by: Literal["byte", "break", "dtr", "rts", "timer", "power_cycle", "operator"]
    send: str | None = None
    send_hex: HexBytes | None = None
    byte_lost: bool = True
    pulse: PositiveDuration = 0.01
    after: PositiveDuration | None = None
    off_time: PositiveDuration = 1.0
    prompt: Text | None = None
    within: PositiveDuration
    reboots: bool = False

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        yield from _wrong_bytes(self)
        if self.by == "timer" and self.after is None:
            yield ("after",), 'is missing: by = "timer" needs the time from entry: after = "10 s"'
        if self.after is not None and self.by != "timer":
            yield ("after",), f'goes with by = "timer" only, not with by = "{self.by}"'
        if self.by == "operator" and self.prompt is None:
            yield ("prompt",), 'is missing: what the operator is to do: prompt = "press S1"'
        if self.prompt is not None and self.by != "operator":
            yield ("prompt",), f'goes with by = "operator" only, not with by = "{self.by}"'

    @property
    def leaves_by_booting(self) -> bool:
        return self.reboots or self.by == "power_cycle"


def _wrong_bytes(stimulus: Stimulus | Wake) -> Iterator[tuple[KeyPath, str]]:
    send, send_hex = stimulus.send, stimulus.send_hex
    if stimulus.by == "byte":
        if send is None and send_hex is None:
            yield ("send_hex",), 'is missing: by = "byte" needs send_hex = "55" or send = "x"'
        if send is not None and send_hex is not None:
            yield ("send_hex",), "does not go with send: give one of the two"
        if send == "":
            yield ("send",), "must not be empty: a byte is what wakes the board"
    for key, value in (("send", send), ("send_hex", send_hex)):
        if value is not None and stimulus.by != "byte":
            yield (key,), f'goes with by = "byte" only, not with by = "{stimulus.by}"'


def can_be_sent(text: str, encoding: str) -> bool:
    try:
        if encoding is not UNKNOWN:
            text.encode(encoding)
    except UnicodeEncodeError:
        return False
    return True
