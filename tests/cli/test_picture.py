"""The picture follows the events, in whatever order they come."""

from __future__ import annotations

import math
from functools import reduce

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.cli.picture import LONGEST_GUESS_S, TREND_POINTS, Picture, after, batch_point
from benchrig.events import (
    Event,
    Happened,
    ReadingsTaken,
    SessionStarted,
    StateEnded,
    StateStarted,
)
from benchrig.measurement import Outcome
from benchrig.result import StateResult


def started(*states: str, expected_s: float = 30.0, longest_s: float = math.inf) -> SessionStarted:
    each_s = (expected_s / max(len(states), 1),) * len(states)
    limits = ((None, 1e-3),) * len(states)
    return SessionStarted("hive-scale", states, limits, each_s, (longest_s,) * len(states))


def readings(
    state: str, time_s: float, *currents_A: float, needed_s: float | None = None
) -> ReadingsTaken:
    outcome = Outcome("waiting", "not yet", still_needed_s=needed_s)
    times_s = np.full(len(currents_A), time_s)
    return ReadingsTaken(state, times_s, np.array(currents_A), 1e-2, outcome)


def ended(state: str) -> StateEnded:
    return StateEnded(StateResult(name=state, verdict="pass"))


def at(time_s: float, kind: str = "range") -> Happened:
    return Happened(time_s, kind, "something")


def visit(state: str, begin_s: float, end_s: float) -> list[Event]:
    return [at(begin_s), StateStarted(state), at(end_s), ended(state)]


def picture(*events: Event) -> Picture:
    return reduce(after, events, Picture())


@pytest.mark.parametrize(
    ("currents_A", "point"),
    [
        ([1.0, 2.0, 9.0], 2.0),
        ([1.0, 9.91e37, 1.0], 1.0),
        ([1.0, 9.9e37], math.inf),
        ([-9.9e37], math.inf),
        ([9.91e37], math.nan),
        ([math.nan], math.nan),
        ([math.inf], math.inf),
        ([float(np.float32(9.9e37))], math.inf),
        ([], math.nan),
    ],
)
def test_a_batch_becomes_one_point(currents_A: list[float], point: float) -> None:
    assert batch_point(np.array(currents_A)) == pytest.approx(point, nan_ok=True)


def test_the_trend_does_not_grow_for_ever() -> None:
    batches = [readings("idle", float(n), float(n)) for n in range(100)]
    seen = picture(started("idle"), StateStarted("idle"), *batches)
    assert seen.rows[0].trend_A == tuple(float(n) for n in range(100 - TREND_POINTS, 100))


def test_repeated_states_are_filled_in_order() -> None:
    seen = picture(
        started("idle", "sleep", "idle", "sleep"),
        *visit("idle", 1.0, 2.0),
        *visit("sleep", 2.0, 5.0),
        *visit("idle", 5.0, 9.0),
    )
    assert [row.took_s for row in seen.rows] == [1.0, 3.0, 4.0, None]
    assert seen.done == 3


def test_rows_that_were_never_reached_end_without_a_time() -> None:
    seen = picture(started("idle", "sleep"), at(0.5, "fault"), ended("idle"), ended("sleep"))
    assert [row.took_s for row in seen.rows] == [None, None]
    assert seen.remaining_s(1.0) == 0.0


def test_what_was_never_announced_is_shown_all_the_same() -> None:
    seen = picture(ended("idle"), readings("sleep", 2.0, 1e-6))
    assert [row.state for row in seen.rows] == ["idle", "sleep"]
    assert seen.remaining_s(3.0) is None


def test_a_prompt_stays_until_it_was_followed() -> None:
    prompt = at(3.0, "prompt")
    seen = picture(started("idle"), StateStarted("idle"), prompt, at(4.0, "board_said"))
    assert seen.prompt is prompt
    for end in (at(5.0, "woken"), at(5.0, "fault"), ended("idle")):
        assert after(seen, end).prompt is None


def test_the_time_at_first_is_the_expected_one_and_runs_down() -> None:
    seen = picture(started("idle", "sleep", expected_s=30.0))
    assert seen.remaining_s(0.0) == 30.0
    assert seen.remaining_s(4.0) == 26.0


def test_the_time_follows_what_states_really_take() -> None:
    seen = picture(started("a", "a", "b", expected_s=30.0), *visit("a", 0.0, 40.0))
    # "a" again as long as it took, "b" the 10 s that are expected.
    assert seen.remaining_s(40.0) == 50.0


def test_a_state_is_expected_to_take_as_long_as_the_last_time() -> None:
    seen = picture(started("a", "b", "a", expected_s=30.0), *visit("a", 0.0, 2.0))
    assert seen.remaining_s(2.0) == 12.0


def test_the_time_follows_the_guess_of_the_settling() -> None:
    seen = picture(started("a"), StateStarted("a"), readings("a", 5.0, 1.0, needed_s=100.0))
    assert seen.remaining_s(5.0) == 100.0
    assert seen.remaining_s(15.0) == 90.0


@pytest.mark.parametrize("needed_s", [math.inf, math.nan, -5.0, None])
def test_a_senseless_guess_is_not_used(needed_s: float | None) -> None:
    seen = picture(started("a"), StateStarted("a"), readings("a", 5.0, 1.0, needed_s=needed_s))
    assert seen.remaining_s(5.0) == 25.0


@pytest.mark.parametrize("expected_s", [math.nan, math.inf, 0.0, -1.0])
def test_a_senseless_expectation_is_not_used(expected_s: float) -> None:
    seen = picture(started("a", "b", expected_s=expected_s))
    assert seen.remaining_s(0.0) is None
    assert reduce(after, visit("a", 0.0, 3.0), seen).remaining_s(3.0) == 3.0


def test_no_rows_no_time() -> None:
    assert Picture().remaining_s(1.0) is None


states = st.sampled_from(["a", "b", "c"])
times = st.floats(0.0, 1e4)
needed = st.none() | st.floats()
events = st.one_of(
    st.builds(at, times, st.sampled_from(["range", "prompt", "fault", "woken"])),
    st.builds(StateStarted, states),
    st.builds(ended, states),
    st.builds(lambda *args: readings(*args[:3], needed_s=args[3]), states, times, times, needed),
    st.builds(lambda names: started(*names), st.lists(states)),
)


@given(st.lists(events), times)
def test_the_remaining_time_is_never_nonsense(happened: list[Event], now_s: float) -> None:
    seen = picture(*happened)
    remaining_s = seen.remaining_s(now_s)
    if remaining_s is not None:
        assert 0.0 <= remaining_s <= 1e4 * (len(seen.rows) + 1) + LONGEST_GUESS_S


@pytest.mark.parametrize("needed_s", [5.0, 100.0, 1e9])
def test_no_state_is_said_to_take_longer_than_its_time_limit(needed_s: float) -> None:
    picture = after(Picture(), started("idle", "idle", expected_s=20.0, longest_s=12.0))
    picture = after(after(picture, StateStarted("idle")), at(2.0, "entered"))
    picture = after(picture, readings("idle", 4.0, 1e-3, needed_s=needed_s))
    # 12 s from its entry at 2 s on, and 10 s for the next.
    assert picture.remaining_s(4.0) == pytest.approx(min(max(6.0, needed_s), 10.0) + 10.0)
    # Measured once more, it has its time limit once more.
    picture = after(picture, at(15.0, "entered"))
    picture = after(picture, readings("idle", 16.0, 1e-3, needed_s=needed_s))
    assert picture.remaining_s(16.0) == pytest.approx(min(11.0, needed_s) + 10.0)
