"""A bench used by hand: one call after the other, in any order, with what each of them does."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from benchrig import open_bench
from benchrig.errors import CannotOpen, Fault, UsageError
from benchrig.events import Event, Happened, ReadingsTaken
from benchrig.session import BenchFile, Session
from benchrig.session.bench_file import Parking
from benchrig.session.protocol import Stimulus, Wake
from benchrig.simulation.board_parts import WakeSource
from benchrig.simulation.files import SimulatedBoardFile
from tests.benches import BENCH, HASTY, WITHOUT_SUPPLY, Rig, board_file, rig


def sleeping_until(
    wake: dict[str, Any], sources: list[dict[str, Any]], **changes: Any
) -> tuple[Session, SimulatedBoardFile]:
    """The session and its board with another way out of deep sleep."""
    update = {"wake": Wake.model_validate(wake), "must_not_wake": (), **changes}
    states = tuple(
        state.model_copy(update=update) if state.name == "deep_sleep" else state
        for state in HASTY.states
    )
    good = board_file()
    ways = tuple(WakeSource.model_validate(source) for source in sources)
    board_states = tuple(
        state.model_copy(update={"wake": ways}) if state.name == "deep_sleep" else state
        for state in good.states
    )
    session = HASTY.model_copy(update={"states": states})
    return session, good.model_copy(update={"states": board_states})


def ready(**options: Any) -> Rig:
    """A bench with its board awake."""
    made = rig(**{"session": HASTY, **options})
    made.bench.connect()
    made.bench.power_up()
    return made


def asleep_until(
    wake: dict[str, Any], sources: list[dict[str, Any]], file: BenchFile = BENCH, **changes: Any
) -> Rig:
    session, board = sleeping_until(wake, sources, **changes)
    made = ready(session=session, board=board, file=file)
    made.bench.enter("deep_sleep")
    return made


def kinds(made: Rig) -> list[str]:
    return [entry.kind for entry in made.bench.log.entries]


def with_lines(**changes: Any) -> BenchFile:
    return BENCH.model_copy(update={"board": BENCH.board.model_copy(update=changes)})


def state_of(made: Rig, after_s: float = 0.0) -> str:
    made.world.advance(made.clock.monotonic() + after_s)
    return made.world.simulated_board.state


# -- the usual way ------------------------------------------------------------------------------


def test_by_hand() -> None:
    with open_bench(BENCH, HASTY) as bench:
        bench.power_up()
        assert bench.identity is not None
        assert bench.identity.serial_number == "HS-0042"
        assert bench.settled_current("idle").verdict == "pass"
        bench.enter("deep_sleep")
        row = bench.measure()
        assert (row.name, row.verdict) == ("deep_sleep", "pass")
        assert row.current_A == pytest.approx(0.6e-6, rel=0.1)
        assert bench.verify_sleep() == ()
        latency_s = bench.wake()
        assert latency_s is not None
        assert 0.25 < latency_s < 0.6  # booting takes 255 ms, and hello is said now and then
        assert set(bench.budgets) == {"idle", "deep_sleep"}
    assert not bench.is_open


def test_states_in_any_order() -> None:
    made = ready()
    made.bench.enter("deep_sleep")
    made.bench.enter("light_sleep")  # wakes it first, since a sleeping board hears nothing
    assert kinds(made).count("woken") == 1
    row = made.bench.measure()
    assert row.current_A == pytest.approx(made.true_A("light_sleep", row.range_A), rel=0.05)
    row = made.bench.settled_current("idle")
    assert kinds(made).count("woken") == 2
    assert row.current_A == pytest.approx(made.true_A("idle", row.range_A), rel=0.01)
    assert state_of(made) == "idle"


def test_a_state_may_be_measured_twice() -> None:
    made = ready()
    made.bench.enter("light_sleep")
    first, second = made.bench.measure(), made.bench.measure()
    assert second.current_A == pytest.approx(first.current_A, rel=0.02)
    assert (second.settled_after_s or 0.0) > (first.settled_after_s or 0.0)


def test_the_time_limit_counts_from_the_call() -> None:
    made = ready()
    made.bench.enter("deep_sleep")
    made.clock.sleep(600.0)
    row = made.bench.measure()
    assert row.verdict == "pass"
    assert row.current_A == pytest.approx(made.true_A("deep_sleep", row.range_A), rel=0.02)


def test_finer_takes_longer_and_is_better_known() -> None:
    made = ready(seed=3)
    made.bench.enter("deep_sleep")
    rough = made.bench.measure()
    made.bench.wake()
    made.bench.enter("deep_sleep")
    fine = made.bench.measure(finer=4.0)
    end_s = [(row.settled_after_s or 0.0) + (row.averaged_for_s or 0.0) for row in (rough, fine)]
    assert end_s[1] > end_s[0]
    assert (fine.expanded_uncertainty_A or 1.0) < 0.5 * (rough.expanded_uncertainty_A or 0.0)


def test_a_record_runs_from_the_entry_for_as_long_as_was_asked() -> None:
    heard: list[Event] = []
    made = ready(listeners=[heard.append])
    made.bench.enter("deep_sleep")
    entered_s = made.bench.record(8.0)
    batches = [event for event in heard if isinstance(event, ReadingsTaken)]
    times_s = np.concatenate([batch.times_s for batch in batches]) - entered_s
    assert np.all(np.diff(times_s) > 0.0)
    assert 0.0 < times_s[0] < 0.2
    assert times_s[-1] == pytest.approx(8.0, abs=0.5)
    assert {batch.outcome.kind for batch in batches[:-1] if batch.outcome} == {"waiting"}
    assert made.bench.measure().verdict == "pass"  # the board is still there


# -- calls that make no sense -------------------------------------------------------------------


@pytest.mark.parametrize("call", ["measure", "verify_sleep", "wake"])
def test_nothing_is_done_in_no_state(call: str) -> None:
    made = ready()
    told = len(made.bench.log.entries)
    with pytest.raises(UsageError, match="enter one first"):
        getattr(made.bench, call)()
    assert len(made.bench.log.entries) == told
    made.bench.enter("deep_sleep")
    made.bench.wake()
    with pytest.raises(UsageError, match="enter one first"):
        getattr(made.bench, call)()


def test_no_record_in_no_state() -> None:
    with pytest.raises(UsageError):
        ready().bench.record(1.0)


def test_a_state_that_the_session_has_not() -> None:
    made = ready()
    with pytest.raises(UsageError, match="no state 'deep_slep'; did you mean 'deep_sleep'"):
        made.bench.enter("deep_slep")
    assert made.bench.settled_current("idle").verdict == "pass"


def test_awake_there_is_nothing_to_wake() -> None:
    made = ready()
    made.bench.enter("idle")
    assert made.bench.wake() is None
    assert made.bench.settled_current("idle").verdict == "pass"


# -- ways to wake -------------------------------------------------------------------------------

BOOTS = {"time": "5 ms", "reboots": True}


@pytest.mark.parametrize("line", ["dtr", "rts", "break"])
def test_wake_by_a_line(line: str) -> None:
    wake = {"by": line, "within": "1.5 s", "reboots": True}
    file = with_lines(dtr=False, rts=False)
    made = asleep_until(wake, [{"by": line, **BOOTS}], file)
    assert made.bench.measure().verdict == "pass"
    latency_s = made.bench.wake()
    assert latency_s is not None
    assert 0.255 < latency_s < 0.6
    assert (state_of(made), made.world.simulated_board.boots) == ("idle", 2)
    assert made.bench.settled_current("idle").verdict == "pass"


def test_the_wrong_line_wakes_nobody() -> None:
    wake = {"by": "dtr", "within": "1.5 s", "reboots": True}
    made = asleep_until(wake, [{"by": "break", **BOOTS}], with_lines(dtr=False))
    with pytest.raises(Fault, match=r"no_wake.*silent after a wake by dtr from deep_sleep"):
        made.bench.wake()


@pytest.mark.parametrize("after_s", [6.0, 15.0, 40.0])
def test_wake_by_a_timer(after_s: float) -> None:
    wake = {"by": "timer", "after": f"{after_s} s", "within": "1 s"}
    source = {"by": "timer", "after": f"{after_s} s", "time": "5 ms", "into": "idle"}
    made = asleep_until(wake, [source])
    entered_s = made.clock.monotonic()
    row = made.bench.measure()
    # The meter is back on a range with room before the board wakes by itself.
    assert made.clock.monotonic() - entered_s < after_s
    assert row.range_A is not None
    latency_s = made.bench.wake()
    assert made.clock.monotonic() - entered_s == pytest.approx(after_s, abs=1.0)
    assert latency_s is not None
    assert 0.0 <= latency_s < 0.5
    assert (state_of(made), made.world.simulated_board.boots) == ("idle", 1)
    if after_s > 10.0:
        assert row.verdict == "pass"


def test_a_timer_that_never_comes() -> None:
    wake = {"by": "timer", "after": "15 s", "within": "1 s"}
    made = asleep_until(wake, [])
    made.bench.measure()
    with pytest.raises(Fault, match="no_wake"):
        made.bench.wake()
    assert made.clock.monotonic() < 30.0


@pytest.mark.parametrize("measured", [True, False])
def test_wake_by_the_operator(measured: bool) -> None:
    wake = {"by": "operator", "prompt": "press S1", "within": "20 s", "reboots": True}
    made = asleep_until(wake, [{"by": "break", **BOOTS}])
    if measured:
        assert made.bench.measure().verdict == "pass"
    prompts: list[Happened] = []

    def operator(event: Event) -> None:
        if isinstance(event, Happened) and event.kind == "prompt":
            prompts.append(event)
            for pressed in (True, False):
                made.world.board.set_line("brk", pressed, made.clock.monotonic())

    with made.bench.log.session([operator]):
        latency_s = made.bench.wake()
    (prompt,) = prompts
    assert (prompt.text, prompt.data) == ("press S1", {"within_s": 20.0})
    # How long the operator took is nobody's latency, and without a measured current there is none.
    assert (latency_s is not None) is measured
    assert state_of(made) == "idle"


def test_an_operator_who_has_gone_home() -> None:
    wake = {"by": "operator", "prompt": "press S1", "within": "20 s", "reboots": True}
    made = asleep_until(wake, [{"by": "break", **BOOTS}])
    made.bench.measure()
    before_s = made.clock.monotonic()
    with pytest.raises(Fault, match=r"no_wake.*woken by the operator"):
        made.bench.wake()
    assert made.clock.monotonic() - before_s == pytest.approx(20.0, abs=1.0)


def test_wake_by_a_power_cycle() -> None:
    # 47 uF last for a minute at 0.6 uA.
    wake = {"by": "power_cycle", "off_time": "90 s", "within": "2 s"}
    made = asleep_until(wake, [])
    assert made.bench.measure().verdict == "pass"
    latency_s = made.bench.wake()
    assert latency_s is not None
    # Counted from the switch: it boots for 250 ms while the supply settles.
    assert 0.25 < latency_s < 1.0
    assert (state_of(made), made.world.simulated_board.boots) == ("idle", 2)


def test_a_power_cycle_waits_until_the_capacitor_is_empty() -> None:
    """0.6 uA would take a minute from 47 uF; 10 uF last for 13 s, and then the reset takes more."""
    wake = {"by": "power_cycle", "off_time": "500 ms", "within": "2 s"}
    session, board = sleeping_until(wake, [])
    made = ready(session=session, board=board.model_copy(update={"decoupling": 1e-5}))
    made.bench.enter("deep_sleep")
    made.bench.measure()
    before_s = made.clock.monotonic()
    assert made.bench.wake() is not None
    assert 5.0 < made.clock.monotonic() - before_s < 30.0
    assert (state_of(made), made.world.simulated_board.boots) == ("idle", 2)


def test_a_board_that_keeps_its_power_is_told_of() -> None:
    made = asleep_until({"by": "power_cycle", "off_time": "1 s", "within": "2 s"}, [])
    made.bench.measure()
    before_s = made.clock.monotonic()
    with pytest.raises(Fault, match=r"no_wake: .*the supply read 2\.\d+ V: .*longer off_time"):
        made.bench.wake()
    assert made.clock.monotonic() - before_s < 45.0
    assert kinds(made).count("still_powered") == 1


def test_the_power_cycle_that_looks_for_a_board_waits_as_well() -> None:
    """It sleeps, and nothing from outside wakes it: off for a second alone it would sleep on."""
    wake = {"by": "power_cycle", "off_time": "500 ms", "within": "2 s"}
    session, board = sleeping_until(wake, [])
    made = ready(session=session, board=board.model_copy(update={"decoupling": 1e-5}))
    made.bench.enter("deep_sleep")
    made.bench.measure()
    made.bench.recover()
    assert made.world.simulated_board.boots == 2
    assert made.bench.settled_current("idle").verdict == "pass"


def test_a_power_cycle_needs_a_supply() -> None:
    session, board = sleeping_until({"by": "power_cycle", "within": "2 s"}, [])
    made = ready(session=session, board=board, file=WITHOUT_SUPPLY)
    made.bench.enter("deep_sleep")
    with pytest.raises(UsageError, match=r"needs a \[supply\]"):
        made.bench.wake()


# -- verifying sleep ----------------------------------------------------------------------------


@pytest.mark.parametrize("reboots", [True, False])
@pytest.mark.parametrize("by", ["byte", "dtr"])
def test_what_must_not_wake_and_does(by: str, reboots: bool) -> None:
    sent = {"send_hex": "41"} if by == "byte" else {}
    source = {"by": by, "time": "5 ms"} | ({"reboots": True} if reboots else {"into": "idle"})
    wake = {"by": "break", "within": "1.5 s", "reboots": reboots}
    harmless = Stimulus.model_validate({"by": "rts"})
    harmful = Stimulus.model_validate({"by": by, **sent})
    made = asleep_until(
        wake,
        [source, {**source, "by": "break"}],
        with_lines(dtr=False, rts=False),
        must_not_wake=(harmless, harmful, harmless),
    )
    made.bench.measure()
    assert made.bench.verify_sleep() == (f"woken_by_{by}",)
    assert kinds(made).count("slept_on") == 1
    made.bench.wake()  # it is awake, and answers all the same
    assert made.bench.settled_current("idle").verdict == "pass"


def drawing_awake(idle_A: float, sources: list[dict[str, Any]], **changes: Any) -> Rig:
    """A board that draws so little awake that the range with room does not show it."""
    wake = {"by": "break", "within": "1.5 s"}
    session, board = sleeping_until(wake, [{"by": "break", "into": "idle"}, *sources], **changes)
    idle = board.states[0].model_copy(
        update={"static": idle_A, "conductive": 0.0, "switched": 0.0, "noise": 1e-8}
    )
    board = board.model_copy(update={"states": (idle, *board.states[1:])})
    made = ready(session=session, board=board, file=with_lines(dtr=False, rts=False))
    made.bench.enter("deep_sleep")
    assert made.bench.measure().verdict == "pass"
    return made


BY_DTR = (Stimulus.model_validate({"by": "dtr"}),)


@pytest.mark.parametrize("woken", [True, False])
def test_a_finer_range_tells_what_the_range_with_room_does_not(woken: bool) -> None:
    """The offset of 100 mA may be 10 uA, and awake the board draws 8 uA."""
    sources = [{"by": "dtr", "time": "5 ms", "into": "idle"}] if woken else []
    made = drawing_awake(8e-6, sources, must_not_wake=BY_DTR)
    assert made.bench.verify_sleep() == (("woken_by_dtr",) if woken else ())
    assert "not_verified" not in kinds(made)
    assert made.on_highest_range


def test_what_nothing_can_tell_is_flagged() -> None:
    """Awake it draws hardly more than asleep, and it says nothing when it wakes."""
    sources = [{"by": "dtr", "time": "5 ms", "into": "idle"}]
    made = drawing_awake(0.8e-6, sources, must_not_wake=BY_DTR)
    made.bench._awake_A = 0.8e-6
    made.bench.enter("deep_sleep")
    made.bench.measure()
    assert made.bench.verify_sleep() == ("not_verified_dtr",)


def test_measured_again_after_the_sleep_was_verified_the_lines_are_parked() -> None:
    """The stimulus needs the port, and its idle line feeds the sleeping board."""
    made = ready()
    made.bench.enter("deep_sleep")
    first = made.bench.measure()
    assert made.bench.verify_sleep() == ()
    second = made.bench.measure()
    assert kinds(made).count("parked") == 2
    for row in (first, second):
        assert row.current_A is not None
        assert row.expanded_uncertainty_A is not None
        true_A = made.true_A("deep_sleep", row.range_A)
        assert abs(row.current_A - true_A) <= row.expanded_uncertainty_A
    parked_A = made.world.true_current_A("deep_sleep", 1e3)
    open_A = made.world.true_current_A("deep_sleep", 1e3, driven={"tx"})
    assert parked_A - open_A > 2 * (second.expanded_uncertainty_A or 0.0)  # it would have shown


def test_a_banner_after_the_sleep_was_verified_is_a_reset() -> None:
    harmless = (Stimulus.model_validate({"by": "rts"}),)
    wake = {"by": "dtr", "within": "1.5 s", "reboots": True}
    port = {"dtr": False, "rts": False, "parking": Parking(tx="idle")}
    made = asleep_until(
        wake, [{"by": "break", **BOOTS}], with_lines(**port), must_not_wake=harmless
    )
    made.bench.measure()
    assert made.bench.verify_sleep() == ()
    made.world.board.set_line("brk", True, made.clock.monotonic())  # somebody else
    with pytest.raises(Fault, match="unexpected_reset"):
        made.bench.measure()


# -- the end ------------------------------------------------------------------------------------


@pytest.mark.parametrize("where", ["open", "powered", "idle", "light_sleep", "deep_sleep", "woken"])
@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt, Fault])
def test_whatever_is_raised_leaves_the_bench_safe(where: str, error: type[BaseException]) -> None:
    made = rig(session=HASTY)
    bench, raised = made.bench, error("any", "thing")

    def by_hand() -> None:
        with bench:
            bench.connect()
            if where != "open":
                bench.power_up()
            if where in ("idle", "light_sleep", "deep_sleep"):
                bench.settled_current(where)
            if where == "woken":
                bench.enter("deep_sleep")
                bench.wake()
            raise raised

    with pytest.raises(error) as caught:
        by_hand()
    assert caught.value is raised
    assert made.on_highest_range
    assert not bench.is_open
    ends = [entry.text for entry in bench.log.entries if entry.kind == "safe_end"]
    assert ends[0] == "meter: on its highest range"
    assert ends[-1] == "supply: left off"
    assert ("board: awake" in ends) is where.endswith("sleep")
    assert state_of(made, 5.0) == "off"
    for wire in made.wires.values():
        with pytest.raises(Fault, match="wire_lost"):
            wire.write(b"x")


def test_a_board_that_only_its_timer_wakes_is_left_asleep() -> None:
    wake = {"by": "timer", "after": "60 s", "within": "1 s"}
    made = asleep_until(wake, [], WITHOUT_SUPPLY)
    assert made.bench.make_safe()[1].startswith("board: left asleep")
    assert made.on_highest_range


def test_leaving_twice_is_leaving_once() -> None:
    made = ready()
    made.bench.leave()
    told = len(made.bench.log.entries)
    made.bench.leave()
    assert len(made.bench.log.entries) == told


def test_a_bench_that_is_connected_again_is_left_safe_again() -> None:
    made = ready()
    made.bench.leave()
    made.bench.connect()
    made.bench.power_up()
    made.bench.enter("deep_sleep")
    made.bench.measure()
    assert not made.on_highest_range
    made.bench.leave()
    assert made.on_highest_range
    assert state_of(made, 5.0) == "off"


@pytest.mark.parametrize("name", ["board", "meter", "supply"])
def test_an_instrument_that_cannot_be_opened(name: str) -> None:
    made = rig(session=HASTY)
    made.wires[name].unplug()
    with pytest.raises(CannotOpen) as caught, made.bench as bench:
        bench.connect()
    assert caught.value.wire == name
    assert made.world.simulated_board.boots == 0
    reached = [entry.text for entry in bench.log.entries if entry.kind == "safe_end"]
    assert (f"{name}: was never reached" in reached) is (name != "board")


# -- finding the board again --------------------------------------------------------------------


def test_a_board_is_found_asleep_and_woken() -> None:
    made = ready()
    made.bench.enter("deep_sleep")
    made.bench.measure()
    made.bench.recover()
    assert made.on_highest_range
    assert state_of(made) == "idle"
    assert made.bench.settled_current("idle").verdict == "pass"


def test_a_board_asleep_from_an_earlier_session_is_found_at_the_start() -> None:
    made = ready(file=WITHOUT_SUPPLY)
    made.bench.enter("deep_sleep")
    made.bench.close()  # as it is
    made.bench.connect()
    assert state_of(made) == "deep_sleep"
    made.bench.power_up()
    assert state_of(made) == "idle"


def test_a_board_that_hangs_is_power_cycled() -> None:
    made = ready()
    board = made.world.simulated_board

    def revive(event: Event) -> None:
        if isinstance(event, Happened) and event.kind == "power_cycle":
            board.held = False

    board.held = True
    with made.bench.log.session([revive]):
        made.bench.recover()
    assert kinds(made).count("power_cycle") == 1
    assert made.bench.settled_current("idle").verdict == "pass"


@pytest.mark.parametrize("file", [BENCH, WITHOUT_SUPPLY], ids=["supply", "none"])
def test_a_board_that_is_dead_is_not_found(file: BenchFile) -> None:
    made = ready(file=file)
    made.world.simulated_board.held = True
    with pytest.raises(Fault, match="board_silent"):
        made.bench.recover()
    assert kinds(made).count("power_cycle") == (1 if file is BENCH else 0)
    assert made.on_highest_range
