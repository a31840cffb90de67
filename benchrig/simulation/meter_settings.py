"""What can be set on the simulated meter, with the limits that its sheet gives.

Headers and their meaning are those of SCPI-1999 volume 2, from memory.
"""

from __future__ import annotations

from benchrig.session.sheet import MeterSheet, SheetRange
from benchrig.simulation.acquisition import Plan
from benchrig.simulation.commands import Command, Parameters, numeric, selection, switch
from benchrig.simulation.scpi import Scale, ScpiError, expand, forms, nr1, nr3, number, quoted

LONGEST_NPLC = 100.0
RESET_NPLC = 10.0
LONGEST_DELAY_S = 3600.0
MOST_SAMPLES = 1_000_000
_SPELLINGS = dict(forms("CURRent:VOLTage:DC"))


class MeterSettings:
    """Function, range, aperture and trigger. Whoever changes the range moves the shunt."""

    def __init__(self, sheet: MeterSheet, line_frequency_Hz: float) -> None:
        self.sheet = sheet
        self._line_frequency_Hz = line_frequency_Hz
        fastest, longest = sheet.fastest_nplc, max(LONGEST_NPLC, sheet.fastest_nplc)
        self._nplc_scale = Scale("", fastest, longest, max(RESET_NPLC, fastest))
        self.reset()

    def reset(self) -> None:
        """SCPI-1999: *RST selects the voltage function and autorange."""
        self.of_current = False
        self.range_index = len(self.sheet.ranges) - 1
        self.preset()

    def preset(self) -> None:
        """What *RST and CONFigure have in common."""
        self.autorange = True
        self.nplc = self._nplc_scale.default
        self.source = "IMM"
        self.triggers = self.samples = 1.0
        self.delay_s = 0.0

    @property
    def range(self) -> SheetRange:
        return self.sheet.ranges[self.range_index]

    @property
    def in_circuit(self) -> int:
        """The range whose shunt is in the line: the highest one while voltage is measured."""
        return self.range_index if self.of_current else len(self.sheet.ranges) - 1

    @property
    def by_bus(self) -> bool:
        return self.source == "BUS"

    @property
    def aperture_s(self) -> float:
        return self.nplc / self._line_frequency_Hz

    @aperture_s.setter
    def aperture_s(self, value: float) -> None:
        self.nplc = value * self._line_frequency_Hz

    @property
    def resolution_A(self) -> float:
        return self.range.count_A(self.nplc)

    def plan(self, dead_time_s: float, autozero: bool) -> Plan:
        return Plan(
            nplc=self.nplc,
            aperture_s=self.aperture_s,
            idle_s=dead_time_s + (self.aperture_s if autozero else 0.0),
            delay_s=self.delay_s,
            samples=round(self.samples),
            triggers=round(self.triggers),
            by_bus=self.by_bus,
            of_current=self.of_current,
            autorange=self.autorange,
        )

    def set_range(self, given: Parameters) -> None:
        """SCPI-1999 vol.2 18.4: the lowest range that takes the value; autorange goes off."""
        datum, scale = given[0], self._range_scale
        value = scale.named(datum) if datum.kind == "word" else number(datum, "A")
        if not 0.0 <= value <= scale.maximum * (1.0 + 1e-9):
            raise ScpiError(-222)
        fits = [value <= entry.full_scale * (1.0 + 1e-9) for entry in self.sheet.ranges]
        self.range_index = fits.index(True)
        self.autorange = False

    def set_resolution(self, given: Parameters) -> None:
        """The shortest listed aperture whose count is as fine as was asked for."""
        entries = sorted(self.range.resolution, key=lambda entry: entry.nplc)
        finest, coarsest = entries[-1].count, entries[0].count
        wanted_A = Scale("A", finest, self.range.full_scale, coarsest).value(given[0])
        self.nplc = next(e.nplc for e in entries if e.count <= wanted_A * (1.0 + 1e-9))

    def configure(self, given: Parameters) -> None:
        """CONFigure:CURRent. Nothing is changed if a parameter is refused."""
        before = dict(vars(self))
        try:
            self.preset()
            self.of_current = True
            if given and not (given[0].kind == "word" and given[0].text in ("DEF", "DEFAULT")):
                self.set_range(given[:1])
            if len(given) > 1:
                self.set_resolution(given[1:])
        except ScpiError:
            vars(self).update(before)
            raise

    def set_function(self, given: Parameters) -> None:
        if given[0].kind != "string":
            raise ScpiError(-104)
        path = tuple(_SPELLINGS.get(word, word) for word in given[0].text.upper().split(":"))
        if path not in [*expand("CURRent[:DC]"), *expand("VOLTage[:DC]")]:
            raise ScpiError(-224)
        self.of_current = path[0] == "CURR"

    @property
    def function(self) -> str:
        return "CURR" if self.of_current else "VOLT"

    @property
    def configuration(self) -> str:
        if not self.of_current:
            return self.function
        return f"{self.function} {nr3(self.range.full_scale)},{nr3(self.resolution_A)}"

    @property
    def _range_scale(self) -> Scale:
        scales = [entry.full_scale for entry in self.sheet.ranges]
        return Scale("A", scales[0], scales[-1], scales[-1])

    def _range_answer(self, given: Parameters) -> str:
        return nr3(self._range_scale.named(given[0]) if given else self.range.full_scale)

    def commands(self) -> list[Command]:
        """All but those that move the shunt, which are the meter's."""
        current, trigger = "[SENSe:]CURRent[:DC]", "TRIGger[:SEQuence]"
        counts = Scale("", 1, MOST_SAMPLES, 1, whole=True)
        delays = Scale("S", 0.0, LONGEST_DELAY_S, 0.0)
        cycles = self._nplc_scale
        apertures = Scale(
            "S",
            cycles.minimum / self._line_frequency_Hz,
            cycles.maximum / self._line_frequency_Hz,
            cycles.default / self._line_frequency_Hz,
        )
        return [
            Command("[SENSe:]FUNCtion[:ON]?", lambda given: quoted(self.function)),
            Command(f"{current}:RANGe[:UPPer]?", self._range_answer, most=1),
            *switch(f"{current}:RANGe:AUTO", self, "autorange"),
            *numeric(f"{current}:NPLCycles", self, "nplc", cycles),
            *numeric(f"{current}:APERture", self, "aperture_s", apertures),
            Command(f"{current}:RESolution?", lambda given: nr3(self.resolution_A)),
            *selection(f"{trigger}:SOURce", self, "source", "IMMediate", "BUS"),
            *numeric(f"{trigger}:COUNt", self, "triggers", counts, nr1),
            *numeric(f"{trigger}:DELay", self, "delay_s", delays),
            *numeric("SAMPle:COUNt", self, "samples", counts, nr1),
            Command("CONFigure?", lambda given: quoted(self.configuration)),
        ]
