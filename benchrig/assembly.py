"""Puts a bench together from its file: wires, drivers, and the gate between them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from benchrig.bench import Bench
from benchrig.clock import Clock, RealClock, StopRequest, VirtualClock
from benchrig.drivers.board import Board
from benchrig.drivers.instrument import ScpiInstrument
from benchrig.drivers.meter import Meter, Zero
from benchrig.drivers.supply import Supply
from benchrig.errors import FileProblem, FileProblems
from benchrig.events import Listener
from benchrig.injecting import FaultPlan, faulty, load_faults
from benchrig.log import Log
from benchrig.pricing import MeterPricing
from benchrig.ranges import RangeKeeper
from benchrig.session import (
    BenchFile,
    CurveFile,
    MeterSheet,
    Session,
    load_bench,
    load_curve,
    load_session,
    load_sheet,
)
from benchrig.session.bench_file import ScpiPort, Termination
from benchrig.session.steps import grid
from benchrig.session.toml_lines import KeyPath
from benchrig.verifying import Chain
from benchrig.wires import LineWire, Wire
from benchrig.zeros import load_zeros

if TYPE_CHECKING:
    from benchrig.simulation.files import SimulatedBoardFile

T = TypeVar("T")
Wires = tuple[LineWire, Wire, Wire | None]

_TERMINATIONS: dict[Termination, bytes] = {"CR": b"\r", "LF": b"\n", "CRLF": b"\r\n"}


def assemble(
    bench: str | PathLike[str] | BenchFile,
    session: str | PathLike[str] | Session,
    *,
    clock: Clock | None = None,
    listeners: Sequence[Listener] = (),
    wrap: Callable[[Wire], LineWire] | None = None,
    faults: FaultPlan | None = None,
) -> Bench:
    """The bench, not yet opened. `wrap` puts something round each of its wires, outside of the
    `faults` that they are given on purpose. Raises `FileProblems`: those of all files at once, and
    `UsageError` for faults that this bench cannot have."""
    files = load_files(bench, session)
    file, parts = files.bench, files.parts
    if clock is None:
        clock = RealClock() if file.simulation is None else VirtualClock()
    wires = _wires(file, parts, clock)
    log = Log(clock, *listeners)
    if faults is not None:
        wires = faulty(wires, faults, clock, log)
    if wrap is not None:
        board, meter, supply = wires
        wires = wrap(board), wrap(meter), None if supply is None else wrap(supply)
    made = put_together(file, files.session, parts.sheet, parts.zeros, wires, log, clock)
    made.data_sheet = files.data_sheet
    return made


def put_together(
    file: BenchFile,
    session: Session,
    sheet: MeterSheet | None,
    zeros: tuple[Zero, ...],
    wires: Wires,
    log: Log,
    clock: Clock,
) -> Bench:
    """A bench of ready parts, the wires to board, meter and supply among them."""
    board_wire, meter_wire, supply_wire = wires
    meter = Meter(_instrument(meter_wire, clock, file.meter), clock, file.meter, sheet, zeros)
    ranges = RangeKeeper(
        meter, session.board, clock, log.tell, MeterPricing(meter, file).expected_A
    )
    gate = ranges.make_room
    board = Board(board_wire, clock, session.protocol, file.board, gate, log.tell)
    supply = None
    if file.supply is not None and supply_wire is not None:
        instrument = _instrument(supply_wire, clock, file.supply)
        supply = Supply(instrument, clock, file.supply, gate)
    return Bench(session, file, board, meter, supply, ranges, clock, log)


@contextmanager
def open_meter(file: BenchFile, clock: Clock) -> Iterator[Meter]:
    """The meter of a bench alone, open, for work without a board. Closed at the end."""
    # Zeros that were taken before play no part, even damaged ones: they are about to be replaced.
    meter_port = file.meter.model_copy(update={"zeros": None})
    parts = load_parts(file.model_copy(update={"meter": meter_port}))
    wires = _wires(file, parts, clock)
    meter = Meter(_instrument(wires[1], clock, file.meter), clock, file.meter, parts.sheet)
    try:
        meter.open()
        yield meter
    finally:
        meter.close()


@contextmanager
def open_chain(file: BenchFile, clock: Clock) -> Iterator[Chain]:
    """Meter and supply of a bench, open, for work with something else in place of the board. Closed
    at the end. Raises `FileProblems` and what the instruments raise."""
    parts = load_parts(file)
    _, meter_wire, supply_wire = _wires(file, parts, clock)
    with chain_of(file, parts.sheet, parts.zeros, meter_wire, supply_wire, clock) as chain:
        yield chain


@contextmanager
def chain_of(
    file: BenchFile,
    sheet: MeterSheet | None,
    zeros: tuple[Zero, ...],
    meter_wire: Wire,
    supply_wire: Wire | None,
    clock: Clock,
) -> Iterator[Chain]:
    """Like `open_chain`, over wires that are there already."""
    meter = Meter(_instrument(meter_wire, clock, file.meter), clock, file.meter, sheet, zeros)
    supply = None
    if file.supply is not None and supply_wire is not None:
        # The meter is on its highest range, and nothing is there that could wake.
        instrument = _instrument(supply_wire, clock, file.supply)
        supply = Supply(instrument, clock, file.supply, lambda reason: None)
    try:
        meter.open()
        if supply is not None:
            supply.open()
        yield Chain(meter, supply, MeterPricing(meter, file), clock)
    finally:
        meter.close()
        if supply is not None:
            supply.close()


def clock_for(file: BenchFile, stop: StopRequest) -> Clock:
    """The clock of a bench: a simulated one is on the virtual clock, from the present date on."""
    real = RealClock(stop)
    return real if file.simulation is None else VirtualClock(real.now(), stop)


@dataclass(frozen=True)
class Parts:
    """What a bench file refers to. `board` is that of a simulated bench."""

    sheet: MeterSheet | None = None
    zeros: tuple[Zero, ...] = ()
    board: SimulatedBoardFile | None = None


@dataclass(frozen=True)
class Loaded:
    """All files of a run."""

    bench: BenchFile
    session: Session
    parts: Parts
    faults: FaultPlan | None = None
    data_sheet: CurveFile | None = None


class _Loading:
    """Loads files, and keeps the problems of all of them."""

    def __init__(self) -> None:
        self.problems: list[FileProblem] = []

    def tried(self, load: Callable[[], T]) -> T | None:
        try:
            return load()
        except FileProblems as found:
            self.problems.extend(found.problems)
            return None

    def parts(self, file: BenchFile) -> Parts:
        def referred(path: KeyPath, name: str | None, load: Callable[[Path], T]) -> T | None:
            if name is None:
                return None
            return self.tried(lambda: file.referred(path, lambda: load(Path(name))))

        board = None if file.simulation is None else file.simulation.board
        sheet = referred(("meter", "sheet"), file.meter.sheet, load_sheet)
        nplc = file.meter.nplc
        if sheet is not None and nplc is not None and nplc < sheet.fastest_nplc:
            message = f"is {nplc:g}, below the fastest_nplc of the sheet, {sheet.fastest_nplc:g}"
            self.problems.append(file.problem(("meter", "nplc"), message))
        return Parts(
            sheet,
            referred(("meter", "zeros"), file.meter.zeros, load_zeros) or (),
            referred(("simulation", "board"), board, _load_board),
        )

    def done(self) -> None:
        if self.problems:
            raise FileProblems(self.problems)


def load_parts(file: BenchFile) -> Parts:
    """Raises `FileProblems` with those of all files that are referred to at once."""
    loading = _Loading()
    parts = loading.parts(file)
    loading.done()
    return parts


def load_files(
    bench: str | PathLike[str] | BenchFile,
    session: str | PathLike[str] | Session,
    faults: str | PathLike[str] | None = None,
) -> Loaded:
    """All files of a run, `faults` being a fault plan. Raises `FileProblems` with those of all of
    them at once, and `UsageError` for what is neither a path nor loaded already."""
    loading = _Loading()
    plan = loading.tried(lambda: load_session(session))
    file = loading.tried(lambda: load_bench(bench))
    injected = None if faults is None else loading.tried(lambda: load_faults(faults))
    parts = Parts() if file is None else loading.parts(file)
    data_sheet = None if plan is None else loading.tried(lambda: data_sheet_of(plan))
    if file is not None and plan is not None:
        loading.problems.extend(unsuitable(file, plan))
    loading.done()
    assert file is not None
    assert plan is not None
    return Loaded(file, plan, parts, injected, data_sheet)


def data_sheet_of(session: Session) -> CurveFile | None:
    """The curve file that a session names. Raises `FileProblems`."""
    name = session.data_sheet
    return None if name is None else session.referred(("data_sheet",), lambda: load_curve(name))


def unsuitable(file: BenchFile, session: Session) -> Iterator[FileProblem]:
    """What the session asks for and this bench does not have."""
    for state in session.states:
        by = None if state.wake is None else state.wake.by
        if by == "power_cycle" and file.supply is None:
            message = f"is missing: {state.name} of the session is left by a power cycle"
            yield file.problem(("supply",), message)
        if by == "break" and file.board.parking.tx == "low":
            message = f"'low' is a break, which wakes {state.name} of the session: use 'closed'"
            yield file.problem(("board", "parking", "tx"), message)
    for sweep in session.sweeps:
        if sweep.voltages and file.supply is None:
            message = f"is missing: the sweep {sweep.name} of the session sets supply voltages"
            yield file.problem(("supply",), message)
        most_V = max(voltage_V for voltage_V, _ in grid(session.board, sweep))
        if file.supply is not None and most_V > file.supply.highest_voltage:
            message = f"is below the {most_V:g} V of the sweep {sweep.name} of the session"
            yield file.problem(("supply", "highest_voltage"), message)
    if file.supply is not None and file.supply.highest_voltage < session.board.supply_voltage:
        message = f"is below the {session.board.supply_voltage:g} V that the session asks for"
        yield file.problem(("supply", "highest_voltage"), message)


def _load_board(path: Path) -> SimulatedBoardFile:
    from benchrig.simulation.files import load_board

    return load_board(path)


def _wires(file: BenchFile, parts: Parts, clock: Clock) -> Wires:
    return _real(file, clock) if file.simulation is None else _simulated(file, parts, clock)


def _real(file: BenchFile, clock: Clock) -> Wires:
    from benchrig.wires.serial import SerialSettings, SerialWire
    from benchrig.wires.visa import VisaSettings, VisaWire

    def visa(name: str, port: ScpiPort) -> VisaWire:
        settings = VisaSettings(
            address=port.address or "",
            backend=port.backend,
            read_termination=_TERMINATIONS[port.read_termination],
            open_timeout_s=port.timeout,
            baud_rate=port.baud_rate,
            data_bits=port.data_bits,
            parity=port.parity,
            stop_bits=port.stop_bits,
            flow_control=port.flow_control,
        )
        return VisaWire(name, clock, settings)

    settings = SerialSettings(
        port=file.board.port or "", **file.board.model_dump(exclude={"port", "parking", "leakage"})
    )
    board = SerialWire("board", clock, settings)
    supply = None if file.supply is None else visa("supply", file.supply)
    return board, visa("meter", file.meter), supply


def _simulated(file: BenchFile, parts: Parts, clock: Clock) -> Wires:
    from benchrig.simulation.world import World
    from benchrig.wires.simulated import SimulatedWire

    assert file.simulation is not None
    assert parts.board is not None
    world = World(
        parts.board,
        parts.sheet,
        seed=file.simulation.seed,
        supply=file.supply is not None,
    )
    supply = None if world.supply is None else SimulatedWire("supply", clock, world.supply)
    return (
        SimulatedWire("board", clock, world.board, reset=world.reset_board),
        SimulatedWire("meter", clock, world.meter),
        supply,
    )


def _instrument(wire: Wire, clock: Clock, port: ScpiPort) -> ScpiInstrument:
    return ScpiInstrument(
        wire,
        clock,
        write_termination=_TERMINATIONS[port.write_termination],
        read_termination=_TERMINATIONS[port.read_termination],
        timeout_s=port.timeout,
    )
