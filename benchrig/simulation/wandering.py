"""The part of a state's current that changes while the board stays in the state.

What changes smoothly (a tail, a drift) is a staircase of equal charge, so that the circuit keeps
its closed form between two steps.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from functools import partial

from benchrig.simulation.agenda import Agenda
from benchrig.simulation.board_parts import (
    BoardState,
    Burst,
    Defects,
    FloatingInput,
    LateDrift,
    Tail,
)

_STEPS_PER_TIME_CONSTANT = 40
_TAIL_TIME_CONSTANTS = 16  # then 0.1 ppm of the amplitude is left
_DRIFT_STEPS = 100


class WanderingCurrent:
    """Puts its steps on `agenda`, as silent ones that end with the state; tells `changed`."""

    def __init__(
        self, agenda: Agenda, seed: int, defects: Defects, changed: Callable[[], None]
    ) -> None:
        self._agenda = agenda
        self._random = random.Random(f"{seed} board current")
        self._defects = defects
        self._changed = changed
        self._parts_A: dict[str, float] = {}

    @property
    def current_A(self) -> float:
        return math.fsum(self._parts_A.values())

    def clear(self) -> None:
        """The state is left. Whoever calls this drops the agenda too."""
        self._parts_A.clear()

    def enter(self, state: BoardState, t: float) -> None:
        """The command to go to `state` is carried out."""
        drift = self._defects.late_drift
        if drift is not None and state.sleep:
            self._at(t + drift.after, partial(self._drift, drift, 0))

    def arrive(self, state: BoardState, t: float) -> None:
        """The firmware is done; the current of the state itself begins."""
        if state.tail is not None:
            self._tail(state.tail, 0, t)
        if state.burst is not None:
            self._at(t + state.burst.period, partial(self._burst, state.burst))
        if state.sleep and self._defects.floating_input is not None:
            self._float(self._defects.floating_input, False, t)

    def _at(self, t: float, action: Callable[[float], None]) -> None:
        self._agenda.add(t, action, silent=True)

    def _set(self, part: str, current_A: float) -> None:
        self._parts_A[part] = current_A
        self._changed()

    def _tail(self, tail: Tail, step: int, t: float) -> None:
        if step == _STEPS_PER_TIME_CONSTANT * _TAIL_TIME_CONSTANTS:
            self._set("tail", 0.0)
            return
        width = 1.0 / _STEPS_PER_TIME_CONSTANT
        mean = math.exp(-step * width) * -math.expm1(-width) / width
        self._set("tail", tail.amplitude * mean)
        self._at(t + tail.time_constant * width, partial(self._tail, tail, step + 1))

    def _burst(self, burst: Burst, t: float) -> None:
        self._set("burst", burst.current)
        self._at(t + burst.duration, lambda _: self._set("burst", 0.0))
        self._at(t + burst.period, partial(self._burst, burst))

    def _float(self, floating: FloatingInput, high: bool, t: float) -> None:
        self._set("floating input", floating.current if high else 0.0)
        dwell_s = self._random.expovariate(1.0 / floating.dwell)
        self._at(t + dwell_s, partial(self._float, floating, not high))

    def _drift(self, drift: LateDrift, step: int, t: float) -> None:
        self._set("drift", drift.rise * min((step + 0.5) / _DRIFT_STEPS, 1.0))
        if step < _DRIFT_STEPS:
            self._at(t + drift.over / _DRIFT_STEPS, partial(self._drift, drift, step + 1))
