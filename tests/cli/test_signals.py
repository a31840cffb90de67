"""Signals become a request to stop."""

from __future__ import annotations

import signal
from collections.abc import Iterator

import pytest

from benchrig.cli.signals import stop_on_signals
from benchrig.clock import RealClock, StopRequest
from benchrig.errors import Interrupted

SIGNALS = [
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
]


def fallen_through(number: int, frame: object) -> None:
    raise AssertionError(f"signal {number} reached the old handler")


@pytest.fixture(params=SIGNALS, ids=lambda number: number.name)
def number(request: pytest.FixtureRequest) -> Iterator[signal.Signals]:
    old = signal.signal(request.param, fallen_through)
    yield request.param
    signal.signal(request.param, old)


def test_a_signal_stops_who_waits_on_the_clock(number: signal.Signals) -> None:
    clock = RealClock()
    with stop_on_signals(clock.stop):
        signal.raise_signal(number)
        with pytest.raises(Interrupted, match=number.name):
            clock.sleep(60.0)


def test_a_second_signal_does_nothing_while_the_bench_is_left_safe(number: signal.Signals) -> None:
    clock = RealClock()
    with stop_on_signals(clock.stop):
        signal.raise_signal(number)
        with clock.shielded():
            signal.raise_signal(number)
            clock.sleep(0.001)
    assert clock.stop.reason == number.name


def test_the_old_handler_comes_back_even_after_an_error(number: signal.Signals) -> None:
    with pytest.raises(Interrupted), stop_on_signals(StopRequest()):
        raise Interrupted("the test")
    assert signal.getsignal(number) is fallen_through


def test_only_a_hang_up_may_have_been_ignored_before(number: signal.Signals) -> None:
    signal.signal(number, signal.SIG_IGN)
    stop = StopRequest()
    with stop_on_signals(stop):
        signal.raise_signal(number)
    assert stop.reason == (None if number.name == "SIGHUP" else number.name)
    assert signal.getsignal(number) is signal.SIG_IGN
