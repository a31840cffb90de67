"""Finds a board that is awake, asleep from an earlier session, or lost; and takes its power away
where nothing else helps."""

from __future__ import annotations

from benchrig.clock import Clock
from benchrig.drivers.board import Board
from benchrig.drivers.supply import Supply
from benchrig.errors import NoReply, UsageError
from benchrig.log import Log
from benchrig.ranges import RangeKeeper
from benchrig.session import Session
from benchrig.session.bench_file import Parking
from benchrig.session.protocol import Wake

# The board has lost its power once its capacitor holds no more than this share of the supply
# voltage, by the supply's own reading: no logic runs on it (common practice, no source).
EMPTY_SHARE = 0.1
# For so long beyond the off time that is waited for.
EMPTY_WITHIN_S = 30.0
LOOK_S = 0.1


class Finder:
    """Afterwards the board is awake and has answered hello, and no boot banner belongs."""

    def __init__(
        self,
        session: Session,
        parking: Parking,
        board: Board,
        supply: Supply | None,
        ranges: RangeKeeper,
        clock: Clock,
        log: Log,
    ) -> None:
        self._session = session
        self._parking = parking
        self._board = board
        self._supply = supply
        self._ranges = ranges
        self._clock = clock
        self._log = log
        # What the supply read when it was switched on again after being off.
        self.left_V: float | None = None

    def find(self) -> None:
        """Raises ``board_silent``."""
        try:
            self._board.hello(self._session.board.boot_time)
        except NoReply:
            # It may still sleep from an earlier session: try what wakes it, once each.
            if not any(self._answers(wake) for wake in self._wakes_from_outside()):
                raise
        self._board.banner_belongs = False
        self._log.tell("hello", "the board answers")

    def _wakes_from_outside(self) -> list[Wake]:
        wakes = [state.wake for state in self._session.states if state.wake is not None]
        return [wake for wake in wakes if wake.by in ("byte", "break", "dtr", "rts")]

    def _answers(self, wake: Wake) -> bool:
        self._board.stimulate(wake)
        try:
            self._board.hello(wake.within)
        except NoReply:
            return False
        return True

    def recover(self) -> None:
        """After a fault of the board: bring it back to where it answers, by a power cycle where
        nothing else helps and there is a supply. Raises ``board_silent``."""
        self._log.tell("recovering", "looking for the board again")
        self._ranges.make_room("looking for the board again")
        self._board.unpark()
        self._board.banner_belongs = True
        try:
            self.find()
        except NoReply:
            if self._supply is None:
                raise
            self.power_cycle(1.0)
            self.find()

    def power_cycle(self, off_time_s: float) -> None:
        """Off for so long at least, and until the board's capacitor is empty or has had time
        enough. Raises `UsageError` on a bench without a supply."""
        if self._supply is None:
            raise UsageError("a wake by power_cycle needs a [supply] in the bench file")
        self._log.tell("power_cycle", f"supply off for {off_time_s:g} s")
        # An idle TX line would feed the board through its RX pin, and it would not lose its power.
        self._board.park(self._parking)
        self._supply.switch(False)
        self._clock.sleep(off_time_s)
        self.left_V = self._wait_until_empty(self._supply)
        self._board.unpark()
        self._supply.switch(True)

    def _wait_until_empty(self, supply: Supply) -> float:
        """The voltage that is left, in V."""
        start_s = self._clock.monotonic()
        empty_V = EMPTY_SHARE * self._session.board.supply_voltage
        while (left_V := supply.read_back().voltage_V) > empty_V:
            if self._clock.monotonic() - start_s >= EMPTY_WITHIN_S:
                self._log.tell("still_powered", f"supply off, and yet at {left_V:.3g} V")
                break
            self._clock.sleep(LOOK_S)
        return left_V
