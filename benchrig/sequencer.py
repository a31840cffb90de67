"""Walks a board through the states of a session: enter, measure, verify, wake, each in turn.

    result = run_session(load_session("hive-scale.session.toml"), "bench.toml")

Knows no screen and no file: what happens goes out as events. Whatever happens, the bench is left
safe and there is a result with what was measured so far.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from os import PathLike
from typing import Literal

from benchrig import __version__
from benchrig.bench import Bench
from benchrig.clock import Clock
from benchrig.errors import CannotOpen, Fault, Interrupted, UsageError, WireFault, WireLost
from benchrig.events import (
    Listener,
    ResultChanged,
    SessionEnded,
    SessionStarted,
    StateEnded,
    StateStarted,
)
from benchrig.judging import DerivedResults, with_sleep_flags
from benchrig.leaving import NOT_REACHED
from benchrig.measurement import confirmation, confirmed
from benchrig.planning import further_visits, longest_visit_s, visit_s
from benchrig.result import (
    BenchRecord,
    BoardRecord,
    EarlierResult,
    EventRecord,
    FaultRecord,
    MeterRecord,
    SessionResult,
    StateResult,
    Verdict,
    worst,
)
from benchrig.session import BenchFile, Session, load_session
from benchrig.session.session_file import State
from benchrig.steps import Hands, Steps


def run_session(
    session: Session | str | PathLike[str],
    bench: Bench | BenchFile | str | PathLike[str],
    *,
    only: str | Sequence[str] = (),
    repeat: int = 1,
    serial_number: str | None = None,
    operator: str | None = None,
    note: str | None = None,
    listeners: Sequence[Listener] = (),
    clock: Clock | None = None,
) -> SessionResult:
    """Run a session on a bench, and return its result; a fault is a result too.

    `session` and `bench` are files, by their paths or loaded; `bench` may also be a bench that was
    made for this session. One that is open is left open and safe; others are opened and closed
    here. `only` names states or subsets,
    `serial_number` is the one expected: a board that says another is not measured. Raises
    `FileProblems` and `UsageError`; a KeyboardInterrupt is raised again after the bench was left
    safe.
    """
    if isinstance(bench, Bench):
        made = bench
        if made.session != load_session(session):
            raise UsageError("the bench was made for another session; open it for this one")
    else:
        from benchrig.assembly import assemble

        made = assemble(bench, session, clock=clock)
    walk = _Walk(made, only, repeat, serial_number, operator, note)
    was_open = made.is_open
    try:
        return walk.run(listeners, connect=not was_open)
    finally:
        if not was_open:
            made.close()


class _Walk:
    """One session, from its first event to its last."""

    def __init__(
        self,
        bench: Bench,
        only: str | Sequence[str],
        repeat: int,
        serial_number: str | None,
        operator: str | None,
        note: str | None,
    ) -> None:
        if not isinstance(repeat, int) or isinstance(repeat, bool) or repeat < 1:
            raise UsageError(f"a session is run once or more, not {repeat} times")
        self._bench = bench
        self._session = bench.session
        self._states = self._session.selected(only) * repeat
        self._serial_number = serial_number
        self._operator = operator
        self._note = note
        self._rows: list[StateResult] = []
        self._fault: FaultRecord | None = None
        self._told: list[Fault] = []
        self._safe_end: tuple[str, ...] = ()
        self._events: list[EventRecord] = []
        self._derived = DerivedResults(self._session)
        hands = Hands(
            visit=lambda state: self._once(state, value=True),
            unmeasured=lambda state, fault: _with_fault(_unmeasured(state), fault),
            ending=self._ending,
            tell=self._tell_fault,
            changed=self._tell_result,
        )
        self._steps = Steps(bench, {state.name for state in self._states}, hands)

    def run(self, listeners: Sequence[Listener], *, connect: bool = False) -> SessionResult:
        bench = self._bench
        with bench.log.session(listeners):
            self._announce()
            try:
                self._walk(connect)
            except Fault as fault:
                self._end_early(fault)
            except KeyboardInterrupt:
                self._end_early(Interrupted("Ctrl-C"))
                raise
            except Exception as error:
                self._end_early(Fault("internal_error", f"benchrig itself failed: {error!r}"))
                raise
            finally:
                # Also after an error of our own or of a listener.
                with bench.log.undisturbed():
                    self._safe_end = bench.make_safe()
                    self._check_safe_end()
                    self._check_injected()
                    result = self._result(complete=True)
                    bench.log.emit(SessionEnded(result))
            return result

    def _check_safe_end(self) -> None:
        """A bench that was not left safe needs somebody, however good the board."""
        missed = [line for line in self._safe_end if NOT_REACHED in line]
        if missed and self._fault is None:
            fault = Fault("safe_end_missed", "; ".join(missed))
            self._tell_fault(fault)
            self._fault = FaultRecord(kind=fault.kind, message=fault.message)

    def _check_injected(self) -> None:
        """Whatever was measured while faults were put in on purpose is no evidence of the board: a
        plan that was left in place by mistake must let none pass."""
        count = sum(entry.kind == "injected" for entry in self._bench.log.entries)
        told = self._fault is not None or any(row.verdict == "fault" for row in self._rows)
        if count and not told:
            times = "once" if count == 1 else f"{count} times"
            message = f"a fault was injected on purpose {times}: this is no evidence of the board"
            self._fault = FaultRecord(kind="faults_injected", message=message)

    def _announce(self) -> None:
        session, states = self._session, self._states
        further = further_visits(session, tuple(dict.fromkeys(states)))
        visited = (*states, *(visit.state for visit in further))
        expected = (*(visit_s(session, each) for each in states), *(v.expected_s for v in further))
        longest = (
            *(longest_visit_s(session, each) for each in states),
            *(v.longest_s for v in further),
        )
        names = tuple(state.name for state in visited)
        limits = tuple((state.limit.min, state.limit.max) for state in visited)
        self._bench.log.emit(SessionStarted(session.name, names, limits, expected, longest))
        self._tell_result()

    def _walk(self, connect: bool) -> None:
        bench = self._bench
        bench.forget_board()
        bench.clock.check()
        if connect:
            bench.connect()
        else:
            bench.check_requirements()
        bench.power_up()
        self._check_serial_number()
        for state in self._states:
            bench.log.emit(StateStarted(state.name))
            row, ending = self._visited(state)
            self._add(row)
            if ending is not None:
                raise ending
        self._steps.run()

    def _check_serial_number(self) -> None:
        identity = self._bench.identity
        said = None if identity is None else identity.serial_number
        if self._serial_number is not None and said not in (None, self._serial_number):
            raise Fault(
                "wrong_board",
                f"board: says its serial number is {said!r}, and {self._serial_number!r} was "
                "given. Is this the board that you mean?",
            )

    def _visited(self, state: State) -> tuple[StateResult, Fault | None]:
        """The row of one state, and the fault that ends the session, if there is one."""
        row, fault = self._once(state)
        if self._session.decision.confirm and row.verdict in ("fail", "undecided"):
            row, fault = self._again(state, row)
        return row, None if fault is None else self._ending(fault)

    def _once(
        self, state: State, finer: float = 1.0, *, value: bool = False
    ) -> tuple[StateResult, Fault | None]:
        """Enter a state, measure it (its `value`, also where the verdict is the aim), verify that
        it sleeps, and wake the board."""
        row = _unmeasured(state)
        try:
            row = self._measured(state, finer, value)
            if "stays_awake" not in row.flags:
                row = with_sleep_flags(row, self._bench.verify_sleep())
            return row.model_copy(update={"wake_latency_s": self._bench.wake()}), None
        except Fault as fault:
            self._tell_fault(fault)
            # Nothing is derived from what is no valid measurement.
            self._bench.budgets.pop(state.name, None)
            return _with_fault(row, fault), fault

    def _measured(self, state: State, finer: float, value: bool) -> StateResult:
        """Enter a state and measure it; once more if the board may not have heard the command."""
        bench = self._bench
        bench.enter(state)
        row = bench.measure(finer, value=value)
        if bench.may_be_unheard(row):
            bench.log.tell("repeating", f"{state.name}: it may not have heard the command to sleep")
            bench.recover()
            bench.enter(state)
            row = bench.measure(finer, value=value)
        return row

    def _again(self, state: State, first: StateResult) -> tuple[StateResult, Fault | None]:
        """The one confirmation that the session file asks for; both are in the record."""
        rule = confirmation(_decided(first.verdict))
        assert rule is not None
        self._bench.log.tell("confirming", f"{state.name}: {first.verdict}, measured once more")
        # Averaging gains with the square root of the time.
        second, fault = self._once(state, finer=math.sqrt(rule.longer))
        verdict = second.verdict
        if verdict != "fault":
            verdict = confirmed(_decided(first.verdict), verdict)
        earlier = EarlierResult(
            verdict=first.verdict,
            current_A=first.current_A,
            expanded_uncertainty_A=first.expanded_uncertainty_A,
            flags=first.flags,
        )
        return second.model_copy(update={"verdict": verdict, "earlier": (earlier,)}), fault

    def _ending(self, fault: Fault) -> Fault | None:
        """The fault if it ends the session; None if the board was found again."""
        if _ends_session(fault):
            return fault
        try:
            self._bench.recover()
        except Fault as second:
            self._tell_fault(second)
            # What happened first is what the reader has to look for, unless it is over.
            return second if isinstance(second, Interrupted) else fault
        return None

    def _end_early(self, fault: Fault) -> None:
        self._fault = FaultRecord(kind=fault.kind, message=fault.message)
        with self._bench.log.undisturbed():
            self._tell_fault(fault)
            for state in self._states[len(self._rows) :]:
                message = f"the session ended before: {fault.kind}"
                self._add(_with_fault(_unmeasured(state), Fault("not_reached", message)))
            self._steps.end_early(fault)

    def _tell_fault(self, fault: Fault) -> None:
        """Once: one that ends the session has been told with its state already."""
        if fault in self._told:
            return
        self._told.append(fault)
        self._bench.log.tell("fault", str(fault), fault=fault.kind)

    def _add(self, row: StateResult) -> None:
        self._rows.append(row)
        self._bench.log.emit(StateEnded(row))
        self._tell_result()

    def _tell_result(self) -> None:
        self._bench.log.emit(ResultChanged(self._result(complete=False)))

    def _result(self, *, complete: bool) -> SessionResult:
        bench, log = self._bench, self._bench.log
        identity = bench.identity
        visited = {state.name for state in self._states}
        # Of what only the verdict was wanted there is no value to derive anything from.
        visited -= {row.name for row in self._rows if "verdict_only" in row.flags}
        derived = self._derived.of(visited, bench.budgets)
        verdicts = [row.verdict for row in self._rows] + [row.verdict for row in derived]
        verdicts += self._steps.verdicts
        if self._fault is not None or not complete:
            verdicts.append("fault")
        said = identity.serial_number if identity else None
        # A result is made after each state: of a long session not all anew each time.
        self._events += (EventRecord(**vars(entry)) for entry in log.entries[len(self._events) :])
        return SessionResult(
            session=self._session.name,
            verdict=worst(verdicts),
            complete=complete,
            started=log.started,
            ended=bench.clock.now(),
            serial_number=said or self._serial_number,
            firmware=identity.firmware if identity else None,
            operator=self._operator,
            note=self._note,
            board=_board_record(bench),
            meter=_meter_record(bench),
            bench=_bench_record(bench),
            states=tuple(self._rows),
            derived=derived,
            charges=tuple(self._steps.charges),
            sweeps=tuple(self._steps.sweeps),
            fault=self._fault,
            safe_end=self._safe_end,
            events=tuple(self._events),
            benchrig=__version__,
        )


def _decided(verdict: Verdict) -> Literal["pass", "fail", "undecided"]:
    assert verdict != "fault"
    return verdict


# After these the board may be found again.
_OF_THE_BOARD = {
    *("board_refused", "unexpected_reset", "unexpected_wake", "no_wake", "charge_not_settled"),
    *(
        "event_missed",
        "event_extra",
        "event_not_over",
        "events_late",
        "events_not_seen",
        "events_not_resolved",
    ),
    *("invalid_readings", "not_measured"),
}


def _ends_session(fault: Fault) -> bool:
    """Whether nothing more can be measured: only a board that misbehaves may be found again."""
    if isinstance(fault, (Interrupted, WireLost, CannotOpen)):
        return True
    if isinstance(fault, WireFault):
        return fault.wire != "board"
    return fault.kind not in _OF_THE_BOARD


def _unmeasured(state: State) -> StateResult:
    limit = state.limit
    return StateResult(
        name=state.name,
        verdict="fault",
        limit_min_A=limit.min,
        limit_max_A=limit.max,
        limit_typical_A=limit.typical,
    )


def _with_fault(row: StateResult, fault: Fault) -> StateResult:
    record = FaultRecord(kind=fault.kind, message=fault.message)
    return row.model_copy(update={"verdict": "fault", "fault": record})


def _board_record(bench: Bench) -> BoardRecord:
    ratings = bench.session.board
    return BoardRecord(
        name=ratings.name,
        address=bench.board.wire.address,
        identity=bench.identity.text if bench.identity else None,
        supply_voltage_V=ratings.supply_voltage,
        minimum_voltage_V=ratings.minimum_voltage,
    )


def _meter_record(bench: Bench) -> MeterRecord:
    meter = bench.meter
    return MeterRecord(
        address=meter.instrument.wire.address,
        identity=meter.instrument.identity or None,
        sheet=meter.sheet.name if meter.sheet else None,
        reading_format=meter.format.value if meter.format else None,
        aperture_s=meter.aperture_s,
    )


def _bench_record(bench: Bench) -> BenchRecord:
    supply, simulation = bench.supply, bench.file.simulation
    return BenchRecord(
        name=bench.file.name,
        supply=supply.instrument.identity or None if supply else None,
        simulated_seed=simulation.seed if simulation else None,
    )
