"""The safe end: the meter on its highest range, the board awake if it can be, the supply as the
bench file says. Each step is tried whatever became of the others, and says what came of it."""

from __future__ import annotations

from collections.abc import Callable

from benchrig.drivers.board import Board
from benchrig.drivers.meter import Meter
from benchrig.drivers.supply import Supply
from benchrig.errors import BenchrigError, Fault, WireFault
from benchrig.operating import Operating
from benchrig.ranges import RangeKeeper
from benchrig.session import BenchFile
from benchrig.session.protocol import Wake

# What a line of the safe end says where it was missed.
NOT_REACHED = "NOT reached"


class SafeEnd:
    """Of one bench. `wake`: brings its board out of the state that it is in."""

    def __init__(
        self,
        file: BenchFile,
        board: Board,
        meter: Meter,
        supply: Supply | None,
        ranges: RangeKeeper,
        operating: Operating,
        wake: Callable[[], object],
    ) -> None:
        self._file = file
        self._board = board
        self._meter = meter
        self._supply = supply
        self._ranges = ranges
        self._operating = operating
        self._wake = wake

    def reached(self, asleep: Wake | None) -> tuple[str, ...]:
        """Do it; returns what was reached, a line each. `asleep`: how the board is woken from the
        state that it sleeps in; None where it is awake."""
        steps: list[tuple[str, Callable[[], str]]] = [("meter", self._leave_meter)]
        if asleep is not None:
            steps.append(("board", lambda: self._leave_board(asleep)))
        if self._operating.is_away:
            steps.append(("operating point", self._leave_point))
        if self._supply is not None:
            supply = self._supply
            steps.append(("supply", lambda: self._leave_supply(supply)))
        return tuple(f"{name}: {_tried(step)}" for name, step in steps)

    def _leave_meter(self) -> str:
        if not self._meter.instrument.identity:
            return "was never reached"
        self._ranges.make_safe()
        return "on its highest range"

    def _leave_board(self, wake: Wake) -> str:
        if wake.by in ("timer", "operator"):
            return "left asleep, since only its timer or the operator wakes it"
        if wake.by == "power_cycle" and self._file.supply and self._file.supply.at_end == "off":
            return "left asleep, since its power goes off"
        try:
            self._ranges.make_room("waking")
        except Fault:
            # What is wrong with the meter stands in its own line.
            return f"{NOT_REACHED}: not tried, since the meter is on no range that carries it awake"
        try:
            self._wake()
        except WireFault:
            self._board.close()
            self._board.open()
            self._wake()
        return "awake"

    def _leave_point(self) -> str:
        supply = self._file.supply
        return self._operating.make_safe(power_off=supply is not None and supply.at_end == "off")

    def _leave_supply(self, supply: Supply) -> str:
        assert self._file.supply is not None
        if not supply.instrument.identity:
            return "was never reached"
        supply.make_safe()
        return f"left {self._file.supply.at_end}"


def _tried(step: Callable[[], str]) -> str:
    try:
        return step()
    except BenchrigError as error:
        return f"{NOT_REACHED}: {error}"
    except Exception as error:  # a mistake of our own must not keep the other steps from being done
        return f"{NOT_REACHED}: {error!r}"
