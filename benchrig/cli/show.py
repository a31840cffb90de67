"""``benchrig show``: what a page would show, on the terminal."""

from __future__ import annotations

from pathlib import Path

import click

from benchrig.cli.results import CELLS, LifeOptions, load, results_options

EPILOG = f"""\
Exit status: 0 done, whatever the results are; 2 wrong usage or files.

\b
Example:
  benchrig show runs/20261125T153146Z-hive-scale

{CELLS}
"""


@click.command("show", short_help="Show results on the terminal.", epilog=EPILOG)
@results_options
def command(results: tuple[Path, ...], options: LifeOptions) -> None:
    """Show each RESULT, a run folder or the result.json in it: all that a page of `benchrig
    report` has, but for its plots."""
    from benchrig.cli.document_view import show_document

    show_document(load(results, options).document)
