"""The limits of a session file: what a current, a difference or a ratio may be."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Annotated

from pydantic import Field

from benchrig.session.fields import (
    NOT_NEGATIVE,
    POSITIVE,
    Current,
    ElectricCharge,
    FileModel,
    PositiveCurrent,
)
from benchrig.session.toml_lines import KeyPath
from benchrig.units import format_quantity


class Limit(FileModel):
    """Limits of a state's settled current."""

    min: Annotated[Current, NOT_NEGATIVE] | None = None
    max: PositiveCurrent | None = None
    typical: PositiveCurrent | None = None

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        return _out_of_order(self, ampere)


class NumberLimit(FileModel):
    """Limits of a ratio: bare numbers."""

    min: Annotated[float, Field(ge=0)] | None = None
    max: Annotated[float, Field(gt=0)] | None = None
    typical: Annotated[float, Field(gt=0)] | None = None

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        return _out_of_order(self, lambda value: f"{value:g}")


class DifferenceLimit(FileModel):
    """Limits of a difference of two currents, which may be negative."""

    min: Current | None = None
    max: Current | None = None
    typical: Current | None = None

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        return _out_of_order(self, ampere)


class ChargeLimit(FileModel):
    """Limits of the charge of one event."""

    min: Annotated[ElectricCharge, NOT_NEGATIVE] | None = None
    max: Annotated[ElectricCharge, POSITIVE] | None = None
    typical: Annotated[ElectricCharge, POSITIVE] | None = None

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        return _out_of_order(self, lambda value: format_quantity(value, "C"))


def ampere(value_A: float) -> str:
    """A current as messages show it."""
    return format_quantity(value_A, "A")


def _out_of_order(
    limit: Limit | NumberLimit | DifferenceLimit | ChargeLimit, show: Callable[[float], str]
) -> Iterator[tuple[KeyPath, str]]:
    low, high, typical = limit.min, limit.max, limit.typical
    if low is not None and high is not None and low > high:
        yield ("min",), f"{show(low)} is above max {show(high)}: nothing can pass; min is the lower"
    elif typical is not None and low is not None and typical < low:
        yield ("typical",), f"{show(typical)} is below min {show(low)}; it must lie within"
    elif typical is not None and high is not None and typical > high:
        yield ("typical",), f"{show(typical)} is above max {show(high)}; it must lie within"
