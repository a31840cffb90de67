"""Puts a bench together from its file: wires, drivers, and the gate between them."""

from __future__ import annotations

from collections.abc import Sequence
from os import PathLike

from benchrig.bench import Bench
from benchrig.clock import Clock, RealClock, VirtualClock
from benchrig.drivers.board import Board
from benchrig.drivers.instrument import ScpiInstrument
from benchrig.drivers.meter import Meter
from benchrig.drivers.supply import Supply
from benchrig.errors import FileProblem, FileProblems
from benchrig.events import Listener
from benchrig.log import Log
from benchrig.ranges import RangeKeeper
from benchrig.session import BenchFile, MeterSheet, Session, load_bench, load_session, load_sheet
from benchrig.session.bench_file import BoardPort, ScpiPort, Termination
from benchrig.wires import LineWire, Wire
from benchrig.zeros import load_zeros

_TERMINATIONS: dict[Termination, bytes] = {"CR": b"\r", "LF": b"\n", "CRLF": b"\r\n"}


def assemble(
    bench: str | PathLike[str] | BenchFile,
    session: str | PathLike[str] | Session,
    *,
    clock: Clock | None = None,
    listeners: Sequence[Listener] = (),
) -> Bench:
    """The bench, not yet opened. Raises `FileProblems`: those of all files at once."""
    file, plan, sheet, zeros = load_files(bench, session)
    if clock is None:
        clock = RealClock() if file.simulation is None else VirtualClock()
    wires = _simulated(file, sheet, clock) if file.simulation else _real(file, clock)
    log = Log(clock, *listeners)
    meter = Meter(_instrument(wires["meter"], clock, file.meter), clock, file.meter, sheet, zeros)
    ranges = RangeKeeper(meter, plan.board, clock, log.tell)
    gate = ranges.make_room
    board = Board(wires["board"], clock, plan.protocol, file.board, gate, log.tell)
    supply = None
    if file.supply is not None:
        instrument = _instrument(wires["supply"], clock, file.supply)
        supply = Supply(instrument, clock, file.supply, gate)
    return Bench(plan, file, board, meter, supply, ranges, clock, log)


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
            problems.extend(_unsuitable(file, plan, str(bench)))
    if problems or file is None or plan is None:
        raise FileProblems(problems)
    return file, plan, sheet, zeros or ()


def _unsuitable(file: BenchFile, session: Session, name: str) -> Iterator[FileProblem]:
    """What the session asks for and this bench does not have."""
    if file.supply is None:
        for state in session.states:
            if state.wake is not None and state.wake.by == "power_cycle":
                message = f"is missing: {state.name} of the session is left by a power cycle"
                yield FileProblem(name, None, "supply", message)
    elif file.supply.highest_voltage < session.board.supply_voltage:
        message = f"is below the {session.board.supply_voltage:g} V that the session asks for"
        yield FileProblem(name, None, "supply.highest_voltage", message)


def _real(file: BenchFile, clock: Clock) -> dict[str, LineWire | Wire]:
    from benchrig.wires.serial import SerialWire
    from benchrig.wires.visa import VisaWire

    wires: dict[str, LineWire | Wire] = {
        "board": SerialWire("board", clock, _serial_settings(file.board)),
        "meter": VisaWire("meter", clock, _visa_settings(file.meter)),
    }
    if file.supply is not None:
        wires["supply"] = VisaWire("supply", clock, _visa_settings(file.supply))
    return wires
