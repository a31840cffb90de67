"""A battery life on the screen."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchrig.cli.tables import Page
from benchrig.energy.average import Part
from benchrig.energy.cautions import cautions
from benchrig.energy.currents import Drawn
from benchrig.energy.life import Case, Life
from benchrig.energy.targets import Needed, Sensitivity, Targets
from benchrig.energy.words import ENDS, amount, days, percent, years
from benchrig.figures import with_uncertainty
from benchrig.units import format_quantity


def show_life(case: Case, found: Life, aimed: Targets | None, felt: Sequence[Sensitivity]) -> None:
    page = Page()
    page.line(f"{case.profile.name} on {case.cell.name}", "bold")
    _currents(page, case)
    _average(page, found)
    _life(page, found)
    if aimed is not None:
        _target(page, aimed, found)
    _sensitivities(page, felt)
    page.line()
    for text in found.warnings:
        page.line(f"WARNING: {text}", "yellow")
    for text in cautions(case.cell):
        page.line(f"caution: {text}")


def _currents(page: Page, case: Case) -> None:
    both = (("A", case.currents.states), ("C", case.currents.charges))
    rows = [
        [
            name,
            with_uncertainty(drawn.budget.value, drawn.budget.expanded_uncertainty, unit),
            _origin(drawn, unit),
        ]
        for unit, all_ in both
        for name, drawn in all_.items()
    ]
    page.table(("draws", "current or charge ± U", "from"), rows)


def _origin(drawn: Drawn, unit: str) -> str:
    if drawn.mean is None or drawn.spread is None:
        return drawn.origin
    mean = with_uncertainty(drawn.mean.value, drawn.mean.expanded_uncertainty, unit)
    return f"{drawn.origin}: mean {mean}, spread {format_quantity(drawn.spread, unit, 2)}"


def _average(page: Page, found: Life) -> None:
    rows = [
        [
            part.name,
            part.mode or "",
            "" if part.time_share is None else percent(part.time_share),
            with_uncertainty(part.current_A, part.budget.expanded_uncertainty, "A"),
            _shares(part),
        ]
        for part in found.average.parts
    ]
    page.table(("use", "mode", "time", "adds to the average ± U", "share of the charge ± U"), rows)
    page.line()
    average = found.average
    for mode, budget in average.modes if len(average.modes) > 1 else ():
        mean = with_uncertainty(budget.value, budget.expanded_uncertainty, "A")
        page.line(f"average in {mode}: {mean}")
    page.line(
        "average current of the board: "
        + with_uncertainty(average.current_A, average.expanded_uncertainty_A, "A")
        + " (U: expanded uncertainty at 95 % coverage)"
    )


def _shares(part: Part) -> str:
    return (
        f"{with_uncertainty(100 * part.share.value, 100 * part.share.expanded_uncertainty, '')} %"
    )


def _life(page: Page, found: Life) -> None:
    page.line(
        f"life: {years(found.median_years)} in the median; 90 % of products between "
        f"{years(found.low_years)} and {years(found.high_years)}",
        "bold",
    )
    if found.causes["shelf life"] > 0.5:
        page.line("limited by the shelf life of the cell, not by its energy", "bold")
    if found.at_limits_years is not None:
        page.line(
            f"a board that just passes, its states at their limits: "
            f"{years(found.at_limits_years)}, all else as stated"
        )
    causes = sorted(found.causes.items(), key=lambda item: -item[1])
    page.line(
        "what ends it: "
        + "; ".join(f"{ENDS[name]} ({percent(share)})" for name, share in causes if share > 0.0)
    )
    page.line(f"lost to self-discharge: {percent(found.lost_share)} of the capacity")
    page.line(f"{found.draws} simulated products, seed {found.seed}", "dim")
    curve = found.curve
    whole = np.arange(0, int(curve.times_years[-1]) + 1)
    left = [
        np.interp(whole, curve.times_years, row) for row in (curve.median, curve.low, curve.high)
    ]
    rows = [
        [f"{year}", percent(middle), f"{percent(low)} to {percent(high)}"]
        for year, middle, low, high in zip(whole, *left, strict=True)
    ]
    page.table(("year", "capacity left", "90 % of products"), rows)


def _target(page: Page, aimed: Targets, found: Life) -> None:
    page.line()
    page.line(
        f"target {years(aimed.target_years)}: {aimed.verdict}; reached with a probability of "
        f"{percent(aimed.probability)} ({percent(aimed.confidence)} asked for)",
        "bold",
    )
    if aimed.unreachable is not None:
        page.line(f"no change of the board meets it: {aimed.unreachable}", "bold red")
    elif aimed.allowed_A is not None and aimed.margin is not None:
        page.line(
            f"allowed average current: {format_quantity(aimed.allowed_A, 'A', 3)}, where it is "
            f"{format_quantity(found.average.current_A, 'A', 3)} now: a margin of "
            f"{100 * aimed.margin:+.3g} %"
        )
    for text in aimed.warnings:
        page.line(f"WARNING: {text}", "yellow")
    rows = [row for each in aimed.levers for row in _needed(each)]
    page.table(("lever", "mode", "now", "target is just met at"), rows)
    page.line("each alone, all else unchanged; met in the median, which is 50 % of products")


def _needed(each: Needed) -> list[list[str]]:
    if each.why:
        return [[each.lever.name, "", "", each.why]]
    unit = each.lever.unit
    return [
        [each.lever.name, mode or "", amount(now, unit), amount(needed, unit)]
        for mode, now, needed in each.needed
    ]


def _sensitivities(page: Page, felt: Sequence[Sensitivity]) -> None:
    if all(each.elasticity == 0.0 for each in felt):
        page.line()
        page.line("sensitivity: a small change of any of these changes nothing of it")
        return
    rows = [
        [each.lever.name, f"{each.elasticity:+.3f} %", f"±{days(each.spread_years)}"]
        for each in felt
    ]
    page.table(("sensitivity of life to", "per 1 % more", "by its own uncertainty (1 sd)"), rows)
