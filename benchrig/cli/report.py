"""``benchrig report``: one page that shows results."""

from __future__ import annotations

import gc
from pathlib import Path

import click

from benchrig.cli.results import CELLS, LifeOptions, load, results_options, write
from benchrig.cli.say import say

EPILOG = f"""\
Exit status: 0 the page is written, whatever is on it; 2 wrong usage or files.

\b
Example:
  benchrig report runs/20261125T153146Z-hive-scale --out hive-scale.html

{CELLS}
"""


@click.command(
    "report", short_help="Make a page of results, to look at and hand on.", epilog=EPILOG
)
@results_options
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The HTML file; one that is there is replaced.",
)
def command(results: tuple[Path, ...], options: LifeOptions, out: Path) -> None:
    """Make one HTML page of each RESULT, a run folder or the result.json in it.

    The page needs no network and no script, and prints on A4. Several results are a lot: an
    overview comes first. With --profile and --cell it has the battery life, too.
    """
    from benchrig import __version__
    from benchrig.pages.html import to_html

    document = load(results, options).document
    # What is there by now stays. To search it for garbage again and again, while plots leave a lot
    # of that, takes a sixth of the time of a page.
    gc.freeze()
    write(out, to_html(document, __version__))
    say(f"page: {out}")
