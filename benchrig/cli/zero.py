"""``benchrig zero``: the open-circuit reading of each range, kept for later sessions."""

from __future__ import annotations

from pathlib import Path

import click

from benchrig.cli.signals import stop_on_signals
from benchrig.clock import StopRequest
from benchrig.errors import UsageError

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
    stop = StopRequest()
    with stop_on_signals(stop):
        from benchrig.assembly import clock_for, open_meter
        from benchrig.session import load_bench
        from benchrig.units import format_quantity
        from benchrig.zeros import save_zeros, take_zeros

        file = load_bench(bench)
        if file.meter.zeros is None:
            raise UsageError(f"{bench}: meter.zeros is missing: zeros = 'zeros.json', say")
        click.echo(CAUTION)
        if not yes and not click.confirm("Is nothing connected?"):
            raise UsageError("zeros are taken with nothing connected")
        clock = clock_for(file, stop)
        with open_meter(file, clock) as meter:
            taken = []
            for zero in take_zeros(meter, clock.now):
                taken.append(zero)
                scale = format_quantity(zero.full_scale_A, "A", 2)
                offset = format_quantity(zero.offset_A, "A", 3)
                spread = format_quantity(zero.standard_uncertainty_A, "A", 2)
                click.echo(f"{scale} range: {offset}, standard uncertainty {spread}")
            identity = meter.instrument.identity
        save_zeros(Path(file.meter.zeros), identity, taken[::-1])
        click.echo(f"kept in {file.meter.zeros}")
