"""The steps of a session that go beyond one settled current: charge per event, and sweeps."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field

from benchrig.session.fields import (
    UNKNOWN,
    Duration,
    FileModel,
    Frequency,
    Name,
    PositiveDuration,
    PositiveVoltage,
    Share,
    StateName,
)
from benchrig.session.limits import ChargeLimit, Limit
from benchrig.session.names import tables_in, undefined
from benchrig.session.protocol import Exchange, Stimulus
from benchrig.session.toml_lines import KeyPath
from benchrig.units import format_quantity

if TYPE_CHECKING:
    from benchrig.session.session_file import BoardRatings, Session

# Fewer tell nothing of how events differ.
FEWEST_PERIODS = 4


class Charge(FileModel):
    """The charge of one event of a state, averaged over whole periods.

    Without `stimulus` and `exchanges` the board makes the events by its own timer: `period` is
    then that of the state's `ticks`, right to `period_within`. With them the sequencer makes one
    every `period`: the stimulus, and `pause` later each exchange. What is subtracted is the current
    of the state `base`, or else the level between the events, or before the first.
    """

    name: Name
    state: StateName
    base: StateName | None = None
    period: PositiveDuration | None = None
    period_within: Share = 0.0
    periods: Annotated[int, Field(ge=FEWEST_PERIODS, le=10_000)] = 10
    stimulus: Stimulus | None = None
    pause: Duration = 0.0
    exchanges: Annotated[tuple[Exchange, ...], Field(strict=False)] = ()
    limit: ChargeLimit = ChargeLimit()

    @property
    def is_made(self) -> bool:
        """Whether the sequencer makes the events."""
        return self.stimulus is not None or self.exchanges != ()

    @property
    def is_answered(self) -> bool:
        """Whether the board says of each event that it took place."""
        return any(each.expects_reply and not each.reply_may_be_lost for each in self.exchanges)

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        if self.stimulus is None and self.pause > 0.0:
            yield ("pause",), "goes with a stimulus only: it is the time from there"
        if not self.is_made:
            known = UNKNOWN not in (self.periods, self.period_within)
            if known and self.periods * self.period_within > 0.25:
                most = 0.25 / self.periods
                yield (
                    ("period_within",),
                    f"is too much for {self.periods} periods: an event more or less would not be "
                    f"told; at most {100 * most:.2g} %, or fewer periods",
                )
            return
        for key in ("base", "period_within"):
            if getattr(self, key):
                yield (key,), "goes with the board's own timer only, not with events that are made"
        if self.period is None:
            yield ("period",), 'is missing: how often the event is made: period = "2 s"'
        elif self.longest_event_s >= self.period:
            longest = format_quantity(self.longest_event_s, "s", 3)
            yield ("period",), f"must be longer than the event may take to be answered, {longest}"

    @property
    def longest_event_s(self) -> float:
        """From the stimulus until the last answer must be there."""
        pulse_s = 0.0
        if self.stimulus is not None and self.stimulus.by != "byte":
            pulse_s = self.stimulus.pulse
        waits_s = [each.timeout for each in self.exchanges if each.expects_reply]
        parts_s = [pulse_s, self.pause, *waits_s]
        return UNKNOWN if UNKNOWN in parts_s else sum(parts_s)


class OperatingLimit(FileModel):
    """At `minimum_voltage` and above, up to the next one, the clock may be so fast."""

    minimum_voltage: PositiveVoltage
    highest_frequency: Frequency


class PointLimit(FileModel):
    """The limit of a state at one point of a sweep; without a voltage or a frequency, at all."""

    voltage: PositiveVoltage | None = None
    frequency: Frequency | None = None
    limit: Limit


class Sweep(FileModel):
    """A state over a grid of supply voltages and clock frequencies. What is not named stays
    nominal."""

    name: Name
    state: StateName
    voltages: Annotated[tuple[PositiveVoltage, ...], Field(strict=False)] = ()
    frequencies: Annotated[tuple[Frequency, ...], Field(strict=False)] = ()
    limits: Annotated[tuple[PointLimit, ...], Field(strict=False)] = ()

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        if not self.voltages and not self.frequencies:
            yield ("voltages",), "is missing: give voltages, or frequencies, or both"
        for key in ("voltages", "frequencies"):
            values = getattr(self, key)
            for index, value in enumerate(values):
                if value in values[:index]:
                    yield (key, index), "is listed twice"
        for index, entry in enumerate(self.limits):
            for key, values in (("voltage", self.voltages), ("frequency", self.frequencies)):
                value = getattr(entry, key)
                if value not in (None, UNKNOWN, *values):
                    yield ("limits", index, key), "is no point of this sweep"

    def limit_at(self, voltage_V: float, frequency_Hz: float | None) -> Limit:
        """The first that is given for this point, else none."""
        for entry in self.limits:
            if entry.voltage in (None, voltage_V) and entry.frequency in (None, frequency_Hz):
                return entry.limit
        return Limit()


# -- between the tables of a session --------------------------------------------------------


def step_references(raw: dict[str, Any], states: Sequence[str]) -> Iterator[tuple[KeyPath, str]]:
    """The states that steps name, in the raw data of a session."""
    for table, keys in (("charges", ("state", "base")), ("sweeps", ("state",))):
        for index, entry in enumerate(tables_in(raw.get(table))):
            for key in keys:
                name = entry.get(key)
                if isinstance(name, str) and name not in states:
                    yield (table, index, key), undefined("state", name, states)


def step_checks(session: Session) -> Iterator[tuple[KeyPath, str]]:
    if session.board is UNKNOWN:
        return
    yield from _operating_limits(session.board)
    for index, charge in enumerate(session.charges):
        for where, message in _charge(session, charge):
            yield ("charges", index, *where), message
    for index, sweep in enumerate(session.sweeps):
        if sweep is UNKNOWN:
            continue
        for where, message in _sweep(session, sweep):
            yield ("sweeps", index, *where), message


def _operating_limits(board: BoardRatings) -> Iterator[tuple[KeyPath, str]]:
    highest = board.highest_voltage
    if highest is not None and highest < board.supply_voltage:
        supply = format_quantity(board.supply_voltage, "V")
        yield ("board", "highest_voltage"), f"must not be below supply_voltage, {supply}"
    for index, (before, entry) in enumerate(pairwise(board.operating_limits), start=1):
        path = ("board", "operating_limits", index)
        if entry.minimum_voltage <= before.minimum_voltage:
            yield (
                (*path, "minimum_voltage"),
                "is not above the one before it: list the lowest first",
            )
        if entry.highest_frequency < before.highest_frequency:
            message = "is below that at a lower voltage: more volts never slow a board down"
            yield (*path, "highest_frequency"), message
    limits = [
        value
        for entry in board.operating_limits
        for value in (entry.minimum_voltage, entry.highest_frequency)
    ]
    if UNKNOWN not in (board.supply_voltage, board.clock, *limits) and not board.may_run(
        board.supply_voltage, board.clock
    ):
        yield ("board", "clock"), "is beyond operating_limits at supply_voltage"


def _charge(session: Session, charge: Charge) -> Iterator[tuple[KeyPath, str]]:
    state = next((each for each in session.states if each.name == charge.state), None)
    if state is None:
        return
    if not charge.is_made:
        if state.ticks is None:
            yield (
                ("state",),
                f"{state.name} has no ticks: declare them there, or say what makes the events "
                "(stimulus, exchanges)",
            )
        elif charge.period is not None:
            yield ("period",), f"is that of the ticks of {state.name}; leave it out here"
    elif state.ticks is not None:
        yield ("state",), f"{state.name} ticks by itself; its ticks would count as events"
    if charge.base is not None and charge.base == charge.state:
        yield ("base",), "is the state itself; leave it out for the level between the events"


def _sweep(session: Session, sweep: Sweep) -> Iterator[tuple[KeyPath, str]]:
    board = session.board
    most_V = board.supply_voltage if board.highest_voltage is None else board.highest_voltage
    for index, voltage_V in enumerate(sweep.voltages):
        if voltage_V <= board.minimum_voltage:
            yield ("voltages", index), "is not above board.minimum_voltage"
        elif voltage_V > most_V:
            if board.highest_voltage is None:
                why = "board.supply_voltage; above that it needs board.highest_voltage"
            else:
                why = f"board.highest_voltage, {format_quantity(most_V, 'V')}"
            yield ("voltages", index), f"is above {why}"
    if sweep.frequencies and session.protocol.set_clock is None:
        yield ("frequencies",), "need protocol.set_clock: how the board is told its frequency"
    if sweep.frequencies and board.clock is None:
        yield ("frequencies",), "need board.clock: the frequency that is restored afterwards"
    if (sweep.voltages or sweep.frequencies) and not list(grid(board, sweep)):
        yield ("voltages",), "and frequencies have no point within board.operating_limits"
    state = next((each for each in session.states if each.name == sweep.state), None)
    boots = state is not None and state.wake is not None and state.wake.leaves_by_booting
    for index, voltage_V in enumerate(sweep.voltages if boots else ()):
        if not board.may_run(voltage_V, board.clock):
            message = (
                f"is too low for board.clock, at which the board boots when {sweep.state} ends"
            )
            yield ("voltages", index), message


def grid(board: BoardRatings, sweep: Sweep) -> Iterator[tuple[float, float | None]]:
    """The points of a sweep that lie within the board's limits, in the order in which they are
    measured: the highest voltage first, the frequencies upwards at each."""
    for voltage_V in sorted(sweep.voltages or (board.supply_voltage,), reverse=True):
        for frequency_Hz in sorted(sweep.frequencies) or (board.clock,):
            if board.may_run(voltage_V, frequency_Hz):
                yield voltage_V, frequency_Hz


def steps_of(session: Session, visited: Collection[str]) -> tuple[list[Charge], list[Sweep]]:
    """Those of the states that are measured in this run."""
    charges = [
        charge
        for charge in session.charges
        if charge.state in visited and (charge.base is None or charge.base in visited)
    ]
    return charges, [sweep for sweep in session.sweeps if sweep.state in visited]
