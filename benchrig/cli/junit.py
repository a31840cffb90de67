"""The option ``--junit FILE``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from benchrig.events import Listener
    from benchrig.session import Session

junit_option = click.option(
    "--junit",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write JUnit XML for a CI server, with a case for each state.",
)


def junit_listeners(path: Path | None, session: Session) -> list[Listener]:
    """One that writes the file, if it is wanted. Raises `UsageError` where it cannot be."""
    if path is None:
        return []
    from benchrig.records.junit import JunitFile

    return [JunitFile(path, session)]
