"""What a session does after its states: charges per event, and sweeps. The sequencer lends it what
it does with a visit and with a fault."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from benchrig.bench import Bench
from benchrig.charges import unmeasured_charge
from benchrig.charging import Charging
from benchrig.errors import Fault
from benchrig.events import StateEnded, StateStarted
from benchrig.result import ChargeResult, FaultRecord, StateResult, SweepResult, Verdict
from benchrig.session.session_file import State
from benchrig.session.steps import Charge, Sweep, steps_of
from benchrig.sweeping import Sweeping


@dataclass(frozen=True)
class Hands:
    """What the sequencer lends. ``visit(state)``: enter, measure the value, wake; the row, and what
    went wrong. ``ending(fault)``: the fault that ends the session, or None if the board was found
    again. ``tell(fault)``, ``changed()``: to the log, and that there is more of the result."""

    visit: Callable[[State], tuple[StateResult, Fault | None]]
    unmeasured: Callable[[State, Fault], StateResult]
    ending: Callable[[Fault], Fault | None]
    tell: Callable[[Fault], None]
    changed: Callable[[], None]


class Steps:
    """`charges` and `sweeps` are the results so far."""

    def __init__(self, bench: Bench, visited: Collection[str], hands: Hands) -> None:
        self._bench = bench
        self._hands = hands
        self._charges, self._sweeps = steps_of(bench.session, visited)
        self.charges: list[ChargeResult] = []
        self.sweeps: list[SweepResult] = []
        # The sweep that is under way, with what it has measured.
        self._begun: Sweeping | None = None

    @property
    def verdicts(self) -> list[Verdict]:
        return [row.verdict for row in self.charges] + [row.verdict for row in self.sweeps]

    def run(self) -> None:
        """Raises the fault that ends the session."""
        for charge in self._charges:
            with self._budgets_kept():
                self._run_charge(charge)
        for sweep in self._sweeps:
            with self._budgets_kept():
                self._run_sweep(sweep)

    @contextmanager
    def _budgets_kept(self) -> Iterator[None]:
        """What is derived is derived from the states as they were measured for themselves."""
        kept = dict(self._bench.budgets)
        try:
            yield
        finally:
            self._bench.budgets = kept

    def end_early(self, fault: Fault) -> None:
        """A row for each step that was not reached."""
        reason = Fault("not_reached", f"the session ended before: {fault.kind}")
        for charge in self._charges[len(self.charges) :]:
            self.charges.append(self._without_value(charge, reason))
        for sweep in self._sweeps[len(self.sweeps) :]:
            sweeping, self._begun = self._begun or Sweeping(self._bench, sweep), None
            self.sweeps.append(sweeping.result(reason))

    # -- a charge ---------------------------------------------------------------------------

    def _run_charge(self, charge: Charge) -> None:
        bench, hands = self._bench, self._hands
        bench.log.state = None
        bench.log.tell("step", f"{charge.name}: charge per event of {charge.state}")
        bench.log.emit(StateStarted(charge.state))
        charging, ending = Charging(bench, charge), None
        try:
            row = charging.run()
            bench.wake()
        except Fault as fault:
            hands.tell(fault)
            row = self._without_value(charge, fault)
            ending = hands.ending(fault)
        self.charges.append(row)
        state = bench.state(charge.state)
        seen = charging.row or hands.unmeasured(state, Fault("not_measured", "see the charge"))
        bench.log.emit(StateEnded(seen))
        bench.log.state = None
        said = row.reported or (row.fault.kind if row.fault else "")
        bench.log.tell("charge", f"{charge.name}: {said}: {row.verdict}")
        hands.changed()
        if ending is not None:
            raise ending

    def _without_value(self, charge: Charge, fault: Fault) -> ChargeResult:
        ticks = self._bench.state(charge.state).ticks
        period_s = charge.period or (0.0 if ticks is None else ticks.period)
        record = FaultRecord(kind=fault.kind, message=fault.message)
        return unmeasured_charge(charge, period_s).model_copy(update={"fault": record})

    # -- a sweep ----------------------------------------------------------------------------

    def _run_sweep(self, sweep: Sweep) -> None:
        bench, hands = self._bench, self._hands
        sweeping, ending = Sweeping(bench, sweep), None
        self._begun = sweeping
        bench.log.state = None
        bench.log.tell("step", f"{sweep.name}: sweep of {sweep.state}")
        sweeping.tell_left_out()
        for voltage_V, frequency_Hz in sweeping.plan:
            ending = self._point(sweeping, voltage_V, frequency_Hz)
            if ending is not None:
                break
        else:
            ending = self._restored()
        bench.forget_awake()
        self.sweeps.append(sweeping.result(ending))
        self._begun = None
        bench.log.state = None
        bench.log.tell("sweep", f"{sweep.name}: {self.sweeps[-1].verdict}")
        hands.changed()
        if ending is not None:
            raise ending

    def _point(
        self, sweeping: Sweeping, voltage_V: float, frequency_Hz: float | None
    ) -> Fault | None:
        """Measure one; returns the fault that ends the session, if there is one."""
        bench, hands = self._bench, self._hands
        state = sweeping.state_at(voltage_V, frequency_Hz)
        bench.log.emit(StateStarted(state.name))
        bench.budgets.pop(state.name, None)
        bench.log.state = state.name
        try:
            sweeping.arrive(voltage_V, frequency_Hz)
            row, fault = hands.visit(state)
        except Fault as refused:
            hands.tell(refused)
            row, fault = hands.unmeasured(state, refused), refused
        if state.wake is not None and state.wake.leaves_by_booting:
            bench.operating.has_booted()
        sweeping.add(voltage_V, frequency_Hz, row)
        bench.log.emit(StateEnded(row))
        if fault is None:
            return None
        bench.operating.may_have_booted()
        return hands.ending(fault)

    def _restored(self) -> Fault | None:
        try:
            self._bench.operating.restore()
        except Fault as fault:
            self._hands.tell(fault)
            # The safe end tries once more, by a power cycle if need be.
            return fault
        return None
