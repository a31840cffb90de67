"""``benchrig check``: all that can be told before a board moves."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchrig.cli.run import ManyValues, session_options
from benchrig.cli.signals import stop_on_signals
from benchrig.clock import StopRequest
from benchrig.errors import Fault

if TYPE_CHECKING:
    from benchrig.bench import Bench
    from benchrig.session.session_file import State


@click.command("check", cls=ManyValues, short_help="Tell what is wrong before a board moves.")
@session_options
@click.option("--files-only", is_flag=True, help="Look at the files; open no port.")
@click.pass_context
def command(
    ctx: click.Context, session: Path, bench: Path, only: tuple[str, ...], files_only: bool
) -> None:
    """Check SESSION on a bench: files, ports, meter, ranges, burden, duration.

    The instruments are opened and the meter is reset and put on its highest range; nothing is sent
    to the board and the supply is left as it is. Exit status: 0 ready, 2 wrong files or a session
    that this bench cannot run, 4 an instrument that cannot be used.
    """
    stop = StopRequest()
    with stop_on_signals(stop):
        from benchrig.assembly import assemble, clock_for, load_files

        file, plan, _, _ = load_files(bench, session)
        states = plan.selected(only)
        click.echo(f"files: session {plan.name!r} and bench {file.name!r} are in order")
        made = assemble(file, plan, clock=clock_for(file, stop))
        faults = 0
        try:
            if not files_only:
                faults = _open(made)
            problems = _show_plan(made, states)
        finally:
            made.close()
    ctx.exit(4 if faults else 2 if problems else 0)


def _open(bench: Bench) -> int:
    """Open each instrument, and say what came of it; returns how many failed."""

    def meter() -> str:
        identity = bench.meter.open()
        form = bench.meter.format
        bench.ranges.make_room("opening the board's port")
        return f"{identity}, {form.value if form else 'no readings'}"

    def board() -> str:
        bench.board.open()
        return f"{bench.board.wire.address} can be opened"

    steps: list[tuple[str, Callable[[], str]]] = [("meter", meter)]
    if bench.supply is not None:
        steps.append(("supply", bench.supply.open))
    steps.append(("board", board))
    faults = 0
    for name, step in steps:
        try:
            click.echo(f"{name}: {step()}")
        except Fault as fault:
            if fault.kind == "interrupted":
                raise
            click.echo(f"{name}: FAULT: {fault}")
            faults += 1
    return faults


def _show_plan(bench: Bench, states: tuple[State, ...]) -> int:
    """The ranges that would be used and the duration; returns the number of problems."""
    from benchrig.planning import expected_s, longest_s, planned

    problems: list[str] = []
    if bench.meter.ranges:
        click.echo(_room(bench, problems))
    else:
        click.echo("ranges: not known without a meter sheet until the meter is asked")
    for entry in planned(states, bench.ranges, bench.meter.ranges):
        click.echo(_planned_line(entry))
        if found := entry.problem(bench.meter.ranges):
            problems.append(found)
    expected, longest = expected_s(bench.session, states), longest_s(bench.session, states)
    click.echo(f"duration: about {expected:.0f} s, at the most {longest:.0f} s")
    for problem in problems:
        click.echo(f"PROBLEM: {problem}")
    return len(problems)


def _room(bench: Bench, problems: list[str]) -> str:
    from benchrig.units import format_quantity

    ratings = bench.session.board
    highest = format_quantity(ratings.highest_current, "A", 3)
    try:
        room = bench.ranges.room()
    except Fault as fault:
        problems.append(fault.message)
        return f"waking: no range carries {highest}"
    left_V = bench.ranges.voltage_at_board(room, ratings.highest_current)
    scale = format_quantity(room.full_scale_A, "A", 2)
    return (
        f"waking: on the {scale} range or above, where {highest} leave the board {left_V:.3f} V of "
        f"{ratings.supply_voltage:g} V (at least {ratings.minimum_voltage:g} V)"
    )


def _planned_line(entry: object) -> str:
    from benchrig.planning import PlannedState
    from benchrig.units import format_quantity

    assert isinstance(entry, PlannedState)
    name = entry.state.name
    if entry.expected_A is None:
        return f"{name}: no typical value and no limit, so its range is chosen at the bench"
    expected = format_quantity(entry.expected_A, "A", 3)
    if entry.range is None or entry.voltage_V is None:
        return f"{name}: {expected} expected"
    scale = format_quantity(entry.range.full_scale_A, "A", 2)
    assumed = ", if its shunt is as large as assumed" if entry.range.shunt_assumed else ""
    return (
        f"{name}: {expected} expected, on the {scale} range, which leaves the board "
        f"{entry.voltage_V:.3f} V{assumed}"
    )
