"""How a product spends its time in the field, and what of that is impossible.

A profile has modes of use, seasons say, with weights; a mode has uses: a state for a duration per
event, for a share of the time or for the rest of it, or a charge per event that takes no time of
its own. Every quantity is a `Budget`, so that its tolerance travels with it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from benchrig.measurement.combining import Budget
from benchrig.measurement.contributions import RECTANGULAR, Stated, contribution

Path = tuple[str | int, ...]
Values = Mapping[str, Any]
"""A number, or an array of draws, for each quantity by its name."""

ROUNDING = 1e-9
"""Shares that are written with a few digits may miss 100 % by this."""


def quantity(
    name: str,
    value: float,
    within: float = 0.0,
    unit: str = "1",
    divisor: float = RECTANGULAR,
    *,
    shared: str | None = None,
) -> Budget:
    """A quantity that was stated: `within` a limit of error (GUM 4.3.7), or with the `divisor` 2
    an expanded uncertainty (GUM 4.3.3). `shared`: the cause that it has in common with others."""
    if within == 0.0:
        return Budget(value, ())
    stated = Stated(name, value, within, unit, divisor)
    return Budget(value, (contribution(name, stated, shared=shared),))


def reach(budget: Budget) -> float:
    """The highest value that a stated quantity was said to have."""
    return budget.value + sum(part.origin.half_width for part in budget.contributions)


@dataclass(frozen=True)
class Use:
    """A state, or a charge, in a mode. Of a state: `duration` in s per event and either the fixed
    `interval` in s or the average `rate` in 1/s; or a `share` of the time; or nothing, which is
    the rest of it. Of a charge: `interval` or `rate` alone."""

    name: str
    what: Literal["state", "charge"] = "state"
    duration: Budget | None = None
    interval: Budget | None = None
    rate: Budget | None = None
    share: Budget | None = None

    @property
    def given(self) -> dict[str, Budget]:
        names = ("duration", "interval", "rate", "share")
        return {name: budget for name in names if (budget := getattr(self, name)) is not None}

    @property
    def is_rest(self) -> bool:
        return self.what == "state" and not self.given

    def per_second(self, values: Values, prefix: str) -> Any:
        """Events per second."""
        if self.interval is not None:
            return 1.0 / values[f"{prefix}interval"]
        return values[f"{prefix}rate"]

    def time_share(self, values: Values, prefix: str) -> Any:
        """Of a state that is not the rest."""
        if self.share is not None:
            return values[f"{prefix}share"]
        return values[f"{prefix}duration"] * self.per_second(values, prefix)

    def most(self) -> float:
        """The share of time at the upper end of all tolerances."""
        if self.what == "charge":
            return 0.0
        if self.share is not None:
            return reach(self.share)
        if self.duration is None:
            return 0.0
        if self.interval is not None:
            least_s = 2.0 * self.interval.value - reach(self.interval)
            return reach(self.duration) / least_s if least_s > 0.0 else math.inf
        assert self.rate is not None
        return reach(self.duration) * reach(self.rate)


@dataclass(frozen=True)
class Mode:
    """A season or a mode of use: its `weight` is its share of the year. `harvest` in A is what
    flows back to the cell on average; `temperature_C` is the cell's."""

    name: str
    uses: tuple[Use, ...]
    weight: float = 1.0
    temperature_C: float | None = None
    harvest: Budget | None = None

    def prefix(self, index: int) -> str:
        """What the names of the quantities of a use begin with."""
        return f"{self.name}.{index}."

    def times(self, values: Values) -> list[Any]:
        """For each use its share of time; of a charge its events per second."""
        found = [
            use.per_second(values, self.prefix(index))
            if use.what == "charge"
            else 0.0
            if use.is_rest
            else use.time_share(values, self.prefix(index))
            for index, use in enumerate(self.uses)
        ]
        pairs = zip(self.uses, found, strict=True)
        rest = 1.0 - sum(share for use, share in pairs if use.what == "state")
        return [rest if use.is_rest else share for use, share in zip(self.uses, found, strict=True)]


