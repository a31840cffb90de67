"""The simulated-board file: how a board that exists only here behaves and what it draws."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from os import PathLike
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from benchrig.errors import FileProblems
from benchrig.session.fields import (
    FROZEN,
    UNKNOWN,
    Capacitance,
    Frequency,
    Name,
    PositiveVoltage,
    Temperature,
    Text,
    Voltage,
)
from benchrig.session.names import names_in, repeated, tables_in, undefined
from benchrig.session.toml_file import TomlFile, as_path, read_toml
from benchrig.session.toml_lines import KeyPath
from benchrig.simulation.board_parts import (
    BoardState,
    Boot,
    Command,
    Conductance,
    Defects,
    Feed,
    NotNegativeCurrent,
    UartSettings,
)


class SimulatedBoardFile(TomlFile):
    FORMAT: ClassVar[str] = "benchrig/simulated-board/1"

    format: Literal["benchrig/simulated-board/1"]
    name: Text
    nominal_voltage: PositiveVoltage
    minimum_voltage: PositiveVoltage
    release_hysteresis: Voltage = 0.1
    reset_conductance: Conductance
    decoupling: Capacitance = 0.0
    temperature: Temperature = 25.0
    clock: Frequency = 1e6
    loads: Annotated[Mapping[Name, NotNegativeCurrent], *FROZEN] = Field(
        default_factory=dict, validate_default=True
    )
    uart: UartSettings = UartSettings()
    feeds: Annotated[tuple[Feed, ...], Field(strict=False)] = ()
    boot: Boot
    states: Annotated[tuple[BoardState, ...], Field(min_length=1, strict=False)]
    commands: Annotated[tuple[Command, ...], Field(min_length=1, strict=False)]
    defects: Defects = Defects()

    def state(self, name: str) -> BoardState:
        """Raises `KeyError` if there is no such state."""
        for state in self.states:
            if state.name == name:
                return state
        raise KeyError(name)

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        if _not_below(self.minimum_voltage, self.release_hysteresis, self.nominal_voltage):
            yield (
                ("minimum_voltage",),
                "plus release_hysteresis must be below nominal_voltage, or the board never boots",
            )
        for index, command in enumerate(self.commands):
            if command.hex is not None and self.uart.receive_ending in ("CR", "LF", "CRLF"):
                yield ("commands", index, "hex"), 'goes with uart.receive_ending = "none" only'

    @staticmethod
    def references(raw: dict[str, Any]) -> Iterator[tuple[KeyPath, str]]:
        names = names_in(raw.get("states"))
        yield from repeated("states", names)
        for path, used in _states_used(raw):
            if isinstance(used, str) and used not in names:
                yield path, undefined("state", used, names)
        loads = list(_table(raw.get("loads")))
        for path, used in _loads_used(raw):
            if isinstance(used, str) and used not in loads:
                yield path, undefined("load", used, loads)


def _not_below(minimum_V: float, hysteresis_V: float, nominal_V: float) -> bool:
    if UNKNOWN in (minimum_V, hysteresis_V):
        return False
    return minimum_V + hysteresis_V >= nominal_V


def _table(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _states_used(raw: dict[str, Any]) -> Iterator[tuple[KeyPath, Any]]:
    yield ("boot", "state"), _table(raw.get("boot")).get("state")
    for index, command in enumerate(tables_in(raw.get("commands"))):
        yield ("commands", index, "enters"), command.get("enters")
    for index, state in enumerate(tables_in(raw.get("states"))):
        for number, wake in enumerate(tables_in(state.get("wake"))):
            yield ("states", index, "wake", number, "into"), wake.get("into")
        yield ("states", index, "then", "state"), _table(state.get("then")).get("state")
    reset = _table(_table(raw.get("defects")).get("spontaneous_reset"))
    yield ("defects", "spontaneous_reset", "state"), reset.get("state")


def _loads_used(raw: dict[str, Any]) -> Iterator[tuple[KeyPath, Any]]:
    for table, key in (("states", "loads"), ("commands", "loads_on"), ("commands", "loads_off")):
        for index, entry in enumerate(tables_in(raw.get(table))):
            used = entry.get(key)
            for number, load in enumerate(used if isinstance(used, list) else []):
                yield (table, index, key, number), load


class _DefectiveBoard(TomlFile):
    """A board that is like another, but for its defects."""

    FORMAT: ClassVar[str] = SimulatedBoardFile.FORMAT

    format: Literal["benchrig/simulated-board/1"]
    based_on: Text
    name: Text
    defects: Defects


def load_board(path: str | PathLike[str]) -> SimulatedBoardFile:
    """The board in the file at `path`, which may be `based_on` another file beside it: its
    `[defects]` then take the place of the other's. Raises `FileProblems` and `UsageError`."""
    place = as_path(path, "simulated board")
    if not _is_based_on_another(place):
        return read_toml(place, SimulatedBoardFile)
    variant = read_toml(place, _DefectiveBoard)
    base_path = place.parent / variant.based_on
    if _is_based_on_another(base_path):
        message = f"{variant.based_on!r} is itself based on another file; name that one"
        raise FileProblems([variant.problem(("based_on",), message)])
    base = variant.referred(("based_on",), lambda: read_toml(base_path, SimulatedBoardFile))
    reset, names = variant.defects.spontaneous_reset, [state.name for state in base.states]
    if reset is not None and reset.state not in names:
        message = undefined("state", reset.state, names)
        raise FileProblems([variant.problem(("defects", "spontaneous_reset", "state"), message)])
    return base.model_copy(update={"name": variant.name, "defects": variant.defects})


def _is_based_on_another(path: Path) -> bool:
    try:
        return "based_on" in tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except (OSError, ValueError, RecursionError):
        return False  # the reader of the file says what is wrong with it
