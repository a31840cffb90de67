"""What can be told of a session before a board moves: how long it takes, and which ranges it
would use."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchrig.drivers.meter import RECTANGLE, MeterRange
from benchrig.finding import EMPTY_WITHIN_S
from benchrig.measuring import SettlingPlan
from benchrig.pricing import MeterPricing
from benchrig.ranges import RangeKeeper
from benchrig.session.session_file import BoardRatings, Session, State
from benchrig.session.steps import Charge, Sweep, grid, steps_of
from benchrig.units import format_quantity

# To find the board, and to leave the bench safe.
AROUND_S = 2.0
# Exchanges, range changes and the first batches of a state.
OVERHEAD_S = 0.5
# Another supply voltage and another clock.
CHANGE_S = 0.5
# A decay is bounded by its slowest time constant only after several of them (measured with
# scripts/bench_settling.py: the recorded states settle within 4 to 8).
TIME_CONSTANTS = 6.0


def expected_s(session: Session, states: Sequence[State]) -> float:
    """An estimate, from the settling data of the session file."""
    further_s = sum(visit.expected_s for visit in further_visits(session, states))
    around_s = AROUND_S + session.board.boot_time
    return around_s + sum(visit_s(session, state) for state in states) + further_s


def longest_s(session: Session, states: Sequence[State]) -> float:
    """Where every state needs its whole time limit and nothing else goes wrong."""
    around_s = AROUND_S + session.board.boot_time
    further_s = sum(visit.longest_s for visit in further_visits(session, states))
    return around_s + sum(longest_visit_s(session, state) for state in states) + further_s


@dataclass(frozen=True)
class FurtherVisit:
    """A visit of a charge or of a point of a sweep, with the limit of the point."""

    state: State
    expected_s: float
    longest_s: float


def further_visits(session: Session, states: Sequence[State]) -> tuple[FurtherVisit, ...]:
    """What comes after the states of a run, in order."""
    known = {state.name: state for state in states}
    charges, sweeps = steps_of(session, known)
    visits = []
    for charge in charges:
        visits.append(_further(session, known[charge.state], averaging_s(session, charge)))
    for sweep in sweeps:
        for voltage_V, frequency_Hz in grid(session.board, sweep):
            limit = sweep.limit_at(voltage_V, frequency_Hz)
            state = known[sweep.state].model_copy(update={"limit": limit, "must_not_wake": ()})
            visits.append(_further(session, state, CHANGE_S))
    return tuple(visits)


def _further(session: Session, state: State, more_s: float) -> FurtherVisit:
    expected_s, longest_s = visit_s(session, state), longest_visit_s(session, state)
    return FurtherVisit(state, expected_s + more_s, longest_s + more_s)


def averaging_s(session: Session, charge: Charge) -> float:
    """For so long the meter reads for a charge, once the state has settled."""
    if charge.is_made:
        # Without events, with the first that is not averaged, and with the others.
        return (charge.period or 0.0) * (2 * charge.periods + 1)
    ticks = next(state.ticks for state in session.states if state.name == charge.state)
    return 0.0 if ticks is None else ticks.period * (charge.periods + 2.5)


def longest_visit_s(session: Session, state: State) -> float:
    """For one state, from its entry to the end of its waking."""
    time_limit_s = SettlingPlan.of(session, state).time_limit_s
    by_power_cycle = state.wake is not None and state.wake.by == "power_cycle"
    empty_s = EMPTY_WITHIN_S if by_power_cycle else 0.0
    return OVERHEAD_S + _asleep_s(state, time_limit_s) + _leaving_s(state) + empty_s


def visit_s(session: Session, state: State) -> float:
    """An estimate for one state, from its entry to the end of its waking."""
    plan = SettlingPlan.of(session, state)
    decay_s = TIME_CONSTANTS * plan.priors.slowest_tau_s if state.sleeps else 0.0
    measuring_s = max(plan.priors.guard_s, decay_s, plan.priors.sight_s) + 1.0
    if state.ticks is not None:
        measuring_s = max(measuring_s, plan.priors.guard_s + 4 * state.ticks.period)
    measuring_s = min(measuring_s, plan.time_limit_s)
    return OVERHEAD_S + _asleep_s(state, measuring_s) + _leaving_s(state)


def _asleep_s(state: State, measuring_s: float) -> float:
    """A board that wakes by its timer is measured until then at the most, and waited for."""
    after_s = None if state.wake is None else state.wake.after
    return measuring_s if after_s is None else after_s


def _leaving_s(state: State) -> float:
    """Verifying sleep, and waking."""
    if state.wake is None:
        return 0.0
    off_s = state.wake.off_time if state.wake.by == "power_cycle" else 0.0
    return len(state.must_not_wake) * (state.quiet + 0.2) + off_s + state.wake.within / 2


@dataclass(frozen=True)
class Worth:
    """What a planned measurement will be worth, as far as that is known beforehand: the meter's
    part of the expanded uncertainty, what settling may leave (None where only a limit is known,
    to which the distance counts), and which contribution dominates."""

    meter_A: float
    settling_A: float | None
    dominated_by: str


@dataclass(frozen=True)
class PlannedState:
    """`expected_A`: the typical current, else the limit, else None. `range`: where it would be
    measured, None where no range does; `voltage_V`: what the board then has. `lowest`: the range
    for the least that the limits allow, where there is no typical current. `problem`: why it cannot
    be measured, with the range and the voltage that come nearest."""

    state: State
    expected_A: float | None
    range: MeterRange | None = None
    voltage_V: float | None = None
    worth: Worth | None = None
    lowest: MeterRange | None = None
    problem: str | None = None


def planned(
    session: Session,
    states: Sequence[State],
    ranges: Sequence[MeterRange],
    keeper: RangeKeeper,
    pricing: MeterPricing,
) -> Iterator[PlannedState]:
    """For each state, once: the range for its expected current."""
    for state in dict.fromkeys(states):
        limit = state.limit
        expected_A = limit.typical or limit.max
        if expected_A is None or not ranges:
            yield PlannedState(state, expected_A)
            continue
        entry = keeper.reached(expected_A, state.ticks)
        if entry is None:
            minimum_V = session.board.minimum_voltage
            problem = burden_problem(state.name, expected_A, keeper, ranges, minimum_V)
            yield PlannedState(state, expected_A, problem=problem)
            continue
        yield PlannedState(
            state,
            expected_A,
            entry,
            keeper.voltage_at_board(entry, expected_A),
            _worth(session, state, entry, expected_A, pricing),
            None if limit.typical else keeper.reached(limit.min or 0.0, state.ticks),
        )


def _worth(
    session: Session, state: State, entry: MeterRange, expected_A: float, pricing: MeterPricing
) -> Worth:
    budget = pricing.expected(entry, expected_A)
    settling_A = None
    if state.limit.typical is not None:
        priors = SettlingPlan.of(session, state).priors_on(
            entry, np.array([expected_A]), state.ticks, 0.0
        )
        settling_A = priors.allowed_A(expected_A)
    name, largest_A = max(
        ((row.name, abs(row.contribution)) for row in budget.table()), key=lambda named: named[1]
    )
    # The tolerance is priced as the half-width of a rectangle.
    settling_dominates = settling_A is not None and settling_A / RECTANGLE > largest_A
    dominated_by = "settling tolerance" if settling_dominates else f"meter's {name}"
    return Worth(2 * budget.standard_uncertainty, settling_A, dominated_by)


def burden_problem(
    what: str,
    current_A: float,
    keeper: RangeKeeper,
    ranges: Sequence[MeterRange],
    minimum_V: float,
) -> str | None:
    """Why no range carries a current and leaves the board its minimum voltage; None if one does."""
    current, highest = format_quantity(current_A, "A", 3), ranges[-1]
    carrying = [entry for entry in ranges if entry.overload_A >= current_A]
    if not carrying:
        reach = format_quantity(highest.overload_A, "A", 3)
        return (
            f"{what}: {current} are more than the meter measures, {reach} on its highest range; "
            "use a meter with a higher range"
        )
    nearest = max(carrying, key=lambda entry: keeper.voltage_at_board(entry, current_A))
    voltage_V = keeper.voltage_at_board(nearest, current_A)
    if voltage_V >= minimum_V:
        return None
    scale = format_quantity(nearest.full_scale_A, "A", 2)
    assumed = " (its shunt is assumed; a meter sheet would tell)" if nearest.assumed else ""
    return (
        f"{what}: {current} on the {scale} range leave the board {voltage_V:.3f} V, below its "
        f"minimum_voltage of {minimum_V:g} V{assumed}; use a meter with a smaller shunt, or a "
        "higher supply voltage"
    )


@dataclass(frozen=True)
class PlannedStep:
    """A charge or a sweep. `lasts_s`: how long the charge is averaged; `points` of the sweep. At
    its lowest supply voltage the board is woken on `range`, where its highest current leaves it
    `voltage_V`; None of a charge by ticks, which is read on the range of its state."""

    step: Charge | Sweep
    lasts_s: float
    points: int = 0
    lowest_V: float | None = None
    range: MeterRange | None = None
    voltage_V: float | None = None
    problem: str | None = None


def planned_steps(
    session: Session,
    states: Sequence[State],
    ranges: Sequence[MeterRange],
    keeper: RangeKeeper,
) -> Iterator[PlannedStep]:
    board, nominal_V = session.board, keeper.supply_V
    charges, sweeps = steps_of(session, {state.name for state in states})
    for charge in charges:
        lasts_s = averaging_s(session, charge)
        if charge.is_made and ranges:
            yield _on_room(PlannedStep(charge, lasts_s, lowest_V=nominal_V), board, ranges, keeper)
        else:
            yield PlannedStep(charge, lasts_s)
    for sweep in sweeps:
        points = list(grid(board, sweep))
        step = PlannedStep(sweep, 0.0, len(points), min(voltage_V for voltage_V, _ in points))
        if not ranges or step.lowest_V is None:
            yield step
            continue
        keeper.supply_V = step.lowest_V
        yield _on_room(step, board, ranges, keeper)
        keeper.supply_V = nominal_V


def _on_room(
    step: PlannedStep, board: BoardRatings, ranges: Sequence[MeterRange], keeper: RangeKeeper
) -> PlannedStep:
    highest_A = board.highest_current
    name = f"{step.step.name} at {step.lowest_V:g} V"
    problem = burden_problem(name, highest_A, keeper, ranges, board.minimum_voltage)
    if problem is not None:
        return replace(step, problem=problem)
    room = keeper.room()
    return replace(step, range=room, voltage_V=keeper.voltage_at_board(room, highest_A))
