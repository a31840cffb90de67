"""What a simulated board draws, from its file alone: no time, no circuit."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable

from benchrig.errors import UsageError
from benchrig.simulation.board_parts import BoardState
from benchrig.simulation.circuit import Demand
from benchrig.simulation.files import SimulatedBoardFile


def state_demand(
    board: SimulatedBoardFile, state: BoardState, clock_Hz: float, loads: Iterable[str]
) -> Demand:
    """The steady part of a state: without bursts, tails, feeds and defects."""
    warmer_K = board.temperature - 25.0
    constant_A = state.static + state.leakage * 2.0 ** (warmer_K / 10.0)
    constant_A += sum(board.loads[name] for name in {*state.loads, *loads})
    clock = clock_Hz if state.clock is None else state.clock
    return Demand(constant_A, state.conductive + state.switched * clock, state.noise)


def with_extras(
    board: SimulatedBoardFile, demand: Demand, driven: Collection[str], extra_A: float
) -> Demand:
    """`demand` with the leaky capacitor, what `driven` lines feed in, and `extra_A` on top."""
    constant_A, per_volt_S = demand.constant_A + extra_A, demand.per_volt_S
    per_volt_S += board.defects.leaky_capacitor
    for feed in board.feeds:
        if feed.line in driven:
            constant_A -= feed.level / feed.resistance
            per_volt_S += 1.0 / feed.resistance
    return Demand(constant_A, per_volt_S, demand.noise_A)


def settled_mean_A(
    board: SimulatedBoardFile,
    state: BoardState,
    *,
    supply_V: float,
    series_ohm: float,
    clock_Hz: float,
    loads: Iterable[str] = (),
    driven: Collection[str] = (),
) -> float:
    """The mean current through the meter once the state has settled, periodic bursts included.

    The board is linear in its voltage, and bursts and a floating input change its constant
    part only. So the means obey the same equation as steady values, whatever the capacitor is:
    mean I = (mean I0 + g·Vs) / (1 + g·R). A late drift is no part of it. Raises `UsageError`
    where the board would brown out, for then there is no settled current.
    """
    demand = with_extras(board, state_demand(board, state, clock_Hz, loads), driven, 0.0)
    floating = board.defects.floating_input
    floating_A = floating.current if floating is not None and state.sleep else 0.0

    def steady_V(extra_A: float) -> float:
        constant_A = demand.constant_A + extra_A
        return (supply_V - series_ohm * constant_A) / (1.0 + series_ohm * demand.per_volt_S)

    lowest_V = steady_V(floating_A)
    mean_extra_A = floating_A / 2.0
    if state.burst is not None:
        mean_extra_A += state.burst.current * state.burst.duration / state.burst.period
        rate = (1.0 / series_ohm + demand.per_volt_S) / max(board.decoupling, 1e-15)
        lowest_V += (steady_V(floating_A + state.burst.current) - lowest_V) * _burst_depth(
            state.burst.duration * rate, state.burst.period * rate
        )
    if lowest_V < board.minimum_voltage:
        raise UsageError(f"the board browns out in {state.name!r} at {series_ohm:g} ohm")
    constant_A = demand.constant_A + mean_extra_A
    return (constant_A + demand.per_volt_S * supply_V) / (1.0 + demand.per_volt_S * series_ohm)


def _burst_depth(duration: float, period: float) -> float:
    """How far the voltage has come at the end of a burst, as a share of the way it would go in
    an endless one; both in time constants. Periodic steady state of a first-order system."""
    return math.expm1(-duration) / math.expm1(-period)
