"""The meter driver: any SCPI-1999 ammeter.

Settles once, at the start and from the meter's own error queue, how readings can be fetched;
never leaves autorange on; tells every range it is put on by what the meter itself reads back.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from enum import Enum

import numpy as np

from benchrig.clock import Clock
from benchrig.drivers.instrument import ScpiInstrument
from benchrig.drivers.scpi import is_overload, is_valid, parse_block, parse_numbers
from benchrig.errors import Fault
from benchrig.session.bench_file import MeterPort
from benchrig.session.sheet import MeterSheet

# Without a meter sheet the shunt is unknown. Half a volt at full scale is a large burden for a
# current range (common practice, no source), so that the choice of a range errs to the safe side.
ASSUMED_BURDEN_V = 0.5
ASSUMED_SETTLING_S = 0.1
# The offset of an unknown meter, as a share of full scale. Only ever used to tell a current from
# none, never in a result: wide, so that no rise is seen where there is none.
ASSUMED_OFFSET = 0.001

_RANGE = "SENS:CURR:DC:RANG"


class ReadingFormat(Enum):
    """How readings are fetched, the best first."""

    BLOCK = "batches as REAL,64 blocks"
    ASCII = "batches in ASCII"
    SINGLE = "one READ? at a time"


@dataclass(frozen=True)
class MeterRange:
    """One current range, as the sheet or (accuracies then None) the meter describes it."""

    full_scale_A: float
    overload_A: float
    shunt_ohm: float
    shunt_assumed: bool
    settling_s: float
    count_A: float = 0.0
    gain: float | None = None
    offset: float | None = None


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
    """The open-circuit reading of one range."""

    full_scale_A: float
    offset_A: float
    standard_uncertainty_A: float
    taken: datetime


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
        self.ranges: tuple[MeterRange, ...] = () if sheet is None else _from_sheet(sheet, self.nplc)
        # None while it is not known which range the meter is on.
        self.range: MeterRange | None = None
        self.format: ReadingFormat | None = None
        self._sample_count = 0
        self._acquiring = False
        self.interval_s = self.aperture_s

    @property
    def nplc(self) -> float:
        if self._port.nplc is not None:
            return self._port.nplc
        return 1.0 if self.sheet is None else max(1.0, self.sheet.fastest_nplc)

    @property
    def aperture_s(self) -> float:
        return self.nplc / self._port.line_frequency

    @property
    def dead_share(self) -> float:
        """The share of time in which the meter is blind between readings."""
        return max(0.0, 1.0 - self.aperture_s / self.interval_s)

    # -- set-up -----------------------------------------------------------------------------

    def open(self) -> str:
        """Open, reset, configure, and find out how readings are fetched; returns the identity.
        Afterwards the meter is on its highest range."""
        identity = self.instrument.open()
        # *RST may leave current measurement; the board, if it has power, may reset here, so this
        # comes before anybody has said hello to it.
        self.instrument.write("*CLS")
        self.instrument.configure("*RST")
        if not self.instrument.accepts("CONF:CURR:DC MAX"):
            self.instrument.configure('SENS:FUNC "CURR:DC"')
        self.instrument.configure("SENS:CURR:DC:RANG:AUTO OFF")
        if self.instrument.ask("SENS:CURR:DC:RANG:AUTO?") not in ("0", "OFF"):
            raise Fault("meter_error", "meter: autorange is still on after it was turned off")
        if not self.ranges:
            self.ranges = self._reported_ranges()
        self.set_range(self.ranges[-1])
        self._set_aperture()
        self.format = self._find_format()
        return identity

    def close(self) -> None:
        self.instrument.close()

    def _reported_ranges(self) -> tuple[MeterRange, ...]:
        lowest = self.instrument.ask_number(f"{_RANGE}? MIN")
        highest = self.instrument.ask_number(f"{_RANGE}? MAX")
        if not 0 < lowest <= highest:
            raise Fault("meter_error", f"meter: reports ranges from {lowest} A to {highest} A")
        scales = [highest]
        # The ranges between are taken to be decades until one is used and reads back otherwise.
        while scales[-1] / 10 >= lowest * 0.99 and len(scales) < 20:
            scales.append(scales[-1] / 10)
        return tuple(_unknown_range(scale) for scale in reversed(scales))

    def _set_aperture(self) -> None:
        if self.instrument.accepts(f"SENS:CURR:DC:NPLC {self.nplc:g}"):
            return
        self.instrument.configure(f"SENS:CURR:DC:APER {self.aperture_s:g}")

    def _find_format(self) -> ReadingFormat:
        """Try the ways to fetch readings, the best first, and keep the first that works."""
        accepts = self.instrument.accepts
        if not (accepts("SAMP:COUN 2") and accepts("INIT")):
            accepts("FORM:DATA ASC")
            return ReadingFormat.SINGLE
        self.instrument.ask_bytes("FETC?", timeout_s=self._patience_s(2))
        self._sample_count = 2
        # Numbers are big-endian by default (SCPI-1999 FORMat:BORDer), so that a meter which
        # does not know the command may still send them so.
        if accepts("FORM:DATA REAL,64") and self.instrument.ask("FORM:DATA?").startswith("REAL"):
            accepts("FORM:BORD NORM")
            self.format = ReadingFormat.BLOCK
            try:
                if _plausible(self.acquire(2).currents_A):
                    return ReadingFormat.BLOCK
            except Fault as fault:
                if fault.kind != "garbled_reply":
                    raise
        accepts("FORM:DATA ASC")
        return ReadingFormat.ASCII

    # -- ranges -----------------------------------------------------------------------------

    def set_range(self, wanted: MeterRange) -> None:
        """Change the range, read it back, and wait until the meter itself has settled."""
        if self._acquiring:
            self.instrument.write("ABOR")
            self._acquiring = False
        # Not known until it is read back: whatever fails from here, nobody relies on a range.
        self.range = None
        self.instrument.configure(f"{_RANGE} {wanted.full_scale_A:.6G}")
        reported = self.instrument.ask_number(f"{_RANGE}?")
        if self.sheet is None:
            wanted = self._correct(wanted, reported)
        elif not 0.7 * wanted.full_scale_A <= reported <= 1.5 * wanted.full_scale_A:
            raise Fault(
                "meter_error",
                f"meter: was put on its {wanted.full_scale_A:g} A range and reads back "
                f"{reported:g} A. Does the meter sheet belong to this meter?",
            )
        self._clock.sleep(wanted.settling_s)
        self.range = wanted

    def _correct(self, wanted: MeterRange, reported: float) -> MeterRange:
        """Without a sheet: the range that the meter really has in place of a supposed one."""
        if reported < wanted.full_scale_A * 0.99:
            raise Fault(
                "meter_error",
                f"meter: was asked for a range of {wanted.full_scale_A:g} A and reads back a "
                f"lower one, {reported:g} A",
            )
        real = _unknown_range(reported)
        scales = {entry.full_scale_A: entry for entry in self.ranges}
        scales.pop(wanted.full_scale_A, None)
        scales[real.full_scale_A] = real
        self.ranges = tuple(scales[scale] for scale in sorted(scales))
        return real

    # -- readings ---------------------------------------------------------------------------

    def acquire(self, count: int, meanwhile: Callable[[float], None] | None = None) -> Readings:
        """`count` readings on the present range.

        While the meter is at work, ``meanwhile(seconds)`` is called in place of waiting; what it
        raises ends the acquisition.
        """
        if self.range is None:
            raise Fault("meter_error", "meter: the range is not known; set one before reading")
        wait = meanwhile or self._clock.sleep
        start_s = self._clock.monotonic()
        if self.format is ReadingFormat.SINGLE:
            currents = self._singles(count, wait)
        else:
            currents = self._batch(count, wait)
        end_s = self._clock.monotonic()
        self.interval_s = (end_s - start_s) / count
        times = start_s + self.interval_s * np.arange(1, count + 1)
        zero = self.zeros.get(self.range.full_scale_A)
        if zero is not None:
            currents = np.where(is_valid(currents), currents - zero.offset_A, currents)
        return Readings(times, currents, self.range)

    def _singles(self, count: int, wait: Callable[[float], None]) -> np.ndarray:
        values = np.empty(count)
        for index in range(count):
            wait(0.0)
            values[index] = self.instrument.ask_number("READ?", self._patience_s(1))
        return values

    def _batch(self, count: int, wait: Callable[[float], None]) -> np.ndarray:
        if count != self._sample_count:
            self._sample_count = 0
            self.instrument.configure(f"SAMP:COUN {count}")
            self._sample_count = count
        self._acquiring = True
        self.instrument.write("INIT")
        ready_s = self._clock.monotonic() + count * self.interval_s * 0.98
        while (left := ready_s - self._clock.monotonic()) > 0:
            wait(min(left, 0.1))
        parse = parse_block if self.format is ReadingFormat.BLOCK else parse_numbers
        currents = self.instrument.ask_as(
            "FETC?", lambda answer: parse(answer, count), self._patience_s(count)
        )
        self._acquiring = False
        return currents

    def _patience_s(self, count: int) -> float:
        """How long `count` readings may take: a meter may double the aperture to null itself,
        and some pause between readings."""
        return count * (3 * self.aperture_s + 0.02) + self._port.timeout

    # -- leaving ----------------------------------------------------------------------------

    def make_safe(self) -> None:
        """End what is running and go to the highest range."""
        self.instrument.write("ABOR")
        self._acquiring = False
        self.set_range(self.ranges[-1])


def _from_sheet(sheet: MeterSheet, nplc: float) -> tuple[MeterRange, ...]:
    half = 2.0 if sheet.accuracy_is == "expanded" else 3.0**0.5
    return tuple(
        MeterRange(
            full_scale_A=entry.full_scale,
            overload_A=entry.overload_A,
            shunt_ohm=entry.shunt_ohm,
            shunt_assumed=False,
            settling_s=sheet.settling_s(entry),
            count_A=entry.count_A(nplc),
            gain=entry.gain_accuracy / half,
            offset=entry.offset_accuracy / half,
        )
        for entry in sheet.ranges
    )


def _unknown_range(full_scale_A: float) -> MeterRange:
    return MeterRange(
        full_scale_A=full_scale_A,
        overload_A=full_scale_A,
        shunt_ohm=ASSUMED_BURDEN_V / full_scale_A,
        shunt_assumed=True,
        settling_s=ASSUMED_SETTLING_S,
    )


def _plausible(currents: np.ndarray) -> bool:
    """Whether these can be currents, overloads or zeros: a block in the other byte order reads
    as absurd numbers without any error."""
    size = np.abs(currents)
    return bool(((size == 0) | ((size > 1e-18) & (size < 1e3)) | (size >= 9e36)).all())
