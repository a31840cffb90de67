"""How readings are fetched from a SCPI meter: in which format, how many at once, and when each of
them was taken."""

from __future__ import annotations

import math
from collections.abc import Callable
from enum import Enum

import numpy as np

from benchrig.clock import Clock
from benchrig.drivers.instrument import ScpiInstrument
from benchrig.drivers.scpi import parse_block, parse_numbers
from benchrig.errors import CannotOpen, Fault, NoReply, WireFault, WireLost

Wait = Callable[[float], None]

# The answer to FETCh? is asked for this much before the readings can be there, and this share of
# their time: so that the meter, and not the asking, tells when they are.
EARLY_S = 0.1
EARLY_SHARE = 0.05
# So many readings that vary are never alike twice by chance.
NEVER_ALIKE = 10
LEAST_S = 1e-6
# How long to wait at once between looks at the time.
SLICE_S = 0.1


class ReadingFormat(Enum):
    """How readings are fetched, the best first."""

    BLOCK = "batches as REAL,64 blocks"
    ASCII = "batches in ASCII"
    SINGLE = "one READ? at a time"


class Sampler:
    """Takes readings with whatever is set on the meter. Raises ``meter_error`` and whatever the
    instrument and `wait` raise; after any of it `abort` brings the meter back."""

    def __init__(
        self, instrument: ScpiInstrument, clock: Clock, aperture_s: float, timeout_s: float
    ) -> None:
        self._instrument = instrument
        self._clock = clock
        self._aperture_s = aperture_s
        self._timeout_s = timeout_s
        self.format: ReadingFormat | None = None
        # True from INITiate until its readings are there: whatever comes between, ABORt first.
        self._running = False
        # SAMPle:COUNt as it was set last (0: not known), and the most that the meter takes.
        self._sample_count = 0
        self._most_samples = 1_000_000
        self._before = np.empty(0)
        self._last_s = -math.inf
        # The shortest time per reading that was seen, since the last change of range and at all:
        # a late reply is no slower meter.
        self._pace_s = math.inf
        self._fastest_s = math.inf

    @property
    def interval_s(self) -> float:
        """From one reading of a batch to the next."""
        known = (pace_s for pace_s in (self._pace_s, self._fastest_s) if pace_s < math.inf)
        return next(known, self._aperture_s)

    def restart(self) -> None:
        """After a reset of the meter nothing is known of it."""
        self._running = False
        self._sample_count = 0
        self.forget_pace()

    def forget_pace(self) -> None:
        """Another range may need more time for each reading."""
        self._pace_s = math.inf

    def abort(self, *, always: bool = False) -> None:
        """End what is running: settings may be refused meanwhile, or end it by themselves."""
        if (self._running or always) and not self._instrument.accepts("ABOR"):
            # Then it ends by itself.
            self._instrument.ask("*OPC?", self._patience_s(max(self._sample_count, 2)))
        self._running = False

    # -- the format -------------------------------------------------------------------------

    def find_format(self) -> None:
        """Try the ways to fetch readings, the best first, and keep the first that works."""
        if self._works(self._measures_in_batches):
            for way, proof in (
                (ReadingFormat.BLOCK, self._sends_blocks),
                (ReadingFormat.ASCII, self._sends_text),
            ):
                self.format = way
                if self._works(proof):
                    return
        self.abort()
        # READ? gives as many readings as were set last.
        self._instrument.accepts("SAMP:COUN 1")
        self._instrument.accepts("FORM:DATA ASC")
        self.format = ReadingFormat.SINGLE
        self.take(1, self._clock.sleep)

    def _works(self, attempt: Callable[[], bool]) -> bool:
        """Whether an attempt succeeds. Silence, nonsense and refusals are failures of it; a meter
        that has gone is not."""
        try:
            return attempt()
        except (WireLost, CannotOpen):
            raise
        except WireFault:
            return False

    def _measures_in_batches(self) -> bool:
        if not self._instrument.takes("SAMP:COUN", 2):
            return False
        self._running = True
        return self._instrument.accepts("INIT")

    def _sends_blocks(self) -> bool:
        if not self._instrument.accepts("FORM:DATA REAL,64"):
            return False
        # Numbers are big-endian by default (SCPI-1999 FORMat:BORDer), so that a meter which
        # does not know the command may still send them so. But zeros prove nothing.
        ordered = self._instrument.accepts("FORM:BORD NORM")
        return bool(self.take(2, self._clock.sleep)[1].any()) or ordered

    def _sends_text(self) -> bool:
        self._instrument.accepts("FORM:DATA ASC")
        return len(self.take(2, self._clock.sleep)[1]) == 2

    # -- readings ---------------------------------------------------------------------------

    def take(self, count: int, wait: Wait) -> tuple[np.ndarray, np.ndarray]:
        """`count` readings: the ends of their apertures on the clock (count,), and the readings
        in A (count,). ``wait(seconds)`` is called while the meter is at work."""
        self.abort()
        parts: list[tuple[np.ndarray, np.ndarray]] = []
        left = count
        while left > 0:
            single = self.format is ReadingFormat.SINGLE
            parts.append(self._single(wait) if single else self._batch(left, wait))
            left -= len(parts[-1][0])
        times, readings = zip(*parts, strict=True)
        return np.concatenate(times), np.concatenate(readings)

    def _single(self, wait: Wait) -> tuple[np.ndarray, np.ndarray]:
        wait(0.0)
        start_s = self._clock.monotonic()
        self._running = True
        readings = self._fetched("READ?", 1)
        return self._timed(start_s, 1), readings

    def _batch(self, wanted: int, wait: Wait) -> tuple[np.ndarray, np.ndarray]:
        """As many readings as are wanted, or as the meter takes at once."""
        count = self._set_count(wanted)
        self._running = True
        self._instrument.write("INIT")
        start_s = self._clock.monotonic()
        # The shortest that it can take: to come too late would look like a slower meter.
        pace_s = self._aperture_s if math.isinf(self._fastest_s) else self._fastest_s
        ready_s = start_s + count * pace_s * (1 - EARLY_SHARE) - EARLY_S
        while (left := ready_s - self._clock.monotonic()) > 0:
            wait(min(left, SLICE_S))
        wait(0.0)
        readings = self._fetched("FETC?", count)
        return self._timed(start_s, count), readings

    def _set_count(self, wanted: int) -> int:
        count = min(wanted, self._most_samples)
        while count != self._sample_count:
            self._sample_count = 0
            if self._instrument.takes("SAMP:COUN", count):
                self._sample_count = count
            elif count > 1:
                count = self._most_samples = count // 2
            else:
                raise Fault("meter_error", "meter: does not even take 'SAMP:COUN 1'")
        return count

    def _fetched(self, question: str, count: int) -> np.ndarray:
        try:
            readings = self._instrument.ask_as(
                question, lambda answer: self._parsed(answer, count), self._patience_s(count)
            )
        except NoReply as silence:
            # A query that fails has no answer; the error queue may tell why.
            errors = self._instrument.errors()
            if not errors:
                raise
            name, told = self._instrument.wire.name, "; ".join(map(str, errors))
            raise WireFault(
                "meter_error", name, f"no readings to {question!r}: {told}"
            ) from silence
        self._running = False
        self._check_fresh(readings)
        return readings

    def _check_fresh(self, readings: np.ndarray) -> None:
        """Raises for readings that were there before: the meter has not begun anew."""
        before, self._before = self._before, readings
        alike = before.shape == readings.shape and bool((before == readings).all())
        if alike and len(readings) >= NEVER_ALIKE and bool((readings != readings[0]).any()):
            raise Fault(
                "meter_error",
                f"meter: gave the same {len(readings)} readings twice: it does not obey INIT. Is "
                "its trigger set to immediate?",
            )

    def _parsed(self, answer: bytes, count: int) -> np.ndarray:
        if self.format is not ReadingFormat.BLOCK:
            return parse_numbers(answer, count)
        readings = parse_block(answer, count)
        if not _plausible(readings):
            raise Fault("garbled_reply", "a block of numbers that are no currents: is it SWAPped?")
        return readings

    def _timed(self, start_s: float, count: int) -> np.ndarray:
        """The ends of the apertures (count,), from the start to the first byte of the answer: the
        rest of it may be long under way."""
        # Never nothing, and never before the last one: a meter that gives what it had is told by
        # that, not by a division by 0.
        start_s = max(start_s, self._last_s)
        took_s = max(self._instrument.answered_s - start_s, LEAST_S)
        self._pace_s = min(self._pace_s, took_s / count)
        self._fastest_s = min(self._fastest_s, took_s / count)
        times_s = start_s + self._pace_s * np.arange(1, count + 1)
        self._last_s = float(times_s[-1])
        return times_s

    def _patience_s(self, count: int) -> float:
        """How long `count` readings may take: a meter may double the aperture to null itself,
        and some pause between readings."""
        return count * (3 * self._aperture_s + 0.02) + self._timeout_s


def _plausible(readings: np.ndarray) -> bool:
    """Whether these can be currents, overloads or zeros: a block in the other byte order reads
    as absurd numbers without any error."""
    size = np.abs(readings)
    if size.size and size.min() > 1e-30 and size.max() < 1e3:
        return True
    current = (size == 0) | ((size > 1e-30) & (size < 1e3))
    # No more than the sentinels: nearly half of all wrong numbers are larger.
    overload = ((size >= 9e36) & (size <= 1e38)) | np.isinf(size)
    return bool((current | overload).all())
