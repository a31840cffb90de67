"""The session file: a kind of board, its protocol, its states and their limits.

It names no port and no instrument, so that the same session runs on another bench.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field, model_validator

from benchrig.errors import UsageError
from benchrig.session.fields import (
    NOT_NEGATIVE,
    Capacitance,
    Current,
    Duration,
    Encoding,
    Ending,
    FileModel,
    HexBytes,
    HexPattern,
    Name,
    PositiveCurrent,
    PositiveDuration,
    PositiveShare,
    PositiveVoltage,
    Regex,
    Text,
)
from benchrig.session.toml_file import TomlFile
from benchrig.session.toml_lines import KeyPath
from benchrig.units import format_quantity


class Exchange(FileModel):
    """Something sent to the board, and what it should answer (nothing, where no `expect`)."""

    send: str | None = None
    send_hex: HexBytes | None = None
    expect: Regex | None = None
    expect_hex: HexPattern | None = None
    timeout: PositiveDuration = 1.0
    attempts: Annotated[int, Field(ge=1, le=100)] = 1
    reply_may_be_lost: bool = False

    @model_validator(mode="after")
    def _one_of_each(self) -> Exchange:
        if (self.send is None) == (self.send_hex is None):
            raise ValueError("give either send (text) or send_hex (bytes)")
        if self.expect is not None and self.expect_hex is not None:
            raise ValueError("give either expect (text) or expect_hex (bytes), not both")
        return self

    @property
    def expects_reply(self) -> bool:
        return self.expect is not None or self.expect_hex is not None


class Question(Exchange):
    """An exchange that makes no sense without a reply."""

    @model_validator(mode="after")
    def _has_reply(self) -> Question:
        if not self.expects_reply:
            raise ValueError(
                "needs expect (text) or expect_hex (bytes): what does the board answer?"
            )
        return self


class Hello(Question):
    """The question that finds the board."""

    timeout: PositiveDuration = 0.5
    attempts: Annotated[int, Field(ge=1, le=100)] = 5


class Identity(Question):
    """The question who the board is; `expect` has the groups serial_number and/or firmware."""

    @model_validator(mode="after")
    def _has_groups(self) -> Identity:
        groups = self.expect.groupindex if self.expect is not None else {}
        if not {"serial_number", "firmware"} & set(groups):
            raise ValueError(
                "expect needs a group (?P<serial_number>...) or (?P<firmware>...), or both"
            )
        return self


class Protocol(FileModel):
    """How the board talks."""

    hello: Hello
    identity: Identity | None = None
    banner: Regex | None = None
    reject: Regex | None = None
    send_ending: Ending = "LF"
    receive_ending: Ending = "LF"
    encoding: Encoding = "utf-8"
    echo: bool = False
    byte_pause: Duration = 0.0


class BoardRatings(FileModel):
    """What must be known about the board before its supply current is measured."""

    name: Text
    supply_voltage: PositiveVoltage
    minimum_voltage: PositiveVoltage
    highest_current: PositiveCurrent
    decoupling: Capacitance | None = None
    boot_time: Duration = 2.0


class Limit(FileModel):
    """Limits of a state's settled current."""

    min: Annotated[Current, NOT_NEGATIVE] | None = None
    max: PositiveCurrent | None = None
    typical: PositiveCurrent | None = None

    @model_validator(mode="after")
    def _in_order(self) -> Limit:
        _check_order(self.min, self.max, self.typical, lambda value: format_quantity(value, "A"))
        return self


class NumberLimit(FileModel):
    """Limits of a ratio: bare numbers."""

    min: Annotated[float, Field(ge=0, strict=False)] | None = None
    max: Annotated[float, Field(gt=0, strict=False)] | None = None
    typical: Annotated[float, Field(gt=0, strict=False)] | None = None

    @model_validator(mode="after")
    def _in_order(self) -> NumberLimit:
        _check_order(self.min, self.max, self.typical, str)
        return self


