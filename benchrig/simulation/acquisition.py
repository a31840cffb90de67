"""One acquisition of the simulated meter, from INITiate to idle (SCPI-1999 vol.2 chapter 24)."""

from __future__ import annotations

from dataclasses import dataclass

from benchrig.simulation.ammeter import Ammeter


@dataclass(frozen=True)
class Plan:
    """What INITiate fixes for the whole acquisition.

    `idle_s` is the time after each aperture in which the meter does not look at its input.
    """

    nplc: float
    aperture_s: float
    idle_s: float
    delay_s: float
    samples: int
    triggers: int
    by_bus: bool
    of_current: bool
    autorange: bool


class Acquisition:
    """Goes from aperture edge to aperture edge. `edge_s` is None while it waits for a trigger
    and when it is done. Edges lie at multiples of one cycle, so that no rounding adds up."""

    def __init__(self, plan: Plan, ammeter: Ammeter, t: float) -> None:
        self.readings: list[float] = []
        self.edge_s: float | None = None
        self._plan = plan
        self._ammeter = ammeter
        self._triggers_left = plan.triggers
        self._samples_left = 0
        self._first_s = 0.0
        self._cycles = 0
        self._range_changes = 0
        self._opened_s: float | None = None
        self._opened_C = 0.0
        if not plan.by_bus:
            self.trigger(t)

    @property
    def done(self) -> bool:
        return self._triggers_left == 0 and self._samples_left == 0

    @property
    def waits_for_trigger(self) -> bool:
        return self._triggers_left > 0 and self._samples_left == 0

    @property
    def lacks_trigger(self) -> bool:
        """Whether it can't end without one more *TRG."""
        return self._plan.by_bus and self._triggers_left > 0

    def trigger(self, t: float) -> None:
        """One trigger: after the delay the samples begin."""
        self._triggers_left -= 1
        self._samples_left = self._plan.samples
        self._restart(t + self._plan.delay_s)

    def step(self) -> None:
        """Pass the aperture edge at `edge_s`."""
        assert self.edge_s is not None
        edge_s = self.edge_s
        circuit = self._ammeter.circuit
        circuit.advance(edge_s)
        if self._opened_s is None:
            self._opened_s, self._opened_C = edge_s, circuit.charge_C
            self.edge_s = self._cycle_start_s + self._plan.aperture_s
            return
        charge_C = circuit.charge_C - self._opened_C
        opened_s, self._opened_s = self._opened_s, None
        if not self._plan.of_current:
            self._take(self._ammeter.open_input_V(self._plan.nplc), edge_s)
            return
        mean_A = charge_C / (edge_s - opened_s)
        reading_A = self._ammeter.reading_A(opened_s, edge_s, mean_A)
        if not (self._plan.autorange and self._changes_range(reading_A, edge_s)):
            self._take(reading_A, edge_s)

    def ends_at(self) -> float | None:
        """When it will be done, if autorange does not hold it up; None if a trigger is missing."""
        if self.edge_s is None or self.lacks_trigger:
            return None
        plan = self._plan
        cycle_s = plan.aperture_s + plan.idle_s
        end_s = self._cycle_start_s + (self._samples_left - 1) * cycle_s + plan.aperture_s
        return end_s + self._triggers_left * (plan.delay_s + plan.samples * cycle_s)

    @property
    def _cycle_start_s(self) -> float:
        return self._first_s + self._cycles * (self._plan.aperture_s + self._plan.idle_s)

    def _restart(self, t: float) -> None:
        self._first_s, self._cycles, self.edge_s = t, 0, t

    def _changes_range(self, reading_A: float, edge_s: float) -> bool:
        """Whether autorange discards this reading. A current that fits no range because each
        shunt changes it must not keep the meter busy for ever, so it tries a few times only."""
        index = self._ammeter.autorange(reading_A)
        if index == self._ammeter.index or self._range_changes > 2 * self._ammeter.range_count:
            return False
        self._range_changes += 1
        self._ammeter.select(index, edge_s)
        self._restart(edge_s + self._ammeter.settling_s)
        return True

    def _take(self, reading: float, edge_s: float) -> None:
        self.readings.append(reading)
        self._range_changes = 0
        self._samples_left -= 1
        self._cycles += 1
        if self._samples_left:
            self.edge_s = max(self._cycle_start_s, edge_s)  # rounding must not turn time back
        elif self._triggers_left == 0 or self._plan.by_bus:
            self.edge_s = None
        else:
            self.trigger(edge_s + self._plan.idle_s)
