"""The profile file: how a product spends its time in the field."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from benchrig.energy.currents import What
from benchrig.energy.profile import Mode, Profile, Use, problems, quantity
from benchrig.measurement.combining import Budget
from benchrig.measurement.contributions import RECTANGULAR
from benchrig.session.fields import (
    UNKNOWN,
    AboutCharge,
    AboutCurrent,
    AboutDuration,
    AboutRate,
    AboutShare,
    FileModel,
    Name,
    PositiveCurrent,
    PositiveShare,
    PositiveVoltage,
    Temperature,
    Text,
)
from benchrig.session.toml_file import TomlFile
from benchrig.session.toml_lines import KeyPath
from benchrig.units import Toleranced

DIVISORS = {"limits": RECTANGULAR, "expanded": 2.0}
"""What turns a tolerance into a standard uncertainty (GUM 4.3.7, 4.3.3)."""


class UseTable(FileModel):
    """One state, or one charge per event, in a mode."""

    state: Name | None = None
    charge: Name | None = None
    duration: AboutDuration | None = None
    every: AboutDuration | None = None
    rate: AboutRate | None = None
    share: AboutShare | None = None
    rest: Literal[True] | None = None

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        timed = self.every is not None or self.rate is not None
        if self.state is None and self.charge is None:
            yield ("state",), "is missing: name a state, or a charge per event"
        if self.state is not None and self.charge is not None:
            yield ("charge",), "does not go with state: give each a use of its own"
        if self.every is not None and self.rate is not None:
            yield ("rate",), "does not go with every: give the interval or the average rate"
        if self.charge is not None:
            for key in ("duration", "share", "rest"):
                if getattr(self, key) is not None:
                    yield (key,), "does not go with a charge, which takes no time of its own"
            if not timed:
                yield ("every",), "is missing: how often the charge is drawn, as every or rate"
            return
        ways = [self.duration is not None or timed, self.share is not None, self.rest is not None]
        if sum(ways) != 1:
            message = "a state has a duration with every or rate, or a share, or rest = true"
            yield (), f"{message}; here are {sum(ways)} of these" if any(ways) else message
        elif timed and self.duration is None:
            yield ("duration",), "is missing: how long an event takes"
        elif self.duration is not None and not timed:
            yield ("every",), "is missing: how often the event comes, as every or rate"

    def use(self, divisor: float) -> Use:
        name = self.state or self.charge
        assert name is not None

        def budget(key: str, value: Toleranced | None, unit: str) -> Budget | None:
            if value is None:
                return None
            # The same firmware in all seasons: what is longer in one is longer in the others.
            shared = f"{key} of {name}"
            return quantity(key, value.value, value.within, unit, divisor, shared=shared)

        return Use(
            name,
            "state" if self.charge is None else "charge",
            budget("duration", self.duration, "s"),
            budget("interval", self.every, "s"),
            budget("rate", self.rate, "1/s"),
            budget("share of time", self.share, "1"),
        )


class ModeTable(FileModel):
    """A season, or another mode of use. `weight`: its share of the year. `harvest`: what flows
    back into the cell, as a mean over the mode. `temperature`: that of the cell."""

    name: Name
    weight: PositiveShare | None = None
    temperature: Temperature | None = None
    harvest: AboutCurrent | None = None
    uses: Annotated[tuple[UseTable, ...], Field(min_length=1, strict=False)]


class ProfileFile(TomlFile):
    FORMAT: ClassVar[str] = "benchrig/profile/1"

    format: Literal["benchrig/profile/1"]
    name: Name
    description: Text | None = None
    session: Name
    # What stands after +-: limits of error (rectangular), or an expanded uncertainty (k = 2).
    tolerances_are: Literal["limits", "expanded"] = "limits"
    supply_voltage: PositiveVoltage | None = None
    minimum_voltage: PositiveVoltage | None = None
    # The highest that the board draws for a moment, where that is more than its highest state.
    pulse_current: PositiveCurrent | None = None
    currents: dict[Name, AboutCurrent] = Field(default={})
    charges: dict[Name, AboutCharge] = Field(default={})
    modes: Annotated[tuple[ModeTable, ...], Field(min_length=1, strict=False)]

    def checks(self) -> Iterator[tuple[KeyPath, str]]:
        if any(part is UNKNOWN for part in (self.modes, *(mode.uses for mode in self.modes))):
            return
        uses = [use for mode in self.modes for use in mode.uses]
        for table, named in (("currents", "state"), ("charges", "charge")):
            used = {getattr(use, named) for use in uses}
            for name in getattr(self, table):
                if UNKNOWN not in used and name not in used:
                    yield (table, name), f"no mode has a use with {named} = {name!r}"

    def conflicts(self) -> Iterator[tuple[KeyPath, str]]:
        names = [mode.name for mode in self.modes]
        for index, mode in enumerate(self.modes):
            if mode.name in names[:index]:
                yield ("modes", index, "name"), f"{mode.name!r} is used twice; names must differ"
            if mode.weight is None and len(names) > 1:
                yield ("modes", index, "weight"), 'is missing: its share of the year, like "50 %"'
        if all(mode.weight is not None for mode in self.modes) or len(names) == 1:
            yield from problems(self._modes())

    @property
    def profile(self) -> Profile:
        return Profile(self.name, self._modes())

    @property
    def typed(self) -> dict[tuple[What, str], Budget]:
        """The currents in A and charges in C that are typed in."""
        divisor = DIVISORS[self.tolerances_are]
        found: dict[tuple[What, str], Budget] = {}
        for name, value in self.currents.items():
            found["state", name] = quantity("typed in", value.value, value.within, "A", divisor)
        for name, value in self.charges.items():
            found["charge", name] = quantity("typed in", value.value, value.within, "C", divisor)
        return found

    def _modes(self) -> tuple[Mode, ...]:
        divisor = DIVISORS[self.tolerances_are]
        return tuple(
            Mode(
                mode.name,
                tuple(use.use(divisor) for use in mode.uses),
                1.0 if mode.weight is None else mode.weight,
                mode.temperature,
                None
                if mode.harvest is None
                else quantity("harvest", mode.harvest.value, mode.harvest.within, "A", divisor),
            )
            for mode in self.modes
        )
