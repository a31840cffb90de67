"""``benchrig export``: results for other programs, and their plots."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal, cast

import click

from benchrig.cli.results import CELLS, LifeOptions, Loaded, load, results_options, write
from benchrig.cli.say import put, say
from benchrig.errors import UsageError

# Those of `pages.csv_table`, which is heavy; a test holds them together.
TABLES = (
    "states", "derived", "charges", "budgets", "sweeps", "curves", "residuals", "deviations",
    "events",
)  # fmt: skip

EPILOG = f"""\
Exit status: 0 written, whatever the results are; 2 wrong usage or files.

\b
Examples:
  benchrig export runs/20261125T153146Z-hive-scale --as csv --out states.csv
  benchrig export runs/* --as png --out plots

{CELLS}
"""


@click.command("export", short_help="Results as CSV, JSON, Markdown; plots.", epilog=EPILOG)
@results_options
@click.option(
    "--as",
    "kind",
    required=True,
    type=click.Choice(["csv", "json", "markdown", "png", "svg"]),
    help="Figures, a text, or all plots.",
)
@click.option(
    "--table",
    type=click.Choice(TABLES),
    help="Which one is to be CSV; the states if none is named.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="PATH",
    help="The file, and the standard output without it; for plots a folder, which is made.",
)
def command(
    results: tuple[Path, ...], options: LifeOptions, kind: str, table: str | None, out: Path | None
) -> None:
    """Write each RESULT, a run folder or the result.json in it, in another form.

    CSV is one table with units in its heads (RFC 4180), safe to open in a spreadsheet. JSON has the
    results whole. Markdown has what a page of `benchrig report` has, but for its plots.
    """
    if table is not None and kind != "csv":
        raise UsageError("--table is for --as csv alone")
    if kind in ("png", "svg") and out is None:
        raise UsageError(f"--as {kind} needs --out, the folder for the plots")
    loaded = load(results, options)
    if kind in ("png", "svg"):
        assert out is not None
        _write_plots(loaded, out, cast(Literal["png", "svg"], kind))
    elif out is None:
        put(_text(loaded, kind, table))
    else:
        write(out, _text(loaded, kind, table))


def _text(loaded: Loaded, kind: str, table: str | None) -> str:
    if kind == "csv":
        from benchrig.pages.csv_table import to_csv

        return to_csv(loaded.measured, table or "states")
    if kind == "markdown":
        from benchrig.pages.markdown import to_markdown

        return to_markdown(loaded.document)
    from benchrig.pages.exports import to_json

    return to_json(loaded.measured, _life(loaded))


def _life(loaded: Loaded) -> dict[str, Any] | None:
    from benchrig.pages.life_part import NoLifetime
    from benchrig.records.life_document import life_document

    found = loaded.lifetime
    if found is None:
        return None
    if isinstance(found, NoLifetime):
        return {"warnings": [found.reason]}
    return life_document(found.case, found.life, found.aimed, found.felt)


def _write_plots(loaded: Loaded, folder: Path, kind: Literal["png", "svg"]) -> None:
    from benchrig.pages.exports import write_plots

    try:
        written = write_plots(loaded.document, folder, kind)
    except OSError as error:
        raise UsageError(f"{folder}: no plots can be written there: {error.strerror}") from None
    for path in written:
        say(str(path))
