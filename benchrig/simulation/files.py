"""The simulated-board file: how a board that exists only here behaves and what it draws."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, ClassVar, Literal

from pydantic import BeforeValidator, Field

from benchrig.errors import FileProblem, FileProblems
from benchrig.session.fields import Capacitance, Frequency, Name, PositiveVoltage, Text, Voltage
from benchrig.session.toml_file import TomlFile, read_toml
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
from benchrig.units import parse_quantity

Celsius = Annotated[float, BeforeValidator(lambda value: parse_quantity(value, "°C"))]


class SimulatedBoardFile(TomlFile):
    FORMAT: ClassVar[str] = "benchrig/simulated-board/1"

    format: Literal["benchrig/simulated-board/1"]
    name: Text
    nominal_voltage: PositiveVoltage
    minimum_voltage: PositiveVoltage
    release_hysteresis: Voltage = 0.1
    reset_conductance: Conductance
    decoupling: Capacitance = 0.0
    temperature: Celsius = 25.0
    clock: Frequency = 1e6
    loads: dict[Name, NotNegativeCurrent] = Field(default_factory=dict)
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

    def conflicts(self) -> Iterator[tuple[KeyPath, str]]:
        if self.minimum_voltage + self.release_hysteresis >= self.nominal_voltage:
            yield (
                ("minimum_voltage",),
                "plus release_hysteresis must be below nominal_voltage, or the board never boots",
            )
        yield from self._name_conflicts()
        ends_messages = self.uart.receive_ending != "none"
        for index, command in enumerate(self.commands):
            if command.hex is not None and ends_messages:
                yield ("commands", index, "hex"), 'goes with uart.receive_ending = "none" only'

    def _name_conflicts(self) -> Iterator[tuple[KeyPath, str]]:
        names = [state.name for state in self.states]
        for index, name in enumerate(names):
            if name in names[:index]:
                yield ("states", index, "name"), f"{name!r} is used twice; names must differ"
        for path, used in self._states_used():
            if used not in names:
                yield path, f"state {used!r} is not defined; defined: {', '.join(names)}"
        for path, used in self._loads_used():
            if used not in self.loads:
                known = ", ".join(self.loads) or "none"
                yield path, f"load {used!r} is not defined in [loads]; defined: {known}"

    def _states_used(self) -> Iterator[tuple[KeyPath, str]]:
        yield ("boot", "state"), self.boot.state
        for index, command in enumerate(self.commands):
            if command.enters is not None:
                yield ("commands", index, "enters"), command.enters
        for index, state in enumerate(self.states):
            for number, wake in enumerate(state.wake):
                if wake.into is not None:
                    yield ("states", index, "wake", number, "into"), wake.into
        if self.defects.spontaneous_reset is not None:
            yield ("defects", "spontaneous_reset", "state"), self.defects.spontaneous_reset.state

    def _loads_used(self) -> Iterator[tuple[KeyPath, str]]:
        for index, state in enumerate(self.states):
            for number, load in enumerate(state.loads):
                yield ("states", index, "loads", number), load
        for index, command in enumerate(self.commands):
            for key in ("loads_on", "loads_off"):
                for number, load in enumerate(getattr(command, key)):
                    yield ("commands", index, key, number), load


class _DefectiveBoard(TomlFile):
    """A board that is like another, but for its defects."""

    FORMAT: ClassVar[str] = SimulatedBoardFile.FORMAT

    format: Literal["benchrig/simulated-board/1"]
    based_on: Text
    name: Text
    defects: Defects


def load_board(path: Path) -> SimulatedBoardFile:
    """The board in the file at `path`, which may be `based_on` another file beside it: its
    `[defects]` then take the place of the other's. Raises `FileProblems`."""
    if not _is_based_on_another(path):
        return read_toml(path, SimulatedBoardFile)
    variant = read_toml(path, _DefectiveBoard)
    base_path = path.parent / variant.based_on
    if _is_based_on_another(base_path):
        message = f"{variant.based_on!r} is itself based on another file; name that one"
        raise FileProblems([FileProblem(str(path), None, "based_on", message)])
    base = read_toml(base_path, SimulatedBoardFile)
    board = base.model_copy(update={"name": variant.name, "defects": variant.defects})
    problems = [
        FileProblem(str(path), None, ".".join(map(str, where)), message)
        for where, message in board.conflicts()
    ]
    if problems:
        raise FileProblems(problems)
    return board


def _is_based_on_another(path: Path) -> bool:
    try:
        return "based_on" in tomllib.loads(path.read_bytes().decode("utf-8"))
    except (OSError, ValueError, RecursionError):
        return False  # the reader of the file says what is wrong with it
