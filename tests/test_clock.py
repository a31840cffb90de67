from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from benchrig import clock as clock_module
from benchrig.clock import SLICE_S, Clock, LatchedClock, RealClock, StopRequest, VirtualClock
from benchrig.errors import Interrupted


class Time:
    """Stands in for the time module: a sleep moves it on, and may do something meanwhile."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.slept_s: list[float] = []
        self.stop_after: tuple[int, StopRequest] | None = None

    def monotonic(self) -> float:
        return self.now_s

    def sleep(self, duration_s: float) -> None:
        self.slept_s.append(duration_s)
        self.now_s += duration_s
        if self.stop_after is not None and len(self.slept_s) == self.stop_after[0]:
            self.stop_after[1].make("Ctrl-C")


@pytest.fixture
def time(monkeypatch: pytest.MonkeyPatch) -> Time:
    stand_in = Time()
    monkeypatch.setattr(clock_module, "time", stand_in)
    return stand_in


@pytest.fixture(params=[RealClock, VirtualClock])
def clock(request: pytest.FixtureRequest, time: Time) -> Clock:
    made: Clock = request.param()
    return made


def test_a_sleep_lasts_as_long_as_asked(clock: Clock) -> None:
    before = clock.monotonic()
    clock.sleep(1.23)
    assert clock.monotonic() - before == pytest.approx(1.23)


@pytest.mark.parametrize("duration_s", [0.0, -5.0])
def test_a_sleep_of_nothing_never_runs_backwards(clock: Clock, duration_s: float) -> None:
    before = clock.monotonic()
    clock.sleep(duration_s)
    assert clock.monotonic() == before


def test_the_date_is_in_utc(clock: Clock) -> None:
    assert clock.now().utcoffset() == timedelta(0)


def test_without_a_request_a_check_is_silent(clock: Clock) -> None:
    clock.check()
    assert clock.stop.reason is None


def test_a_request_interrupts_a_check_and_a_sleep_before_it_begins(clock: Clock) -> None:
    clock.stop.make("Ctrl-C")
    before = clock.monotonic()
    with pytest.raises(Interrupted, match="stopped by Ctrl-C") as caught:
        clock.check()
    assert caught.value.kind == "interrupted"
    with pytest.raises(Interrupted):
        clock.sleep(1.0)
    assert clock.monotonic() == before


def test_the_first_reason_stays(clock: Clock) -> None:
    clock.stop.make("SIGTERM")
    clock.stop.make("Ctrl-C")
    with pytest.raises(Interrupted, match="SIGTERM"):
        clock.check()


def test_a_shield_holds_a_request_back_until_it_ends(clock: Clock) -> None:
    with clock.shielded():
        clock.stop.make("Ctrl-C")
        with clock.shielded():
            clock.check()
        clock.check()  # the outer one still holds
        clock.sleep(0.5)
    with pytest.raises(Interrupted):
        clock.check()


def test_a_shield_ends_with_an_exception_too(clock: Clock) -> None:
    clock.stop.make("Ctrl-C")
    with pytest.raises(KeyError), clock.shielded():
        raise KeyError
    with pytest.raises(Interrupted):
        clock.check()


@pytest.mark.parametrize("kind", [RealClock, VirtualClock])
def test_a_request_made_before_the_clock_counts(kind: type[RealClock | VirtualClock]) -> None:
    stop = StopRequest()
    stop.make("SIGTERM")
    with pytest.raises(Interrupted, match="SIGTERM"):
        kind(stop=stop).check()


def test_the_real_clock_waits_in_slices_and_is_stopped_between_them(time: Time) -> None:
    clock = RealClock()
    time.stop_after = (3, clock.stop)
    with pytest.raises(Interrupted):
        clock.sleep(10.0)
    assert time.slept_s == [SLICE_S] * 3


def test_the_last_slice_is_what_is_left(time: Time) -> None:
    RealClock().sleep(2.5 * SLICE_S)
    assert time.slept_s == pytest.approx([SLICE_S, SLICE_S, 0.5 * SLICE_S])


def test_the_virtual_clock_begins_at_its_date_and_moves_with_its_sleeps() -> None:
    start = datetime(2026, 2, 3, 4, 5, tzinfo=UTC)
    clock = VirtualClock(start)
    assert (clock.monotonic(), clock.now()) == (0.0, start)
    clock.sleep(600.0)
    assert (clock.monotonic(), clock.now()) == (600.0, start + timedelta(minutes=10))


# -- the latched clock --------------------------------------------------------------------------


def test_a_latched_clock_stands_still_between_acts() -> None:
    inner = VirtualClock()
    inner.sleep(3.0)
    clock = LatchedClock(inner)
    kept: list[tuple[float, float | None, Interrupted | None]] = []
    clock.kept = lambda *moment: kept.append(moment)
    inner.sleep(1.0)
    assert clock.monotonic() == 3.0
    with clock.moving():
        assert clock.monotonic() == 4.0
        clock.sleep(0.5)
    assert kept == []
    assert clock.monotonic() == 4.5
    inner.sleep(1.0)
    clock.sleep(0.25)
    assert (clock.monotonic(), clock.now()) == (5.75, inner.now())
    assert kept == [(5.75, 0.25, None)]
    inner.sleep(1.0)
    clock.begin()
    assert clock.origin == (inner.now(), 6.75)


def test_a_latched_clock_keeps_where_it_was_stopped() -> None:
    clock = LatchedClock(VirtualClock())
    kept: list[tuple[float, float | None, Interrupted | None]] = []
    clock.kept = lambda *moment: kept.append(moment)
    clock.stop.make("SIGINT")
    with pytest.raises(Interrupted):
        clock.check()
    with pytest.raises(Interrupted):
        clock.sleep(1.0)
    with clock.shielded():
        clock.check()
        clock.sleep(1.0)
    assert [duration_s for _, duration_s, _ in kept] == [None, 1.0, 1.0]
    assert [interrupted is None for _, _, interrupted in kept] == [False, False, True]
