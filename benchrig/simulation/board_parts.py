"""The tables of a simulated-board file: how the board talks, sleeps and wakes, and its defects."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import Field

from benchrig.session.fields import (
    NOT_NEGATIVE,
    POSITIVE,
    Capacitance,
    Current,
    Duration,
    Encoding,
    Ending,
    FileModel,
    Frequency,
    HexBytes,
    Name,
    PositiveCurrent,
    PositiveDuration,
    PositiveVoltage,
    Regex,
    Resistance,
    Slope,
    Text,
)
from benchrig.session.toml_lines import KeyPath
from benchrig.units import format_quantity

Line = Literal["tx", "dtr", "rts"]

NotNegativeCurrent = Annotated[Current, NOT_NEGATIVE]
Conductance = Annotated[Slope, NOT_NEGATIVE]


class UartSettings(FileModel):
    """How the board's firmware talks. `frame_gap` ends a message where no ending does."""

    baud_rate: Annotated[int, Field(gt=0)] = 9600
    receive_ending: Ending = "LF"
    send_ending: Ending = "LF"
    echo: bool = False
    encoding: Encoding = "utf-8"
    reply_delay: Duration = 0.0
    frame_gap: PositiveDuration = 0.05
    unknown_reply: Text | None = None

    @property
    def byte_s(self) -> float:
        """One byte on the line: start bit, eight data bits, stop bit."""
        return 10.0 / self.baud_rate


class Feed(FileModel):
    """Current that a driven line pushes into the board: (level - V) / resistance."""

    line: Line
    level: PositiveVoltage
    resistance: Annotated[Resistance, POSITIVE]


class Boot(FileModel):
    """From release of the reset until the firmware answers, in `state`."""

    time: Duration
    current: NotNegativeCurrent
    state: Name
    banner: Text | None = None


class Command(FileModel):
    """What the board understands: exactly one of `text`, `pattern` and `hex`.

    The reply to a `pattern` may hold its groups (``\\1``). `enters` names the state that follows.
    """

    text: Text | None = None
    pattern: Regex | None = None
    hex: HexBytes | None = None
    reply: Text | None = None
    reply_hex: HexBytes | None = None
    enters: Name | None = None
    clock: Frequency | None = None
    loads_on: Annotated[tuple[Name, ...], Field(strict=False)] = ()
    loads_off: Annotated[tuple[Name, ...], Field(strict=False)] = ()

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        given = [key for key in ("text", "pattern", "hex") if getattr(self, key) is not None]
        if not given:
            yield ("text",), "is missing: give one of text, pattern and hex"
        for key in given[1:]:
            yield (key,), f"does not go with {given[0]}: give one of the two"
        if self.reply is not None and self.reply_hex is not None:
            yield ("reply_hex",), "does not go with reply: give one of the two"


_NO_TIMER = ("byte", "break", "dtr", "rts")
_NO_BYTE = ("break", "dtr", "rts", "timer")


class WakeSource(FileModel):
    """One thing that wakes the board from a state.

    `byte` limits waking to that byte. Bytes that arrive before the board is awake are lost, or
    kept and heard then. A reboot loses them, ends in the state of `[boot]`, and says the banner.
    """

    by: Literal["byte", "break", "dtr", "rts", "timer"]
    byte: HexBytes | None = None
    byte_lost: bool = True
    after: PositiveDuration | None = None
    time: Duration = 0.0
    into: Name | None = None
    reboots: bool = False

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        if self.by == "timer" and self.after is None:
            yield ("after",), 'is missing: by = "timer" needs the time from entry: after = "10 s"'
        if self.after is not None and self.by in _NO_TIMER:
            yield ("after",), f'goes with by = "timer" only, not with by = "{self.by}"'
        if self.byte is not None and self.by in _NO_BYTE:
            yield ("byte",), f'goes with by = "byte" only, not with by = "{self.by}"'
        if self.byte is not None and len(self.byte) > 1:
            yield ("byte",), 'must be one byte, like "55"'
        if self.reboots is False and self.into is None:
            yield ("into",), "is missing: give into (a state), or reboots = true"
        if self.reboots is True and self.into is not None:
            yield ("into",), "does not go with reboots: a reboot ends in the state of [boot]"


