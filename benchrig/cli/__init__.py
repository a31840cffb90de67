"""The command line. One module per command; each imports what is heavy when it runs."""

from __future__ import annotations

import sys
import traceback
from pathlib import Path
from typing import Any

import click

from benchrig import __version__
from benchrig.cli import (
    characterise,
    check,
    compare,
    export,
    find,
    judge,
    life,
    recording,
    replay,
    report,
    run,
    show,
    simulate,
    verify_meter,
    zero,
)
from benchrig.cli.say import say
from benchrig.errors import Fault, FileProblems, UsageError

_USAGE, _FAULT = 2, 4


class _Main(click.Group):
    """Tells what went wrong in words and by the exit status, never by a traceback, and never with
    the status 1: that one says that a board was measured and failed."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except FileProblems as problems:
            # A line each, beginning with file and line, as editors want them.
            say(str(problems), err=True)
            ctx.exit(_USAGE)
        except UsageError as error:
            say(f"benchrig: {error}", err=True)
            ctx.exit(_USAGE)
        except Fault as fault:
            say(f"benchrig: fault: {fault}", err=True)
            ctx.exit(_FAULT)
        except (KeyboardInterrupt, click.Abort):
            say("benchrig: fault: interrupted: stopped before it was done", err=True)
            ctx.exit(_FAULT)
        except (click.ClickException, click.exceptions.Exit):
            raise
        except Exception as error:
            if sys.flags.dev_mode:  # python -X dev -m benchrig ...
                raise
            say(f"benchrig: fault: internal_error: {_own_error(error)}", err=True)
            ctx.exit(_FAULT)


def _own_error(error: Exception) -> str:
    place = traceback.extract_tb(error.__traceback__)[-1]
    return (
        f"{type(error).__name__}: {error} ({Path(place.filename).name}:{place.lineno}). This is an "
        "error in benchrig itself; please report it. python -X dev -m benchrig ... tells more"
    )


@click.group(cls=_Main, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="benchrig")
def main() -> None:
    """Measures the supply current of a low-power board, state by state, and judges it."""


for _command in (
    run.command,
    check.command,
    characterise.command,
    replay.command,
    judge.command,
    life.command,
    report.command,
    show.command,
    export.command,
    compare.command,
    recording.command,
    zero.command,
    verify_meter.command,
    find.command,
    simulate.command,
):
    main.add_command(_command)
