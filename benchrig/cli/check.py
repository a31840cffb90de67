"""``benchrig check``: all that can be told before a board moves."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchrig.cli.run import ManyValues, session_options
from benchrig.cli.say import say
from benchrig.cli.signals import stop_on_signals
from benchrig.clock import StopRequest
from benchrig.errors import Fault, Interrupted

if TYPE_CHECKING:
    from benchrig.bench import Bench
    from benchrig.planning import PlannedState, PlannedStep
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

        files = load_files(bench, session)
        file, plan = files.bench, files.session
        states = plan.selected(only)
        made = assemble(file, plan, clock=clock_for(file, stop))
        say(f"files: session {plan.name} and bench {file.name} are in order")
        try:
            ready = _is_verified(made) if files_only else _open(made)
            problems = _show_plan(made, states)
        finally:
            made.close()
    ctx.exit(4 if not ready else 2 if problems else 0)


def _open(bench: Bench) -> bool:
    """Open each instrument, and say what came of it; returns whether all can be used."""
    steps: list[tuple[str, Callable[[], str]]] = [("meter", lambda: _meter(bench))]
    if bench.supply is not None:
        steps.append(("supply", bench.supply.open))
    steps.append(("board", lambda: _board(bench)))
    usable = [_tried(name, step) for name, step in steps]
    return all(usable)


def _is_verified(bench: Bench) -> bool:
    """Whether the kept verification of the meter meets the session, as far as files tell."""
    try:
        bench.check_requirements()
    except Fault as fault:
        say(f"meter: FAULT {fault.kind}: {fault.message.removeprefix('meter: ')}")
        return False
    return True


def _tried(name: str, step: Callable[[], str]) -> bool:
    try:
        say(f"{name}: {step()}")
    except Interrupted:
        raise
    except Fault as fault:
        say(f"{name}: FAULT {fault.kind}: {fault.message.removeprefix(f'{name}: ')}")
        return False
    return True


def _meter(bench: Bench) -> str:
    identity = bench.meter.open()
    bench.check_requirements()
    assert bench.meter.format is not None
    return f"{identity}; readings in {bench.meter.format.value}"


def _board(bench: Bench) -> str:
    """Opening its port may move a line and wake the board, so the meter comes first."""
    if bench.meter.range is None:
        return "its port is not tried: that may wake it, and the meter cannot be used"
    try:
        bench.board.open()
    except Fault as fault:
        if fault.kind != "burden_too_high":
            raise
        # No instrument is to blame; among the problems it is told with range and voltage.
        return "its port is not tried: that may wake it, and no range leaves room for that"
    return f"its port, {bench.board.wire.address}, can be opened"


def _show_plan(bench: Bench, states: tuple[State, ...]) -> bool:
    """Say which ranges would be used, and how long it takes; returns whether there are problems."""
    from benchrig.cautions import cautions
    from benchrig.cli.wording import duration
    from benchrig.planning import expected_s, longest_s, planned, planned_steps

    problems: list[str] = []
    ranges = bench.meter.ranges
    if ranges:
        problems.extend(_waking(bench))
    else:
        say("ranges: not known without a meter sheet until the meter is asked")
    plan = tuple(planned(bench.session, states, ranges, bench.ranges, bench.pricing))
    for entry in plan:
        say(_planned_line(entry))
        if entry.problem is not None:
            problems.append(entry.problem)
    for step in planned_steps(bench.session, states, ranges, bench.ranges):
        say(_step_line(step))
        if step.problem is not None:
            problems.append(step.problem)
    expected, longest = expected_s(bench.session, states), longest_s(bench.session, states)
    say(f"duration: about {duration(expected)}, at the most {duration(longest)}")
    for caution in cautions(bench, plan):
        say(f"WARNING: {caution}")
    for problem in problems:
        say(f"PROBLEM: {problem}")
    return bool(problems)


def _waking(bench: Bench) -> Iterator[str]:
    """Say on which range the board may wake; gives the problem if there is no such range."""
    from benchrig.planning import burden_problem
    from benchrig.units import format_quantity

    ratings, keeper = bench.session.board, bench.ranges
    highest_A, minimum_V = ratings.highest_current, ratings.minimum_voltage
    problem = burden_problem("waking", highest_A, keeper, bench.meter.ranges, minimum_V)
    if problem is not None:
        yield problem
        return
    room = keeper.room()
    scale = format_quantity(room.full_scale_A, "A", 2)
    say(
        f"waking: on the {scale} range or above, where {format_quantity(highest_A, 'A', 3)} leave "
        f"the board {keeper.voltage_at_board(room, highest_A):.3f} V of "
        f"{ratings.supply_voltage:g} V (at least {minimum_V:g} V)"
    )


def _step_line(step: PlannedStep) -> str:
    from benchrig.cli.wording import duration
    from benchrig.session.steps import Charge
    from benchrig.units import format_quantity

    name, state = step.step.name, step.step.state
    if isinstance(step.step, Charge):
        periods, lasts = step.step.periods, duration(step.lasts_s)
        how = f"charge per event of {state}, over {periods} periods, {lasts} with the meter reading"
    else:
        how = f"{state} at {step.points} points, down to {step.lowest_V:g} V"
    if step.range is None or step.voltage_V is None:
        return f"{name}: {how}"
    scale = format_quantity(step.range.full_scale_A, "A", 2)
    left = f"leaves the board {step.voltage_V:.3f} V at its highest current"
    return f"{name}: {how}; room on the {scale} range, which {left}"


def _planned_line(entry: PlannedState) -> str:
    from benchrig.units import format_quantity

    name = entry.state.name
    if entry.expected_A is None:
        return f"{name}: no typical value and no limit, so its range is chosen at the bench"
    expected = format_quantity(entry.expected_A, "A", 3)
    # Without a typical value the limit is the most that may come.
    drawn = "expected" if entry.state.limit.typical else "at the most, by its limit"
    if entry.range is None or entry.voltage_V is None or entry.worth is None:
        return f"{name}: {expected} {drawn}"
    scale = format_quantity(entry.range.full_scale_A, "A", 2)
    lower = ""
    if entry.lowest is not None and entry.lowest != entry.range:
        scale_A = format_quantity(entry.lowest.full_scale_A, "A", 2)
        lower = f" (if it draws less, on a lower one, down to {scale_A})"
    assumed = ", if shunt and accuracy are as assumed" if entry.range.assumed else ""
    meter = format_quantity(entry.worth.meter_A, "A", 2)
    settled = ""
    if entry.worth.settling_A is not None:
        settled = f", settled is ±{format_quantity(entry.worth.settling_A, 'A', 2)}"
    return (
        f"{name}: {expected} {drawn}, on the {scale} range{lower}, which leaves the board "
        f"{entry.voltage_V:.3f} V; the meter knows it to ±{meter}{settled}: "
        f"the {entry.worth.dominated_by} dominates{assumed}"
    )
