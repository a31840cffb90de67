"""The average current of a product, and what each use adds to it.

To first order with all correlations (GUM, JCGM 100:2008, 5.1.2 and 5.2.2), by the same
`measurement.combining` that judges a board. A general library of correlated quantities would carry
shared causes as well, but neither errors that one data sheet limits only together, which must add
linearly, nor degrees of freedom; so the product does without one, and the tests use one
(`uncertainties`) to check it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from benchrig.energy.currents import Currents
from benchrig.energy.profile import Mode, Profile, Use
from benchrig.measurement.combining import Budget, combine


@dataclass(frozen=True)
class _Term:
    """A sum of weight times value, with its derivatives by the names of the quantities."""

    value: float
    slopes: dict[str, float]

    def budget(self, known: Mapping[str, Budget]) -> Budget:
        # Sorted: the lines of a budget should not depend on the order of a dictionary.
        names = sorted(self.slopes)
        return combine(
            [known[name] for name in names], [self.slopes[name] for name in names], self.value
        )


def _sum(terms: list[_Term]) -> _Term:
    slopes: dict[str, float] = {}
    for term in terms:
        for name, slope in term.slopes.items():
            slopes[name] = slopes.get(name, 0.0) + slope
    return _Term(math.fsum(term.value for term in terms), slopes)


def _scaled(term: _Term, factor: float) -> _Term:
    slopes = {name: factor * slope for name, slope in term.slopes.items()}
    return _Term(factor * term.value, slopes)


@dataclass(frozen=True)
class Part:
    """What a use adds. `time_share` is None for a charge, which takes no time of its own; `mode`
    is None where a name is summed over all modes. The budgets are made when they are asked for:
    a life needs none of them."""

    name: str
    mode: str | None
    time_share: float | None
    _term: _Term
    _whole: _Term
    _known: Mapping[str, Budget]

    @property
    def current_A(self) -> float:
        return self._term.value

    @cached_property
    def budget(self) -> Budget:
        """Of its part of the average current, in A."""
        return self._term.budget(self._known)

    @cached_property
    def share(self) -> Budget:
        """Of its share of the whole charge: d(p/I) = (dp - p/I dI)/I."""
        share = self._term.value / self._whole.value
        change = _sum([self._term, _scaled(self._whole, -share)])
        slopes = _scaled(change, 1.0 / self._whole.value).slopes
        return _Term(share, slopes).budget(self._known)


@dataclass(frozen=True)
class Average:
    """The average current of the board, before a regulator and without harvest. `parts`: each
    use in each mode; `names`: the same summed over the modes; `modes`: the average in each."""

    budget: Budget
    parts: tuple[Part, ...]
    names: tuple[Part, ...]
    modes: tuple[tuple[str, Budget], ...]
    slopes: dict[str, float]
    """Change of the average in A per unit of each quantity."""

    @property
    def current_A(self) -> float:
        return self.budget.value

    @property
    def standard_uncertainty_A(self) -> float:
        return self.budget.standard_uncertainty

    @property
    def expanded_uncertainty_A(self) -> float:
        return self.budget.expanded_uncertainty


def average_current(profile: Profile, currents: Currents) -> Average:
    """Raises `ValueError` where the average is not above zero: it has no shares then."""
    known = {**profile.quantities, **currents.budgets}
    terms = [
        (mode, use, share, _scaled(term, mode.weight))
        for mode in profile.modes
        for use, share, term in _uses(mode, currents, known)
    ]
    whole = _sum([term for *_, term in terms])
    if not whole.value > 0.0:
        raise ValueError(f"the average current is {whole.value:g} A: it must be above zero")
    parts = tuple(
        Part(use.name, mode.name, share, term, whole, known) for mode, use, share, term in terms
    )
    names = []
    for name in dict.fromkeys(use.name for _, use, _, _ in terms):
        mine = [each for each in terms if each[1].name == name]
        times = [mode.weight * share for mode, _, share, _ in mine if share is not None]
        total = _sum([term for *_, term in mine])
        names.append(Part(name, None, math.fsum(times) if times else None, total, whole, known))
    modes = []
    for mode in profile.modes:
        within = _sum([term for other, _, _, term in terms if other is mode])
        unweighted = _scaled(within, 1.0 / mode.weight)
        modes.append((mode.name, unweighted.budget(known)))
    return Average(whole.budget(known), parts, tuple(names), tuple(modes), whole.slopes)


def _uses(
    mode: Mode, currents: Currents, known: Mapping[str, Budget]
) -> list[tuple[Use, float | None, _Term]]:
    values = {name: budget.value for name, budget in known.items()}
    amounts = mode.times(values)
    found: list[tuple[Use, float | None, _Term]] = []
    shortened: dict[str, float] = {}
    for index, (use, amount) in enumerate(zip(mode.uses, amounts, strict=True)):
        if use.is_rest:
            continue
        slopes = _amount_slopes(use, mode.prefix(index), values)
        drawn = currents.key(use.what, use.name)
        by = {name: slope * values[drawn] for name, slope in slopes.items()}
        term = _Term(amount * values[drawn], {**by, drawn: amount})
        if use.what == "state":
            shortened |= {name: -slope for name, slope in slopes.items()}
        found.append((use, amount if use.what == "state" else None, term))
    for use, amount in zip(mode.uses, amounts, strict=True):
        if use.is_rest:
            drawn = currents.key("state", use.name)
            by = {name: slope * values[drawn] for name, slope in shortened.items()}
            found.append((use, amount, _Term(amount * values[drawn], {**by, drawn: amount})))
    return found


def _amount_slopes(use: Use, prefix: str, values: Mapping[str, float]) -> dict[str, float]:
    """Change of the share of time, or of the events per second, per unit of each quantity."""
    if use.share is not None:
        return {f"{prefix}share": 1.0}
    rate = use.per_second(values, prefix)
    long_s = 1.0 if use.duration is None else values[f"{prefix}duration"]
    slopes = {f"{prefix}duration": rate} if use.duration is not None else {}
    if use.interval is not None:
        return {**slopes, f"{prefix}interval": -long_s * rate**2}
    return {**slopes, f"{prefix}rate": long_s}
