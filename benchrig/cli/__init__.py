"""The command line. One module per command; each imports what is heavy when it runs."""

from __future__ import annotations

import sys
from typing import Any

import click

from benchrig import __version__
from benchrig.cli import check, find, run, simulate, zero
from benchrig.errors import Fault, FileProblems, UsageError

_USAGE, _FAULT = 2, 4


class _Main(click.Group):
    """Tells what went wrong in words and by the exit status, never by a traceback."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except (FileProblems, UsageError) as error:
            click.echo(f"benchrig: {error}", err=True)
            ctx.exit(_USAGE)
        except Fault as fault:
            click.echo(f"benchrig: fault: {fault}", err=True)
            ctx.exit(_FAULT)


@click.group(cls=_Main, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="benchrig")
def main() -> None:
    """Measures the supply current of a low-power board, state by state, and judges it."""


for _command in (run.command, check.command, find.command, simulate.command, zero.command):
    main.add_command(_command)


def console_script() -> None:
    sys.exit(main())
