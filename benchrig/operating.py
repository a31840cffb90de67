"""Where the board is run: at which supply voltage, and at which clock.

A sweep moves it from point to point, and every pair on the way must be within the board's limits.
Since a higher voltage never allows less, one order does: raise the voltage before the clock, lower
the clock before the voltage.
"""

from __future__ import annotations

from collections.abc import Callable

from benchrig.drivers.board import Board
from benchrig.drivers.supply import Supply
from benchrig.errors import BenchrigError, Fault, UsageError
from benchrig.events import Tell
from benchrig.ranges import RangeKeeper
from benchrig.session import Session
from benchrig.units import format_quantity

# Without power for so long, and until its capacitor is empty, a board forgets its clock.
OFF_S = 1.0


class Operating:
    """`voltage_V` and `frequency_Hz` (None: no clock is stated) are what was set last;
    ``power_cycle(off_time_s)`` makes the board boot."""

    def __init__(
        self,
        session: Session,
        board: Board,
        supply: Supply | None,
        ranges: RangeKeeper,
        power_cycle: Callable[[float], None],
        tell: Tell,
    ) -> None:
        self._ratings = session.board
        self._command = session.protocol.set_clock
        self._board = board
        self._supply = supply
        self._ranges = ranges
        self._power_cycle = power_cycle
        self._tell = tell
        self.begin()

    def begin(self) -> None:
        """The board was powered up as the session file says."""
        self.voltage_V = self._ranges.supply_V = self._ratings.supply_voltage
        self.frequency_Hz = self._ratings.clock
        # Else it may also be on its way from or to another; `voltage_V` is then the lower of the
        # two, `frequency_Hz` the fastest that the board may run at.
        self._voltage_is_sure = self._clock_is_sure = True
        self.is_away = False

    def has_booted(self) -> None:
        """As a part of the plan, so at its own clock."""
        self.frequency_Hz, self._clock_is_sure = self._ratings.clock, True

    def may_have_booted(self) -> None:
        """Something went wrong with the board: it runs at the clock that was set, or at its own;
        the faster of them counts."""
        if self.frequency_Hz is not None and self._ratings.clock is not None:
            self._clock_is_sure = self.frequency_Hz == self._ratings.clock
            self.frequency_Hz = max(self.frequency_Hz, self._ratings.clock)

    def go(self, voltage_V: float, frequency_Hz: float | None) -> None:
        """To another point, with the board awake. Raises what supply and board raise, and
        ``operating_limits`` before a pair beyond the limits of the board."""
        if voltage_V > self.voltage_V:
            self._set_voltage(voltage_V)
        if frequency_Hz != self.frequency_Hz or not self._clock_is_sure:
            self._set_clock(frequency_Hz)
        if voltage_V < self.voltage_V or not self._voltage_is_sure:
            self._set_voltage(voltage_V)

    def restore(self) -> None:
        """Back to what is nominal, with the board awake. Raises as `go` does."""
        if self.is_away:
            self.go(self._ratings.supply_voltage, self._ratings.clock)
            self.is_away = False
            self._tell("restored", f"back at {self._nominal}")

    def make_safe(self, *, power_off: bool) -> str:
        """Back to what is nominal, whatever state the board is in; returns what was reached.
        Raises what supply and board raise."""
        supply = self._supply
        if supply is not None and power_off:
            supply.switch(False)
            supply.set_up(self._ratings.supply_voltage)
            self.begin()
            return f"off, and set to {format_quantity(self._ratings.supply_voltage, 'V', 3)}"
        try:
            self.restore()
        except BenchrigError:
            if supply is None:
                raise
            # A board that can't be told its clock gets it by booting.
            self._boot_at_nominal()
        return f"back at {self._nominal}"

    def _boot_at_nominal(self) -> None:
        nominal_V = self._ratings.supply_voltage
        if self.voltage_V < nominal_V or not self._voltage_is_sure:
            self._set_voltage(nominal_V)
        self._power_cycle(OFF_S)
        self.has_booted()
        if self.voltage_V > nominal_V:
            self._set_voltage(nominal_V)
        self.is_away = False

    @property
    def _nominal(self) -> str:
        voltage = format_quantity(self._ratings.supply_voltage, "V", 3)
        clock_Hz = self._ratings.clock
        return voltage if clock_Hz is None else f"{voltage} and {format_quantity(clock_Hz, 'Hz')}"

    def _set_clock(self, frequency_Hz: float | None) -> None:
        if self._command is None or frequency_Hz is None:
            raise UsageError("a clock frequency needs protocol.set_clock and board.clock")
        self._check(self.voltage_V, frequency_Hz)
        before_Hz, boots_Hz = self.frequency_Hz or 0.0, self._ratings.clock or 0.0
        # Until it has answered it may run at any of these.
        self.is_away, self._clock_is_sure = True, False
        self.frequency_Hz = max(frequency_Hz, before_Hz, boots_Hz)
        self._board.insist(self._command.at(frequency_Hz))
        self.frequency_Hz, self._clock_is_sure = frequency_Hz, True
        clock = format_quantity(frequency_Hz, "Hz")
        self._tell("clock", f"clock {clock}", frequency_Hz=frequency_Hz)

    def _set_voltage(self, voltage_V: float) -> None:
        if self._supply is None:
            raise UsageError("another supply voltage needs a [supply] in the bench file")
        if voltage_V < self.voltage_V:  # with more no clock is too fast that was not before
            self._check(voltage_V, self.frequency_Hz)
        # On the way the lower of the two decides which range leaves the board its voltage.
        self._ranges.supply_V = min(voltage_V, self._ranges.supply_V)
        self.is_away, self._voltage_is_sure = True, False
        self.voltage_V = min(voltage_V, self.voltage_V)
        self._supply.change(voltage_V)
        self._ranges.await_recharge()
        self.voltage_V = self._ranges.supply_V = voltage_V
        self._voltage_is_sure = True
        voltage = format_quantity(voltage_V, "V", 3)
        self._tell("supply_voltage", f"supply at {voltage}", voltage_V=voltage_V)

    def _check(self, voltage_V: float, frequency_Hz: float | None) -> None:
        if not self._ratings.may_run(voltage_V, frequency_Hz):
            at = format_quantity(voltage_V, "V", 3)
            clock = "" if frequency_Hz is None else f" at {format_quantity(frequency_Hz, 'Hz')}"
            raise Fault("operating_limits", f"board: may not run{clock} on {at}")
