"""A value, rounded from its uncertainty, with its unit, its interval and its coverage.

GUM (JCGM 100:2008) 7.2.6: an uncertainty has at most two significant digits, and the value ends
at the same decimal place. Rounding to the nearest at two digits lowers an uncertainty by less than
5 % (10.49 becomes 10), which EA-4/02 M:2022, 6.3, allows; above that it would have to go up. From
memory, both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Context, Decimal

from benchrig.measurement.combining import Budget, Estimate

PREFIXES = {
    -18: "a", -15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G",
}  # fmt: skip

EXACT = Context(prec=700)
"""Rounds no digit of a double away: from 1e308 to the second digit of 5e-324."""

COVERAGE = 0.95


@dataclass(frozen=True)
class Reported:
    """A value and its expanded uncertainty in `unit`, both already rounded to one place.

    As text: ``"(1.2000 ± 0.0032) mA, k = 2.0, 95 %"`` (GUM 7.2.4). Without a unit, as a ratio is,
    it has no prefix.
    """

    value: Decimal
    uncertainty: Decimal
    unit: str
    coverage_factor: float
    coverage: float = COVERAGE

    @property
    def interval(self) -> tuple[Decimal, Decimal]:
        return (
            EXACT.subtract(self.value, self.uncertainty),
            EXACT.add(self.value, self.uncertainty),
        )

    @property
    def pair(self) -> str:
        """``"(1.2000 ± 0.0032) mA"``"""
        return paired(self.value, self.uncertainty, self.unit)

    @property
    def interval_text(self) -> str:
        """``"(1.1968 to 1.2032) mA"``"""
        return paired(*self.interval, self.unit, joint=" to ")

    def __str__(self) -> str:
        return f"{self.pair}, k = {self.coverage_factor:.1f}, {100 * self.coverage:g} %"


def reported(result: Budget | Estimate, unit: str) -> Reported:
    """A result as it is to be reported. Raises `ValueError` as `rounded` does."""
    value, uncertainty = rounded(result.value, result.expanded_uncertainty)
    return Reported(value, uncertainty, unit, result.coverage_factor)


def rounded(value: float, uncertainty: float) -> tuple[Decimal, Decimal]:
    """The value and its uncertainty, this with two significant digits (GUM 7.2.6).

    Raises `ValueError` unless both are finite and the uncertainty is above 0.
    """
    if not (math.isfinite(value) and 0.0 < uncertainty < math.inf):
        raise ValueError(f"{value!r} ± {uncertainty!r} can't be rounded: no uncertainty above 0")
    spread = Decimal(repr(uncertainty))
    for _ in range(2):  # 0.0996 becomes 0.100 at first, and 0.10 then
        step = Decimal(1).scaleb(spread.adjusted() - 1)
        spread = EXACT.quantize(spread, step)
    place = EXACT.quantize(Decimal(repr(value)), step)
    return (abs(place) if place == 0 else place), spread


def paired(first: Decimal, second: Decimal, unit: str, joint: str = " ± ") -> str:
    """Two numbers with the same last place, under one SI prefix; without `unit` without prefix."""
    power = si_power(max(abs(first), abs(second))) if unit else 0
    # A last digit left of the point would be padded with a zero that says nothing.
    last = first.as_tuple().exponent
    assert isinstance(last, int)  # finite
    if unit and last > power:
        power += 3
    pair = joint.join(f"{EXACT.scaleb(number, -power):f}" for number in (first, second))
    return f"({pair}) {PREFIXES[power]}{unit}" if unit else pair


def si_power(number: Decimal) -> int:
    """The power of ten of the SI prefix with which `number` has one to three digits before the
    point, as far as there are prefixes."""
    return max(min(PREFIXES), min(max(PREFIXES) - 3, 3 * (number.adjusted() // 3)))