class Tail(FileModel):
    """Slow absorption current after entry: amplitude·exp(-t / time_constant)."""

    amplitude: PositiveCurrent
    time_constant: PositiveDuration


class Burst(FileModel):
    """A periodic short wake-up, on top of the rest; the first comes one period after entry."""

    period: PositiveDuration
    duration: PositiveDuration
    current: PositiveCurrent

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        if self.duration >= self.period:
            yield ("duration",), f"must be shorter than period, {format_quantity(self.period, 's')}"


class Following(FileModel):
    """The state that a board goes to by itself, `after` its entry, and what it says then."""

    after: PositiveDuration
    state: Name
    says: Text | None = None


class BoardState(FileModel):
    """A state and its current at V volts and T degrees:

    static + leakage·2^((T - 25 °C)/10 K) + conductive·V + switched·clock·V + its loads.

    `acknowledgement` is what becomes of the reply to the command that leads here: a sleeping
    board may fall asleep after `cut_after` bytes of it, or before any.
    """

    name: Name
    sleep: bool = False
    static: NotNegativeCurrent = 0.0
    leakage: NotNegativeCurrent = 0.0
    conductive: Conductance = 0.0
    switched: Capacitance = 0.0
    clock: Frequency | None = None
    loads: Annotated[tuple[Name, ...], Field(strict=False)] = ()
    noise: NotNegativeCurrent = 0.0
    entry_delay: Duration = 0.0
    tail: Tail | None = None
    burst: Burst | None = None
    listens: bool | None = None
    acknowledgement: Literal["whole", "cut", "lost"] = "whole"
    cut_after: Annotated[int, Field(ge=1)] | None = None
    wake: Annotated[tuple[WakeSource, ...], Field(strict=False)] = ()
    then: Following | None = None

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        if self.acknowledgement == "cut" and self.cut_after is None:
            yield ("cut_after",), 'is missing: acknowledgement = "cut" needs a number of bytes'
        if self.cut_after is not None and self.acknowledgement in ("whole", "lost"):
            yield ("cut_after",), 'goes with acknowledgement = "cut" only'
        if self.wake and self.sleep is False:
            yield ("wake",), "goes with sleep = true only"
        if self.then is not None and self.sleep is True:
            yield ("then",), "goes with a state that is awake; a sleeping one has wake"

    @property
    def hears_commands(self) -> bool:
        return not self.sleep if self.listens is None else self.listens


class FloatingInput(FileModel):
    """An input without a pull resistor: a current that comes and goes at random, asleep only.

    It stays there, and away, for exponentially distributed times with the mean `dwell`.
    """

    current: PositiveCurrent
    dwell: PositiveDuration


class LateDrift(FileModel):
    """`after` so long in a sleep state the current ramps up by `rise` within `over`, and stays."""

    after: Duration
    rise: PositiveCurrent
    over: PositiveDuration


class SpontaneousReset(FileModel):
    """A reset `after` entry of a state, every time."""

    state: Name
    after: PositiveDuration


class LateReply(FileModel):
    """Every reply from number `from_reply` on (the first is 1) comes `extra` later."""

    from_reply: Annotated[int, Field(ge=1)] = 1
    extra: PositiveDuration


class Defects(FileModel):
    """What is wrong with this board; nothing, unless said."""

    stuck_awake: bool = False
    leaky_capacitor: Conductance = 0.0
    floating_input: FloatingInput | None = None
    late_drift: LateDrift | None = None
    dead_uart: bool = False
    spontaneous_reset: SpontaneousReset | None = None
    late_reply: LateReply | None = None
    garbage_reply: bool = False
