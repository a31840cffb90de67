"""The supply line: an ideal source, the meter's shunt, and the board with its capacitor.

    source (current limit) -- contacts -- shunt -- board: C in parallel with I0 + g·V

Between two events every value is constant, so the voltage at the board is one exponential,

    C·dV/dt = p - q·V - (I0 + g·V),

with p - q·V what the meter carries: (Vs - V)/R, or the limit, or nothing while the circuit is
open. Nothing is integrated numerically: voltage, charge and the moment at which a voltage is
crossed all have closed forms (elementary circuit theory).
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from typing import Protocol

# Leads and contacts. Never zero, so that a capacitor charges in finite time.
CONTACT_OHM = 1e-3

# White noise is given as the rms of a mean over one power-line cycle at 50 Hz.
NOISE_APERTURE_S = 0.02


@dataclass(frozen=True, slots=True)
class Demand:
    """What the board draws at this moment: ``constant_A + per_volt_S * V``.

    `noise_A` is the rms of white noise on the current, in a mean over 20 ms.
    """

    constant_A: float
    per_volt_S: float
    noise_A: float = 0.0


class Load(Protocol):
    """The board as the circuit sees it. A new `demand` is a new object, never a changed one."""

    capacitance_F: float
    demand: Demand
    falls_below_V: float  # the board resets below; -inf while it cannot
    rises_above_V: float  # the board is released at and above; inf while it runs

    @property
    def next_event_s(self) -> float: ...

    def handle_events(self, t: float) -> None:
        """Everything that is due by `t`."""
        ...

    def brown_out(self, t: float) -> None: ...

    def power_good(self, t: float) -> None: ...


@dataclass(frozen=True, slots=True)
class _Law:
    """The meter carries ``source_A - source_S * V`` while the load takes `demand`."""

    source_A: float
    source_S: float
    demand: Demand
    opens: bool = False

    @property
    def net_A(self) -> float:
        """What flows into the capacitor at 0 V."""
        return self.source_A - self.demand.constant_A

    @property
    def total_S(self) -> float:
        return self.source_S + self.demand.per_volt_S


class Circuit:
    """Advances in time from event to event. An earlier time than `now_s` counts as `now_s`."""

    def __init__(
        self,
        load: Load,
        supply_V: float,
        *,
        supply_resistance_ohm: float = CONTACT_OHM,
        limit_A: float = math.inf,
        on: bool = True,
        seed: int = 0,
    ) -> None:
        if supply_resistance_ohm <= 0:
            raise ValueError("the resistance of supply and contacts must be above zero")
        self.now_s = 0.0
        self.charge_C = 0.0
        self.voltage_V = 0.0
        self._load = load
        self._supply_V, self._limit_A, self._on = supply_V, limit_A, on
        self._series_ohm = supply_resistance_ohm
        self._shunt_ohm = 0.0
        self._closes_s = 0.0
        self._board_connected = True
        self._noise = random.Random(f"{seed} circuit noise")
        self._law: _Law | None = None

    # -- what the instruments do to it ------------------------------------------------------

    def set_shunt(self, ohm: float, t: float) -> None:
        """A change of range: another burden, so the voltage at the board settles again."""
        self.advance(t)
        self._shunt_ohm = ohm
        self._law = None

    def open_for(self, duration_s: float, t: float) -> None:
        """The circuit is interrupted while relays move."""
        self.advance(t)
        self._closes_s = max(self._closes_s, self.now_s + duration_s)
        self._law = None

    def set_supply(self, voltage_V: float, limit_A: float, on: bool, t: float) -> None:
        self.advance(t)
        self._supply_V, self._limit_A, self._on = voltage_V, limit_A, on
        self._law = None

    def disconnect_board(self, t: float) -> None:
        """Take the board out of the line; the meter then sees nothing."""
        self.advance(t)
        self._board_connected = False
        self._law = None

    def reconnect_board(self, t: float) -> None:
        self.advance(t)
        self._board_connected = True
        self._law = None

    # -- what the instruments see -----------------------------------------------------------

    def current_A(self) -> float:
        """Through the meter, now and without noise."""
        law = self._settle()
        return law.source_A - law.source_S * self.voltage_V

    def supply_readback(self) -> tuple[float, float]:
        """(volts at the supply's terminals, amps out of them), now."""
        current_A = self.current_A()
        if self._on and current_A < self._limit_A:
            return self._supply_V, current_A
        if not self._board_connected or self.now_s < self._closes_s:
            return 0.0, 0.0
        return self.voltage_V + current_A * self._path_ohm, current_A

    def next_release_s(self) -> float:
        """When the board is released from reset if nothing else happens; inf if never."""
        law = self._settle()
        if math.isinf(self._load.rises_above_V):
            return math.inf
        if self.now_s < self._closes_s:
            return self._closes_s
        reached = self._crossing_s(law, self._load.rises_above_V)
        return math.inf if reached is None else self.now_s + reached

    # -- time -------------------------------------------------------------------------------

    def advance(self, t: float) -> None:
        """All physics and all events of the board up to and including `t`."""
        variance = 0.0
        while True:
            law = self._settle()
            if self._load.next_event_s <= self.now_s:
                self._load.handle_events(self.now_s)
                continue
            if self.now_s >= t:
                break
            end = min(t, self._load.next_event_s)
            if self.now_s < self._closes_s < end:
                end = self._closes_s
            started_s = self.now_s
            self._run(law, end)
            if not law.opens:
                variance += law.demand.noise_A**2 * (self.now_s - started_s)
            if self.now_s == self._closes_s:
                self._law = None
        if variance > 0.0:
            self.charge_C += self._noise.gauss(0.0, math.sqrt(variance * NOISE_APERTURE_S))

    @property
    def _path_ohm(self) -> float:
        return self._series_ohm + self._shunt_ohm

    @property
    def _limit_V(self) -> float:
        """At and below this voltage at the board the source is in its current limit."""
        return self._supply_V - self._limit_A * self._path_ohm

    def _settle(self) -> _Law:
        """The law that holds now, once the board has reacted to the present voltage."""
        while True:
            law = self._law
            if law is None or law.demand is not self._load.demand:
                law = self._law = self._choose_law(self._load.demand)
            if self.voltage_V < self._load.falls_below_V:
                self._load.brown_out(self.now_s)
            elif self.voltage_V >= self._load.rises_above_V:
                self._load.power_good(self.now_s)
            else:
                return law

    def _choose_law(self, demand: Demand) -> _Law:
        if not (self._on and self._board_connected) or self.now_s < self._closes_s:
            law = _Law(0.0, 0.0, demand, opens=True)
            if self._load.capacitance_F == 0.0:
                self.voltage_V = _resting_V(law)
            return law
        source_S = 1.0 / self._path_ohm
        free = _Law(self._supply_V * source_S, source_S, demand)
        limited = _Law(self._limit_A, 0.0, demand)
        if self._load.capacitance_F == 0.0:
            law = free if _resting_V(free) >= self._limit_V else limited
            self.voltage_V = _resting_V(law)
            return law
        # Exactly at the corner both laws give the same slope, and that decides.
        at_V, slope_A = self.voltage_V, free.net_A - free.total_S * self.voltage_V
        is_limited = at_V < self._limit_V or (at_V == self._limit_V and slope_A <= 0.0)
        return limited if is_limited else free

    def _run(self, law: _Law, end_s: float) -> None:
        """Up to `end_s`, or to the first voltage on the way at which another law begins."""
        capacitance_F = self._load.capacitance_F
        duration_s = end_s - self.now_s
        before_V = self.voltage_V
        if capacitance_F == 0.0:
            integral_Vs = before_V * duration_s
            after_V = before_V
        else:
            rate = law.total_S / capacitance_F
            slope = (law.net_A - law.total_S * before_V) / capacitance_F
            after_V = before_V + slope * _relaxed_s(rate, duration_s)
            stop_V = self._first_corner(before_V, after_V)
            if stop_V is not None:
                crossing_s = self._crossing_s(law, stop_V)
                assert crossing_s is not None
                duration_s, after_V = min(crossing_s, duration_s), stop_V
                end_s = min(self.now_s + duration_s, end_s)
                self._law = None
            integral_Vs = before_V * duration_s + slope * _relaxed_integral(rate, duration_s)
        if not law.opens:
            # The meter carries what the load takes and what the capacitor keeps. Summed this way
            # there is no small difference of large numbers where the series resistance is small.
            taken_C = law.demand.constant_A * duration_s + law.demand.per_volt_S * integral_Vs
            self.charge_C += taken_C + capacitance_F * (after_V - before_V)
        self.voltage_V, self.now_s = after_V, end_s
        if after_V == self._load.falls_below_V and after_V < before_V:
            self._load.brown_out(self.now_s)

    def _first_corner(self, before_V: float, after_V: float) -> float | None:
        """The first voltage between the two at which the board or the source changes its ways."""
        limit_V = self._limit_V
        if after_V < before_V:
            corners = [
                corner
                for corner in (self._load.falls_below_V, limit_V)
                if after_V < corner < before_V
            ]
            return max(corners, default=None)
        corners = [
            corner for corner in (self._load.rises_above_V, limit_V) if before_V < corner <= after_V
        ]
        return min(corners, default=None)

    def _crossing_s(self, law: _Law, level_V: float) -> float | None:
        """How long until the voltage is `level_V`; None if it never gets there."""
        if self._load.capacitance_F == 0.0 or not math.isfinite(level_V):
            return None
        rate = law.total_S / self._load.capacitance_F
        slope = (law.net_A - law.total_S * self.voltage_V) / self._load.capacitance_F
        if slope == 0.0:
            return None
        relaxed_s = (level_V - self.voltage_V) / slope
        if relaxed_s < 0.0 or rate * relaxed_s >= 1.0:
            return None
        return relaxed_s if rate == 0.0 else -math.log1p(-rate * relaxed_s) / rate


def _resting_V(law: _Law) -> float:
    """Where the voltage comes to rest; without a capacitor at once. No load pulls it below 0 V."""
    return max(law.net_A / law.total_S, 0.0) if law.total_S > 0.0 else 0.0


def _relaxed_s(rate: float, duration_s: float) -> float:
    """The integral of exp(-rate·u) from 0 to `duration_s`."""
    return -math.expm1(-rate * duration_s) / rate if rate > 0.0 else duration_s


def _relaxed_integral(rate: float, duration_s: float) -> float:
    """The integral of `_relaxed_s` from 0 to `duration_s`, in s²."""
    x = rate * duration_s
    if x < 1e-3:  # the difference below would lose its digits: its series instead
        return duration_s**2 * (0.5 - x / 6.0 + x * x / 24.0 - x**3 / 120.0)
    return (duration_s - _relaxed_s(rate, duration_s)) / rate
