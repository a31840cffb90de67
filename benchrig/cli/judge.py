"""``benchrig judge``: stored readings against other limits, priors or another decision rule."""

from __future__ import annotations

from pathlib import Path

import click

from benchrig.cli.junit import junit_listeners, junit_option
from benchrig.cli.say import put, say


@click.command(
    "judge",
    short_help="Judge stored readings again, by another session file.",
    epilog="Exit status: 0 pass, 1 fail, 3 undecided, 4 fault or too short a record, 2 wrong "
    "usage or files.",
)
@click.argument("result", type=click.Path(path_type=Path))
@click.option(
    "--session",
    required=True,
    type=click.Path(path_type=Path),
    metavar="SESSION",
    help="The session file with the limits, priors and decision rule to judge by.",
)
@click.option(
    "--bench",
    type=click.Path(path_type=Path),
    metavar="BENCH",
    help="The bench file, where the run folder holds no recording to take it from.",
)
@junit_option
@click.option("--json", "as_json", is_flag=True, help="Print the new result, and nothing else.")
@click.pass_context
def command(
    ctx: click.Context,
    result: Path,
    session: Path,
    bench: Path | None,
    junit: Path | None,
    as_json: bool,
) -> None:
    """Judge the readings beside RESULT, a run folder or the result.json in it, by SESSION.

    Nothing is measured and nothing is sent. Where the record is too short for the new session, or
    commands differ, that is said; the stored result stays as it is.
    """
    from rich.console import Console

    from benchrig.cli.screen import open_screen
    from benchrig.events import SessionEnded
    from benchrig.records.rejudging import judge_by, rejudge
    from benchrig.records.run_folder import to_json
    from benchrig.records.stored import load_stored

    stored = load_stored(result)
    by = judge_by(result, session, bench)
    listeners = junit_listeners(junit, by.files.session)
    judged = rejudge(stored, by)
    for listen in listeners:
        listen(SessionEnded(judged.result))
    if as_json:
        put(to_json(judged.result))
    else:
        with open_screen(Console(highlight=False), quiet=False) as show:
            show(SessionEnded(judged.result))
    for remark in judged.remarks:
        say(f"not judged: {remark}", err=as_json)
    ctx.exit(judged.result.exit_status)
