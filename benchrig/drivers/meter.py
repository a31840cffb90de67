"""The meter driver: any SCPI-1999 ammeter.

Settles once, at the start and from the meter's own error queue, how readings can be fetched;
never leaves autorange on; tells every range it is put on by what the meter itself reads back.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from benchrig.clock import Clock
from benchrig.drivers.instrument import ScpiInstrument
from benchrig.drivers.meter_ranges import RECTANGLE as RECTANGLE
from benchrig.drivers.meter_ranges import MeterRange as MeterRange
from benchrig.drivers.meter_ranges import checked, corrected, from_sheet, reported
from benchrig.drivers.sampler import ReadingFormat as ReadingFormat
from benchrig.drivers.sampler import Sampler
from benchrig.drivers.scpi import is_overload, is_valid
from benchrig.errors import Fault, WireFault
from benchrig.session.bench_file import MeterPort
from benchrig.session.sheet import MeterSheet

_CURRENT = "SENS:CURR:DC"
_RANGE = f"{_CURRENT}:RANG"
# The ways to select current measurement. After *RST a meter may measure voltage (SCPI-1999).
_SELECTIONS = ("CONF:CURR:DC MAX", "CONF:CURR:DC", 'SENS:FUNC "CURR:DC"')
# A reset switches relays.
RESET_S = 10.0


@dataclass(frozen=True)
class Readings:
    """`times_s` (n,): the end of each aperture on the clock's monotonic axis. `currents_A` (n,),
    the zero subtracted, with the sentinels of SCPI-1999 left in."""

    times_s: np.ndarray
    currents_A: np.ndarray
    range: MeterRange

    @property
    def overloaded(self) -> bool:
        return bool(is_overload(self.currents_A).any())


@dataclass(frozen=True)
class Zero:
    """The open-circuit reading of one range of one `meter`, named by its identity: the mean of
    as many `readings`."""

    meter: str
    full_scale_A: float
    offset_A: float
    standard_uncertainty_A: float
    taken: datetime
    readings: int

    @property
    def dof(self) -> float:
        return self.readings - 1.0


def nplc_of(port: MeterPort, sheet: MeterSheet | None) -> float:
    """How many power-line cycles a reading takes: as the bench file says, else one at least."""
    if port.nplc is not None:
        return port.nplc
    return 1.0 if sheet is None else max(1.0, sheet.fastest_nplc)


class Meter:
    """Raises `Fault` with kind ``meter_error`` and whatever its instrument and wire raise."""

    def __init__(
        self,
        instrument: ScpiInstrument,
        clock: Clock,
        port: MeterPort,
        sheet: MeterSheet | None,
        zeros: tuple[Zero, ...] = (),
    ) -> None:
        self.instrument = instrument
        self._clock = clock
        self._port = port
        self.sheet = sheet
        self.zeros = {zero.full_scale_A: zero for zero in zeros}
        self.ranges: tuple[MeterRange, ...] = () if sheet is None else from_sheet(sheet, self.nplc)
        # None while it is not known which range the meter is on.
        self.range: MeterRange | None = None
        self._sampler = Sampler(instrument, clock, self.aperture_s, port.timeout)

    @property
    def nplc(self) -> float:
        return nplc_of(self._port, self.sheet)

    @property
    def aperture_s(self) -> float:
        return self.nplc / self._port.line_frequency

    @property
    def format(self) -> ReadingFormat | None:
        """How readings are fetched; None before `open`."""
        return self._sampler.format

    @property
    def interval_s(self) -> float:
        """From one reading of a batch to the next."""
        return self._sampler.interval_s

    @property
    def dead_share(self) -> float:
        """The share of time in which the meter is blind between readings."""
        return max(0.0, 1.0 - self.aperture_s / self.interval_s)

    # -- set-up -----------------------------------------------------------------------------

    def open(self) -> str:
        """Open, reset, configure, and find out how readings are fetched; returns the identity.
        Afterwards the meter is on its highest range."""
        identity = self.instrument.open()
        for zero in self.zeros.values():
            if zero.meter != identity:
                raise Fault(
                    "zeros_of_another_meter",
                    f"meter: is {identity!r}, and the zeros were taken with {zero.meter!r}; take "
                    "them again with benchrig zero",
                )
        self.range = None
        self._sampler.restart()
        # *RST may leave current measurement; the board, if it has power, may reset here, so this
        # comes before anybody has said hello to it.
        for command in ("*CLS", "*RST", "INIT:CONT OFF", "ABOR"):
            # Some measure on their own after a reset, and refuse settings meanwhile.
            self.instrument.write(command)
        self.instrument.ask("*OPC?", RESET_S)
        if not any(self.instrument.accepts(selection) for selection in _SELECTIONS):
            self.instrument.configure('SENS:FUNC "CURR"')
        self._turn_autorange_off()
        if not self.ranges:
            ask = self.instrument.ask_number
            self.ranges = reported(ask(f"{_RANGE}? MIN"), ask(f"{_RANGE}? MAX"))
        self.set_range(self.ranges[-1])
        self._set_aperture()
        self._sampler.find_format()
        return identity

    def close(self) -> None:
        self.instrument.close()

    def _turn_autorange_off(self) -> None:
        self.instrument.configure(f"{_RANGE}:AUTO OFF")
        answer = self.instrument.ask(f"{_RANGE}:AUTO?").upper()
        if answer.removeprefix("+") not in ("0", "OFF"):
            raise Fault(
                "meter_error",
                f"meter: autorange is still on after it was turned off; it answers {answer!r}",
            )

    def _set_aperture(self) -> None:
        if self.instrument.takes(f"{_CURRENT}:NPLC", self.nplc):
            return
        if not self.instrument.takes(f"{_CURRENT}:APER", self.aperture_s):
            raise Fault(
                "meter_error",
                f"meter: takes no aperture of {self.nplc:g} power-line cycles "
                f"({self.aperture_s:g} s); give another nplc in the bench file",
            )

    # -- ranges -----------------------------------------------------------------------------

    def set_range(self, wanted: MeterRange) -> None:
        """Change the range, read it back, and wait until the meter itself has settled."""
        self._sampler.abort()
        # Not known until it is read back: whatever fails from here, nobody relies on a range.
        self.range = None
        self.instrument.configure(f"{_RANGE} {wanted.full_scale_A:.6G}")
        self._arrive(wanted)

    def _arrive(self, wanted: MeterRange) -> None:
        """The range is known again once it is read back and the meter has settled."""
        self._sampler.forget_pace()
        reads_back_A = self.instrument.ask_number(f"{_RANGE}?")
        if self.sheet is None:
            wanted, self.ranges = corrected(self.ranges, wanted, reads_back_A)
        else:
            checked(wanted, reads_back_A)
        self._clock.sleep(wanted.settling_s)
        self.range = wanted

    # -- readings ---------------------------------------------------------------------------

    def acquire(self, count: int, meanwhile: Callable[[float], None] | None = None) -> Readings:
        """`count` readings on the present range.

        While the meter is at work, ``meanwhile(seconds)`` is called in place of waiting; what it
        raises ends the acquisition.
        """
        if self.range is None:
            raise Fault("meter_error", "meter: the range is not known; set one before reading")
        times, currents = self._sampler.take(count, meanwhile or self._clock.sleep)
        zero = self.zeros.get(self.range.full_scale_A)
        if zero is not None:
            currents = np.where(is_valid(currents), currents - zero.offset_A, currents)
        return Readings(times, currents, self.range)

    # -- leaving ----------------------------------------------------------------------------

    def make_safe(self) -> None:
        """End what is running and go to the highest range; over a new connection, if something
        went wrong on the old one: the board may sleep on a range that does not carry it awake."""
        with self._clock.shielded():
            try:
                self._go_to_highest()
            except WireFault:
                self.instrument.close()
                self.instrument.open()
                self._go_to_highest()

    def _go_to_highest(self) -> None:
        self._sampler.abort(always=True)
        self.range = None
        if not self.ranges:  # it could not even tell them
            self.instrument.configure(f"{_RANGE} MAX")
            return
        # What it reads back is the proof: its error queue may hold anything by now.
        self.instrument.write(f"{_RANGE} {self.ranges[-1].full_scale_A:.6G}")
        self._arrive(self.ranges[-1])
