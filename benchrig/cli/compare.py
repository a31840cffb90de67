"""``benchrig compare``: two results, before and after a change of the firmware, say."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchrig.cli.say import put

if TYPE_CHECKING:
    from benchrig.energy.comparing import Comparison, LifeChange

EPILOG = """\
Exit status: 0 no state draws significantly more, 1 at least one does, 4 a fault: a state could not
be compared, 2 wrong usage or files.

\b
Example:
  benchrig compare runs/before runs/after --profile hive-scale.profile.toml --cell coin.cell.toml
"""


@click.command("compare", short_help="Compare two results, state by state.", epilog=EPILOG)
@click.argument("old", type=click.Path(path_type=Path))
@click.argument("new", type=click.Path(path_type=Path))
@click.option(
    "--profile",
    type=click.Path(path_type=Path),
    metavar="PROFILE",
    help="With --cell: say what the change does to battery life.",
)
@click.option(
    "--cell", type=click.Path(path_type=Path), metavar="CELL", help="The cell file, with --profile."
)
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=1,
    show_default=True,
    metavar="N",
    help="Of the simulated products.",
)
@click.option("--json", "as_json", is_flag=True, help="Print all figures as JSON, and no more.")
@click.pass_context
def command(
    ctx: click.Context,
    old: Path,
    new: Path,
    profile: Path | None,
    cell: Path | None,
    seed: int,
    as_json: bool,
) -> None:
    """The change of each state from OLD to NEW, run folders or result.json, with its uncertainty.

    What one meter has in common on one range cancels. A change is significant if it is larger than
    its expanded uncertainty (95 %). A battery life in it is an estimate; see benchrig life --help
    for the cautions that go with cells.
    """
    from benchrig.energy.comparing import compare, life_change
    from benchrig.errors import UsageError
    from benchrig.records.lifetimes import load_case, load_sources

    if (profile is None) != (cell is None):
        raise UsageError("--profile and --cell go together: a life needs both")
    before, after = load_sources((old, new))
    found = compare(before, after)
    lives = None
    # A state without a current is told below, with the others that have one.
    if profile is not None and cell is not None and not found.faulty:
        case = load_case(profile, cell, [old])
        lives = life_change(case, load_case(profile, cell, [new]), seed=seed)
    if as_json:
        put(json.dumps(_document(found, lives), indent=2) + "\n")
    else:
        _show(found, lives, asked=profile is not None)
        if lives is not None:
            _cautions(case.cell)
    ctx.exit(4 if found.unusable else 1 if found.worse else 0)


def _show(found: Comparison, lives: LifeChange | None, *, asked: bool) -> None:
    from benchrig.cli.tables import Page
    from benchrig.energy.words import years
    from benchrig.figures import with_uncertainty

    page = Page()
    rows = []
    for each in found.changes:
        relative = f"{100 * each.change.value / each.old.value:+.3g}" if each.old.value else "-"
        rows.append(
            [
                each.name,
                with_uncertainty(each.old.value, each.old.expanded_uncertainty, "A"),
                with_uncertainty(each.new.value, each.new.expanded_uncertainty, "A"),
                with_uncertainty(each.change.value, each.change.expanded_uncertainty, "A"),
                relative,
                "yes" if each.significant else "no",
            ]
        )
    page.table(("state", "old ± U", "new ± U", "change ± U", "in %", "significant"), rows)
    page.line()
    for name, why in found.unusable:
        page.line(f"{name}: cannot be compared: {why}", "bold magenta")
    if lives is None and asked:
        page.line("life: not computed, since a state has no current", "bold magenta")
    if lives is not None:
        page.line(
            f"life: {years(lives.old_years)} before, {years(lives.new_years)} after, each in the "
            f"median: {lives.days:+.3g} days; 90 % between {lives.low_days:+.3g} and "
            f"{lives.high_days:+.3g} days ({lives.draws} simulated products, seed {lives.seed})",
            "bold",
        )
    page.line("U: expanded uncertainty at 95 % coverage", "dim")
    told = (*found.warnings, *(() if lives is None else lives.warnings))
    for text in dict.fromkeys(told):
        page.line(f"WARNING: {text}", "yellow")


def _cautions(cell: Any) -> None:
    from benchrig.cli.say import say
    from benchrig.energy.cautions import cautions

    for text in cautions(cell):
        say(f"caution: {text}")


def _document(found: Comparison, lives: LifeChange | None) -> dict[str, Any]:
    document: dict[str, Any] = {
        "format": "benchrig/comparison/1",
        "states": [
            {
                "name": each.name,
                "old_A": each.old.value,
                "new_A": each.new.value,
                "change_A": each.change.value,
                "expanded_uncertainty_A": each.change.expanded_uncertainty,
                "significant": each.significant,
            }
            for each in found.changes
        ],
        "unusable": [{"name": name, "why": why} for name, why in found.unusable],
        "warnings": list(found.warnings),
        "life": None,
    }
    if lives is not None:
        document["life"] = {
            "old_years": lives.old_years,
            "new_years": lives.new_years,
            "days": lives.days,
            "interval_days": [lives.low_days, lives.high_days],
            "draws": lives.draws,
            "seed": lives.seed,
            "warnings": list(lives.warnings),
        }
    return document
