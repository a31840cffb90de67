"""Whole sessions on simulated benches: true currents, verdicts with their reasons, and records."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest

from benchrig.errors import UsageError
from benchrig.events import Event, ReadingsTaken, ResultChanged, SessionEnded, StateEnded
from benchrig.records.schema import PUBLISHED, result_schema
from benchrig.result import SessionResult, StateResult
from benchrig.sequencer import run_session
from benchrig.session import Session
from tests.benches import BENCH, HASTY, SESSION, rig

SEEDS = range(1, 21)
STATES = ("idle", "weigh", "lamp", "light_sleep", "deep_sleep")


def row(result: SessionResult, name: str) -> StateResult:
    (found,) = (state for state in result.states if state.name == name)
    return found


def names(result: SessionResult) -> list[str]:
    return [state.name for state in result.states]


def changed(**update: Any) -> Session:
    return HASTY.model_copy(update=update)


# -- a healthy board ------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_each_interval_contains_the_true_current(seed: int) -> None:
    made = rig(seed=seed)
    result = made.run()
    assert result.verdict == "pass", (seed, result.fault, result.states)
    assert names(result) == list(STATES)
    for state in result.states:
        true_A = made.true_A(state.name, state.range_A)
        assert state.current_A is not None
        assert state.expanded_uncertainty_A is not None
        assert abs(state.current_A - true_A) <= state.expanded_uncertainty_A, (seed, state, true_A)
        # And it says something: every state is known to some per cent.
        assert state.expanded_uncertainty_A < 0.05 * true_A, (seed, state)
    jsonschema.validate(json.loads(result.model_dump_json()), result_schema())


def test_a_difference_and_a_ratio_contain_the_true_one() -> None:
    for seed in SEEDS[:5]:
        made = rig(seed=seed)
        result = made.run()
        true_A = {state.name: made.true_A(state.name, state.range_A) for state in result.states}
        expected = {
            "lamp_alone": true_A["lamp"] - true_A["idle"],
            "idle_to_deep_sleep": true_A["idle"] / true_A["deep_sleep"],
        }
        assert {derived.name for derived in result.derived} == set(expected)
        for derived in result.derived:
            assert derived.value is not None
            assert derived.expanded_uncertainty is not None
            error = derived.value - expected[derived.name]
            assert abs(error) <= derived.expanded_uncertainty, (seed, derived)
            assert derived.verdict == "pass"


def test_one_seed_gives_one_result() -> None:
    first, again, other = (rig(seed=seed).run().model_dump() for seed in (7, 7, 8))
    assert first == again
    assert first != other


def test_sleep_states_are_left_as_the_session_says() -> None:
    result = rig().run()
    assert row(result, "light_sleep").wake_latency_s == pytest.approx(0.05, abs=0.03)
    # Boot time and waking time of the simulated board, to within two attempts at hello.
    assert row(result, "deep_sleep").wake_latency_s == pytest.approx(0.255, abs=0.3)
    assert row(result, "idle").wake_latency_s is None
    told = [(event.kind, event.state) for event in result.events]
    assert ("slept_on", "deep_sleep") in told


def test_the_end_is_told_and_so_is_everything_before() -> None:
    seen: list[Event] = []
    result = rig(session=HASTY).run(seen.append)
    assert seen[-1] == SessionEnded(result)
    assert [event.result for event in seen if isinstance(event, StateEnded)] == list(result.states)
    kept = [event.result for event in seen if isinstance(event, ResultChanged)]
    assert [len(partial.states) for partial in kept] == [0, 1, 2, 3]
    assert all(partial.verdict == "fault" and not partial.complete for partial in kept)
    readings = [event for event in seen if isinstance(event, ReadingsTaken)]
    assert {event.state for event in readings} == set(names(result))
    for event in readings:
        assert event.times_s.shape == event.currents_A.shape


# -- defective boards -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("refused", "format_"),
    [
        ({"FORM:DATA"}, "batches in ASCII"),
        ({"FORM:DATA", "INIT"}, "one READ? at a time"),
    ],
    ids=["ASCII only", "READ? only"],
)
def test_a_session_with_a_meter_that_can_do_less(refused: set[str], format_: str) -> None:
    made = rig(session=HASTY)
    made.meter.fail_headers = refused
    result = made.run()
    assert format_ in str(result.meter.reading_format)
    for row in result.states:
        assert row.verdict == "pass", row
        assert row.current_A is not None
        assert row.expanded_uncertainty_A is not None
        true_A = made.true_A(row.name, row.range_A)
        assert abs(row.current_A - true_A) <= row.expanded_uncertainty_A, row.name


def test_a_board_that_stays_awake_fails() -> None:
    for seed in SEEDS[:5]:
        result = rig("stuck-awake", seed=seed).run()
        assert result.verdict == "fail", seed
        for name in ("light_sleep", "deep_sleep"):
            assert row(result, name).verdict == "fail", seed
            assert "stays_awake" in row(result, name).flags, seed
        assert row(result, "idle").verdict == "pass", seed


@pytest.mark.parametrize("before", ["idle", "weigh", "lamp"])
def test_a_board_that_stays_awake_is_told_so_whatever_was_measured_before(before: str) -> None:
    """It draws far less than with the lamp on, and its ticks are missing as well."""
    state = row(rig("stuck-awake").run(only=[before, "light_sleep"]), "light_sleep")
    assert state.fault is None
    assert state.verdict == "fail"
    assert {"above_limit", "stays_awake"} <= set(state.flags)


def test_a_leaky_capacitor_fails_above_the_limit() -> None:
    for seed in SEEDS[:5]:
        made = rig("leaky-capacitor", seed=seed)
        state = row(made.run(), "deep_sleep")
        assert state.verdict == "fail", seed
        assert "above_limit" in state.flags, seed
        assert "stays_awake" not in state.flags, seed
        assert state.current_A == pytest.approx(made.true_A("deep_sleep", state.range_A), rel=0.02)


def test_a_floating_input_is_known_only_roughly() -> None:
    assert row(rig("floating-input").run(), "deep_sleep").verdict == "fail"
    for seed in SEEDS[:10]:
        state = row(rig("floating-input", seed=seed).run(only=["deep_sleep"]), "deep_sleep")
        if state.fault is None:
            assert state.verdict in ("fail", "undecided"), seed
            assert "noise_limited" in state.flags, seed
        else:
            # By chance what comes and goes looks like a disturbance, or like a drift.
            assert state.fault.kind in ("disturbed", "drifting"), seed


def test_a_late_drift_is_no_settled_current() -> None:
    for seed in SEEDS[:5]:
        result = rig("late-drift", seed=seed).run()
        state = row(result, "deep_sleep")
        assert state.verdict == "fault", seed
        assert state.fault is not None
        assert state.fault.kind == "drifting", seed
        assert state.current_A is None
        ratio = next(entry for entry in result.derived if entry.kind == "ratio")
        assert ratio.fault is not None
        assert ratio.fault.kind == "not_measured"


def test_a_dead_uart_is_a_silent_board() -> None:
    result = rig("dead-uart").run()
    assert result.verdict == "fault"
    assert result.fault is not None
    assert result.fault.kind == "board_silent"
    assert {state.fault.kind for state in result.states if state.fault} == {"not_reached"}
    assert names(result) == list(STATES)


@pytest.mark.parametrize(
    ("tx", "kind"), [("closed", "unexpected_wake"), ("idle", "unexpected_reset")]
)
def test_a_reset_in_its_sleep_is_seen(tx: str, kind: str) -> None:
    """By its current while the port is closed, by its banner while it is open."""
    parking = BENCH.board.parking.model_copy(update={"tx": tx})
    file = BENCH.model_copy(update={"board": BENCH.board.model_copy(update={"parking": parking})})
    for seed in SEEDS[:3]:
        result = rig("spontaneous-reset", file=file, seed=seed).run()
        state = row(result, "deep_sleep")
        assert state.verdict == "fault", seed
        assert state.fault is not None
        assert state.fault.kind == kind, seed
        # The board was found again: the session goes on, or ends without a fault of its own.
        assert result.fault is None, seed


def test_a_board_that_is_woken_by_what_must_not_wake_it_fails() -> None:
    byte = HASTY.states[-1].must_not_wake
    states = tuple(
        state.model_copy(update={"must_not_wake": byte}) if state.name == "light_sleep" else state
        for state in HASTY.states
    )
    state = row(rig(session=changed(states=states)).run(), "light_sleep")
    assert state.verdict == "fail"
    assert "woken_by_byte" in state.flags


# -- what is run ----------------------------------------------------------------------------


def test_order_only_subsets_and_repeat() -> None:
    order = ("deep_sleep", "idle", "light_sleep", "idle")
    session = changed(order=order, subsets={"asleep": ("light_sleep", "deep_sleep")})
    assert names(rig(session=session).run()) == list(order)
    assert names(rig(session=session).run(only=["idle"])) == ["idle", "idle"]
    assert names(rig(session=session).run(only=["asleep"])) == ["deep_sleep", "light_sleep"]
    twice = rig(session=session).run(only=["asleep"], repeat=2)
    assert names(twice) == ["deep_sleep", "light_sleep"] * 2


def test_derived_rows_need_both_states() -> None:
    assert [entry.name for entry in rig().run(only=["lamp", "idle"]).derived] == ["lamp_alone"]
    assert rig().run(only=["lamp"]).derived == ()


def test_calls_that_make_no_sense() -> None:
    with pytest.raises(UsageError, match="dep_sleep"):
        rig(session=HASTY).run(only=["dep_sleep"])
    with pytest.raises(UsageError, match="0 times"):
        rig(session=HASTY).run(repeat=0)
    with pytest.raises(UsageError, match="another session"):
        run_session(SESSION, rig(session=HASTY).bench)


def test_another_board_is_not_measured() -> None:
    made = rig(session=HASTY)
    result = made.run(serial_number="HS-0043")
    assert result.verdict == "fault"
    assert result.fault is not None
    assert result.fault.kind == "wrong_board"
    assert "HS-0042" in result.fault.message
    assert {state.fault.kind for state in result.states if state.fault} == {"not_reached"}
    assert result.serial_number == "HS-0042"


def test_who_and_what_is_in_the_record() -> None:
    result = rig(session=HASTY).run(serial_number="HS-0042", operator="A", note="a note")
    assert result.verdict == "pass"
    assert (result.serial_number, result.firmware) == ("HS-0042", "1.4.2")
    assert (result.operator, result.note) == ("A", "a note")
    assert result.meter.sheet == "generic 6½-digit class (invented values)"
    assert result.board.identity == "id sn=HS-0042 fw=1.4.2"


def test_a_bench_file_is_enough() -> None:
    result = run_session(HASTY, BENCH)
    assert result.verdict == "pass"
    assert result.bench.simulated_seed == 1


# -- the record -----------------------------------------------------------------------------


@pytest.mark.parametrize("defect", ["late-drift", "dead-uart", "stuck-awake", "spontaneous-reset"])
def test_every_result_fits_the_schema(defect: str) -> None:
    result = rig(defect, session=HASTY).run()
    jsonschema.validate(json.loads(result.model_dump_json()), result_schema())
    assert SessionResult.model_validate_json(result.model_dump_json()) == result


def test_the_schema_refuses_what_is_no_result() -> None:
    told = json.loads(rig(session=HASTY).run().model_dump_json())
    for key in ("format", "verdict", "states"):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate({**told, key: "?"}, result_schema())


def test_the_published_schema_is_the_present_one() -> None:
    assert PUBLISHED.read_text(encoding="utf-8") == json.dumps(result_schema(), indent=2) + "\n"


def test_what_happened_is_not_put_down_anew_after_each_state() -> None:
    """Else a session of many states takes longer with each of them."""
    kept: list[SessionResult] = []

    def listen(event: Event) -> None:
        if isinstance(event, ResultChanged):
            kept.append(event.result)

    final = rig(session=HASTY).run(listen, only=["idle"])
    first, second = kept[0], kept[-1]
    assert len(first.events) < len(second.events) < len(final.events)
    assert all(one is other for one, other in zip(second.events, final.events, strict=False))