class DifferenceLimit(FileModel):
    """Limits of a difference of two currents, which may be negative."""

    min: Current | None = None
    max: Current | None = None
    typical: Current | None = None

    @model_validator(mode="after")
    def _in_order(self) -> DifferenceLimit:
        _check_order(self.min, self.max, self.typical, lambda value: format_quantity(value, "A"))
        return self


def _check_order(low: float | None, high: float | None, typical: float | None, show: Any) -> None:
    if low is not None and high is not None and low > high:
        raise ValueError(
            f"min {show(low)} is above max {show(high)}: no current can pass; min must be the lower"
        )
    if typical is not None and not (low or -1e30) <= typical <= (1e30 if high is None else high):
        raise ValueError(f"typical {show(typical)} lies outside the limits themselves")


class Settling(FileModel):
    """What is known beforehand about how a state settles; unset keys come from the session."""

    guard: Duration | None = None
    slowest_time_constant: PositiveDuration | None = None
    tolerance: PositiveShare | None = None
    time_limit: PositiveDuration | None = None


class Ticks(FileModel):
    """Short wake-ups that belong to a state: its clock tick, say."""

    period: PositiveDuration
    duration: PositiveDuration
    peak_current: PositiveCurrent

    @model_validator(mode="after")
    def _fits(self) -> Ticks:
        if self.duration >= self.period:
            raise ValueError("duration must be shorter than period")
        return self


class Stimulus(FileModel):
    """An event from outside at the board's pins."""

    by: Literal["byte", "break", "dtr", "rts"]
    send: str | None = None
    send_hex: HexBytes | None = None
    pulse: PositiveDuration = 0.01

    @model_validator(mode="after")
    def _bytes_if_byte(self) -> Stimulus:
        _check_bytes(self.by, self.send, self.send_hex)
        return self


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

    @model_validator(mode="after")
    def _complete(self) -> Wake:
        _check_bytes(self.by, self.send, self.send_hex)
        if (self.by == "timer") != (self.after is not None):
            raise ValueError(
                "a wake by the board's own timer needs after (from entry), and only that one"
            )
        if (self.by == "operator") != (self.prompt is not None):
            raise ValueError("a wake by the operator needs a prompt, and only that one")
        return self


def _check_bytes(by: str, send: str | None, send_hex: bytes | None) -> None:
    given = (send is not None) + (send_hex is not None)
    if by == "byte" and (given != 1 or send == ""):
        raise ValueError("a stimulus by a byte needs send (text) or send_hex (bytes)")
    if by != "byte" and given:
        raise ValueError(f"send belongs to a stimulus by a byte, not by {by!r}")


class State(FileModel):
    """One operating or sleep state. One with `wake` is a sleep state."""

    name: Name
    description: Text | None = None
    enter: Annotated[tuple[Exchange, ...], Field(strict=False)] = ()
    limit: Limit = Limit()
    settling: Settling = Settling()
    ticks: Ticks | None = None
    wake: Wake | None = None
    must_not_wake: Annotated[tuple[Stimulus, ...], Field(strict=False)] = ()
    quiet: PositiveDuration = 1.0

    @model_validator(mode="after")
    def _stimuli_need_sleep(self) -> State:
        if self.must_not_wake and self.wake is None:
            raise ValueError("must_not_wake belongs to a state that has a wake")
        return self

    @property
    def sleeps(self) -> bool:
        return self.wake is not None


Pair = Annotated[tuple[str, ...], Field(min_length=2, max_length=2, strict=False)]


class Difference(FileModel):
    """What one state draws more than another: ``of = ["lamp", "idle"]`` is lamp minus idle."""

    name: Name
    of: Pair
    limit: DifferenceLimit = DifferenceLimit()


class Ratio(FileModel):
    """One state's current over another's: ``of = ["fast", "slow"]`` is fast / slow."""

    name: Name
    of: Pair
    limit: NumberLimit = NumberLimit()


