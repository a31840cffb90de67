"""A bench: one board, its meter and maybe a supply, opened and ready.

Usable by hand:

    with open_bench("bench.toml", "session.toml") as bench:
        bench.power_up()
        bench.enter("deep_sleep")
        print(bench.measure().current_A)
        bench.wake()

Whatever happens inside the ``with``, the bench is left safe at its end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from os import PathLike
from types import TracebackType
from typing import TYPE_CHECKING

from benchrig.clock import Clock
from benchrig.drivers.board import Board, BoardIdentity
from benchrig.drivers.meter import Meter, MeterRange
from benchrig.drivers.supply import Supply
from benchrig.errors import Fault, NoReply, UsageError
from benchrig.events import Listener
from benchrig.finding import Finder
from benchrig.judging import NOT_VERIFIED, WOKEN_BY, decision_rule, least_awake_A, state_result
from benchrig.leaving import SafeEnd
from benchrig.log import Log
from benchrig.measurement import Budget, Decision
from benchrig.measuring import BATCH_S, Measured, Measuring, SettlingPlan
from benchrig.operating import Operating
from benchrig.pricing import Pricing
from benchrig.ranges import RangeKeeper
from benchrig.result import StateResult
from benchrig.session import BenchFile, Session
from benchrig.session.curve_file import CurveFile
from benchrig.session.protocol import Stimulus, Wake
from benchrig.session.session_file import State
from benchrig.session.wording import closest
from benchrig.sleeping import QUICK_LOOK, Shown, SleepWatch, Visit
from benchrig.units import format_quantity
from benchrig.verification import (
    RANGE_NOT_VERIFIED,
    Verification,
    load_verification,
    require_verification,
)

if TYPE_CHECKING:
    from benchrig.injecting import FaultPlan

# A board that wakes by itself is waited for on a range with room from this long before.
EARLY_S = 1.0


class Bench:
    """Made by `open_bench`. Methods raise `Fault`; a current outside its limits is a verdict."""

    def __init__(
        self,
        session: Session,
        file: BenchFile,
        board: Board,
        meter: Meter,
        supply: Supply | None,
        ranges: RangeKeeper,
        clock: Clock,
        log: Log,
    ) -> None:
        self.session = session
        self.file = file
        self.board = board
        self.meter = meter
        self.supply = supply
        self.ranges = ranges
        self.clock = clock
        self.log = log
        # A replay has its own.
        self.load_verification = load_verification
        # Where the session requires one.
        self._verified: Verification | None = None
        # Of the last measurement of each state.
        self.budgets: dict[str, Budget] = {}
        self.pricing = Pricing(meter, file, session.board)
        # What the data sheet says, where the session names it.
        self.data_sheet: CurveFile | None = None
        self.identity: BoardIdentity | None = None
        self._sleep = SleepWatch(board, meter, ranges, clock, log)
        self._finder = Finder(session, file.board.parking, board, supply, ranges, clock, log)
        cycle = self._finder.power_cycle
        self.operating = Operating(session, board, supply, ranges, cycle, log.tell)
        self._safe_end = SafeEnd(file, board, meter, supply, ranges, self.operating, self.wake)
        self._visit: Visit | None = None
        self._awake_A: float | None = None
        self._left = False
        self.is_open = False

    def __enter__(self) -> Bench:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None
    ) -> None:
        self.leave()

    # -- start ------------------------------------------------------------------------------

    def connect(self) -> None:
        """Open the instruments, the meter first: it must be on a range with room before the
        board's port opens, since that may move a line and wake the board."""
        self._left = False
        self.log.tell("meter", f"meter: {self.meter.open()}")
        assert self.meter.format is not None
        self.log.tell("reading_format", f"readings in {self.meter.format.value}")
        self.check_requirements()
        self.ranges.make_room("opening the board's port")
        if self.supply is not None:
            self.log.tell("supply", f"supply: {self.supply.open()}")
        self.board.open()
        self.is_open = True

    def check_requirements(self) -> None:
        """What the session requires of this bench. Raises ``meter_not_verified``. A range that the
        verification does not cover is no fault here: its results are flagged."""
        within_s = self.session.requires.meter_verified_within
        if within_s is not None:
            path, identity = self.file.meter.verification, self.meter.instrument.identity
            self._verified = require_verification(
                path, within_s, identity or None, self.clock.now(), self.load_verification
            )
            self.log.tell("verified", f"meter: {self._verified}")

    def forget_board(self) -> None:
        """The next board is another one, as far as anybody knows."""
        self.identity, self._awake_A = None, None
        self.budgets.clear()

    def power_up(self) -> None:
        """Switch the supply on, if there is one, and find the board and its identity."""
        self.forget_board()
        voltage_V = self.session.board.supply_voltage
        # An earlier session may have left the board asleep.
        self.board.unpark()
        self.board.banner_belongs = True
        if self.supply is not None:
            self.supply.set_up(voltage_V)
            self.supply.switch(True)
            self.supply.check_voltage(voltage_V)
            self.log.tell("powered", f"supply on at {voltage_V:g} V")
        self.operating.begin()
        self._finder.find()
        self._visit = None
        if self.session.protocol.identity is not None:
            self.identity = self.board.identify(self.session.protocol.identity)
            self.log.tell("identity", f"board: {self.identity.text}")

    def recover(self) -> None:
        """After a fault of the board: bring it back to where it answers, by a power cycle where
        nothing else helps and there is a supply. Raises ``board_silent``."""
        self._finder.recover()
        self._visit = None

    # -- one state --------------------------------------------------------------------------

    def state(self, name: str) -> State:
        """A state of the session. Raises `UsageError` for one that it does not have."""
        for state in self.session.states:
            if state.name == name:
                return state
        known = ", ".join(state.name for state in self.session.states)
        close = closest(str(name), [state.name for state in self.session.states])
        hint = "" if close is None else f"did you mean {close!r}? "
        raise UsageError(f"there is no state {name!r}; {hint}the session has {known}")

    def enter(self, name: str | State) -> None:
        """Bring the board into a state of the session file, or one that is like it; wakes it first
        if it sleeps."""
        state = self.state(name) if isinstance(name, str) else name
        name = state.name
        if self._visit is not None and self._visit.state.sleeps:
            self.wake()
        self.log.state = name
        self.ranges.start_state()
        self.ranges.make_room(f"entering {name}")
        if state.sleeps:
            self._saw_awake(self._sleep.current_A())
        awake_A = least_awake_A(self.session, self._awake_A)
        self._visit = visit = Visit(state, self.clock.monotonic(), awake_A)
        for index, exchange in enumerate(state.enter):
            if state.sleeps and index == len(state.enter) - 1:
                # It may fall asleep before the acknowledgement is out; the current tells.
                exchange = exchange.model_copy(update={"reply_may_be_lost": True})
            match = self.board.insist(exchange)
            visit.acknowledged = match is not None or not exchange.expects_reply
        # From the acknowledgement on, or from the moment it was given up: no sooner is known.
        visit.entered_s = self.clock.monotonic()
        if state.sleeps:
            self.board.park(self.file.board.parking)
        self.log.tell("entered", f"entered {name}")

    def forget_awake(self) -> None:
        """What the board draws awake is another current at another voltage or clock."""
        self._awake_A = None

    def listen(self, duration_s: float) -> None:
        """Wait, with an ear to the board."""
        self._sleep.listen(duration_s)

    def reach(self) -> None:
        """Leave the board in its state, but on a range with room and with its lines back: so that
        something may happen at it while the meter reads."""
        self.ranges.make_room("making events")
        self.board.unpark()

    def _saw_awake(self, current_A: float | None) -> None:
        seen = [value for value in (self._awake_A, current_A) if value is not None]
        self._awake_A = min(seen, default=None)

    def measure(self, finer: float = 1.0, *, value: bool = False) -> StateResult:
        """The settled current of the state that was entered, judged against its limits; `finer`
        by that factor than the session file asks for. With `value` also where the session aims at
        the verdict alone.

        Raises `Fault` only where something other than the current went wrong: a wire, a reset,
        an overload. A current that does not settle is a result with the verdict `fault`.
        """
        visit = self._present()
        plan = SettlingPlan.of(self.session, visit.state, finer)
        if value:
            plan = replace(plan, risk=None)
        measured = self._measured(visit, plan, since_s=self.clock.monotonic())
        visit.settled_A, visit.at_least_A = measured.level_A, measured.at_least_A
        return self._judged(visit, measured)

    def may_be_unheard(self, row: StateResult) -> bool:
        """Whether a state failed only because the board may not have heard that it is to sleep: its
        acknowledgement is missing, and it draws what it draws awake."""
        visit = self._present()
        awake = "stays_awake" in row.flags or visit.awake_A is None
        return visit.state.sleeps and not visit.acknowledged and row.verdict == "fail" and awake

    def record(self, for_s: float) -> float:
        """Read the state that was entered for so long from its entry on, settled or not, and on
        the ranges that `measure` would use; who listens to the log gets the readings. Returns
        when it was entered, on the axis of the log. Raises `Fault` as `measure` does, except for
        a board that woke by itself: that is in the record, for its reader to judge.
        """
        visit = self._present()
        plan = SettlingPlan.of(self.session, visit.state)
        # Nothing is settled before the guard has passed.
        priors = replace(plan.priors, guard_s=for_s)
        try:
            self._measured(visit, SettlingPlan(priors, for_s), since_s=visit.entered_s)
        except Fault as fault:
            if fault.kind != "unexpected_wake":
                raise
            self.log.tell("fault", str(fault), fault=fault.kind)
        return visit.entered_s - self.log.start_s

    def _measured(self, visit: Visit, plan: SettlingPlan, since_s: float) -> Measured:
        """Within the time limit, counted from `since_s` on the clock."""
        if visit.state.sleeps:
            # A verification of its sleep may have moved the lines.
            self.board.park(self.file.board.parking)
        measuring = Measuring(
            visit.state,
            plan,
            self.meter,
            self.ranges,
            self.clock,
            self.log,
            visit.entered_s,
            visit.awake_A,
            self.pricing,
        )
        deadline_s = self._deadline_s(visit, since_s + plan.time_limit_s)
        return measuring.run(deadline_s, self._sleep.listen)

    def _judged(self, visit: Visit, measured: Measured) -> StateResult:
        state, entry = visit.state, measured.range
        priced = self.pricing.priced(measured.outcome, entry, state)
        lacks = self.lacking(entry, state)
        voltage_V = None
        if priced is not None and not entry.assumed:
            voltage_V = self.ranges.voltage_at_board(entry, visit.settled_A or 0.0)
        rule = decision_rule(self.session)
        row = state_result(state, measured, priced, lacks, visit.awake_A, voltage_V, rule)
        self.budgets.pop(state.name, None)
        if priced is not None and row.fault is None:
            self.budgets[state.name] = priced.budget
        if not state.sleeps and row.verdict != "fault":
            self._saw_awake(_certain_A(row, measured.decision))
        return row

    def lacking(self, entry: MeterRange, state: State) -> tuple[str, ...]:
        """Flags of what a result on a range lacks."""
        flags = self.pricing.flags(entry, state)
        if self._verified is None or self._verified.covers(entry.full_scale_A):
            return flags
        return (*flags, RANGE_NOT_VERIFIED)

    def _deadline_s(self, visit: Visit, deadline_s: float) -> float:
        """A board that wakes by its own timer is left alone in time, with the meter on a range
        with room, and before that the stimuli that must not wake it are tried."""
        state = visit.state
        if state.wake is None or state.wake.after is None:
            return deadline_s
        # The last batch, and the look for what ends it, may begin just before the deadline.
        early_s = EARLY_S + 2 * max(self.meter.interval_s, BATCH_S)
        for stimulus in state.must_not_wake:
            look_s = QUICK_LOOK * self.meter.interval_s
            early_s += EARLY_S + stimulus.pulse + state.quiet + look_s
        return min(deadline_s, visit.entered_s + state.wake.after - early_s)

    def settled_current(self, name: str) -> StateResult:
        """Enter a state and measure it."""
        self.enter(name)
        return self.measure()

    def verify_sleep(self) -> tuple[str, ...]:
        """Try the stimuli that must not wake the state, up to the first one that does; returns
        what that shows, as flags: ``woken_by_...``, and ``not_verified_...`` where nothing could
        tell."""
        visit = self._present()
        flags: list[str] = []
        for stimulus in visit.state.must_not_wake:
            shown = self._shown_by(visit, stimulus)
            if shown == "noise":  # it does not come again, but a board that speaks does
                shown = self._shown_by(visit, stimulus)
            if shown in ("woke", "noise"):
                # A board that has reset just then does not do that again.
                visit = self._entered_again(visit)
                shown = self._shown_by(visit, stimulus)
            if shown in ("woke", "noise"):
                return (*flags, f"{WOKEN_BY}{stimulus.by}")
            if shown == "not_verified":
                flags.append(f"{NOT_VERIFIED}{stimulus.by}")
        return tuple(dict.fromkeys(flags))

    def _entered_again(self, visit: Visit) -> Visit:
        """The same state, with a board that was woken; at rest as far as its guard tells."""
        name = visit.state.name
        self.log.tell("repeating", f"{name}: entered once more, to see what wakes it")
        self.recover()
        self.enter(name)
        again = self._present()
        again.settled_A, again.at_least_A = visit.settled_A, visit.at_least_A
        self._sleep.listen(SettlingPlan.of(self.session, visit.state).priors.guard_s)
        return again

    def _shown_by(self, visit: Visit, stimulus: Stimulus) -> Shown:
        self.ranges.make_room(f"a stimulus by {stimulus.by}")
        self.board.unpark()
        # A board that boots when it wakes tells by its banner that this woke it.
        self.board.banner_belongs = boots = _boots(visit.state.wake)
        self.board.stimulate(stimulus)
        has_banner = self.session.protocol.banner is not None
        in_time = visit.state.quiet >= self.session.board.boot_time
        shown = self._sleep.after(visit, stimulus, silence_tells=boots and has_banner and in_time)
        self.board.banner_belongs = shown == "woke" and boots
        return shown

    def wake(self) -> float | None:
        """Wake the board as its state says; returns the latency in s, from the stimulus (or from
        the board's own waking) to the answer to hello. None in a state that needs no waking, or
        where nobody can tell when the board woke.

        Raises ``no_wake`` if it stays silent.
        """
        visit = self._present()
        wake = visit.state.wake
        if wake is None:
            self._visit = None
            self.board.poll()
            return None
        self.ranges.make_room("waking")
        if wake.by != "power_cycle":
            self.board.unpark()
        self.board.banner_belongs = _boots(wake)
        woken_s = self._stimulate(wake, visit)
        try:
            self.board.hello(wake.within, densely=True)
        except NoReply as silence:
            raise Fault(
                "no_wake",
                f"board: silent after a wake by {wake.by} from {visit.state.name}; "
                f"{silence.message}{self._power_left(wake)}",
            ) from silence
        latency_s = None if woken_s is None else self.clock.monotonic() - woken_s
        self.board.banner_belongs = False
        self._visit = None
        after = "" if latency_s is None else f" after {format_quantity(latency_s, 's', 3)}"
        self.log.tell("woken", f"awake{after}")
        return latency_s

    def _power_left(self, wake: Wake) -> str:
        left_V = self._finder.left_V
        if wake.by != "power_cycle" or left_V is None:
            return ""
        return (
            f". When it was switched on again the supply read {left_V:.3g} V: if that is much, the "
            "decoupling capacitor has kept the board alive, and a longer off_time empties it"
        )

    def _stimulate(self, wake: Wake, visit: Visit) -> float | None:
        """Do what wakes the board, or wait for it; returns when, on the clock, if that is known."""
        self.clock.sleep(0.0)  # a latched clock may stand where the last answer came
        now_s = self.clock.monotonic()
        if wake.by == "operator":
            self.log.tell("prompt", wake.prompt or "", within_s=wake.within)
            return self._sleep.wait_for_rise(visit, now_s + wake.within)
        if wake.after is not None:
            due_s = visit.entered_s + wake.after
            woken_s = self._sleep.wait_for_rise(visit, due_s + wake.within)
            if woken_s is None:
                self._sleep.listen(max(due_s - self.clock.monotonic(), 0.0))
            return woken_s
        if wake.by == "power_cycle":
            return self._finder.power_cycle(wake.off_time)
        self.board.stimulate(wake)
        return now_s

    def _present(self) -> Visit:
        if self._visit is None:
            raise UsageError("the board is in no state of the session; enter one first")
        return self._visit

    # -- the end ----------------------------------------------------------------------------

    def make_safe(self) -> tuple[str, ...]:
        """Bring the meter to its highest range, the board awake if it can be, the supply to what
        the bench file says. Returns what was reached, a line each. Raises only what a listener
        raises, and that at the end."""
        self.log.state = None
        state = None if self._visit is None else self._visit.state
        with self.clock.shielded(), self.log.undisturbed():
            reached = self._safe_end.reached(None if state is None else state.wake)
            for line in reached:
                self.log.tell("safe_end", line)
        return reached

    def leave(self) -> None:
        """Leave the bench safe and close its ports. Leaving twice is fine."""
        if self._left:
            return
        self._left = True
        try:
            self.make_safe()
        finally:
            self.close()

    def close(self) -> None:
        """Close the ports as they are."""
        self._left, self.is_open = True, False
        for instrument in (self.board, self.meter, self.supply):
            if instrument is not None:
                instrument.close()


def _boots(wake: Wake | None) -> bool:
    return wake is not None and (wake.reboots or wake.by == "power_cycle")


def _certain_A(row: StateResult, decision: Decision | None) -> float | None:
    """What was measured, if it was a current for certain."""
    if decision is not None:
        return decision.current_A if decision.lower_A > 0.0 else None
    stands_out = (row.current_A or 0.0) > 4 * (row.expanded_uncertainty_A or 0.0)
    return row.current_A if stands_out else None


def open_bench(
    bench: str | PathLike[str] | BenchFile,
    session: str | PathLike[str] | Session,
    *,
    clock: Clock | None = None,
    listeners: Sequence[Listener] = (),
    faults: FaultPlan | None = None,
) -> Bench:
    """Open the instruments of a bench for the board of a session, with `faults` on purpose.

    Raises `FileProblems` for files that are wrong, `UsageError` for a session that this bench
    cannot run, and `Fault` if an instrument cannot be opened.
    """
    from benchrig.assembly import assemble

    made = assemble(bench, session, clock=clock, listeners=listeners, faults=faults)
    try:
        made.connect()
    except BaseException:
        made.leave()
        raise
    return made
