"""The bench file: what is wired to what, and how each instrument is reached."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, Field

from benchrig.session.fields import (
    NOT_NEGATIVE,
    Current,
    Duration,
    FileModel,
    Frequency,
    Name,
    PositiveCurrent,
    PositiveDuration,
    PositiveVoltage,
    Share,
    Temperature,
    Text,
)
from benchrig.session.sheet import PositiveNplc
from benchrig.session.toml_file import TomlFile
from benchrig.session.toml_lines import KeyPath

Termination = Literal["CR", "LF", "CRLF"]
Parity = Literal["none", "even", "odd", "mark", "space"]
FlowControl = Literal["none", "xonxoff", "rtscts", "dsrdtr"]


def _stop_bits(value: float) -> float:
    if value not in (1, 1.5, 2):
        raise ValueError("must be 1, 1.5 or 2")
    return value


class SerialPort(FileModel):
    """Settings of a UART."""

    baud_rate: Annotated[int, Field(gt=0)] = 9600
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Parity = "none"
    stop_bits: Annotated[float, AfterValidator(_stop_bits)] = 1
    flow_control: FlowControl = "none"


class Parking(FileModel):
    """Where the UART lines are put while a board sleeps and its current is measured."""

    tx: Literal["idle", "low", "closed"] = "idle"
    dtr: bool | None = None
    rts: bool | None = None

    @property
    def needed(self) -> bool:
        return self != Parking()


class Leakage(FileModel):
    """What the UART lines add to the board's supply current while they are not parked (negative:
    what they take from it), and how far that may be wrong."""

    current: Current
    within: Annotated[Current, NOT_NEGATIVE]


class BoardPort(SerialPort):
    port: Text | None = None
    exclusive: bool = True
    dtr: bool | None = None
    rts: bool | None = None
    parking: Parking = Parking()
    leakage: Leakage | None = None


class ScpiPort(SerialPort):
    """How a SCPI instrument is reached; the serial settings count for ASRL addresses only."""

    address: Text | None = None
    backend: Text = "@py"
    read_termination: Termination = "LF"
    write_termination: Termination = "LF"
    timeout: PositiveDuration = 2.0


class MeterPort(ScpiPort):
    sheet: Text | None = None
    zeros: Text | None = None
    verification: Text | None = None
    nplc: PositiveNplc | None = None
    line_frequency: Frequency = 50.0


_METER_FILES = ("sheet", "zeros", "verification")


class SupplyPort(ScpiPort):
    current_limit: PositiveCurrent
    highest_voltage: PositiveVoltage
    at_end: Literal["off", "on", "unchanged"] = "off"
    # Of the output voltage, as limits of error.
    accuracy: Share | None = None
    settling: Duration = 0.2


class AmbientTemperature(FileModel):
    """The temperature around the meter; it is within so many degrees of it."""

    temperature: Temperature
    within: Annotated[Temperature, NOT_NEGATIVE] = 0.0


class Simulation(FileModel):
    """A bench of simulated instruments on the virtual clock, instead of ports."""

    board: Text
    seed: Annotated[int, Field(ge=0)] = 1


class BenchFile(TomlFile):
    FORMAT: ClassVar[str] = "benchrig/bench/1"

    format: Literal["benchrig/bench/1"]
    name: Name
    board: BoardPort = BoardPort()
    meter: MeterPort = MeterPort()
    supply: SupplyPort | None = None
    ambient: AmbientTemperature | None = None
    simulation: Simulation | None = None

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        for table, key, given, example in (
            ("board", "port", self.board.port, "/dev/ttyUSB0"),
            ("meter", "address", self.meter.address, "TCPIP::192.0.2.7::5025::SOCKET"),
            ("supply", "address", self.supply and self.supply.address, "ASRL/dev/ttyUSB1::INSTR"),
        ):
            if self.simulation is None:
                if given is None and getattr(self, table) is not None:
                    yield (table, key), f'is missing: add {key} = "{example}", say'
            elif given is not None:
                yield (table, key), "does not go with [simulation]: a simulated bench has no ports"
        if self.simulation is not None and self.meter.sheet is None:
            yield (
                ("meter", "sheet"),
                "is missing: a simulated meter is made from a meter sheet: "
                'add sheet = "my-meter.toml", say',
            )

    def beside(self, folder: Path) -> BenchFile:
        """The same with its file names made relative to `folder`."""

        def placed(name: str | None) -> str | None:
            return None if name is None else str(folder / name)

        meter = self.meter.model_copy(
            update={key: placed(getattr(self.meter, key)) for key in _METER_FILES}
        )
        simulation = self.simulation and self.simulation.model_copy(
            update={"board": placed(self.simulation.board)}
        )
        return self.model_copy(update={"meter": meter, "simulation": simulation})
