"""Simulated benches in parts, so that a test can reach into each of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchrig.assembly import put_together
from benchrig.bench import Bench
from benchrig.clock import VirtualClock
from benchrig.drivers.meter import Zero
from benchrig.events import Listener
from benchrig.log import Log
from benchrig.result import SessionResult
from benchrig.sequencer import run_session
from benchrig.session import BenchFile, MeterSheet, Session, load_bench, load_session, load_sheet
from benchrig.session.session_file import State
from benchrig.simulation.files import SimulatedBoardFile, load_board
from benchrig.simulation.meter import SimulatedMeter
from benchrig.simulation.world import World
from benchrig.wires.simulated import FarEnd, SimulatedWire

FIXTURES = Path(__file__).parents[1] / "fixtures"
SESSION = load_session(FIXTURES / "hive-scale.session.toml")
BENCH = load_bench(FIXTURES / "simulated.bench.toml")
SHEET = load_sheet(FIXTURES / "meter-6-digit.toml")


def _hasty(state: State) -> State:
    update = {"guard": 1.2, "slowest_time_constant": 0.3, "tolerance": 0.1, "time_limit": 10.0}
    return state.model_copy(update={"settling": state.settling.model_copy(update=update)})


HASTY = SESSION.model_copy(
    update={
        "states": tuple(
            _hasty(state)
            for state in SESSION.states
            if state.name in ("idle", "light_sleep", "deep_sleep")
        ),
        "differences": (),
        "ratios": (),
        "subsets": {},
    }
)
"""Three states, each measured a little only: for tests that run many sessions."""


def board_file(defect: str = "") -> SimulatedBoardFile:
    name = f"hive-scale-{defect}.toml" if defect else "hive-scale.toml"
    return load_board(FIXTURES / "boards" / name)


def with_supply(**changes: Any) -> BenchFile:
    assert BENCH.supply is not None
    return BENCH.model_copy(update={"supply": BENCH.supply.model_copy(update=changes)})


WITHOUT_SUPPLY = BENCH.model_copy(update={"supply": None})


class WatchedWire(SimulatedWire):
    """Calls `before` (None: nothing) before every act on the wire, with its name."""

    before: Callable[[str], None] | None = None

    def _act(self, what: str) -> None:
        if self.before is not None:
            self.before(what)

    def open(self) -> None:
        self._act("open")
        super().open()

    def write(self, data: bytes) -> None:
        self._act("write")
        super().write(data)

    def read(self, timeout_s: float) -> bytes:
        self._act("read")
        return super().read(timeout_s)

    def set_lines(
        self, *, dtr: bool | None = None, rts: bool | None = None, brk: bool | None = None
    ) -> None:
        self._act("set_lines")
        super().set_lines(dtr=dtr, rts=rts, brk=brk)


@dataclass(frozen=True)
class Rig:
    """A bench of which nothing is hidden."""

    session: Session
    world: World
    clock: VirtualClock
    wires: dict[str, WatchedWire]
    bench: Bench

    @property
    def meter(self) -> SimulatedMeter:
        assert self.world.simulated_meter is not None
        return self.world.simulated_meter

    @property
    def on_highest_range(self) -> bool:
        return self.meter.ammeter.index == self.meter.ammeter.range_count - 1

    def run(self, *listeners: Listener, **options: Any) -> SessionResult:
        return run_session(self.session, self.bench, listeners=listeners, **options)

    def true_A(self, state: str, range_A: float | None) -> float:
        """The settled current of the board with its port closed, on a range of the fixture."""
        entry = next(entry for entry in SHEET.ranges if entry.full_scale == range_A)
        return self.world.true_current_A(state, entry.shunt_ohm)


def rig(
    defect: str = "",
    *,
    session: Session = SESSION,
    file: BenchFile = BENCH,
    board: SimulatedBoardFile | None = None,
    sheet: MeterSheet = SHEET,
    knows_sheet: bool = True,
    zeros: tuple[Zero, ...] = (),
    seed: int = 1,
    dead_time_s: float = 0.0,
    wrapped: Callable[[str, World, FarEnd], FarEnd] = lambda name, world, end: end,
    listeners: Sequence[Listener] = (),
) -> Rig:
    """A bench that is not open yet, and its world. `wrapped` may put something between a wire
    (by its name) and its far end. With `knows_sheet` false only the simulated meter knows it."""
    clock = VirtualClock()
    world = World(
        board_file(defect) if board is None else board,
        sheet,
        seed,
        supply=file.supply is not None,
        dead_time_s=dead_time_s,
    )
    ends = {"board": world.board, "meter": world.meter, "supply": world.supply}
    wires = {
        name: WatchedWire(name, clock, wrapped(name, world, end))
        for name, end in ends.items()
        if end is not None
    }
    made = put_together(
        file,
        session,
        sheet if knows_sheet else None,
        zeros,
        (wires["board"], wires["meter"], wires.get("supply")),
        Log(clock, *listeners),
        clock,
    )
    return Rig(session, world, clock, wires, made)
