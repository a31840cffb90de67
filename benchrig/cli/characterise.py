"""``benchrig characterise``: one long record of a state, and what to declare about it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchrig.cli.say import say
from benchrig.cli.signals import stop_on_signals
from benchrig.clock import StopRequest
from benchrig.errors import Fault

if TYPE_CHECKING:
    from benchrig.bench import Bench
    from benchrig.characterising import Recorded
    from benchrig.events import Event
    from benchrig.measurement import Characteristics, Proposal

SAY_EVERY_S = 60.0
LONGEST_S = 7 * 86400.0


def _duration(ctx: click.Context, parameter: click.Parameter, value: str) -> float:
    from benchrig.units import parse_quantity

    try:
        duration_s = parse_quantity(value, "s")
    except ValueError as error:
        raise click.BadParameter(str(error)) from None
    if duration_s < 10.0:
        raise click.BadParameter(f"{value} is too short to learn from: take 10 min, say")
    if duration_s > LONGEST_S:
        raise click.BadParameter(f"{value} is longer than a week; its record would fill the memory")
    return duration_s


@click.command("characterise", short_help="Learn how a state settles, from one long record.")
@click.argument("session", type=click.Path(path_type=Path))
@click.option(
    "--bench",
    required=True,
    type=click.Path(path_type=Path),
    metavar="BENCH",
    help="The bench file.",
)
@click.option("--state", required=True, metavar="NAME", help="The state of the session.")
@click.option(
    "--for",
    "for_s",
    required=True,
    callback=_duration,
    metavar="DURATION",
    help='How long to record: "10 min", say.',
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("runs"),
    show_default=True,
    metavar="DIR",
    help="Where the folder with the record and the plots is made.",
)
@click.option("--write", is_flag=True, help="Put the proposals into the session file.")
def command(session: Path, bench: Path, state: str, for_s: float, out: Path, write: bool) -> None:
    """Record one state of SESSION for long, and propose what to declare about it: guard, slowest
    time constant, slowest noise, period of its wake-ups, tolerance.

    Each comes with its reason and with what the record could not show; the plots show why. The
    proposals are for somebody who knows the firmware to judge, and go into the session file only
    with --write. Exit status: 0 recorded, 4 a fault, 2 wrong usage or files.
    """
    stop = StopRequest()
    with stop_on_signals(stop):
        from benchrig.assembly import assemble, clock_for, load_files
        from benchrig.characterising import analysed, record_state, values_for
        from benchrig.records.run_folder import RunFolder
        from benchrig.session.toml_edit import lines_with

        files = load_files(bench, session)
        text = session.read_text(encoding="utf-8-sig")
        file, plan = files.bench, files.session
        made = assemble(file, plan, clock=clock_for(file, stop))
        made.state(state)  # a state that is not there is told before anything is made
        with RunFolder(out, made.clock.now(), plan.name, state) as folder:
            record = record_state(made, state, for_s, [folder, _Progress()])
        found = analysed(made, state, record)
        _keep(folder.path, made, state, record, found)
        _say_proposals(found)
        say(f"record and plots: {folder.path}")
        values = values_for(plan, made.state(state), found)
        if not values:
            say("nothing to declare")
        elif write:
            _write(session, state, values)
        else:
            say(f"for {state} in {session}, if you agree (or run it with --write):")
            for line in lines_with(text, state, values):
                say(line)


class _Progress:
    """Says what happens, and now and then how far the record is."""

    def __init__(self) -> None:
        self._next_s = SAY_EVERY_S

    def __call__(self, event: Event) -> None:
        from benchrig.events import Happened, ReadingsTaken
        from benchrig.units import format_quantity

        if isinstance(event, Happened):
            say(f"{event.time_s:8.1f} s  {event.text}")
        elif isinstance(event, ReadingsTaken) and event.times_s[-1] >= self._next_s:
            self._next_s += SAY_EVERY_S
            last = format_quantity(float(event.currents_A[-1]), "A", 3)
            say(
                f"{event.times_s[-1]:8.1f} s  {last if event.currents_A[-1] < 1e36 else 'overload'}"
            )


def _keep(folder: Path, made: Bench, state: str, record: Recorded, found: Characteristics) -> None:
    from benchrig.records.characteristics import keep_characteristics

    about = {
        "session": made.session.name,
        "state": state,
        "board": made.identity.text if made.identity else None,
        "meter": made.meter.instrument.identity,
    }
    try:
        keep_characteristics(folder, found, record, **about)
    except OSError as error:
        message = f"the record in {folder} cannot be written: {error}"
        raise Fault("record_failed", message) from error


def _say_proposals(found: Characteristics) -> None:
    from benchrig.characterising import in_seconds

    def tell(name: str, proposal: Proposal, value: str) -> None:
        say(f"{name}: {value if proposal.value is not None else 'nothing proposed'}")
        say(f"    because {proposal.reason}")
        say(f"    not seen: {proposal.unseen}")

    for name, proposal in (
        ("guard", found.guard),
        ("slowest time constant", found.slowest_time_constant),
        ("slowest noise", found.slowest_noise),
        ("period of wake-ups", found.period),
    ):
        tell(name, proposal, in_seconds(proposal.value or 0.0))
    tell("tolerance", found.tolerance, f"{100.0 * (found.tolerance.value or 0.0):.3g} %")


def _pasteable(values: Mapping[str, Mapping[str, str]]) -> list[str]:
    lines = []
    for table, keys in values.items():
        pairs = ", ".join(f'{key} = "{value}"' for key, value in keys.items())
        lines.append(f"{table} = {{ {pairs} }}")
    return lines


def _write(session: Path, state: str, values: Mapping[str, Mapping[str, str]]) -> None:
    from benchrig.session.toml_edit import write_values

    try:
        write_values(session, state, values)
    except OSError as error:
        raise Fault("record_failed", f"{session} cannot be written: {error}") from error
    for line in _pasteable(values):
        say(f"written into {session}, {state}: {line}")
