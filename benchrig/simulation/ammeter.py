"""The analogue part of the simulated meter: shunts, errors, noise, hum, settling, overload.

Everything comes from the meter sheet. The errors of each range are drawn once; a meter that
was made with the same seed has the same errors.
"""

from __future__ import annotations

import math
import random
from typing import Protocol

from benchrig.session.sheet import MeterSheet, SheetRange
from benchrig.simulation.scpi import INFINITY

# A change of range leaves an artefact of up to this share of full scale, which decays with a
# tenth of the settling time as its time constant and is gone after it. Invented, of a usual size.
ARTEFACT_SHARE = 0.5
ARTEFACT_DECAY = 0.1
# Autorange goes down when the reading is below this share of the next lower full scale.
# Common practice, no source: far enough below the overload limit not to go up again at once.
DOWN_SHARE = 0.9
OPEN_INPUT_NOISE_V = 1e-6


class MeterCircuit(Protocol):
    """What the meter does to the supply line and sees of it."""

    now_s: float
    charge_C: float

    def advance(self, t: float) -> None: ...
    def set_shunt(self, ohm: float, t: float) -> None: ...
    def open_for(self, duration_s: float, t: float) -> None: ...


class Ammeter:
    """Turns the mean current of an aperture into a reading.

    `gain_errors` (a share of the reading) and `offset_errors_A` are its true errors per range.
    """

    def __init__(
        self,
        sheet: MeterSheet,
        circuit: MeterCircuit,
        seed: int,
        line_frequency_Hz: float,
        hum_A: float,
    ) -> None:
        self.circuit = circuit
        self.hum_A = hum_A
        self.force_overload = False
        self.index = len(sheet.ranges) - 1
        self._sheet = sheet
        self._line_frequency_Hz = line_frequency_Hz
        self._random = random.Random(f"{seed} meter")
        self._hum_phase = self._random.uniform(0.0, 2.0 * math.pi)
        self.gain_errors = tuple(self._error(entry.gain_accuracy) for entry in sheet.ranges)
        self.offset_errors_A = tuple(
            self._error(entry.offset_accuracy * entry.full_scale) for entry in sheet.ranges
        )
        self._artefact_A = 0.0
        self._changed_s = self._settled_s = -math.inf
        circuit.set_shunt(self.range.shunt_ohm, circuit.now_s)

    @property
    def range(self) -> SheetRange:
        return self._sheet.ranges[self.index]

    @property
    def range_count(self) -> int:
        return len(self._sheet.ranges)

    def select(self, index: int, t: float) -> None:
        """Put the shunt of another range into the line. Nothing happens if it is there already."""
        if index == self.index:
            return
        self.index = index
        if self._sheet.range_change_interrupts:
            self.circuit.open_for(self._sheet.interruption, t)
        self.circuit.set_shunt(self.range.shunt_ohm, t)
        self._changed_s = t
        self._settled_s = t + self.settling_s
        size_A = self._random.uniform(0.5, 1.0) * ARTEFACT_SHARE * self.range.full_scale
        self._artefact_A = self._random.choice((-1.0, 1.0)) * size_A

    @property
    def settling_s(self) -> float:
        """What autorange waits after a change to this range."""
        return self._sheet.settling_s(self.range)

    def reading_A(self, start_s: float, end_s: float, mean_A: float) -> float:
        """What the present range makes of a mean current; +-9.9e37 if that is too much."""
        aperture_s = end_s - start_s
        nplc = aperture_s * self._line_frequency_Hz
        value_A = mean_A * (1.0 + self.gain_errors[self.index]) + self.offset_errors_A[self.index]
        value_A += self._hum(start_s, end_s) if self.hum_A else 0.0
        value_A += self._artefact(start_s, end_s) if start_s < self._settled_s else 0.0
        if self.range.noise is not None:
            value_A += self._random.gauss(0.0, self.range.noise / math.sqrt(nplc))
        if self.force_overload or abs(value_A) > self.range.overload_A:
            return math.copysign(INFINITY, value_A)
        count_A = self.range.count_A(nplc)
        return round(value_A / count_A) * count_A

    def open_input_V(self, nplc: float) -> float:
        """A reading of the voltage input, to which nothing is connected."""
        return self._random.gauss(0.0, OPEN_INPUT_NOISE_V / math.sqrt(nplc))

    def autorange(self, reading_A: float) -> int:
        """The range that this reading should have been taken on."""
        if abs(reading_A) > self.range.overload_A:
            return min(self.index + 1, len(self._sheet.ranges) - 1)
        index = self.index
        while index > 0 and abs(reading_A) < DOWN_SHARE * self._sheet.ranges[index - 1].full_scale:
            index -= 1
        return index

    def _error(self, accuracy: float) -> float:
        # An expanded uncertainty is no limit: one error in twenty lies outside, as the sheet says.
        if self._sheet.accuracy_is == "expanded":
            return self._random.gauss(0.0, accuracy / 2.0)
        return self._random.uniform(-accuracy, accuracy)

    def _hum(self, start_s: float, end_s: float) -> float:
        """The mean of a sine over the aperture: sinc times the value in its middle. Nothing is
        left of it at whole cycles, which is why apertures are counted in them."""
        half = math.pi * self._line_frequency_Hz * (end_s - start_s)
        middle = math.pi * self._line_frequency_Hz * (start_s + end_s)
        return self.hum_A * math.sin(half) / half * math.sin(middle + self._hum_phase)

    def _artefact(self, start_s: float, end_s: float) -> float:
        """The mean of the decaying artefact over the aperture, from its integral."""
        tau_s = ARTEFACT_DECAY * (self._settled_s - self._changed_s)
        until_s = min(end_s, self._settled_s)
        left_Cs = math.exp(-(start_s - self._changed_s) / tau_s) - math.exp(
            -(until_s - self._changed_s) / tau_s
        )
        return self._artefact_A * tau_s * left_Cs / (end_s - start_s)
