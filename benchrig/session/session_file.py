"""The session file: a kind of board, its protocol, its states and their limits.

It names no port and no instrument, so that the same session runs on another bench.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, Field

from benchrig.errors import UsageError
from benchrig.session.fields import (
    FROZEN,
    NOT_NEGATIVE,
    Capacitance,
    Duration,
    FileModel,
    Frequency,
    Name,
    PositiveCurrent,
    PositiveDuration,
    PositiveShare,
    PositiveVoltage,
    Slope,
    StateName,
    Text,
)
from benchrig.session.limits import DifferenceLimit, Limit, NumberLimit, ampere
from benchrig.session.names import (
    derived_names,
    names_in,
    repeated,
    same_twice,
    tables_in,
    undefined,
)
from benchrig.session.protocol import Exchange, Protocol, Stimulus, Wake, can_be_sent
from benchrig.session.steps import Charge, OperatingLimit, Sweep, step_checks, step_references
from benchrig.session.toml_file import TomlFile
from benchrig.session.toml_lines import KeyPath
from benchrig.session.wording import closest
from benchrig.units import format_quantity


class BoardRatings(FileModel):
    """What must be known about the board before its supply current is measured."""

    name: Text
    supply_voltage: PositiveVoltage
    minimum_voltage: PositiveVoltage
    highest_current: PositiveCurrent
    decoupling: Capacitance | None = None
    boot_time: Duration = 2.0
    # The most that a sweep may give it, and the clock at which it boots.
    highest_voltage: PositiveVoltage | None = None
    clock: Frequency | None = None
    operating_limits: Annotated[tuple[OperatingLimit, ...], Field(strict=False)] = ()

    def may_run(self, voltage_V: float, frequency_Hz: float | None) -> bool:
        """Whether the board may run at this clock on this voltage, as far as limits are stated."""
        if frequency_Hz is None or not self.operating_limits:
            return True
        return any(
            voltage_V >= entry.minimum_voltage and frequency_Hz <= entry.highest_frequency
            for entry in self.operating_limits
        )


class Settling(FileModel):
    """What is known beforehand about how a state settles; unset keys come from the session."""

    guard: Duration | None = None
    # The firmware tells when it is done: its acknowledgement is the last that it does.
    announced: bool | None = None
    slowest_time_constant: PositiveDuration | None = None
    # How long noise may stay on one level; unset everywhere: the slowest time constant.
    slowest_noise: PositiveDuration | None = None
    tolerance: PositiveShare | None = None
    time_limit: PositiveDuration | None = None
    # "verdict": stop as soon as pass or fail is certain, for a production line.
    aim: Literal["value", "verdict"] | None = None

    def aiming_at(self, aim: Literal["value", "verdict"]) -> Settling:
        return self.model_copy(update={"aim": aim})


class Ticks(FileModel):
    """Short wake-ups that belong to a state: its clock tick, say."""

    period: PositiveDuration
    duration: PositiveDuration
    peak_current: PositiveCurrent

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        if self.duration >= self.period:
            yield ("duration",), f"must be shorter than period, {format_quantity(self.period, 's')}"


class VoltageSensitivity(FileModel):
    """How a state's current changes with the voltage at the board, and how far that may be
    wrong: with it the current is corrected to the nominal supply voltage."""

    slope: Slope
    within: Annotated[Slope, NOT_NEGATIVE]


class State(FileModel):
    """One operating or sleep state. One with `wake` is a sleep state."""

    name: Name
    description: Text | None = None
    enter: Annotated[tuple[Exchange, ...], Field(strict=False)] = ()
    limit: Limit = Limit()
    settling: Settling = Settling()
    ticks: Ticks | None = None
    sensitivity: VoltageSensitivity | None = None
    wake: Wake | None = None
    must_not_wake: Annotated[tuple[Stimulus, ...], Field(strict=False)] = ()
    quiet: PositiveDuration = 1.0

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        if self.must_not_wake and self.wake is None:
            yield ("must_not_wake",), "goes with a sleep state only: one that has a wake"

    @property
    def sleeps(self) -> bool:
        return self.wake is not None


Names = Annotated[tuple[StateName, ...], Field(min_length=1, strict=False)]


def _two(names: tuple[str, ...]) -> tuple[str, ...]:
    if len(names) != 2:
        raise ValueError('must name two states, like ["lamp", "idle"]')
    return names


Pair = Annotated[Names, AfterValidator(_two)]


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


class Decision(FileModel):
    """The rule of decision, in terms of JCGM 106:2012 and ILAC-G8:09/2019. The guard band is given
    by a risk or as a multiple of the expanded uncertainty (1 if neither). `confirm`: a fail or an
    undecided is measured once more, after a fresh entry; never a pass."""

    acceptance: Literal["simple", "guarded_acceptance", "guarded_rejection", "three_way"] = (
        "three_way"
    )
    risk: PositiveShare | None = None
    guard_multiple: Annotated[float, Field(ge=0)] | None = None
    confirm: bool = False

    @property
    def verdict_risk(self) -> float:
        """Of a false pass, and of a false fail, where a session aims at the verdict alone."""
        return 0.025 if self.risk is None else min(self.risk, 0.25)

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        if self.risk is not None and self.guard_multiple is not None:
            yield ("guard_multiple",), "does not go with risk: give one of the two"
        if self.risk is not None and self.risk > 0.5:
            yield ("risk",), "must not be above 50 %"


class Requires(FileModel):
    """What must be in order before a board is measured at all."""

    meter_verified_within: PositiveDuration | None = None


class Session(TomlFile):
    FORMAT: ClassVar[str] = "benchrig/session/1"

    format: Literal["benchrig/session/1"]
    name: Name
    description: Text | None = None
    board: BoardRatings
    protocol: Protocol
    settling: Settling = Settling()
    decision: Decision = Decision()
    requires: Requires = Requires()
    states: Annotated[tuple[State, ...], Field(min_length=1, strict=False)]
    order: Names | None = None
    subsets: Annotated[Mapping[Name, Names], *FROZEN] = Field(
        default_factory=dict, validate_default=True
    )
    differences: Annotated[tuple[Difference, ...], Field(strict=False)] = ()
    ratios: Annotated[tuple[Ratio, ...], Field(strict=False)] = ()
    charges: Annotated[tuple[Charge, ...], Field(strict=False)] = ()
    sweeps: Annotated[tuple[Sweep, ...], Field(strict=False)] = ()
    # A curve file: what the board's data sheet says of the points of the sweeps.
    data_sheet: Text | None = None

    def beside(self, folder: Path) -> Session:
        """The same with its file name made relative to `folder`."""
        if self.data_sheet is None:
            return self
        return self.model_copy(update={"data_sheet": str(folder / self.data_sheet)})

    def aiming_at(self, aim: Literal["value", "verdict"]) -> Session:
        """The same session with one aim for all its states."""
        states = tuple(
            state.model_copy(update={"settling": state.settling.aiming_at(aim)})
            for state in self.states
        )
        return self.model_copy(update={"states": states})

    def selected(self, only: str | Sequence[str] = ()) -> tuple[State, ...]:
        """The states in the order in which they are visited; `only` those that are named (one, or
        several), or that are in a named subset. Raises `UsageError` for a name that is neither."""
        only = (only,) if isinstance(only, str) else tuple(only)
        known = [*(state.name for state in self.states), *self.subsets]
        wanted: set[str] = set()
        for name in only:
            if name not in known:
                close = closest(str(name), known)
                hint = "" if close is None else f"did you mean {close!r}? "
                listed = f"{hint}the session has {', '.join(known)}"
                raise UsageError(f"there is no state or subset {name!r}; {listed}")
            wanted.update(self.subsets.get(name, (name,)))
        states = {state.name: state for state in self.states}
        order = self.order or tuple(states)
        visited = tuple(states[name] for name in order if not only or name in wanted)
        if not visited:
            raise UsageError(f"{', '.join(only)}: defined, but not in the order of the session")
        return visited

    @staticmethod
    def references(raw: dict[str, Any]) -> Iterator[tuple[KeyPath, str]]:
        names = names_in(raw.get("states"))
        yield from repeated("states", names)
        known = {name for name in names if name}

        def check(path: KeyPath, used: Any) -> Iterator[tuple[KeyPath, str]]:
            for index, name in enumerate(used if isinstance(used, list) else []):
                if isinstance(name, str) and name not in known:
                    yield (*path, index), undefined("state", name, names)

        yield from check(("order",), raw.get("order"))
        subsets = raw.get("subsets")
        for name, used in subsets.items() if isinstance(subsets, dict) else ():
            if name in known:
                yield ("subsets", name), "has the name of a state; choose another"
            yield from check(("subsets", name), used)
        yield from derived_names(raw, known)
        for table in ("differences", "ratios"):
            for index, entry in enumerate(tables_in(raw.get(table))):
                yield from check((table, index, "of"), entry.get("of"))
                if (message := same_twice(entry.get("of"))) is not None:
                    yield (table, index, "of"), message
        yield from step_references(raw, names)

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        board = self.board
        if board.minimum_voltage >= board.supply_voltage:
            supply = format_quantity(board.supply_voltage, "V")
            yield ("board", "minimum_voltage"), f"must be below supply_voltage, {supply}"
        for index, state in enumerate(self.states):
            for where, current_A in _first_above(state, board.highest_current):
                highest = ampere(board.highest_current)
                message = f"{ampere(current_A)} is above board.highest_current, {highest}, "
                yield ("states", index, *where), message + "the most the board draws in any state"
        yield from step_checks(self)
        encoding = self.protocol.encoding
        for path, sender in self._senders():
            if isinstance(sender.send, str) and not can_be_sent(sender.send, encoding):
                message = f"{sender.send!r} cannot be written in protocol.encoding, {encoding!r}"
                yield (*path, "send"), message + "; use other characters, or another encoding"

    def _senders(self) -> Iterator[tuple[KeyPath, Exchange | Stimulus | Wake]]:
        yield ("protocol", "hello"), self.protocol.hello
        if self.protocol.identity is not None:
            yield ("protocol", "identity"), self.protocol.identity
        for index, state in enumerate(self.states):
            for number, exchange in enumerate(state.enter):
                yield ("states", index, "enter", number), exchange
            for number, stimulus in enumerate(state.must_not_wake):
                yield ("states", index, "must_not_wake", number), stimulus
            if state.wake is not None:
                yield ("states", index, "wake"), state.wake
        if self.protocol.set_clock is not None:
            yield ("protocol", "set_clock"), self.protocol.set_clock
        for index, charge in enumerate(self.charges):
            if charge.stimulus is not None:
                yield ("charges", index, "stimulus"), charge.stimulus
            for number, exchange in enumerate(charge.exchanges):
                yield ("charges", index, "exchanges", number), exchange


def _first_above(state: State, highest_A: float) -> Iterator[tuple[KeyPath, float]]:
    for key, current_A in (
        ("max", state.limit.max),
        ("typical", state.limit.typical),
        ("min", state.limit.min),
    ):
        if current_A is not None and current_A > highest_A:
            yield ("limit", key), current_A
            break  # one too high a limit has its typical value above as well
    if state.ticks is not None and state.ticks.peak_current > highest_A:
        yield ("ticks", "peak_current"), state.ticks.peak_current
