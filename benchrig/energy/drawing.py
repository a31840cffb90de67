"""Draws of quantities from what is known of them: the propagation of distributions of JCGM 101.

What a budget calls one cause is one random number in all quantities that it moves, so that the
gain error of a range is one error over all states.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from benchrig.measurement.combining import Budget
from benchrig.measurement.contributions import Contribution

Draws = NDArray[np.float64]


@dataclass
class _Cause:
    """One random number, and what its standard deviation does to each quantity."""

    part: Contribution
    effects: dict[str, float] = field(default_factory=dict)

    def weighed(self, weights: Mapping[str, float]) -> float:
        return math.fsum(weights.get(name, 0.0) * by for name, by in self.effects.items())


def draw(
    budgets: Mapping[str, Budget],
    weights: Mapping[str, float],
    size: int,
    random: np.random.Generator,
) -> dict[str, Draws]:
    """`size` joint draws of each quantity, shape (size,).

    A limit of error is drawn from a rectangle (JCGM 101, 6.4.2), an uncertainty from a normal
    distribution (6.4.7), and one from statistics from a scaled t distribution (6.4.9). Errors that
    one statement limits only together are one random number, as `Budget.estimate` adds them: with
    the signs in which they add in the sum of `weights` times quantities.
    """
    values = {name: np.full(size, float(budget.value)) for name, budget in budgets.items()}
    statements: dict[str, Draws] = {}
    for cause in _causes(budgets):
        statement = cause.part.statement
        if statement is None:
            numbers = _standard(cause.part, size, random)
        else:
            if statement not in statements:
                statements[statement] = _standard(cause.part, size, random)
            numbers = math.copysign(1.0, cause.weighed(weights)) * statements[statement]
        for name, effect in cause.effects.items():
            values[name] += effect * numbers
    return values


def _causes(budgets: Mapping[str, Budget]) -> list[_Cause]:
    causes: dict[object, _Cause] = {}
    for name, budget in budgets.items():
        for index, part in enumerate(budget.contributions):
            if part.standard_uncertainty == 0.0:
                continue
            key = (name, index) if part.shared is None else part.shared
            cause = causes.setdefault(key, _Cause(part))
            cause.effects[name] = cause.effects.get(name, 0.0) + part.effect
    return list(causes.values())


def _standard(part: Contribution, size: int, random: np.random.Generator) -> Draws:
    """Numbers that a standard uncertainty is multiplied with."""
    if math.isfinite(part.dof):
        return random.standard_t(part.dof, size)
    if part.origin.distribution == "rectangular":
        limit = math.sqrt(3.0)
        return random.uniform(-limit, limit, size)
    return random.standard_normal(size)
