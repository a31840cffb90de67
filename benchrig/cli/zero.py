"""``benchrig zero``: the open-circuit reading of each range, kept for later sessions."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchrig.cli.say import say
from benchrig.cli.signals import stop_on_signals
from benchrig.clock import StopRequest
from benchrig.errors import Fault, FileProblem, FileProblems, UsageError

if TYPE_CHECKING:
    from benchrig.drivers.meter import Zero

CAUTION = """\
Switch the supply off, then take the board's lead off the meter's current input, and leave the
input open. Never move a lead of a live circuit: an ammeter's input is nearly a short, and a
lithium cell can burn when it is shorted. Follow the meter's manual and local codes."""


@click.command("zero", short_help="Keep the meter's reading with nothing connected.")
@click.option(
    "--bench",
    required=True,
    type=click.Path(path_type=Path),
    metavar="BENCH",
    help="The bench file; its meter.zeros names the file that is written.",
)
@click.option("--yes", is_flag=True, help="Nothing is connected; do not ask.")
def command(bench: Path, yes: bool) -> None:
    """Take the zero of every range with nothing connected to the meter.

    Later sessions on this bench subtract them, and count their uncertainty in place of the
    offset accuracy of the meter sheet.
    """
    from benchrig.session import load_bench

    file = load_bench(bench)
    if file.meter.zeros is None:
        message = 'is missing: where the zeros are kept; add zeros = "meter-zeros.json", say'
        raise FileProblems([FileProblem(str(bench), None, "meter.zeros", message)])
    path = Path(file.meter.zeros)
    if not path.parent.is_dir():
        raise UsageError(f"{path} cannot be written: there is no folder {path.parent}")
    # Before signals are caught: there Ctrl-C would wait for the answer.
    _confirm(yes)
    stop = StopRequest()
    with stop_on_signals(stop):
        from benchrig.assembly import clock_for, open_meter
        from benchrig.zeros import save_zeros, take_zeros

        clock = clock_for(file, stop)
        with open_meter(file, clock) as meter:
            taken = []
            for zero in take_zeros(meter, clock.now):
                taken.append(zero)
                say(_line(zero))
        try:
            save_zeros(path, taken[::-1])
        except OSError as error:
            raise Fault("record_failed", f"the zeros cannot be kept: {error}") from error
        say(f"kept in {path}")


def _confirm(yes: bool) -> None:
    say(CAUTION)
    try:
        if yes or click.confirm("Is nothing connected?"):
            return
    except click.Abort:
        say("")
    raise UsageError("zeros are taken with nothing connected, and that was not confirmed")


def _line(zero: Zero) -> str:
    from benchrig.units import format_quantity

    scale = format_quantity(zero.full_scale_A, "A", 2)
    offset = format_quantity(zero.offset_A, "A", 3)
    spread = format_quantity(zero.standard_uncertainty_A, "A", 2)
    return f"{scale} range: {offset}, standard uncertainty {spread}"