class Session(TomlFile):
    FORMAT: ClassVar[str] = "benchrig/session/1"

    format: Literal["benchrig/session/1"]
    name: Name
    description: Text | None = None
    board: BoardRatings
    protocol: Protocol
    settling: Settling = Settling()
    states: Annotated[tuple[State, ...], Field(min_length=1, strict=False)]
    order: Annotated[tuple[str, ...], Field(min_length=1, strict=False)] | None = None
    subsets: dict[Name, Annotated[tuple[str, ...], Field(min_length=1, strict=False)]] = Field(
        default={}
    )
    differences: Annotated[tuple[Difference, ...], Field(strict=False)] = ()
    ratios: Annotated[tuple[Ratio, ...], Field(strict=False)] = ()

    def selected(self, only: Sequence[str] = ()) -> tuple[State, ...]:
        """The states in the order in which they are visited; `only` those that are named, or
        that are in a named subset. Raises `UsageError` for a name that is neither."""
        wanted: set[str] = set()
        for name in only:
            if name not in self.subsets and all(name != state.name for state in self.states):
                known = ", ".join([*(state.name for state in self.states), *self.subsets])
                raise UsageError(f"there is no state or subset {name!r}; the session has {known}")
            wanted.update(self.subsets.get(name, (name,)))
        states = {state.name: state for state in self.states}
        order = self.order or tuple(states)
        visited = tuple(states[name] for name in order if not only or name in wanted)
        if not visited:
            raise UsageError(f"{', '.join(only)}: defined, but not in the order of the session")
        return visited

    @staticmethod
    def references(raw: dict[str, Any]) -> Iterator[tuple[KeyPath, str]]:
        names = _names(raw.get("states"))
        yield from _repeated("states", names)
        known = {name for name in names if name}

        def check(path: KeyPath, used: Any) -> Iterator[tuple[KeyPath, str]]:
            for index, name in enumerate(used if isinstance(used, list) else []):
                if isinstance(name, str) and name not in known:
                    listed = ", ".join(sorted(known)) or "none"
                    yield (*path, index), f"state {name!r} is not defined; defined: {listed}"

        yield from check(("order",), raw.get("order"))
        subsets = raw.get("subsets")
        for name, used in subsets.items() if isinstance(subsets, dict) else ():
            if name in known:
                yield ("subsets", name), "has the name of a state; choose another"
            yield from check(("subsets", name), used)
        for table in ("differences", "ratios"):
            yield from _repeated(table, _names(raw.get(table)))
            for index, entry in enumerate(_tables(raw.get(table))):
                yield from check((table, index, "of"), entry.get("of"))

    def conflicts(self) -> Iterator[tuple[KeyPath, str]]:
        ratings = self.board
        if ratings.minimum_voltage >= ratings.supply_voltage:
            yield ("board", "minimum_voltage"), "must be below supply_voltage"
        highest = format_quantity(ratings.highest_current, "A")
        above = f"is above board.highest_current ({highest}), the most it may draw in any state"
        for index, state in enumerate(self.states):
            for key in ("max", "typical", "min"):
                value = getattr(state.limit, key)
                if value is not None and value > ratings.highest_current:
                    yield ("states", index, "limit", key), above
            if state.ticks and state.ticks.peak_current > ratings.highest_current:
                yield ("states", index, "ticks", "peak_current"), above


def _tables(value: Any) -> list[dict[str, Any]]:
    entries = value if isinstance(value, list) else []
    return [entry if isinstance(entry, dict) else {} for entry in entries]


def _names(value: Any) -> list[str]:
    names = [entry.get("name") for entry in _tables(value)]
    return [name if isinstance(name, str) else "" for name in names]


def _repeated(table: str, names: list[str]) -> Iterator[tuple[KeyPath, str]]:
    for index, name in enumerate(names):
        if name and name in names[:index]:
            yield (table, index, "name"), f"{name!r} is used twice; names must differ"
