"""Where the board is run: at which supply voltage, and at which clock.

A sweep moves it from point to point, and every pair on the way must be within the board's limits.
Since a higher voltage never allows less, one order does: raise the voltage before the clock, lower
the clock before the voltage.
"""

from __future__ import annotations

from benchrig.drivers.board import Board
from benchrig.drivers.supply import Supply
from benchrig.errors import BenchrigError, Fault, Interrupted, UsageError
from benchrig.events import Tell
from benchrig.ranges import RangeKeeper
from benchrig.session.protocol import Protocol
from benchrig.session.session_file import BoardRatings
from benchrig.units import format_quantity

# Without power for so long a board is sure to have lost it.
OFF_S = 1.0


class Operating:
    """`voltage_V` and `frequency_Hz` (None: nobody ever said) are what was set last."""

    def __init__(
        self,
        ratings: BoardRatings,
        protocol: Protocol,
        board: Board,
        supply: Supply | None,
        ranges: RangeKeeper,
        tell: Tell,
    ) -> None:
        self._ratings = ratings
        self._protocol = protocol
        self._board = board
        self._supply = supply
        self._ranges = ranges
        self._tell = tell
        self.begin()

    def begin(self) -> None:
        """The board was powered up as the session file says."""
        self.voltage_V = self._ranges.supply_V = self._ratings.supply_voltage
        self.frequency_Hz = self._ratings.clock
        # The board may run at the clock that was set last, or at that with which it boots.
        self._clock_is_sure = True
        self.is_away = False

    def has_booted(self) -> None:
        """As a part of the plan, so at its own clock."""
        self.frequency_Hz, self._clock_is_sure = self._ratings.clock, True

    def may_have_booted(self) -> None:
        """Something went wrong with the board."""
        self._clock_is_sure = self.frequency_Hz == self._ratings.clock

    def go(self, voltage_V: float, frequency_Hz: float | None) -> None:
        """To another point, with the board awake. Raises what supply and board raise, and
        ``operating_limits`` before a pair beyond the limits of the board."""
        if voltage_V > self.voltage_V:
            self._set_voltage(voltage_V)
        if frequency_Hz != self.frequency_Hz or not self._clock_is_sure:
            self._set_clock(frequency_Hz)
        if voltage_V < self.voltage_V:
            self._set_voltage(voltage_V)

    def restore(self) -> None:
        """Back to what is nominal, with the board awake. Raises as `go` does."""
        if self.is_away:
            self.go(self._ratings.supply_voltage, self._ratings.clock)
            self.is_away = False
            self._tell("restored", f"back at {self._nominal}")

    def make_safe(self, *, power_off: bool) -> str:
        """Back to what is nominal, whatever state the board is in; returns what was reached."""
        try:
            if power_off:
                self._restart(on=False)
            else:
                self.restore()
        except Interrupted:
            raise
        except BenchrigError:
            if self._supply is None or power_off:
                raise
            # Where it can't be told its clock, it begins again with that of its boot.
            self._restart(on=True)
        return f"back at {self._nominal}"

    @property
    def _nominal(self) -> str:
        voltage = format_quantity(self._ratings.supply_voltage, "V", 3)
        clock_Hz = self._ratings.clock
        return voltage if clock_Hz is None else f"{voltage} and {format_quantity(clock_Hz, 'Hz')}"

    def _restart(self, *, on: bool) -> None:
        """Take the power, set the nominal voltage, and give the power back where it is wanted."""
        assert self._supply is not None
        self._supply.switch(False)
        self._supply.set_up(self._ratings.supply_voltage)
        if on:
            self._supply.wait(OFF_S)
            self._supply.switch(True)
        self.begin()

    def _set_clock(self, frequency_Hz: float | None) -> None:
        command = self._protocol.set_clock
        if command is None or frequency_Hz is None:
            raise UsageError("a clock frequency needs protocol.set_clock and board.clock")
        self._check(self.voltage_V, frequency_Hz)
        # Until it is answered nobody knows.
        self.is_away, self._clock_is_sure = True, False
        before_Hz, self.frequency_Hz = self.frequency_Hz, frequency_Hz
        self.frequency_Hz = max(frequency_Hz, before_Hz or 0.0)
        self._board.insist(command.at(frequency_Hz))
        self.frequency_Hz, self._clock_is_sure = frequency_Hz, True
        self._tell("clock", f"clock {format_quantity(frequency_Hz, 'Hz')}", frequency_Hz=frequency_Hz)

    def _set_voltage(self, voltage_V: float) -> None:
        if self._supply is None:
            raise UsageError("another supply voltage needs a [supply] in the bench file")
        self._check(voltage_V, self._fastest_Hz)
        # On the way the lower of the two decides which range leaves the board its voltage.
        self._ranges.supply_V = min(voltage_V, self.voltage_V)
        self.is_away, self.voltage_V = True, voltage_V
        self._supply.change(voltage_V)
        self._ranges.await_recharge()
        self._ranges.supply_V = voltage_V
        voltage = format_quantity(voltage_V, "V", 3)
        self._tell("supply_voltage", f"supply at {voltage}", voltage_V=voltage_V)

    @property
    def _fastest_Hz(self) -> float | None:
        known = [self.frequency_Hz] if self._clock_is_sure else [self.frequency_Hz, self._ratings.clock]
        return max((each for each in known if each is not None), default=None)

    def _check(self, voltage_V: float, frequency_Hz: float | None) -> None:
        if not self._ratings.may_run(voltage_V, frequency_Hz):
            at = format_quantity(voltage_V, "V", 3)
            clock = "" if frequency_Hz is None else f" at {format_quantity(frequency_Hz, 'Hz')}"
            raise Fault("operating_limits", f"board: may not run{clock} on {at}")
