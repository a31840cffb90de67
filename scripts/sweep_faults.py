"""The demo session with each fault in each of its phases, on the virtual clock.

    .venv/bin/python scripts/sweep_faults.py [--fault WORDS] [--phase WORDS]

A table of faults × phases. Each cell: the session's verdict; the named fault; what the states came
to; when the session ended on the virtual clock; and whether the bench was left safe. The board is
sound. The exit status is 1 if a cell breaks a rule:

1. The session ends, in time, with a complete result, and nothing but the project's own errors.
2. Once a fault has struck the verdict is not `pass`, whatever was measured (`faults_injected` where
   nothing else is wrong): a plan that was left in place lets no board pass.
3. No state is called `fail`, nor a derived value.
4. A state that passes has a value that holds the truth within its uncertainty. So a lost or garbled
   byte may be repaired (the exchange said once more, and the log tells so), a reading may not be
   falsified.
5. What is no valid measurement names its fault. The safe end is always tried, and reached unless
   the fault goes on.
6. A fault that did not strike (nothing went over its wire any more) leaves everything as it was.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Literal

from benchrig import load_session
from benchrig.assembly import assemble
from benchrig.clock import VirtualClock
from benchrig.events import Event, Happened, ReadingsTaken, StateEnded, StateStarted
from benchrig.injecting import READINGS, FaultPlan, error_queue, overload
from benchrig.leaving import NOT_REACHED
from benchrig.planning import longest_s
from benchrig.result import SessionResult, StateResult
from benchrig.sequencer import run_session
from benchrig.session import BenchFile, load_bench, load_sheet
from benchrig.simulation.files import load_board
from benchrig.simulation.world import World
from benchrig.wires.injections import (
    Act,
    AtTime,
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
    Side,
    Silence,
)

FIXTURES = Path(__file__).parents[1] / "fixtures"
SESSION = load_session(FIXTURES / "hive-scale.session.toml")
BENCH = load_bench(FIXTURES / "simulated.bench.toml")
SHEET = load_sheet(FIXTURES / "meter-6-digit.toml")
# A power cycle, and the time-outs of a wire that is silent for ever, beyond the limits of all
# states.
LONGEST_S = longest_s(SESSION, SESSION.states) + 120.0
FOR_EVER = 1e9

WireName = Literal["board", "meter", "supply"]


@dataclass(frozen=True)
class Row:
    """A fault of the table; `times` as in an `Injection`."""

    wire: WireName
    name: str
    act: Act
    side: Side = "received"
    after: int = 0
    times: int | None = 1

    @property
    def title(self) -> str:
        return f"{self.wire}: {self.name}"

    @property
    def goes_on(self) -> bool:
        """Whether it is there until the end."""
        lasts_s = self.act.duration_s if isinstance(self.act, (Silence, Close)) else 0.0
        return self.times is None or lasts_s >= FOR_EVER

    def plan(self, time_s: float) -> FaultPlan:
        injection = Injection(self.act, AtTime(time_s), self.side, self.after, self.times)
        return FaultPlan(**{self.wire: (injection,)})


def flipped(place: int, mask: int) -> Replace:
    """A bit is inverted in the third reading of a block of 64-bit reals, or where there is none."""

    def rewrite(answer: bytes) -> bytes | None:
        if not answer.endswith(b"\n"):
            return None
        spoiled = bytearray(answer)
        spoiled[(2 + int(answer[1:2]) + 16 + place) % len(answer)] ^= mask
        return bytes(spoiled)

    return Replace(READINGS, rewrite, "a bit of a reading is inverted")


def _on_any(wire: WireName) -> Iterator[Row]:
    yield Row(wire, "a byte lost", Drop())
    yield Row(wire, "a sent byte lost", Drop(), "sent")
    yield Row(wire, "a byte twice", Duplicate())
    yield Row(wire, "a sent byte twice", Duplicate(), "sent")
    yield Row(wire, "a bit flipped", Flip(0x01))
    yield Row(wire, "a high bit flipped", Flip(0x40), after=3)
    yield Row(wire, "a sent bit flipped", Flip(0x01), "sent", after=2)
    yield Row(wire, "a byte of noise", Insert(b"\xff"))
    yield Row(wire, "a line of noise", Insert(b"x\r\n"))
    yield Row(wire, "an answer 0.4 s late", Delay(0.4))
    yield Row(wire, "an answer 5 s late", Delay(5.0))
    yield Row(wire, "a pause in an answer", Delay(0.5), after=3)
    yield Row(wire, "an answer cut short", Cut(), after=3)
    yield Row(wire, "a command cut short", Cut(), "sent", after=2)
    yield Row(wire, "a command lost", Cut(), "sent")
    yield Row(wire, "silent for 1 s", Silence(1.0))
    yield Row(wire, "silent for ever", Silence())
    yield Row(wire, "deaf for ever", Silence(), "sent")
    yield Row(wire, "closed", Close())
    yield Row(wire, "gone for ever", Close(FOR_EVER))


ROWS = (
    *_on_any("board"),
    Row("board", "a reset", Reset()),
    *_on_any("meter"),
    Row("meter", "a reading with another sign", flipped(0, 0x80)),
    Row("meter", "a reading too large by far", flipped(0, 0x40)),
    Row("meter", "a reading doubled or halved", flipped(1, 0x10)),
    Row("meter", "a reading off by a third", flipped(1, 0x08)),
    Row("meter", "a reading off by some percent", flipped(2, 0x80)),
    Row("meter", "a reading off by less", flipped(2, 0x08)),
    Row("meter", "an overload once", overload()),
    Row("meter", "overloads for ever", overload(), times=None),
    Row("meter", "the error queue lies once", error_queue()),
    Row("meter", "the error queue lies", error_queue(), times=None),
    Row("meter", "the error queue is mute", error_queue('0,"No error"'), times=None),
    *_on_any("supply"),
    Row("supply", "the error queue lies", error_queue(), times=None),
)


# -- phases -----------------------------------------------------------------------------------


class BoundedClock(VirtualClock):
    """Whoever looks at it so often is in a loop without end."""

    def __init__(self) -> None:
        super().__init__()
        self._looks_left = 3_000_000

    def monotonic(self) -> float:
        self._looks_left -= 1
        if self._looks_left < 0:
            raise TimeoutError("hangs: the clock is looked at without end")
        return super().monotonic()


@cache
def phases() -> dict[str, float]:
    """When each phase begins in a session without faults: `deep_sleep` stands for the states in
    which the board sleeps, `weigh` for those in which it is awake."""
    clock = VirtualClock()
    seen: list[tuple[float, Event]] = []
    bench = assemble(BENCH, SESSION, clock=clock)
    run_session(SESSION, bench, listeners=[lambda event: seen.append((clock.monotonic(), event))])

    def told(kind: str, state: str | None, text: str = "") -> list[float]:
        return [
            time_s
            for time_s, event in seen
            if isinstance(event, Happened)
            and (event.kind, event.state) == (kind, state)
            and text in event.text
        ]

    def ended(state: str) -> float:
        return next(
            time_s
            for time_s, event in seen
            if isinstance(event, StateEnded) and event.result.name == state
        )

    def started(state: str) -> float:
        return next(time_s for time_s, event in seen if event == StateStarted(state))

    down_s = told("range", "deep_sleep", "readings of")[-1]
    before_down_s = max(
        time_s for time_s, event in seen if isinstance(event, ReadingsTaken) and time_s < down_s
    )
    verified_s, woken_s = told("stimulus", "deep_sleep")
    return {
        "open": 0.0,
        "hello": told("powered", None)[0],
        "identity": told("hello", None)[0],
        "entering": started("weigh"),
        "settling awake": (told("entered", "weigh")[0] + ended("weigh")) / 2,
        "entering sleep": started("deep_sleep"),
        "descending": before_down_s,
        "settling asleep": (down_s + verified_s) / 2,
        "verifying": verified_s,
        "waking": woken_s,
        "safe end": ended("deep_sleep"),
    }


@dataclass(frozen=True)
class Cell:
    """What came of one fault in one phase."""

    result: SessionResult
    ended_s: float

    @property
    def struck(self) -> bool:
        return any(event.kind == "injected" for event in self.result.events)

    @property
    def named(self) -> str:
        """The first fault of a state, or of the session where no state has one."""
        kinds = [state.fault.kind for state in self.result.states if state.fault is not None]
        if kinds and kinds[0] != "not_reached":
            return kinds[0]
        return "" if self.result.fault is None else self.result.fault.kind

    @property
    def safe(self) -> bool:
        end = self.result.safe_end
        return bool(end) and not any(NOT_REACHED in line for line in end)

    def __str__(self) -> str:
        if not self.struck:
            return "not struck"
        letters = {"pass": "P", "fail": "F", "undecided": "U", "fault": "-"}
        states = "".join(letters[state.verdict] for state in self.result.states)
        end = "safe" if self.safe else "not safe"
        return f"{self.result.verdict} {self.named} {states} {self.ended_s:.1f}s {end}"


def run(row: Row, time_s: float, file: BenchFile = BENCH) -> Cell:
    clock = BoundedClock()
    bench = assemble(file, SESSION, clock=clock, faults=row.plan(time_s))
    result = run_session(SESSION, bench)
    return Cell(result, clock.monotonic())


# -- rules ------------------------------------------------------------------------------------


@cache
def true_A(state: str, range_A: float) -> float:
    """In closed form from the file of the simulated board, with the shunt of the range."""
    assert BENCH.simulation is not None
    world = World(load_board(Path(BENCH.simulation.board)), SHEET, BENCH.simulation.seed)
    shunt_ohm = next(entry.shunt_ohm for entry in SHEET.ranges if entry.full_scale == range_A)
    return world.true_current_A(state, shunt_ohm)


def broken(row: Row, cell: Cell) -> list[str]:
    """Which rules a cell breaks."""
    result = cell.result
    problems = []
    if not result.complete or len(result.states) != len(SESSION.states):
        problems.append("the result is not complete")
    if cell.ended_s > LONGEST_S:
        problems.append(f"ended only after {cell.ended_s:.0f} s")
    if (result.verdict == "pass") is cell.struck:
        problems.append(f"the verdict is {result.verdict}")
    if not result.safe_end or not (cell.safe or row.goes_on):
        problems.append(f"the safe end was not reached: {'; '.join(result.safe_end)}")
    for state in result.states:
        problems += [f"{state.name} {problem}" for problem in _wrong(state)]
    for derived in result.derived:
        if derived.verdict == "fail":
            problems.append(f"{derived.name} is called a fail")
    return problems


def _wrong(state: StateResult) -> Iterator[str]:
    if state.verdict == "fail":
        yield f"is called a fail ({', '.join(state.flags)})"
    if state.verdict == "fault" and state.fault is None:
        yield "is a fault without a name"
    if state.verdict == "pass":
        if state.current_A is None or state.expanded_uncertainty_A is None or not state.range_A:
            yield "passes without a value"
        elif abs(error_A := state.current_A - true_A(state.name, state.range_A)) > (
            state.expanded_uncertainty_A
        ):
            yield f"passes with a wrong value, {error_A / state.expanded_uncertainty_A:.2g} × U off"


def tried(row: Row, time_s: float) -> tuple[str, list[str]]:
    """A cell as text, and which rules it breaks."""
    try:
        cell = run(row, time_s)
    except Exception as error:  # whatever it is, it is what is looked for
        return f"CRASH {type(error).__name__}", [repr(error)]
    return str(cell), broken(row, cell)


def main(arguments: Sequence[str] | None = None) -> int:
    as_it_is = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=as_it_is)
    parser.add_argument("--fault", default="", help="only faults whose title contains this")
    parser.add_argument("--phase", default="", help="only phases whose name contains this")
    asked = parser.parse_args(arguments)
    rows = [row for row in ROWS if asked.fault in row.title]
    moments = {name: at_s for name, at_s in phases().items() if asked.phase in name}
    print("States in order: " + ", ".join(state.name for state in SESSION.states))
    print("P pass, F fail, U undecided, - fault\n")
    problems = []
    for row in rows:
        print(row.title)
        for name, at_s in moments.items():
            text, wrong = tried(row, at_s)
            print(f"    {name:16} {text}")
            for each in wrong:
                print(f"    {'':16} BROKEN: {each}")
            problems += [f"{row.title}, {name}: {each}" for each in wrong]
    print(f"\n{len(rows)} faults × {len(moments)} phases, {len(problems)} rules broken")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
