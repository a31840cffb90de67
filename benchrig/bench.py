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

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from os import PathLike
from types import TracebackType

import numpy as np

from benchrig.clock import Clock
from benchrig.drivers.board import Board, BoardIdentity
from benchrig.drivers.meter import Meter
from benchrig.drivers.scpi import is_valid
from benchrig.drivers.supply import Supply
from benchrig.errors import BenchrigError, Fault, NoReply, UsageError
from benchrig.events import Listener
from benchrig.judging import state_result
from benchrig.log import Log
from benchrig.measuring import Measured, Measuring, SettlingPlan
from benchrig.ranges import RangeKeeper
from benchrig.result import StateResult
from benchrig.session import BenchFile, Session
from benchrig.session.session_file import State, Stimulus
from benchrig.units import format_quantity

# A board that wakes by itself is waited for on a range with room from this long before.
EARLY_S = 0.5


@dataclass
class _Visit:
    """The stay in one state, from its entry to its end."""

    state: State
    entered_s: float
    awake_A: float | None
    measured: Measured | None = None
    result: StateResult | None = None

    @property
    def asleep(self) -> bool:
        return self.state.sleeps

    @property
    def settled_A(self) -> float | None:
        return None if self.measured is None else self.measured.outcome.current_A


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
        self.identity: BoardIdentity | None = None
        self.safe_end: tuple[str, ...] = ()
        self._visit: _Visit | None = None
        self._left = False

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
        self.log.tell("meter", f"meter: {self.meter.open()}")
        assert self.meter.format is not None
        self.log.tell("reading_format", f"readings in {self.meter.format.value}")
        self.ranges.make_room("opening the board's port")
        if self.supply is not None:
            self.log.tell("supply", f"supply: {self.supply.open()}")
        self.board.open()

    def power_up(self) -> None:
        """Switch the supply on, if there is one, and find the board and its identity."""
        voltage_V = self.session.board.supply_voltage
        self.board.banner_belongs = True
        if self.supply is not None:
            self.supply.set_up(voltage_V)
            self.supply.switch(True)
            self.supply.check_voltage(voltage_V)
            self.log.tell("powered", f"supply on at {voltage_V:g} V")
        self._find_board()
        if self.session.protocol.identity is not None:
            self.identity = self.board.identify(self.session.protocol.identity)
            self.log.tell("identity", f"board: {self.identity.text}")

    def _find_board(self) -> None:
        try:
            self.board.hello(self.session.board.boot_time)
        except NoReply:
            # It may still sleep from an earlier session: try what wakes it, once each.
            wakes = [state.wake for state in self.session.states if state.wake is not None]
            for wake in (wake for wake in wakes if wake.by in ("byte", "break", "dtr", "rts")):
                self.board.stimulate(wake)
                try:
                    self.board.hello(wake.within)
                    break
                except NoReply:
                    continue
            else:
                raise
        self.board.banner_belongs = False
        self.log.tell("hello", "the board answers")

    # -- one state --------------------------------------------------------------------------

    def enter(self, name: str) -> None:
        """Bring the board into a state of the session file; wakes it first if it sleeps."""
        try:
            state = self.session.state(name)
        except StopIteration:
            known = ", ".join(state.name for state in self.session.states)
            raise UsageError(f"there is no state {name!r}; the session has {known}") from None
        if self._visit is not None and self._visit.asleep:
            self.wake()
        self.log.state = name
        self.ranges.start_state()
        self.ranges.make_room(f"entering {name}")
        awake_A = self._current_with_room() if state.sleeps else None
        self._visit = _Visit(state, self.clock.monotonic(), awake_A)
        for index, exchange in enumerate(state.enter):
            if state.sleeps and index == len(state.enter) - 1:
                # It may fall asleep before the acknowledgement is out; the current tells.
                exchange = exchange.model_copy(update={"reply_may_be_lost": True})
            self.board.exchange(exchange)
        # From the acknowledgement on, or from the moment it was given up: no sooner is known.
        self._visit.entered_s = self.clock.monotonic()
        if state.sleeps:
            self.board.park(self.file.board.parking)
        self.log.tell("entered", f"entered {name}")

    def measure(self) -> StateResult:
        """The settled current of the state that was entered, judged against its limits.

        Raises `Fault` only where something other than the current went wrong: a wire, a reset,
        an overload. A current that does not settle is a result with the verdict `fault`.
        """
        visit = self._present()
        plan = SettlingPlan.of(self.session, visit.state)
        measuring = Measuring(
            visit.state, plan, self.meter, self.ranges, self.clock, self.log, visit.entered_s
        )
        deadline_s = visit.entered_s + plan.time_limit_s
        wake = visit.state.wake
        if wake is not None and wake.after is not None:
            deadline_s = min(deadline_s, visit.entered_s + wake.after - EARLY_S)
        visit.measured = measuring.run(deadline_s, self._poll)
        voltage_V = self.ranges.voltage_at_board(
            visit.measured.range, visit.measured.outcome.current_A or 0.0
        )
        visit.result = state_result(visit.state, visit.measured, visit.awake_A, voltage_V)
        return visit.result

    def settled_current(self, name: str) -> StateResult:
        """Enter a state and measure it."""
        self.enter(name)
        return self.measure()

    def verify_sleep(self) -> tuple[str, ...]:
        """Try the stimuli that must not wake the state; returns those that did, as flags."""
        visit = self._present()
        woken: list[str] = []
        for stimulus in visit.state.must_not_wake:
            self.board.unpark()
            self.board.stimulate(stimulus)
            if not self._stays_asleep(visit, stimulus):
                woken.append(f"woken_by_{stimulus.by}")
                break
        return tuple(woken)

    def wake(self) -> float | None:
        """Wake the board as its state says; returns the latency in s, from the stimulus (or from
        the board's own waking) to the answer to hello. None in a state that needs no waking.

        Raises ``no_wake`` if it stays silent.
        """
        visit = self._present()
        wake = visit.state.wake
        if wake is None:
            self._visit = None
            self.board.poll()
            return None
        self.ranges.make_room("waking")
        self.board.unpark()
        self.board.banner_belongs = wake.reboots or wake.by == "power_cycle"
        if wake.by in ("timer", "operator"):
            stimulus_s = self._wait_for_rise(visit)
        elif wake.by == "power_cycle":
            self._power_cycle(wake.off_time)
            stimulus_s = self.clock.monotonic()
        else:
            stimulus_s = self.clock.monotonic()
            self.board.stimulate(wake)
        try:
            self.board.hello(wake.within, densely=True)
        except NoReply as silence:
            raise Fault(
                "no_wake",
                f"board: silent after a wake by {wake.by} from {visit.state.name}; "
                f"{silence.message}",
            ) from silence
        latency_s = self.clock.monotonic() - stimulus_s
        self._visit = None
        self.board.banner_belongs = False
        self.log.tell("woken", f"awake after {format_quantity(latency_s, 's', 3)}")
        return latency_s

    # -- inside a state ---------------------------------------------------------------------

    def _present(self) -> _Visit:
        if self._visit is None:
            raise UsageError("the board is in no state of the session; enter one first")
        return self._visit

    def _poll(self, duration_s: float) -> None:
        """Wait, with an ear to the board: a boot banner may come at any time."""
        end_s = self.clock.monotonic() + duration_s
        while True:
            left = end_s - self.clock.monotonic()
            self.board.poll(max(left, 0.0))
            if left <= 0:
                return

    def _current_with_room(self) -> float | None:
        """The current now, read without leaving a range with room; None if it can't be read."""
        readings = self.meter.acquire(5, self._poll)
        valid = readings.currents_A[is_valid(readings.currents_A)]
        return float(np.mean(valid)) if len(valid) else None

    def _has_risen(self, visit: _Visit) -> bool | None:
        """Whether the current has left the sleep level; None where it cannot tell.

        Read on a range with room, whose offset may be many times the sleep current: what counts
        as risen lies above both.
        """
        if visit.settled_A is None:
            return None
        present = self.meter.acquire(5, self._poll)
        valid = present.currents_A[is_valid(present.currents_A)]
        if len(valid) == 0:
            return True
        offset_A = (present.range.offset or 0.001) * present.range.full_scale_A
        noise_A = float(np.std(valid))
        threshold_A = 1.5 * visit.settled_A + 4 * offset_A + 3 * noise_A
        if visit.awake_A is not None and threshold_A > 0.8 * visit.awake_A:
            return None
        # The median, since a wake-up tick that belongs to the state may fall into one reading.
        return bool(np.median(valid) > threshold_A)

    def _stays_asleep(self, visit: _Visit, stimulus: Stimulus) -> bool:
        """Silence, and after it a current that has not risen."""
        state = visit.state
        end_s = self.clock.monotonic() + state.quiet
        while (left := end_s - self.clock.monotonic()) > 0:
            if lines := self.board.poll(left):
                self.log.tell("woke", f"{stimulus.by} must not wake {state.name}: {lines!r}")
                return False
        risen = self._has_risen(visit)
        if risen is None:
            self.log.tell(
                "not_verified", f"{state.name}: the current cannot tell sleep from waking"
            )
            return True
        if risen:
            self.log.tell("woke", f"{stimulus.by} must not wake {state.name}: the current rose")
            return False
        self.log.tell("slept_on", f"{stimulus.by} did not wake {state.name}")
        return True

    def _wait_for_rise(self, visit: _Visit) -> float:
        """Wait until the board wakes by itself or by the operator's hand; returns when it did."""
        wake = visit.state.wake
        assert wake is not None
        if wake.by == "operator":
            self.log.tell("prompt", wake.prompt or "", within_s=wake.within)
            end_s = self.clock.monotonic() + wake.within
        else:
            end_s = visit.entered_s + (wake.after or 0.0) + wake.within
        while self.clock.monotonic() < end_s:
            now_s = self.clock.monotonic()
            if self.board.poll(0.05) or self._has_risen(visit):
                return now_s
        raise Fault("no_wake", f"board: did not wake by {wake.by} from {visit.state.name} in time")

    def _power_cycle(self, off_time_s: float) -> None:
        if self.supply is None:
            raise UsageError("a wake by power_cycle needs a [supply] in the bench file")
        self.supply.switch(False)
        self.clock.sleep(off_time_s)
        self.supply.switch(True)

    # -- the end ----------------------------------------------------------------------------

    def leave(self) -> tuple[str, ...]:
        """Leave the bench safe and close it: the meter on its highest range, the board awake if
        it can be, the supply as the bench file says. Never raises; tells what was reached."""
        if self._left:
            return self.safe_end
        self._left = True
        self.clock.ignore_stop()
        self.log.state = None
        steps: list[tuple[str, Callable[[], str]]] = [("meter", self._safe_meter)]
        if self._visit is not None and self._visit.asleep:
            steps.append(("board", self._safe_board))
        if self.supply is not None:
            steps.append(("supply", self._safe_supply))
        self.safe_end = tuple(f"{name}: {_tried(step)}" for name, step in steps)
        for line in self.safe_end:
            self.log.tell("safe_end", line)
        for instrument in (self.board, self.meter, self.supply):
            if instrument is not None:
                instrument.close()
        return self.safe_end

    def _safe_meter(self) -> str:
        self.ranges.make_safe()
        return "on its highest range"

    def _safe_board(self) -> str:
        wake = self._present().state.wake
        if wake is None or wake.by in ("timer", "operator"):
            return "left asleep, since only its timer or the operator wakes it"
        self.wake()
        return "awake"

    def _safe_supply(self) -> str:
        assert self.supply is not None
        self.supply.make_safe()
        return f"left {self.file.supply.at_end}" if self.file.supply else "left"


def _tried(step: Callable[[], str]) -> str:
    try:
        return step()
    except BenchrigError as error:
        return f"NOT reached: {error}"


def open_bench(
    bench: str | PathLike[str] | BenchFile,
    session: str | PathLike[str] | Session,
    *,
    clock: Clock | None = None,
    listeners: Sequence[Listener] = (),
) -> Bench:
    """Open the instruments of a bench for the board of a session.

    Raises `FileProblems` for files that are wrong, `UsageError` for a session that this bench
    cannot run, and `Fault` if an instrument cannot be opened.
    """
    from benchrig.assembly import assemble

    made = assemble(bench, session, clock=clock, listeners=listeners)
    try:
        made.connect()
    except BaseException:
        made.leave()
        raise
    return made
