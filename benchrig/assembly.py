"""Puts a bench together from its file: wires, drivers, and the gate between them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from os import PathLike
from pathlib import Path
from typing import TypeVar

from benchrig.bench import Bench
from benchrig.clock import Clock, RealClock, StopRequest, VirtualClock
from benchrig.drivers.board import Board
from benchrig.drivers.instrument import ScpiInstrument
from benchrig.drivers.meter import Meter, Zero
from benchrig.drivers.supply import Supply
from benchrig.errors import FileProblem, FileProblems
from benchrig.events import Listener
from benchrig.injecting import FaultPlan, faulty
from benchrig.log import Log
from benchrig.pricing import MeterPricing
from benchrig.ranges import RangeKeeper
from benchrig.session import BenchFile, MeterSheet, Session, load_bench, load_session, load_sheet
from benchrig.session.bench_file import ScpiPort, Termination
from benchrig.verifying import Chain
from benchrig.wires import LineWire, Wire
from benchrig.zeros import load_zeros

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
    file, plan, sheet, zeros = load_files(bench, session)
    if clock is None:
        clock = RealClock() if file.simulation is None else VirtualClock()
    wires = _simulated(file, sheet, clock) if file.simulation else _real(file, clock)
    log = Log(clock, *listeners)
    if faults is not None:
        wires = faulty(wires, faults, clock, log)
    if wrap is not None:
        board, meter, supply = wires
        wires = wrap(board), wrap(meter), None if supply is None else wrap(supply)
    return put_together(file, plan, sheet, zeros, wires, log, clock)


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
    sheet = load_sheet(file.meter.sheet) if file.meter.sheet else None
    wires = _simulated(file, sheet, clock) if file.simulation else _real(file, clock)
    meter = Meter(_instrument(wires[1], clock, file.meter), clock, file.meter, sheet)
    try:
        meter.open()
        yield meter
    finally:
        meter.close()


@contextmanager
def open_chain(file: BenchFile, clock: Clock) -> Iterator[Chain]:
    """Meter and supply of a bench, open, for work with something else in place of the board. Closed
    at the end. Raises `FileProblems` and what the instruments raise."""
    sheet = load_sheet(file.meter.sheet) if file.meter.sheet else None
    zeros = load_zeros(Path(file.meter.zeros)) if file.meter.zeros else ()
    _, meter_wire, supply_wire = (
        _simulated(file, sheet, clock) if file.simulation else _real(file, clock)
    )
    with chain_of(file, sheet, zeros, meter_wire, supply_wire, clock) as chain:
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


def load_files(
    bench: str | PathLike[str] | BenchFile, session: str | PathLike[str] | Session
) -> tuple[BenchFile, Session, MeterSheet | None, tuple[Zero, ...]]:
    """All files of a run. Raises `FileProblems` with those of all of them at once."""
    problems: list[FileProblem] = []

    def tried(load: Callable[[], T]) -> T | None:
        try:
            return load()
        except FileProblems as found:
            problems.extend(found.problems)
            return None

    plan = session if isinstance(session, Session) else tried(lambda: load_session(session))
    file = bench if isinstance(bench, BenchFile) else tried(lambda: load_bench(bench))
    sheet, zeros = None, None
    if file is not None:
        sheet_path, zeros_path = file.meter.sheet, file.meter.zeros
        sheet = tried(lambda: load_sheet(sheet_path)) if sheet_path else None
        zeros = tried(lambda: load_zeros(Path(zeros_path))) if zeros_path else ()
        if plan is not None:
            problems.extend(unsuitable(file, plan, str(bench)))
    if problems or file is None or plan is None:
        raise FileProblems(problems)
    return file, plan, sheet, zeros or ()


def unsuitable(file: BenchFile, session: Session, name: str) -> Iterator[FileProblem]:
    """What the session asks for and this bench does not have."""
    for state in session.states:
        by = None if state.wake is None else state.wake.by
        if by == "power_cycle" and file.supply is None:
            message = f"is missing: {state.name} of the session is left by a power cycle"
            yield FileProblem(name, None, "supply", message)
        if by == "break" and file.board.parking.tx == "low":
            message = f"'low' is a break, which wakes {state.name} of the session: use 'closed'"
            yield FileProblem(name, None, "board.parking.tx", message)
    if file.supply is not None and file.supply.highest_voltage < session.board.supply_voltage:
        message = f"is below the {session.board.supply_voltage:g} V that the session asks for"
        yield FileProblem(name, None, "supply.highest_voltage", message)


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


def _simulated(file: BenchFile, sheet: MeterSheet | None, clock: Clock) -> Wires:
    from benchrig.simulation.files import load_board
    from benchrig.simulation.world import World
    from benchrig.wires.simulated import SimulatedWire

    assert file.simulation is not None
    world = World(
        load_board(Path(file.simulation.board)),
        sheet,
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
