"""What must change so that a product lasts as long as it should."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from benchrig.energy.currents import Currents
from benchrig.energy.drawing import Draws
from benchrig.energy.life import Case, Life
from benchrig.energy.profile import ROUNDING
from benchrig.units import YEAR_S

SOUGHT_WITH = 4000
"""Draws with which a value is sought: the median is known to about 2 % of the spread of lives."""

NOTHING, ALL = 1e-9, 1e6
"""The least and the largest factor that is tried."""

CLOSE = 1e-5
"""To which a factor is sought, relatively."""

CONFIDENCE = 0.95


@dataclass(frozen=True)
class Lever:
    """Something that can be changed: the quantities that are multiplied, and those that are
    divided (an interval, where events become more frequent)."""

    name: str
    unit: str
    times: tuple[str, ...]
    over: tuple[str, ...] = ()

    @property
    def quantities(self) -> tuple[str, ...]:
        return self.times + self.over

    def moved(self, values: Mapping[str, Draws], by: float) -> dict[str, Draws]:
        moved = {name: by * values[name] for name in self.times}
        return {**values, **moved, **{name: values[name] / by for name in self.over}}


@dataclass(frozen=True)
class Needed:
    """`needed`: for each quantity of the lever, by mode (None: in all), its value now and that at
    which the median life is just the target while all else stays. Where there is none, `why` says
    whether the target cannot be met by it alone or is met whatever it is."""

    lever: Lever
    needed: tuple[tuple[str | None, float, float], ...]
    why: Literal["", "cannot meet it alone", "meets it in any case"] = ""
    factor: float | None = None


@dataclass(frozen=True)
class Sensitivity:
    """`elasticity`: % of life per % of the lever; `spread_years`: what its own standard
    uncertainty does to life. Both at the stated values."""

    lever: Lever
    elasticity: float
    spread_years: float


@dataclass(frozen=True)
class Targets:
    """The answer to a target. `allowed_A`: the average current of the board at which the median
    life is just the target, None where no current is low enough; `margin`: allowed over present,
    less one; `verdict` by the `probability` of reaching it and the `confidence` that is asked
    for. `unreachable` says why no change of the board helps, if none does."""

    target_years: float
    probability: float
    confidence: float
    verdict: Literal["met", "missed", "undecided"]
    allowed_A: float | None
    margin: float | None
    unreachable: str | None
    levers: tuple[Needed, ...]
    warnings: tuple[str, ...]


def levers(case: Case) -> tuple[Lever, ...]:
    """All that can be changed alone, a name over all its modes."""
    known = case.quantities
    found = [
        Lever(name, unit, (name,))
        for name, unit in _measured(case.currents)
        if known[name].value > 0.0
    ]
    for name in dict.fromkeys((*case.profile.states, *case.profile.charges)):
        found += _of_use(name, case)
    harvest = [f"{mode.name}.harvest" for mode in case.profile.modes if mode.harvest is not None]
    if harvest := [name for name in harvest if known[name].value > 0.0]:
        found.append(Lever("harvest", "A", tuple(harvest)))
    found.append(Lever("capacity", "C", ("capacity",)))
    for name, unit in (
        ("self-discharge", "%"),
        ("internal resistance", "1"),
        ("quiescent current", "A"),
    ):
        if name in known and known[name].value > 0.0:
            found.append(Lever(name, unit, (name,)))
    return tuple(found)


def _of_use(name: str, case: Case) -> Iterator[Lever]:
    """How often and how long, as it was stated."""
    keys: dict[str, tuple[str, ...]] = {}
    for mode in case.profile.modes:
        for index, use in enumerate(mode.uses):
            for key in use.given if use.name == name else ():
                keys[key] = (*keys.get(key, ()), mode.prefix(index) + key)
    if "rate" in keys:
        yield Lever(f"rate of {name}", "1/s", keys["rate"], keys.get("interval", ()))
    elif "interval" in keys:
        yield Lever(f"interval of {name}", "s", keys["interval"])
    if "duration" in keys:
        yield Lever(f"duration of {name}", "s", keys["duration"])
    if "share" in keys:
        yield Lever(f"share of {name}", "%", keys["share"])


def _measured(currents: Currents) -> list[tuple[str, str]]:
    states = [(currents.key("state", name), "A") for name in currents.states]
    return states + [(currents.key("charge", name), "C") for name in currents.charges]


def targets(
    case: Case, found: Life, target_years: float, confidence: float = CONFIDENCE
) -> Targets:
    """What `found`, the life of `case`, says of a target, and what would meet it.

    Raises `ValueError` unless the target is above 0 and the confidence above 50 %.
    """
    if not target_years > 0.0:
        raise ValueError(f"a target must be above 0 years, not {target_years!r}")
    if not 0.5 < confidence < 1.0:
        raise ValueError(f"a probability must be above 50 % and below 100 %, not {confidence!r}")
    probability = float(np.mean(found.years >= target_years))
    seek = _Search(case, found, target_years)
    board = Lever("average current", "A", tuple(name for name, _ in _measured(case.currents)))
    allowed = seek.needed(board)
    factor = allowed.factor
    return Targets(
        target_years,
        probability,
        confidence,
        "met"
        if probability >= confidence
        else "missed"
        if probability <= 1.0 - confidence
        else "undecided",
        None if factor is None else factor * found.average.current_A,
        None if factor is None else factor - 1.0,
        _unreachable(case, seek.life(board, NOTHING), target_years),
        tuple(seek.needed(lever) for lever in levers(case)),
        tuple(_doubts(case, target_years)),
    )


def _doubts(case: Case, target_years: float) -> Iterator[str]:
    left = (1.0 - case.cell.self_discharge.value) ** target_years
    if left < 0.5:
        yield (
            f"self-discharge alone leaves {100 * left:.3g} % of the capacity after "
            f"{target_years:.3g} years: this cell is not made for it"
        )


def _unreachable(case: Case, idle_years: float, target_years: float) -> str | None:
    if case.cell.shelf_life_s / YEAR_S < target_years:
        return f"the shelf life of the cell is {case.cell.shelf_life_s / YEAR_S:g} years"
    if idle_years < target_years:
        return (
            "self-discharge, the voltage and what the regulator itself draws end it after "
            f"{idle_years:.3g} years with a board that draws nothing"
        )
    return None


class _End(NamedTuple):
    """Of a bracket: the logarithm of a factor, and that of the life with it over the target."""

    at: float
    over: float


class _Search:
    """For the value of a lever at which the median life is the target: the same draws each time,
    so that only the lever moves."""

    def __init__(self, case: Case, found: Life, target_years: float) -> None:
        self._case, self._target = case, target_years
        self._values = case.drawn(found.average, SOUGHT_WITH, found.seed)
        self._now = self._end(Lever("nothing", "", ()), 0.0)

    def life(self, lever: Lever, by: float) -> float:
        end = self._case.drained(lever.moved(self._values, by))
        return float(np.median(end.life_s)) / YEAR_S

    def needed(self, lever: Lever) -> Needed:
        edges = (self._edge(lever, NOTHING), self._edge(lever, ALL))
        ends = [self._end(lever, math.log(by)) for by in edges]
        # More of a state makes life longer where the rest of the time draws more.
        short, long = sorted(ends, key=lambda end: end.over)
        if long.over < 0.0:
            return Needed(lever, (), "cannot meet it alone")
        if short.over >= 0.0:
            return Needed(lever, (), "meets it in any case")
        if self._now.over < 0.0:
            short = self._now
        else:
            long = self._now
        factor = self._root(lever, short, long)
        return Needed(lever, self._places(lever, factor), "", factor)

    def _end(self, lever: Lever, at: float) -> _End:
        years = max(self.life(lever, math.exp(at)), 1e-9)
        return _End(at, math.log(years / self._target))

    def _root(self, lever: Lever, short: _End, long: _End) -> float:
        """Life rises from `short`, which misses the target, to `long`, which meets it: by false
        position over the logarithms, and by halves where that does not get on."""
        straight = True
        while (width := abs(long.at - short.at)) > CLOSE:
            least = 0.5 * CLOSE / width
            part = short.over / (short.over - long.over) if straight else 0.5
            # A little towards the far end, so that the bracket closes from both sides.
            part = min(max(part + math.copysign(least, 0.5 - part), least), 1.0 - least)
            middle = self._end(lever, short.at + part * (long.at - short.at))
            short, long = (middle, long) if middle.over < 0.0 else (short, middle)
            straight = abs(long.at - short.at) < 0.5 * width
        return math.exp(long.at)

    def _edge(self, lever: Lever, end: float) -> float:
        """The factor nearest to `end` at which all of the uses still fit into the time."""
        if self._fits(lever, end):
            return end
        fits = 1.0
        while abs(math.log(end / fits)) > 1e-6:
            middle = math.sqrt(fits * end)
            fits, end = (middle, end) if self._fits(lever, middle) else (fits, middle)
        return fits

    def _fits(self, lever: Lever, by: float) -> bool:
        values = lever.moved(self._values, by)
        for mode in self._case.profile.modes:
            pairs = zip(mode.uses, mode.times(values), strict=True)
            taken = [time for use, time in pairs if use.what == "state" and not use.is_rest]
            if taken and np.max(np.add.reduce(taken)) > 1.0 + ROUNDING:
                return False
        return True

    def _places(self, lever: Lever, by: float) -> tuple[tuple[str | None, float, float], ...]:
        known, mode_of = self._case.quantities, self._case.profile.mode_of
        return tuple(
            (
                mode_of.get(name),
                known[name].value,
                known[name].value * (by if name in lever.times else 1.0 / by),
            )
            for name in lever.quantities
        )


def sensitivities(case: Case) -> tuple[Sensitivity, ...]:
    """How life, at the stated values, answers to each lever; the strongest first."""
    values, known = case.nominal(), case.quantities
    step = 0.01

    def life(lever: Lever, by: float) -> float:
        # A fresh cell that cannot carry the highest current has no life at all.
        return max(float(case.drained(lever.moved(values, by)).life_s[0]) / YEAR_S, 1e-9)

    found = []
    for lever in levers(case):
        rise = math.log(life(lever, 1.0 + step) / life(lever, 1.0 - step))
        elasticity = rise / math.log((1.0 + step) / (1.0 - step))
        spreads = []
        for name in lever.quantities:
            alone = Lever(name, "", (name,))
            difference = life(alone, 1.0 + step) - life(alone, 1.0 - step)
            relative = known[name].standard_uncertainty / known[name].value
            spreads.append(difference / (2.0 * step) * relative)
        found.append(Sensitivity(lever, elasticity, math.hypot(*spreads)))
    return tuple(sorted(found, key=lambda each: -abs(each.elasticity)))
