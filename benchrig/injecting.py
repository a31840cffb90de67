"""From a plan of faults to wires that have them: what a plan means for SCPI is told here, since
wires know no protocol."""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Callable
from dataclasses import dataclass
from os import PathLike

from benchrig.clock import Clock
from benchrig.drivers.scpi import OVERLOAD, ResponseFramer, block_length
from benchrig.errors import UsageError
from benchrig.log import Log
from benchrig.session.fault_plan import FaultPlanFile, PlannedFault, load_fault_plan
from benchrig.wires import LineWire, Wire
from benchrig.wires.faulty import FaultyWire
from benchrig.wires.injections import (
    Act,
    AtMatch,
    AtMessage,
    AtTime,
    Chance,
    Close,
    Cut,
    Delay,
    Drop,
    Duplicate,
    Flip,
    Injection,
    Insert,
    Replace,
    Reset,
    Silence,
    When,
)

# The queries that give readings, and the one that gives an error, in short and long form.
READINGS = re.compile(rb"(?i)\b(FETC(H)?|READ|MEAS(URE)?)\b[\w:]*\?")
ERRORS = re.compile(rb"(?i)\bSYST(EM)?:ERR(OR)?(:NEXT)?\?")
SYSTEM_ERROR = '-310,"System error"'


@dataclass(frozen=True)
class FaultPlan:
    """The faults of each wire, as values."""

    board: tuple[Injection, ...] = ()
    meter: tuple[Injection, ...] = ()
    supply: tuple[Injection, ...] = ()
    seed: int = 1


def load_faults(path: str | PathLike[str]) -> FaultPlan:
    """The plan in a file. Raises `FileProblems`."""
    return plan_of(load_fault_plan(path))


def plan_of(file: FaultPlanFile) -> FaultPlan:
    def of(wire: str) -> tuple[Injection, ...]:
        return tuple(_injection(fault) for fault in file.faults if fault.wire == wire)

    return FaultPlan(of("board"), of("meter"), of("supply"), file.seed)


def faulty(
    wires: tuple[LineWire, Wire, Wire | None], plan: FaultPlan, clock: Clock, log: Log
) -> tuple[LineWire, Wire, Wire | None]:
    """The wires to board, meter and supply, each wrapped, also where nothing is planned for it.
    Raises `UsageError` for a plan that these wires cannot carry out."""
    board, meter, supply = wires
    if supply is None and plan.supply:
        raise UsageError("the fault plan has faults of a supply, and the bench has none")

    def wrapped(wire: Wire, injections: tuple[Injection, ...]) -> FaultyWire:
        return FaultyWire(
            wire,
            clock,
            injections,
            seed=plan.seed,
            tell=log.tell,
            elapsed_s=lambda: clock.monotonic() - log.start_s,
        )

    return (
        wrapped(board, plan.board),
        wrapped(meter, plan.meter),
        None if supply is None else wrapped(supply, plan.supply),
    )


# -- what instruments say ---------------------------------------------------------------------


def overload() -> Replace:
    """The next readings are an overload, all of them (SCPI-1999 volume 1, 7.2.1: 9.9E37)."""
    return Replace(READINGS, _answered(_overloaded), "readings are an overload")


def error_queue(says: str = SYSTEM_ERROR) -> Replace:
    """The next answer to ``SYSTem:ERRor?`` is another."""
    return Replace(ERRORS, _answered(lambda answer: says.encode()), "the error queue lies")


def _answered(change: Callable[[bytes], bytes]) -> Callable[[bytes], bytes | None]:
    """`change` for an answer that is there up to its line feed."""

    def rewrite(answer: bytes) -> bytes | None:
        whole = ResponseFramer(b"\n").feed(answer)
        return None if not whole else change(whole[0].rstrip(b"\r")) + b"\n"

    return rewrite


def _overloaded(answer: bytes) -> bytes:
    if block_length(answer):
        header = 2 + int(answer[1:2])
        return answer[:header] + struct.pack(">d", OVERLOAD) * ((len(answer) - header) // 8)
    return b",".join([b"+9.9E+37"] * len(answer.split(b",")))


# -- from the file --------------------------------------------------------------------------------


def _injection(fault: PlannedFault) -> Injection:
    times = fault.times
    if times is None and fault.when.probability is None:
        times = 1
    return Injection(_act(fault), _when(fault), fault.side, fault.after, times)


def _when(fault: PlannedFault) -> When:
    when = fault.when
    if when.probability is not None:
        return Chance(when.probability)
    if when.message is not None:
        return AtMessage(when.message, fault.side)
    if when.time is not None:
        return AtTime(when.time)
    if when.sent is not None:
        return AtMatch(when.sent, when.match, "sent")
    assert when.received is not None
    return AtMatch(when.received, when.match, "received")


def _act(fault: PlannedFault) -> Act:
    match fault.do:
        case "drop":
            return Drop(fault.count or 1)
        case "duplicate":
            return Duplicate(fault.count or 1)
        case "flip":
            return Flip(1 << (fault.bit or 0))
        case "insert":
            return Insert(fault.data_hex or b"")
        case "cut":
            return Cut()
        case "delay":
            return Delay(fault.duration or 0.0)
        case "silence":
            return Silence(math.inf if fault.duration is None else fault.duration)
        case "close":
            return Close(fault.duration or 0.0)
        case "overload":
            return overload()
        case "error_queue":
            return error_queue(fault.says or SYSTEM_ERROR)
        case "reset":
            return Reset()
