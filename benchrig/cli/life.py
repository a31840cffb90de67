"""``benchrig life``: from measured currents to battery life."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchrig.cli.say import put

if TYPE_CHECKING:
    from benchrig.energy.targets import Targets


def quantity(unit: str) -> Callable[[click.Context, click.Parameter, Any], Any]:
    """A callback of an option that takes a quantity above zero."""

    def parsed(ctx: click.Context, parameter: click.Parameter, text: str | None) -> float | None:
        from benchrig.units import parse_quantity

        try:
            value = None if text is None else parse_quantity(text, unit)
        except ValueError as error:
            raise click.BadParameter(str(error)) from None
        if value is not None and value <= 0.0:
            raise click.BadParameter(f"{text!r} must be above zero")
        return value

    return parsed


EPILOG = """\
Exit status: 0 done, and a target is met with the probability asked for; 1 it is missed with that
probability; 3 undecided: in between; 4 a fault: a state in use has no valid current; 2 wrong usage
or files.

\b
Example:
  benchrig life hive-scale.profile.toml --cell coin.cell.toml \\
      --result runs/20261125T153146Z-hive-scale --target "5 years"

Cells: lithium cells can vent and burn when they are shorted, heated or charged wrongly; never
charge a primary cell; cells in series or parallel must be of one type, age and charge; their
shipping is regulated. Follow the maker's data sheet and local codes, and leave to licensed people
what they reserve for them. A life is an estimate from stated values, not a promise.
"""


@click.command(
    "life", short_help="Battery life from measured currents and a profile.", epilog=EPILOG
)
@click.argument("profile", type=click.Path(path_type=Path))
@click.option(
    "--cell",
    required=True,
    type=click.Path(path_type=Path),
    metavar="CELL",
    help="The cell file.",
)
@click.option(
    "--result",
    "results",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="RESULT",
    help="A run folder, or the result.json in it. Several times: one board again, or a lot. Not "
    "needed where the profile has all currents typed in.",
)
@click.option(
    "--target",
    callback=quantity("s"),
    metavar="TIME",
    help='How long it should last, like "10 years"; says what must change for that.',
)
@click.option(
    "--probability",
    default="95 %",
    show_default=True,
    callback=quantity("%"),
    metavar="SHARE",
    help="With which a target must be reached to count as met.",
)
@click.option(
    "--draws",
    type=click.IntRange(min=1000, max=2_000_000),
    default=100_000,
    show_default=True,
    metavar="N",
    help="Simulated products.",
)
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=1,
    show_default=True,
    metavar="N",
    help="The same seed gives the same figures.",
)
@click.option("--json", "as_json", is_flag=True, help="Print all figures as JSON, and no more.")
@click.pass_context
def command(
    ctx: click.Context,
    profile: Path,
    cell: Path,
    results: tuple[Path, ...],
    target: float | None,
    probability: float,
    draws: int,
    seed: int,
    as_json: bool,
) -> None:
    """How long a product lasts that spends its time as PROFILE says: median and 90 % interval.

    The interval holds the spread of cells, use and boards as far as they are stated, and the
    uncertainty of the measured currents. It is found by simulating many products.
    """
    from benchrig.energy.life import life
    from benchrig.energy.targets import sensitivities, targets
    from benchrig.errors import UsageError
    from benchrig.records.lifetimes import load_case
    from benchrig.units import YEAR_S

    if not 0.5 < probability < 1.0:
        raise UsageError("--probability must be above 50 % and below 100 %")
    case = load_case(profile, cell, results)
    try:
        found = life(case, draws, seed)
    except ValueError as error:
        raise UsageError(f"{profile}: {error}") from None
    aimed = None if target is None else targets(case, found, target / YEAR_S, probability)
    felt = sensitivities(case)
    if as_json:
        from benchrig.records.life_document import life_document

        put(json.dumps(life_document(case, found, aimed, felt), indent=2) + "\n")
    else:
        from benchrig.cli.document_view import show_section
        from benchrig.pages.life_part import Lifetime, life_section

        show_section(life_section(Lifetime(case, found, aimed, felt)))
    ctx.exit(_status(aimed))


def _status(aimed: Targets | None) -> int:
    return 0 if aimed is None else {"met": 0, "missed": 1, "undecided": 3}[aimed.verdict]
