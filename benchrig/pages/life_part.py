"""The section on battery life."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from benchrig.energy.average import Part
from benchrig.energy.cautions import cautions
from benchrig.energy.currents import Drawn, Source
from benchrig.energy.life import Case, Life, life
from benchrig.energy.targets import Needed, Sensitivity, Targets, sensitivities, targets
from benchrig.energy.words import ENDS, amount, days, percent, years
from benchrig.errors import Fault
from benchrig.figures import with_uncertainty
from benchrig.pages.document import Block, Plot, Section, Table, Text, columns, number
from benchrig.pages.measured import Measured
from benchrig.records.lifetimes import case_of
from benchrig.units import YEAR_S, format_quantity

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing


@dataclass(frozen=True)
class Lifetime:
    """What is computed for a page."""

    case: Case
    life: Life
    aimed: Targets | None
    felt: tuple[Sensitivity, ...]


@dataclass(frozen=True)
class NoLifetime:
    """A fault in what was measured, so that no life can be told."""

    reason: str


def lifetime_of(
    profile: Path,
    cell: Path,
    measured: Sequence[Measured],
    target_s: float | None,
    probability: float,
    seed: int,
) -> Lifetime | NoLifetime:
    """Raises `FileProblems` for profile or cell."""
    try:
        case = case_of(profile, cell, [Source(each.name, each.result) for each in measured])
        found = life(case, seed=seed)
    except Fault as fault:
        return NoLifetime(fault.message)
    except ValueError as error:
        return NoLifetime(str(error))
    aimed = None if target_s is None else targets(case, found, target_s / YEAR_S, probability)
    return Lifetime(case, found, aimed, sensitivities(case))


def life_section(found: Lifetime | NoLifetime) -> Section:
    if isinstance(found, NoLifetime):
        words = f"No battery life can be told: {found.reason}."
        return Section("Battery life", (Text(words, "warning"),))
    case, lived, aimed = found.case, found.life, found.aimed
    blocks: list[Block] = [*_life(case, lived)]
    blocks += [Text(words, "warning") for words in lived.warnings]
    blocks += [Text(words, "caution") for words in cautions(case.cell)]
    if aimed is not None:
        blocks += _target(aimed, lived)
    blocks.append(_life_plot(lived, aimed))
    blocks += [_years(lived), _causes(lived), *_average(lived), _currents(case)]
    blocks.append(_sensitivities(found.felt))
    return Section("Battery life", tuple(blocks), name="life")


def _life(case: Case, lived: Life) -> Iterator[Text]:
    yield Text(f"{case.profile.name} on {case.cell.name}.")
    yield Text(
        f"Life: {years(lived.median_years)} in the median; {percent(lived.coverage)} of products "
        f"between {years(lived.low_years)} and {years(lived.high_years)}.",
        "strong",
    )
    if lived.causes["shelf life"] > 0.5:
        yield Text("Limited by the shelf life of the cell, not by its energy.", "strong")
    if lived.at_limits_years is not None:
        at_limits = years(lived.at_limits_years)
        words = "A board that just passes, its states at their limits"
        yield Text(f"{words}: {at_limits}, all else as stated.")
    average = lived.average
    for mode, budget in average.modes if len(average.modes) > 1 else ():
        mean = with_uncertainty(budget.value, budget.expanded_uncertainty, "A")
        yield Text(f"Average current in {mode}: {mean}.")
    mean = with_uncertainty(average.current_A, average.expanded_uncertainty_A, "A")
    yield Text(
        f"Average current of the board: {mean} (U: expanded uncertainty at 95 % coverage). "
        f"Lost to self-discharge: {percent(lived.lost_share)} of the capacity. "
        f"Found with {lived.draws} simulated products, seed {lived.seed}."
    )


def _target(aimed: Targets, lived: Life) -> Iterator[Block]:
    yield Text(
        f"Target {years(aimed.target_years)}: {aimed.verdict}; reached with a probability of "
        f"{percent(aimed.probability)} ({percent(aimed.confidence)} asked for).",
        "strong",
    )
    if aimed.unreachable is not None:
        yield Text(f"No change of the board meets it: {aimed.unreachable}.", "warning")
    elif aimed.allowed_A is not None and aimed.margin is not None:
        allowed, present = (
            format_quantity(each, "A", 3) for each in (aimed.allowed_A, lived.average.current_A)
        )
        words = f"Allowed average current: {allowed}, where it is {present} now"
        yield Text(f"{words}: a margin of {100 * aimed.margin:+.3g} %.")
    for words in aimed.warnings:
        yield Text(words, "warning")
    rows = tuple(row for each in aimed.levers for row in _needed(each))
    names = columns("lever", number("now"), number("needed"))
    yield Table("What just meets the target", names, rows)
    yield Text("Each alone, all else unchanged; met in the median, which is 50 % of products.")


def _needed(each: Needed) -> list[tuple[str, ...]]:
    if each.why:
        return [(each.lever.name, "", each.why)]
    name, unit = each.lever.name, each.lever.unit
    return [
        (name if mode is None else f"{name}, {mode}", amount(now, unit), amount(needed, unit))
        for mode, now, needed in each.needed
    ]


def _life_plot(lived: Life, aimed: Targets | None) -> Plot:
    words = (
        f"The share of the capacity that is left falls over the years: the line is the median, the "
        f"band holds {percent(lived.coverage)} of products. The mark at the bottom is the median "
        f"life of {years(lived.median_years)}; the bar there its interval, "
        f"{years(lived.low_years)} to {years(lived.high_years)}."
    )
    target_years = None if aimed is None else aimed.target_years
    if target_years is not None:
        words += f" The dashed line is the target of {years(target_years)}."
    return Plot(
        "life", "Capacity left over the years", words, partial(_draw_life, lived, target_years)
    )


def _draw_life(lived: Life, target_years: float | None) -> Drawing:
    from benchrig.pages.life_plots import draw_life

    return draw_life(lived, target_years)


def _years(lived: Life) -> Table:
    curve = lived.curve
    whole = np.arange(0, int(curve.times_years[-1]) + 1)
    left = [
        np.interp(whole, curve.times_years, row) for row in (curve.median, curve.low, curve.high)
    ]
    rows = tuple(
        (f"{year}", percent(middle), f"{percent(low)} to {percent(high)}")
        for year, middle, low, high in zip(whole, *left, strict=True)
    )
    band = f"{percent(lived.coverage)} of products"
    names = columns(number("year"), number("capacity left, median"), number(band))
    return Table("Capacity left, year by year", names, rows)


def _causes(lived: Life) -> Table:
    causes = sorted(lived.causes.items(), key=lambda item: -item[1])
    rows = tuple((ENDS[name], percent(share)) for name, share in causes)
    return Table("What ends it first", columns("cause", number("share of products")), rows)


def _average(lived: Life) -> Iterator[Block]:
    names = columns(
        "use",
        "mode",
        number("time"),
        number("adds to the average ± U"),
        number("share of the charge ± U"),
    )
    rows = tuple(_part_cells(part) for part in lived.average.parts)
    caption = "Charge budget: what each use draws of the whole"
    yield Table(caption, names, rows)
    shares = sorted(lived.average.names, key=lambda part: -part.share.value)
    told = ", ".join(f"{part.name} {percent(part.share.value)}" for part in shares)
    yield Plot(
        "charge-budget",
        "Charge budget by state",
        f"Shares of the charge, over all modes: {told}.",
        partial(_draw_shares, tuple(shares)),
    )


def _part_cells(part: Part) -> tuple[str, ...]:
    share = with_uncertainty(100 * part.share.value, 100 * part.share.expanded_uncertainty, "")
    return (
        part.name,
        part.mode or "",
        "-" if part.time_share is None else percent(part.time_share),
        with_uncertainty(part.current_A, part.budget.expanded_uncertainty, "A"),
        f"({share}) %",
    )


def _draw_shares(parts: tuple[Part, ...]) -> Drawing:
    from benchrig.pages.life_plots import draw_shares

    return draw_shares(
        [(part.name, part.share.value, part.share.expanded_uncertainty) for part in parts]
    )


def _currents(case: Case) -> Table:
    both = (("A", case.currents.states), ("C", case.currents.charges))
    rows = tuple(
        (
            name,
            with_uncertainty(drawn.budget.value, drawn.budget.expanded_uncertainty, unit),
            _origin(drawn, unit),
        )
        for unit, all_ in both
        for name, drawn in all_.items()
    )
    return Table(
        "What it is computed of", columns("draws", number("current or charge ± U"), "from"), rows
    )


def _origin(drawn: Drawn, unit: str) -> str:
    if drawn.mean is None or drawn.spread is None:
        return drawn.origin
    mean = with_uncertainty(drawn.mean.value, drawn.mean.expanded_uncertainty, unit)
    return f"{drawn.origin}: mean {mean}, spread {format_quantity(drawn.spread, unit, 2)}"


def _sensitivities(felt: Sequence[Sensitivity]) -> Block:
    if all(each.elasticity == 0.0 for each in felt):
        return Text("Sensitivity: a small change of any of these changes nothing of it.")
    rows = tuple(
        (each.lever.name, f"{each.elasticity:+.3f} %", f"±{days(each.spread_years)}")
        for each in felt
    )
    names = columns(
        "lever", number("life, for 1 % more of it"), number("life, by its own standard uncertainty")
    )
    return Table("Sensitivity of life, the strongest first", names, rows)
