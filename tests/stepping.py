"""Short sessions with charges and sweeps, on simulated benches in parts."""

from __future__ import annotations

from typing import Any

from benchrig.session import Session, load_session
from benchrig.session.session_file import State
from benchrig.session.steps import Charge, Sweep
from benchrig.simulation.board_parts import BoardState, WakeSource
from benchrig.simulation.files import SimulatedBoardFile
from tests.benches import FIXTURES, Rig, board_file

WHOLE = load_session(FIXTURES / "hive-scale-sweep.session.toml")
TICK, WEIGHING = WHOLE.charges
(CURVE,) = WHOLE.sweeps


def session(
    charges: tuple[Charge, ...] = (), sweeps: tuple[Sweep, ...] = (), **changes: Any
) -> Session:
    """The sweep session with these steps, and the states that they need."""
    needed = {step.state for step in charges} | {step.state for step in sweeps}
    needed |= {charge.base for charge in charges if charge.base is not None}
    states = tuple(state for state in changes.pop("states", WHOLE.states) if state.name in needed)
    update = {"charges": charges, "sweeps": sweeps, "states": states, **changes}
    return WHOLE.model_copy(update=update)


def charge(of: Charge, **changes: Any) -> Charge:
    return of.model_copy(update=changes)


def sweep(of: Sweep, **changes: Any) -> Sweep:
    return of.model_copy(update={"limits": (), **changes})


def asleep(**changes: Any) -> State:
    """Light sleep without its ticks."""
    state = next(state for state in WHOLE.states if state.name == "light_sleep")
    return state.model_copy(update={"ticks": None, **changes})


def sleeping_weigher() -> SimulatedBoardFile:
    """Its light sleep has no tick; one byte makes it weigh once and sleep again."""
    board = board_file()
    wakes = [
        {"by": "byte", "byte": "77", "time": "2 ms", "into": "weigh_once"},
        {"by": "byte", "byte_lost": True, "time": "2 ms", "into": "idle"},
    ]
    changed: dict[str, dict[str, Any]] = {
        "light_sleep": {
            "burst": None,
            "wake": tuple(WakeSource.model_validate(wake) for wake in wakes),
        }
    }
    weigh = board.state("weigh_once")
    assert weigh.then is not None
    then = weigh.then.model_copy(update={"state": "light_sleep", "says": None})
    changed["weigh_once"] = {"then": then}
    return with_states(board, changed)


def with_states(
    board: SimulatedBoardFile, changed: dict[str, dict[str, Any]]
) -> SimulatedBoardFile:
    def state(each: BoardState) -> BoardState:
        return each.model_copy(update=changed.get(each.name, {}))

    return board.model_copy(update={"states": tuple(map(state, board.states))})


def set_voltage_V(made: Rig) -> float:
    """What the supply is set to after the session."""
    assert made.bench.supply is not None
    made.bench.supply.open()
    return made.bench.supply.instrument.ask_number("VOLT?")


def points_on_the_way(made: Rig) -> list[tuple[float, float]]:
    """Every supply voltage with its clock that the log tells of, the nominal one first."""
    board = made.session.board
    at = (board.supply_voltage, board.clock or 0.0)
    seen = [at]
    for entry in made.bench.log.entries:
        if entry.kind == "supply_voltage":
            at = (entry.data["voltage_V"], at[1])
        elif entry.kind == "clock":
            at = (at[0], entry.data["frequency_Hz"])
        seen.append(at)
    return seen
