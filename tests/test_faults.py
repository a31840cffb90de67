"""Whatever goes wrong, and whenever: the session ends in time with a result, its fault has a name,
and the bench is left as safe as the wires allow."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import pytest

from benchrig.events import Event, SessionEnded, StateStarted
from benchrig.planning import longest_s
from benchrig.result import SessionResult
from tests.benches import HASTY, WITHOUT_SUPPLY, Rig, rig, with_supply

LONGEST_S = longest_s(HASTY, HASTY.states) + 60.0
ASLEEP = {state.name for state in HASTY.states if state.sleeps}
LAST = HASTY.states[-1].name


def _defective(made: Rig, **defects: Any) -> None:
    board = made.world.simulated_board
    changed = board.file.defects.model_copy(update=defects)
    board.file = board.file.model_copy(update={"defects": changed})


def _set(name: str, value: Any) -> Callable[[Rig], None]:
    return lambda made: setattr(made.meter, name, value)


@dataclass(frozen=True)
class Mishap:
    """Something that happens to a bench. `harmless`: the states may be measured all the same."""

    strike: Callable[[Rig], None]
    kinds: set[str]
    meter_obeys: bool = True
    board_wakes: bool = True
    harmless: bool = False


SILENT_BOARD = {"board_silent", "no_reply", "no_wake"}
MISHAPS = {
    "board-unplugged": Mishap(
        lambda made: made.wires["board"].unplug(), {"wire_lost", "port_missing"}, board_wakes=False
    ),
    "meter-unplugged": Mishap(
        lambda made: made.wires["meter"].unplug(),
        {"wire_lost", "port_missing"},
        meter_obeys=False,
        board_wakes=False,
    ),
    "supply-unplugged": Mishap(
        lambda made: made.wires["supply"].unplug(), {"wire_lost", "port_missing"}, harmless=True
    ),
    "board-silent": Mishap(
        lambda made: setattr(made.world.simulated_board, "held", True), SILENT_BOARD
    ),
    "board-dead": Mishap(
        lambda made: _defective(made, dead_uart=True), SILENT_BOARD, board_wakes=False
    ),
    "board-garbage": Mishap(lambda made: _defective(made, garbage_reply=True), SILENT_BOARD),
    "meter-1-s-late": Mishap(
        _set("reply_delay_s", 1.0),
        {"few_readings", "wakeups_not_seen", "period_not_as_declared", "drifting"},
        harmless=True,
    ),
    "meter-silent": Mishap(
        _set("silent", True), {"no_reply"}, meter_obeys=False, board_wakes=False
    ),
    "meter-garbage": Mishap(
        _set("garbage", b"\xff?!\n"), {"garbled_reply"}, meter_obeys=False, board_wakes=False
    ),
    "meter-cut-short": Mishap(
        _set("cut_reply_after", 3),
        {"no_reply", "garbled_reply"},
        meter_obeys=False,
        board_wakes=False,
    ),
    "meter-stuck-errors": Mishap(
        _set("stuck_errors", True), {"meter_error"}, meter_obeys=False, board_wakes=False
    ),
    "meter-refuses-ranges": Mishap(
        lambda made: made.meter.fail_headers.add("CURR:RANG"),
        {"meter_error", "no_reply"},
        meter_obeys=False,
        board_wakes=False,
    ),
    "overload": Mishap(_set("force_overload", True), {"overloaded"}),
    "stop": Mishap(lambda made: made.clock.stop.make("SIGTERM"), {"interrupted"}),
}


@dataclass
class Struck:
    """What came of a session in which a mishap struck, and whether the last state had begun."""

    made: Rig
    result: SessionResult
    late: bool


def _benches(mishap: Mishap) -> Iterator[Rig]:
    """Benches with a supply that stays on, and without one, in turn."""
    needs_supply = mishap is MISHAPS["supply-unplugged"]
    while True:
        yield rig(session=HASTY, file=with_supply(at_end="on"))
        if not needs_supply:
            yield rig(session=HASTY, file=WITHOUT_SUPPLY)


def _at_events(mishap: Mishap, stride: int) -> Iterator[Struck]:
    """The mishap at every `stride`-th event of a session, from the first to the last."""
    for made, moment in zip(_benches(mishap), range(0, 1000, stride), strict=False):
        seen: list[Event] = []

        def listen(
            happened: Event, made: Rig = made, seen: list[Event] = seen, moment: int = moment
        ) -> None:
            if len(seen) == moment and not isinstance(happened, SessionEnded):
                mishap.strike(made)
            seen.append(happened)

        result = made.run(listen)
        if moment >= len(seen) - 1:
            return
        before = [event for event in seen[:moment] if isinstance(event, StateStarted)]
        yield Struck(made, result, late=StateStarted(LAST) in before)


def _at_acts(mishap: Mishap, wire: str, stride: int) -> Iterator[Struck]:
    """The mishap just before every `stride`-th opening, writing or reading of a wire."""
    moment = 0
    for made in _benches(mishap):
        if wire not in made.wires:
            continue
        acts: list[str] = []
        late = [False]

        def count(
            what: str, made: Rig = made, acts: list[str] = acts, moment: int = moment
        ) -> None:
            if len(acts) == moment:
                mishap.strike(made)
            acts.append(what)

        def listen(
            happened: Event,
            acts: list[str] = acts,
            late: list[bool] = late,
            moment: int = moment,
        ) -> None:
            if happened == StateStarted(LAST):
                late[0] = len(acts) <= moment

        made.wires[wire].before = count
        result = made.run(listen)
        if len(acts) <= moment:
            return
        yield Struck(made, result, late[0])
        moment += stride


def check(mishap: Mishap, struck: Struck, where: str) -> None:
    made, result = struck.made, struck.result
    assert result.complete, where
    assert [row.name for row in result.states] == [state.name for state in HASTY.states], where
    if not mishap.harmless and not struck.late:
        assert result.verdict == "fault", where
    for row in result.states:
        assert (row.fault is not None) == (row.verdict == "fault"), where
        if row.fault is not None:
            assert row.fault.kind in {*mishap.kinds, "not_reached"}, (where, row.fault)
        elif row.current_A is not None:
            assert row.expanded_uncertainty_A is not None
            error_A = row.current_A - made.true_A(row.name, row.range_A)
            assert abs(error_A) <= row.expanded_uncertainty_A, (where, row)
    if result.fault is not None:
        assert result.fault.kind in {*mishap.kinds, "safe_end_missed"}, (where, result.fault)
    # A bench that was not left safe is a fault, however good the board.
    missed = any("NOT reached" in line for line in result.safe_end)
    assert not missed or result.fault is not None, where
    took_s = (result.ended - result.started).total_seconds()
    assert took_s < LONGEST_S, (where, took_s)
    assert result.safe_end, where
    made.world.advance(made.clock.monotonic() + 1.0)
    if mishap.meter_obeys:
        assert made.on_highest_range, (where, result.safe_end)
    if mishap.board_wakes:
        assert made.world.simulated_board.state not in ASLEEP, (where, result.safe_end)


@pytest.mark.parametrize("name", MISHAPS)
def test_at_any_event(name: str) -> None:
    mishap, tried = MISHAPS[name], 0
    for struck in _at_events(mishap, stride=7):
        check(mishap, struck, f"{name} at event {7 * tried}")
        tried += 1
    assert tried > 10


@pytest.mark.parametrize("wire", ["board", "meter", "supply"])
@pytest.mark.parametrize("name", ["board-unplugged", "meter-unplugged", "supply-unplugged", "stop"])
def test_at_any_act_on_a_wire(name: str, wire: str) -> None:
    mishap, tried = MISHAPS[name], 0
    stride = {"board": 13, "meter": 29, "supply": 2}[wire]
    for struck in _at_acts(mishap, wire, stride):
        check(mishap, struck, f"{name} at act {stride * tried} on {wire}")
        tried += 1
    assert tried > 10


@pytest.mark.parametrize("error", [KeyboardInterrupt, BrokenPipeError])
def test_a_listener_that_fails_for_good(error: type[BaseException]) -> None:
    """A terminal that is gone, say: raised in the end, and the bench is left safe before."""
    for moment in range(3, 90, 4):
        made = rig(session=HASTY, file=WITHOUT_SUPPLY)
        seen: list[Event] = []

        def listen(happened: Event, seen: list[Event] = seen, moment: int = moment) -> None:
            seen.append(happened)
            if len(seen) > moment:
                raise error

        with pytest.raises(error):
            made.run(listen)
        assert isinstance(seen[-1], SessionEnded), moment
        assert seen[-1].result.verdict == "fault"
        assert len(seen[-1].result.states) == len(HASTY.states), moment
        assert seen[-1].result.safe_end, moment
        assert made.on_highest_range, moment
        made.world.advance(made.clock.monotonic() + 1.0)
        assert made.world.simulated_board.state not in ASLEEP, moment


def test_a_mistake_in_one_step_of_the_safe_end_keeps_no_other_from_being_done() -> None:
    made = rig(session=HASTY)
    made.bench.connect()

    def fail(what: str) -> None:
        raise RuntimeError("a mistake")

    made.wires["meter"].before = fail
    reached = made.bench.make_safe()
    assert reached[0].startswith("meter: NOT reached: RuntimeError")
    assert reached[1] == "supply: left off"
