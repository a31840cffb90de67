"""Two results against each other: what has changed, and what that does to life."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchrig.energy.average import average_current
from benchrig.energy.currents import Source, usable
from benchrig.energy.drawing import draw
from benchrig.energy.life import COVERAGE, DRAWS, Case
from benchrig.errors import Fault
from benchrig.measurement.combining import Budget, difference
from benchrig.units import YEAR_S

DAY_S = 86400.0


@dataclass(frozen=True)
class Change:
    """A state in both results; `change` is new minus old. What one meter has in common on one
    range cancels in it. `significant`: above its expanded uncertainty (95 %)."""

    name: str
    old: Budget
    new: Budget
    change: Budget

    @property
    def significant(self) -> bool:
        return abs(self.change.value) > self.change.expanded_uncertainty


@dataclass(frozen=True)
class LifeChange:
    """Median lives in years, and the change in days with the interval that holds 90 % of it: both
    results with the same cells and the same use, draw by draw."""

    old_years: float
    new_years: float
    days: float
    low_days: float
    high_days: float
    draws: int
    seed: int
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class Comparison:
    """`unusable`: states that cannot be compared, and why; `faulty` if one of them was measured
    and has no current. `warnings` belong beside the figures."""

    changes: tuple[Change, ...]
    unusable: tuple[tuple[str, str], ...]
    faulty: bool
    warnings: tuple[str, ...]

    @property
    def worse(self) -> bool:
        """Whether a state draws significantly more than before."""
        return any(each.significant and each.change.value > 0.0 for each in self.changes)


def compare(old: Source, new: Source) -> Comparison:
    """The last measurement of each state in `new` against that in `old`."""
    before_rows, after_rows = ({row.name: row for row in each.result.states} for each in (old, new))
    changes, unusable, faulty = [], [], False
    for name in dict.fromkeys([*before_rows, *after_rows]):
        if name not in before_rows or name not in after_rows:
            lacking = old if name not in before_rows else new
            unusable.append((name, f"not in {lacking.name}"))
            continue
        try:
            before = usable(old, "state", before_rows[name])
            after = usable(new, "state", after_rows[name])
        except Fault as fault:
            unusable.append((name, fault.message))
            faulty = True
        else:
            changes.append(Change(name, before, after, difference(after, before)))
    return Comparison(tuple(changes), tuple(unusable), faulty, tuple(_doubts(old, new)))


def _doubts(old: Source, new: Source) -> list[str]:
    found = []
    before, after = old.result, new.result
    if before.session != after.session:
        found.append(f"the sessions are two, {before.session} and {after.session}")
    if old.board != new.board:
        found.append(
            f"the boards are two, {old.board} and {new.board}: a change may be one of the board"
        )
    if old.meter != new.meter:
        found.append("the meters are two: what is wrong with either is in the change")
    if before.board.supply_voltage_V != after.board.supply_voltage_V:
        found.append("the supply voltages differ")
    for source in (old, new):
        if source.result.fault is not None:
            found.append(f"{source.name}: the session has a fault, {source.result.fault.kind}")
        if source.result.bench.simulated_seed is not None:
            found.append(f"{source.name}: measured on a simulated bench")
        doubtful = [row.name for row in source.result.states if row.verdict == "undecided"]
        if doubtful:
            found.append(f"{source.name}: undecided against its limits: {', '.join(doubtful)}")
    return found


def life_change(old: Case, new: Case, draws: int = DRAWS, seed: int = 1) -> LifeChange:
    """Two cases that differ in their currents alone."""
    cases = (old, new)
    averages = [average_current(case.profile, case.currents) for case in cases]
    joint: dict[str, Budget] = {**old.profile.quantities, **old.cell.quantities}
    weights: dict[str, float] = {}
    for mark, case, average, sign in zip(("old ", "new "), cases, averages, (-1, 1), strict=True):
        for name, budget in case.currents.budgets.items():
            joint[mark + name] = budget
            weights[mark + name] = sign * average.slopes.get(name, 0.0)
    values = draw(joint, weights, draws, np.random.default_rng(seed))
    lives = []
    for mark, case in zip(("old ", "new "), cases, strict=True):
        own = {name: values[mark + name] for name in case.currents.budgets}
        lives.append(case.drained({**values, **own}).life_s)
    days = (lives[1] - lives[0]) / DAY_S
    low, middle, high = np.quantile(days, [(1 - COVERAGE) / 2, 0.5, (1 + COVERAGE) / 2])
    old_years, new_years = (float(np.median(each)) / YEAR_S for each in lives)
    warnings = dict.fromkeys(text for case in cases for text in case.currents.warnings)
    return LifeChange(
        old_years,
        new_years,
        float(middle),
        float(low),
        float(high),
        draws,
        seed,
        tuple(warnings),
    )
