"""One simulated bench: board, circuit, meter and supply, on one axis of time."""

from __future__ import annotations

import math
from collections.abc import Collection

from benchrig.errors import UsageError
from benchrig.session.sheet import MeterSheet
from benchrig.simulation.board import SimulatedBoard
from benchrig.simulation.circuit import CONTACT_OHM, Circuit
from benchrig.simulation.currents import settled_mean_A
from benchrig.simulation.files import SimulatedBoardFile
from benchrig.simulation.meter import SimulatedMeter
from benchrig.simulation.supply import SimulatedSupply
from benchrig.simulation.uart import SAME_MOMENT_S
from benchrig.wires.simulated import FarEnd

METER_IDENTITY = "Invented Instruments,Meter 1,0,1.0"

# What the simulated supply can be told at the most.
SUPPLY_HIGHEST_V = 30.0
SUPPLY_HIGHEST_A = 3.0


class _InStep:
    """A far end whose every call first brings the whole world up to the time of the call."""

    def __init__(self, world: World, end: FarEnd) -> None:
        self._world = world
        self._end = end

    def connect(self, t: float) -> None:
        self._world.advance(t)
        self._end.connect(t)

    def disconnect(self, t: float) -> None:
        self._world.advance(t)
        self._end.disconnect(t)

    def receive(self, data: bytes, t: float) -> None:
        self._world.advance(t)
        self._end.receive(data, t)

    def output(self, t: float) -> bytes:
        self._world.advance(t)
        return self._end.output(t)

    def next_output(self, t: float) -> float | None:
        self._world.advance(t)
        return self._end.next_output(t)

    def set_line(self, line: str, asserted: bool, t: float) -> None:
        self._world.advance(t)
        self._end.set_line(line, asserted, t)


class _BoardInStep(_InStep):
    def next_output(self, t: float) -> float | None:
        """A board in reset says its banner some time after the voltage is back, which only the
        circuit can foretell."""
        at = super().next_output(t)
        release_s = max(self._world.circuit.next_release_s(), t + SAME_MOMENT_S)
        if math.isinf(release_s):
            return at
        return release_s if at is None else min(at, release_s)


class World:
    """`board`, `meter` and `supply` (None without one) are far ends.

    Without a supply the source is on, at the board's nominal voltage, from t = 0; with one it
    is off until the supply is told otherwise. `simulated_board` is for looking inside.
    """

    def __init__(
        self,
        board: SimulatedBoardFile,
        sheet: MeterSheet | None,
        seed: int,
        supply: bool = False,
        *,
        identity: str = METER_IDENTITY,
        line_frequency_Hz: float = 50.0,
        dead_time_s: float = 0.0,
    ) -> None:
        self.simulated_board = SimulatedBoard(board, seed)
        self.circuit = Circuit(
            self.simulated_board, board.nominal_voltage, on=not supply, seed=seed
        )
        self.board: FarEnd = _BoardInStep(self, self.simulated_board)
        self.simulated_meter = (
            None
            if sheet is None
            else SimulatedMeter(
                sheet,
                self.circuit,
                seed,
                identity=identity,
                line_frequency_Hz=line_frequency_Hz,
                dead_time_s=dead_time_s,
            )
        )
        self.supply: FarEnd | None = _InStep(self, self._supply()) if supply else None

    def _supply(self) -> FarEnd:
        return SimulatedSupply(self.circuit, highest_V=SUPPLY_HIGHEST_V, highest_A=SUPPLY_HIGHEST_A)

    @property
    def meter(self) -> FarEnd:
        """Raises `UsageError` in a world without a meter."""
        if self.simulated_meter is None:
            raise UsageError("this simulated bench was made without a meter sheet: it has no meter")
        return _InStep(self, self.simulated_meter)

    def reset_board(self, t: float) -> None:
        """As by its reset pin."""
        self.advance(t)
        self.simulated_board.reset(t)

    def advance(self, t: float) -> None:
        """Everything up to `t`: the meter's apertures in their order, and all between them."""
        if self.simulated_meter is not None:
            self.simulated_meter.advance(t)
        self.circuit.advance(t)

    def true_current_A(
        self,
        state: str,
        shunt_ohm: float,
        *,
        driven: Collection[str] = (),
        supply_V: float | None = None,
    ) -> float:
        """The settled mean current through the meter in `state`, in closed form from the file.

        Periodic bursts are included, noise is not. `driven` names the UART lines (``"tx"``,
        ``"dtr"``, ``"rts"``) that are high meanwhile; a parked board has none. The clock and the
        loads that were switched by command are as they are now, and the source is at `supply_V`,
        by default the board's nominal voltage. A board that is stuck awake is in its first state
        instead of asleep. Raises `UsageError` if the board would brown out, `KeyError` if there
        is no such state.
        """
        board = self.simulated_board
        entry = board.file.state(state)
        if entry.sleep and board.file.defects.stuck_awake:
            entry = board.file.state(board.file.boot.state)
        return settled_mean_A(
            board.file,
            entry,
            supply_V=board.file.nominal_voltage if supply_V is None else supply_V,
            series_ohm=CONTACT_OHM + shunt_ohm,
            clock_Hz=board.clock_Hz,
            loads=board.loads,
            driven=driven,
        )
