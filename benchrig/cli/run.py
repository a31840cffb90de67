"""``benchrig run``: a session at the bench."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

import click

from benchrig.cli.junit import junit_listeners, junit_option
from benchrig.cli.say import put, say
from benchrig.cli.signals import stop_on_signals
from benchrig.clock import StopRequest


class ManyValues(click.Command):
    """A command whose option ``--only`` takes several words: ``--only idle deep_sleep``. So
    the files come first in its usage, where it cannot take them for states."""

    def collect_usage_pieces(self, ctx: click.Context) -> list[str]:
        return ["SESSION", "--bench BENCH", "[OPTIONS]"]

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        spread: list[str] = []
        inside = False
        for word in args:
            if word.startswith("-"):
                inside = word == "--only" or word.startswith("--only=")
            elif inside and spread[-1] != "--only":
                spread.append("--only")
            spread.append(word)
        return super().parse_args(ctx, spread)


def _text(ctx: click.Context, parameter: click.Parameter, value: str | None) -> str | None:
    """Bytes that are no text in the encoding of the system could not be kept in a file."""
    if value is not None and not value.isascii():
        try:
            value.encode()
        except UnicodeEncodeError:
            raise click.BadParameter("is not text in the encoding of this system") from None
    return value


def session_options(function: Any) -> Any:
    """What every command has that works with a session on a bench."""
    file = click.Path(path_type=Path)
    for decorator in (
        click.option(
            "--only",
            multiple=True,
            metavar="STATE ...",
            help="Only these states, or the states of these subsets, in the session's order.",
        ),
        click.option("--bench", required=True, type=file, metavar="BENCH", help="The bench file."),
        click.argument("session", type=file),
    ):
        function = decorator(function)
    return function


@click.command(
    "run",
    cls=ManyValues,
    short_help="Measure a board state by state, and judge it.",
    epilog="Exit status: 0 pass, 1 fail, 3 undecided, 4 fault, 2 wrong usage or files.",
)
@session_options
@click.option(
    "--aim",
    type=click.Choice(["value", "verdict"]),
    help="For all states: know the settled current, or stop when pass or fail is certain.",
)
@click.option(
    "--repeat",
    type=click.IntRange(min=1),
    default=1,
    metavar="N",
    help="Go through the states N times.",
)
@click.option(
    "--serial-number",
    metavar="SN",
    callback=_text,
    help="The board's; another one is not measured.",
)
@click.option(
    "--operator",
    metavar="NAME",
    callback=_text,
    help="Who runs the session; goes into the result.",
)
@click.option("--note", metavar="TEXT", callback=_text, help="Goes into the result.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("runs"),
    show_default=True,
    metavar="DIR",
    help="Where the folder with the record is made.",
)
@click.option(
    "--record",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A new file for the recording of all that crosses the wires, instead of one in DIR.",
)
@click.option(
    "--fault-plan",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Make the faults of this fault plan happen. No board passes meanwhile.",
)
@junit_option
@click.option("--page", is_flag=True, help="Make a page of the result, page.html in its folder.")
@click.option("--quiet", is_flag=True, help="Show nothing but prompts to the operator.")
@click.option("--json", "as_json", is_flag=True, help="Print result.json, and nothing else.")
@click.pass_context
def command(
    ctx: click.Context,
    session: Path,
    bench: Path,
    only: tuple[str, ...],
    aim: Literal["value", "verdict"] | None,
    repeat: int,
    serial_number: str | None,
    operator: str | None,
    note: str | None,
    out: Path,
    record: Path | None,
    fault_plan: Path | None,
    junit: Path | None,
    page: bool,
    quiet: bool,
    as_json: bool,
) -> None:
    """Run SESSION on a bench: each state is entered, settled, averaged, judged and left again.

    Ctrl-C ends it early; the bench is left safe and the record kept.
    """
    stop = StopRequest()
    with stop_on_signals(stop):
        # Late: these load pydantic, numpy and more.
        from rich.console import Console

        from benchrig.assembly import assemble, clock_for, load_files
        from benchrig.cli.screen import open_screen
        from benchrig.records.recorder import Recorder
        from benchrig.records.recording import RECORDING, Options, refuse_place
        from benchrig.records.run_folder import RunFolder, to_json
        from benchrig.records.sources import read_sources

        files = load_files(bench, session, fault_plan)
        file, plan = files.bench, files.session
        if aim is not None:
            plan = plan.aiming_at(aim)
        plan.selected(only)
        if record is not None:
            refuse_place(record)
        kept = junit_listeners(junit, plan)
        sources = read_sources(session, bench, file)
        options = Options(only, repeat, serial_number, operator, note, aim)
        recorder = Recorder(clock_for(file, stop))
        made = assemble(file, plan, clock=recorder.clock, wrap=recorder.wire, faults=files.faults)
        console = Console(stderr=as_json, highlight=False)
        with (
            RunFolder(out, made.clock.now(), plan.name, serial_number) as folder,
            recorder.to(record or folder.path / RECORDING, sources, options),
            open_screen(console, quiet=quiet or as_json) as show,
        ):
            result = options.run(made, recorder.listeners(folder, *kept, show))
        if as_json:
            put(to_json(result))
        elif not quiet:
            say(f"record: {folder.path}")
        if page:
            _make_page(folder.path, tell=not quiet and not as_json)
    ctx.exit(result.exit_status)


def _make_page(folder: Path, *, tell: bool) -> None:
    from benchrig import __version__
    from benchrig.errors import Fault
    from benchrig.files import write_atomically
    from benchrig.pages.html import to_html
    from benchrig.pages.measured import load_measured
    from benchrig.pages.report import document

    out = folder / "page.html"
    try:
        write_atomically(out, to_html(document([load_measured(folder)]), __version__))
    except OSError as error:
        raise Fault("record_failed", f"the page {out} cannot be written: {error}") from error
    if tell:
        say(f"page: {out}")