@dataclass(frozen=True)
class Profile:
    """Raises `ValueError` for what is impossible, with what would be right."""

    name: str
    modes: tuple[Mode, ...]
    quantities: dict[str, Budget] = field(init=False, repr=False, compare=False)
    """All that is stated in it, by name."""
    mode_of: dict[str, str] = field(init=False, repr=False, compare=False)
    """The mode of each of these."""

    def __post_init__(self) -> None:
        for path, message in problems(self.modes):
            raise ValueError(f"{'.'.join(map(str, path))}: {message}")
        found: dict[str, Budget] = {}
        mode_of: dict[str, str] = {}
        for mode in self.modes:
            own = {} if mode.harvest is None else {f"{mode.name}.harvest": mode.harvest}
            for index, use in enumerate(mode.uses):
                own |= {mode.prefix(index) + key: value for key, value in use.given.items()}
            found |= own
            mode_of |= dict.fromkeys(own, mode.name)
        object.__setattr__(self, "quantities", found)
        object.__setattr__(self, "mode_of", mode_of)

    @property
    def states(self) -> tuple[str, ...]:
        return self._names("state")

    @property
    def charges(self) -> tuple[str, ...]:
        return self._names("charge")

    def _names(self, what: str) -> tuple[str, ...]:
        uses = (use for mode in self.modes for use in mode.uses)
        return tuple(dict.fromkeys(use.name for use in uses if use.what == what))


def problems(modes: Sequence[Mode]) -> Iterator[tuple[Path, str]]:
    """What is impossible, and where: the path of the key to blame."""
    total = math.fsum(mode.weight for mode in modes)
    if abs(total - 1.0) > ROUNDING:
        yield (
            ("modes", len(modes) - 1, "weight"),
            f"the weights of all modes sum to {100 * total:g} %; they must sum to 100 %",
        )
    for number, mode in enumerate(modes):
        for path, message in _impossible(mode):
            yield ("modes", number, *path), message


def _impossible(mode: Mode) -> Iterator[tuple[Path, str]]:
    for index, use in enumerate(mode.uses):
        if use.duration is not None and use.most() > 1.0:
            yield ("uses", index, "duration"), _too_long(use)
    rests = [index for index, use in enumerate(mode.uses) if use.is_rest]
    for index in rests[1:]:
        yield ("uses", index, "rest"), "a second rest: only one state can take what is left"
    used = math.fsum(use.most() for use in mode.uses)
    if used > 1.0 + ROUNDING:
        if all(use.duration is None or use.most() <= 1.0 for use in mode.uses):
            yield (
                ("uses",),
                f"the uses of {mode.name!r} take {100 * used:.4g} % of the time at the upper end "
                "of their tolerances: events overlap or shares are too large; together they must "
                "leave 100 % or less",
            )
    elif not rests and abs(_stated(mode) - 1.0) > 1e-6:
        yield (
            ("uses",),
            f"the uses of {mode.name!r} take {100 * _stated(mode):.4g} % of the time, and no state "
            "is the rest: add one with rest = true",
        )


def _stated(mode: Mode) -> float:
    values = {
        mode.prefix(index) + key: budget.value
        for index, use in enumerate(mode.uses)
        for key, budget in use.given.items()
    }
    pairs = zip(mode.uses, mode.times(values), strict=True)
    return math.fsum(share for use, share in pairs if use.what == "state")


def _too_long(use: Use) -> str:
    assert use.duration is not None
    if use.interval is not None:
        return (
            f"an event of {reach(use.duration):g} s does not end before the next, one every "
            f"{use.interval.value:g} s, begins; with their tolerances it must be shorter"
        )
    assert use.rate is not None
    return (
        f"{use.rate.value:g} events per second of {reach(use.duration):g} s overlap: duration "
        "times rate must be 1 or less, with their tolerances"
    )
