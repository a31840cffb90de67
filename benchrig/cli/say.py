"""What commands print that have no screen of their own."""

from __future__ import annotations

import errno
import os
import sys
from contextlib import suppress

import click

from benchrig.errors import Fault


def say(text: str, *, err: bool = False) -> None:
    """Print lines that may hold what an instrument said: made harmless, and without what the
    output cannot encode."""
    from benchrig.cli.wording import Pen

    pen = Pen((sys.stderr if err else sys.stdout).encoding or "utf-8")
    put("\n".join(pen(line).plain for line in text.split("\n")) + "\n", err=err)


def put(text: str, *, err: bool = False) -> None:
    """Print text as it is. Where nobody reads any more, a closed pipe say, that is no fault of
    the measurement: what follows goes nowhere, and the exit status stays what it is. Raises
    ``record_failed`` where somebody would read what a full disk did not take."""
    stream = sys.stderr if err else sys.stdout
    try:
        click.echo(text, nl=False, err=err)
    except OSError as error:
        # What the stream still holds would else fail once more when the interpreter ends.
        with suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
        if error.errno == errno.ENOSPC:
            raise Fault(
                "record_failed", f"the output cannot be written: {error.strerror}"
            ) from None
