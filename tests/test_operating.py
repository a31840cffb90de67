"""From one operating point to the next: no pair on the way is beyond the board's limits, and
whatever goes wrong, the nominal point comes back."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.errors import Fault, UsageError
from benchrig.operating import Operating
from benchrig.session import Session, load_session
from benchrig.session.protocol import Exchange
from benchrig.session.session_file import BoardRatings
from tests.benches import FIXTURES
from tests.session.test_steps import MEGAHERTZ, VOLTS, boards

SESSION = load_session(FIXTURES / "hive-scale-sweep.session.toml")
NOMINAL_V = SESSION.board.supply_voltage


class Bench:
    """A board, its supply and its ranges in one: it keeps every pair that it was run at, and does
    not obey the acts whose numbers are in `fails`."""

    def __init__(self, board: BoardRatings, fails: frozenset[int] = frozenset()) -> None:
        self.ratings = board
        self.voltage_V, self.frequency_Hz, self.on = NOMINAL_V, board.clock or 0.0, True
        self.supply_V = NOMINAL_V
        self.seen = [(self.voltage_V, self.frequency_Hz)]
        self.acts = 0
        self._fails = fails

    def _act(self) -> bool:
        self.acts += 1
        if self.acts in self._fails:
            raise Fault("no_reply", "board: silent")
        return True

    def _saw(self) -> None:
        if self.on:
            self.seen.append((self.voltage_V, self.frequency_Hz))

    # As a board.
    def insist(self, exchange: Exchange) -> None:
        self._act()
        assert exchange.send is not None
        self.frequency_Hz = float(exchange.send.split()[1]) * 1e6
        self._saw()

    # As a supply.
    def change(self, voltage_V: float) -> None:
        self._act()
        # The range must do for the lower of the two while the voltage is on its way.
        assert self.supply_V <= min(voltage_V, self.voltage_V)
        self.set_up(voltage_V)

    def set_up(self, voltage_V: float) -> None:
        self.voltage_V = voltage_V
        self._saw()

    def switch(self, on: bool) -> None:
        self.on = on
        self._saw()

    # As the ranges, and as what takes the power away.
    def await_recharge(self) -> None:
        pass

    def power_cycle(self, off_time_s: float) -> None:
        self.frequency_Hz = self.ratings.clock or 0.0
        self._saw()


def operating(bench: Any, session: Session, supply: Any) -> Operating:
    return Operating(session, bench, supply, bench, bench.power_cycle, lambda *_, **__: None)


def made(board: BoardRatings, fails: frozenset[int] = frozenset()) -> tuple[Bench, Operating]:
    bench = Bench(board, fails)
    session = SESSION.model_copy(update={"board": board})
    return bench, operating(bench, session, bench)


@given(boards(), st.lists(st.tuples(VOLTS, MEGAHERTZ), max_size=8))
def test_every_pair_on_the_way_is_legal(
    board: BoardRatings, wanted: list[tuple[float, float]]
) -> None:
    if not board.may_run(NOMINAL_V, board.clock):
        return
    bench, point = made(board)
    for voltage_V, frequency_Hz in wanted:
        if board.may_run(voltage_V, frequency_Hz):
            point.go(voltage_V, frequency_Hz)
            assert (bench.voltage_V, bench.frequency_Hz) == (voltage_V, frequency_Hz)
            assert bench.supply_V == voltage_V
    point.restore()
    assert (bench.voltage_V, bench.frequency_Hz) == (NOMINAL_V, board.clock)
    assert not point.is_away
    assert all(board.may_run(*pair) for pair in bench.seen), bench.seen


@given(
    boards(),
    st.lists(st.tuples(VOLTS, MEGAHERTZ), min_size=1, max_size=6),
    st.frozensets(st.integers(1, 14), min_size=1, max_size=4),
)
def test_after_a_fault_the_nominal_point_comes_back(
    board: BoardRatings, wanted: list[tuple[float, float]], fails: frozenset[int]
) -> None:
    if not board.may_run(NOMINAL_V, board.clock):
        return
    bench, point = made(board, fails)
    try:
        for voltage_V, frequency_Hz in wanted:
            if board.may_run(voltage_V, frequency_Hz):
                point.go(voltage_V, frequency_Hz)
    except Fault:
        point.may_have_booted()
    for _ in range(len(fails) + 1):
        try:
            if point.is_away:
                point.make_safe(power_off=False)
        except Fault:
            continue
    assert (bench.voltage_V, bench.frequency_Hz) == (NOMINAL_V, board.clock)
    assert all(board.may_run(*pair) for pair in bench.seen), bench.seen


def test_switched_off_the_supply_is_left_at_its_nominal_voltage() -> None:
    bench, point = made(SESSION.board)
    point.go(2.4, 1e6)
    assert point.make_safe(power_off=True) == "off, and set to 3.00 V"
    assert (bench.on, bench.voltage_V) == (False, 3.0)
    # Not at the nominal voltage with what it was told below it: it was off by then.
    assert bench.seen[-1] == (2.4, 1e6)


def test_a_pair_beyond_the_limits_is_refused_before_anything_is_done() -> None:
    bench, point = made(SESSION.board)
    point.go(3.0, 8e6)
    acts = bench.acts
    with pytest.raises(Fault, match="may not run"):
        point.go(3.0, 16e6)
    assert bench.acts == acts
    point.go(2.4, 4e6)
    with pytest.raises(Fault, match="may not run") as caught:
        point.go(2.4, 8e6)
    assert caught.value.kind == "operating_limits"


def test_without_a_supply_only_the_clock_changes() -> None:
    bench = Bench(SESSION.board)
    point = operating(bench, SESSION, None)
    point.go(3.0, 1e6)
    assert bench.frequency_Hz == 1e6
    with pytest.raises(UsageError, match="needs a \\[supply\\]"):
        point.go(2.4, 1e6)
    assert point.make_safe(power_off=False) == "back at 3.00 V and 4.000 MHz"
    bench = Bench(SESSION.board, frozenset({2}))
    point = operating(bench, SESSION, None)
    point.go(3.0, 1e6)
    with pytest.raises(Fault, match="silent"):
        point.make_safe(power_off=False)
