"""Several measurements of one quantity: of one board again, or of the boards of a lot."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from benchrig.measurement.combining import Budget, combine
from benchrig.measurement.contributions import Contribution


@dataclass(frozen=True)
class Lot:
    """`mean` of the lot, the standard deviation `spread` between its boards, and `one_more` board
    that is drawn from it: about the true mean, which is itself known from the measured ones."""

    mean: Budget
    spread: float
    one_more: Budget


def lot(boards: Sequence[Budget]) -> Lot:
    """From two boards or more."""
    mean, count = _mean(boards), len(boards)
    return Lot(
        _with_scatter(mean, boards, 1.0 / math.sqrt(count), shared="between boards"),
        _spread(boards),
        _with_scatter(mean, boards, math.sqrt(1.0 + 1.0 / count), shared="between boards"),
    )


def one_board(rows: Sequence[Budget]) -> Budget:
    """One board that was measured once or several times."""
    if len(rows) == 1:
        return rows[0]
    return _with_scatter(_mean(rows), rows, 1.0 / math.sqrt(len(rows)))


def _mean(budgets: Sequence[Budget]) -> Budget:
    share = 1.0 / len(budgets)
    value = math.fsum(budget.value for budget in budgets) * share
    return combine(budgets, [share] * len(budgets), value)


def _spread(budgets: Sequence[Budget]) -> float:
    values = [budget.value for budget in budgets]
    mean = math.fsum(values) / len(values)
    return math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (len(values) - 1))


def _with_scatter(
    mean: Budget, each: Sequence[Budget], factor: float, shared: str | None = None
) -> Budget:
    """The mean with what is seen between the single ones in place of their own scatter, which is
    a part of that: at least as large as their own. What may be wrong in the same way each time, a
    transient that is still to come say, does not become less by repeating. States of one board may
    well be high together, so boards are one cause, which adds linearly over the states: on the
    safe side."""
    seen = max(_spread(each), _own(each, "A"))
    scatter = Contribution(shared or "between sessions", factor * seen, len(each) - 1, "A", shared)
    repeated = Contribution("each time again", _own(each, "B"))
    common = tuple(part for part in mean.contributions if not _alone(part))
    return replace(mean, contributions=(*common, scatter, repeated))


def _own(budgets: Sequence[Budget], kind: Literal["A", "B"]) -> float:
    """Root mean square of what each has of its own, of one kind of evaluation."""
    parts = [part for budget in budgets for part in budget.contributions if _alone(part)]
    squares = (part.standard_uncertainty**2 for part in parts if part.kind == kind)
    return math.sqrt(math.fsum(squares) / len(budgets))


def _alone(part: Contribution) -> bool:
    return part.shared is None and part.statement is None
