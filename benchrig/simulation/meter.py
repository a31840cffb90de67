"""The simulated meter: SCPI in front of an `Ammeter`.

Headers and their meaning are those of SCPI-1999 volume 2, from memory. Where it leaves a
choice: a setting that is changed while an acquisition runs is refused with -221 (ABORt first),
CONFigure and MEASure abort by themselves, and readings are gone (-230) after *RST, ABORt,
CONFigure, INITiate and a change of the function. *RST selects the voltage function; the current
path then still leads through the shunt of the highest range.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from dataclasses import replace

from benchrig.session.sheet import MeterSheet
from benchrig.simulation.acquisition import Acquisition
from benchrig.simulation.ammeter import Ammeter, MeterCircuit
from benchrig.simulation.commands import Command, Handler, Parameters, selection, switch
from benchrig.simulation.instrument import Instrument
from benchrig.simulation.meter_settings import MeterSettings
from benchrig.simulation.scpi import ScpiError, block, choice, nr3, number

FORMATS = ("ASC", "REAL,64", "REAL,32")


class SimulatedMeter(Instrument):
    """A SCPI meter in the supply line of `circuit`, made from a meter sheet.

    `dead_time_s` follows each aperture, and with `autozero` another aperture of blindness.
    `formats` are the data formats it knows, written like the answer to ``FORMat?``; ASCII always.
    Whatever changes the circuit must come after ``advance`` to the same moment: a mean over an
    aperture is taken from the charge at its two edges.
    """

    def __init__(
        self,
        sheet: MeterSheet,
        circuit: MeterCircuit,
        seed: int,
        *,
        identity: str = "Invented Instruments,Meter 6,0,1.0",
        line_frequency_Hz: float = 50.0,
        hum_A: float = 0.0,
        dead_time_s: float = 0.0,
        autozero: bool = False,
        formats: Iterable[str] = FORMATS,
        terminator: bytes = b"\n",
    ) -> None:
        self.ammeter = Ammeter(sheet, circuit, seed, line_frequency_Hz, hum_A)
        self._settings = MeterSettings(sheet, line_frequency_Hz)
        self._dead_time_s = dead_time_s
        self._autozero = autozero
        self.formats = frozenset(formats)
        self._acquisition: Acquisition | None = None
        self._readings: list[float] = []
        self._continuous = False
        self._format, self._border = "ASC", "NORM"
        super().__init__(identity, self._commands(), terminator)

    @property
    def force_overload(self) -> bool:
        """A switch for tests: every reading of a current is an overload."""
        return self.ammeter.force_overload

    @force_overload.setter
    def force_overload(self, value: bool) -> None:
        self.ammeter.force_overload = value

    # -- what the instrument asks of it -----------------------------------------------------

    @property
    def busy(self) -> bool:
        """A continuous acquisition is pending until it has its first readings, not for ever."""
        return self._acquisition is not None and not (self._continuous and self._readings)

    def reset(self) -> None:
        self._continuous = False
        self._abort()
        self._format, self._border = "ASC", "NORM"
        self._settings.reset()
        self._move_shunt()

    def trigger(self) -> None:
        if self._acquisition is None or not self._acquisition.waits_for_trigger:
            raise ScpiError(-211)
        self._acquisition.trigger(self.now_s)

    def _next_edge(self) -> float | None:
        return None if self._acquisition is None else self._acquisition.edge_s

    def _pass_edge(self) -> None:
        assert self._acquisition is not None
        self._acquisition.step()
        if self._settings.of_current:  # autorange may have moved it
            self._settings.range_index = self.ammeter.index
        if self._acquisition.done:
            self._readings = self._acquisition.readings
            self._acquisition = self._begin() if self._continuous else None

    def _ready_at(self) -> float | None:
        return None if self._acquisition is None else self._acquisition.ends_at()

    # -- acquiring --------------------------------------------------------------------------

    def _begin(self) -> Acquisition:
        plan = self._settings.plan(self._dead_time_s, self._autozero)
        return Acquisition(plan, self.ammeter, self.now_s)

    def _initiate(self) -> None:
        if self._acquisition is not None:
            raise ScpiError(-213)
        self._readings = []
        self._acquisition = self._begin()

    def _initiate_to_read(self) -> None:
        """READ? is ABORt;INITiate;FETCh? (SCPI-1999 vol.2 chapter 3). No *TRG could end it."""
        if self._settings.by_bus:
            raise ScpiError(-214)
        if self._continuous:
            raise ScpiError(-213)
        self._abort()
        self._initiate()

    def _abort(self) -> None:
        self._readings = []
        self._acquisition = self._begin() if self._continuous else None
        self._tell_completion()

    @property
    def continuous(self) -> bool:
        return self._continuous

    @continuous.setter
    def continuous(self, on: bool) -> None:
        self._continuous = on
        if on and self._acquisition is None:
            self._initiate()

    def _check_deadlock(self) -> None:
        """FETCh? would wait for a *TRG that can't get through while it waits."""
        if self.busy and self._acquisition is not None and self._acquisition.lacks_trigger:
            raise ScpiError(-214)

    def _fetch(self) -> str | bytes:
        if not self._readings:
            raise ScpiError(-230)
        if self._format == "ASC":
            return ",".join(nr3(reading) for reading in self._readings)
        order = "<" if self._border == "SWAP" else ">"
        kind = "d" if self._format == "REAL,64" else "f"
        return block(struct.pack(f"{order}{len(self._readings)}{kind}", *self._readings))

    # -- settings that do more than being kept ----------------------------------------------

    def _move_shunt(self) -> None:
        self.ammeter.select(self._settings.in_circuit, self.now_s)

    def _set_range(self, given: Parameters) -> None:
        self._settings.set_range(given)
        self._move_shunt()

    def _set_function(self, given: Parameters) -> None:
        self._settings.set_function(given)
        self._readings = []
        self._move_shunt()

    def _configure(self, given: Parameters) -> None:
        self._continuous = False
        self._abort()
        self._settings.configure(given)
        self._move_shunt()

    def _set_format(self, given: Parameters) -> None:
        wanted = choice(given[0], "ASCii", "REAL")
        length = number(given[1]) if len(given) > 1 else 64.0
        if wanted == "REAL":
            wanted = f"REAL,{length:g}"
            if wanted not in self.formats:
                raise ScpiError(-224)
        self._format = wanted

    def _format_answer(self) -> str:
        """An ASCII length of 0 means: as many digits as it likes (SCPI-1999 vol.2 9.1)."""
        return "ASC,0" if self._format == "ASC" else self._format

    # -- headers ----------------------------------------------------------------------------

    def _commands(self) -> list[Command]:
        fetch = Command("FETCh?", lambda given: self._fetch(), waits=True)
        read = Command("READ?", lambda given: self._initiate_to_read(), then=fetch)
        current = "[:SCALar]:CURRent[:DC]"
        settings = [
            *self._settings.commands(),
            Command("[SENSe:]FUNCtion[:ON]", self._set_function, 1, 1),
            Command("[SENSe:]CURRent[:DC]:RANGe[:UPPer]", self._set_range, 1, 1),
        ]
        return [
            *(self._when_idle(command) for command in settings),
            Command("INITiate[:IMMediate]", lambda given: self._initiate()),
            *switch("INITiate:CONTinuous", self, "continuous"),
            Command("ABORt", lambda given: self._abort()),
            Command("FETCh?", lambda given: self._check_deadlock(), then=fetch),
            read,
            Command(f"CONFigure{current}", self._configure, most=2),
            Command(f"MEASure{current}?", self._configure, most=2, then=read),
            Command("FORMat[:DATA]", self._set_format, 1, 2),
            Command("FORMat[:DATA]?", lambda given: self._format_answer()),
            *selection("FORMat:BORDer", self, "_border", "NORMal", "SWAPped"),
        ]

    def _when_idle(self, command: Command) -> Command:
        """A setting that is refused while an acquisition runs; its query is not."""

        def run(given: Parameters) -> str | bytes | None:
            if self._acquisition is not None:
                raise ScpiError(-221)
            return command.run(given)

        handler: Handler = command.run if command.header.endswith("?") else run
        return replace(command, run=handler)
