"""Battery life with its interval, by propagation of distributions (JCGM 101)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from benchrig.energy.average import Average, average_current
from benchrig.energy.cell import Cell
from benchrig.energy.currents import Currents
from benchrig.energy.draining import CAUSES, Drained, drained
from benchrig.energy.drawing import Draws, draw
from benchrig.energy.profile import Profile
from benchrig.measurement.combining import Budget
from benchrig.units import YEAR_S

COVERAGE = 0.90
DRAWS = 100_000
FLOOR = 1e-3
"""Durations, intervals and capacities are above zero: a draw is never below this share of what was
stated. Only an expanded uncertainty that is as large as its value can get there."""


@dataclass(frozen=True)
class Curve:
    """The share of the capacity that is left, each shape (times,); the band holds 90 %. It goes
    on where the product has stopped for another reason than charge."""

    times_years: Draws
    low: Draws
    median: Draws
    high: Draws


@dataclass(frozen=True)
class Life:
    """`years` is one for each draw, shape (draws,); `low_years` and `high_years` hold the middle
    90 % of them. `nominal_years` is that of the stated values, without any spread, and
    `at_limits_years` that of a board that just passes, its states at their limits. `causes`: the
    share of the draws that each cause ends first. `lost_share` is the median share of the capacity
    that self-discharge takes. `warnings` belong beside every one of these figures."""

    average: Average
    years: Draws
    median_years: float
    low_years: float
    high_years: float
    nominal_years: float
    at_limits_years: float | None
    lost_share: float
    causes: Mapping[str, float]
    curve: Curve
    draws: int
    seed: int
    warnings: tuple[str, ...]
    coverage: float = COVERAGE

    @property
    def first_cause(self) -> str:
        """The one that ends most of the products."""
        return max(self.causes, key=lambda cause: self.causes[cause])


@dataclass(frozen=True)
class Case:
    """What a life is computed of. `pulse_A`: the board's highest current, where that of its
    highest state is not the highest there is."""

    profile: Profile
    currents: Currents
    cell: Cell
    pulse_A: float | None = None

    @property
    def quantities(self) -> dict[str, Budget]:
        return {**self.profile.quantities, **self.currents.budgets, **self.cell.quantities}

    def nominal(self) -> dict[str, Draws]:
        """The stated values, as arrays of one draw."""
        return {name: np.array([budget.value]) for name, budget in self.quantities.items()}

    def drawn(self, average: Average, draws: int, seed: int) -> dict[str, Draws]:
        values = draw(self.quantities, average.slopes, draws, np.random.default_rng(seed))
        measured = self.currents.budgets
        return {
            name: array
            if name in measured
            else np.maximum(array, FLOOR * self.quantities[name].value)
            for name, array in values.items()
        }

    def drained(self, values: Mapping[str, Draws]) -> Drained:
        return drained(self.profile, self.currents, self.cell, values, self.pulse_A)


def life(case: Case, draws: int = DRAWS, seed: int = 1) -> Life:
    """The life of a product that is drawn from all that is stated: the spread of the cells, of the
    use and of the boards is in it, as is the uncertainty of what was measured."""
    average = average_current(case.profile, case.currents)
    end = case.drained(case.drawn(average, draws, seed))
    years = end.life_s / YEAR_S
    low, median, high = np.quantile(years, _band())
    counts = np.bincount(end.cause, minlength=len(CAUSES)) / draws
    return Life(
        average=average,
        years=years,
        median_years=float(median),
        low_years=float(low),
        high_years=float(high),
        nominal_years=_years(case, case.nominal()),
        at_limits_years=_at_limits_years(case),
        lost_share=float(np.median(end.lost)),
        causes={cause: float(share) for cause, share in zip(CAUSES, counts, strict=True)},
        curve=_curve(end, float(high)),
        draws=draws,
        seed=seed,
        warnings=(*case.currents.warnings, *_doubts(case, float(median), end)),
    )


def _years(case: Case, values: Mapping[str, Draws]) -> float:
    return float(case.drained(values).life_s[0]) / YEAR_S


def _at_limits_years(case: Case) -> float | None:
    limits = {
        case.currents.key("state", name): np.array([drawn.limit])
        for name, drawn in case.currents.states.items()
        if drawn.limit is not None
    }
    return _years(case, {**case.nominal(), **limits}) if limits else None


def _band() -> list[float]:
    return [(1.0 - COVERAGE) / 2.0, 0.5, (1.0 + COVERAGE) / 2.0]


def _curve(end: Drained, longest_years: float) -> Curve:
    """What is left at a time is at most x just where x is reached by then, so that the quantiles
    of what is left are those of the times, read the other way round."""
    step = next(step for step in (1 / 12, 0.25, 0.5, 1.0, np.inf) if longest_years / step <= 80)
    step = longest_years / 80 if np.isinf(step) else step
    times = np.arange(0.0, longest_years + step, step)
    bounds = np.quantile(end.times_s / YEAR_S, _band(), axis=1, method="higher")
    left = [np.interp(times, _finite(row), 1.0 - end.depths) for row in bounds]
    return Curve(times, *left)


def _finite(years: Draws) -> Draws:
    """A level that is never reached is put where no page ends."""
    return np.where(np.isfinite(years), years, 1e9)


def _doubts(case: Case, median_years: float, end: Drained) -> list[str]:
    cell, currents = case.cell, case.currents
    found = []
    if np.mean(end.life_s <= 0.0) > (1.0 - COVERAGE) / 2.0:
        found.append("a fresh cell cannot carry the highest current: its voltage falls too low")
    if np.median(end.lost) > 0.5:
        found.append("most of the capacity is lost to self-discharge")
    if cell.regulator is None and currents.minimum_voltage_V is None:
        found.append(
            "the lowest voltage of the board is not known, so a drop of the voltage under its "
            "highest current is not looked at: state minimum_voltage in the profile"
        )
    supply_V = currents.supply_voltage_V
    fresh_V = float(cell.voltage_V(0.0))
    if cell.regulator is None and supply_V is not None and abs(fresh_V / supply_V - 1.0) > 0.2:
        found.append(
            f"the currents hold at {supply_V:g} V, and the pack starts at {fresh_V:g} V without a "
            "regulator: measure them at the voltage of the pack"
        )
    regulator = cell.regulator
    if (
        regulator is not None
        and supply_V is not None
        and abs(regulator.output_V / supply_V - 1) > 0.05
    ):
        found.append(
            f"the currents hold at {supply_V:g} V, and the regulator gives {regulator.output_V:g} V"
        )
    temperatures = [point[0] for point in cell.temperatures]
    for mode in case.profile.modes:
        at = mode.temperature_C
        if at is None:
            continue
        if not temperatures and at != cell.stated_temperature_C:
            found.append(f"{mode.name}: the cell says nothing of {at:g} °C")
        elif temperatures and not temperatures[0] <= at <= temperatures[-1]:
            found.append(f"{mode.name}: {at:g} °C is outside the temperatures of the cell")
    if len(case.profile.modes) > 1 and median_years < 1.0:
        found.append("a life below one year depends on the season in which it begins")
    return found
