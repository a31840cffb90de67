"""``benchrig replay``: a recorded session once more, without its hardware."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchrig.cli.junit import junit_listeners, junit_option
from benchrig.cli.recording import tell_torn
from benchrig.cli.say import put, say
from benchrig.clock import RealClock

if TYPE_CHECKING:
    from benchrig.records.replaying import Replayed

_FAULT = 4
MOST_SHOWN = 20
# A clock may move in steps larger than a short replay.
_LEAST_S = 1e-3


@click.command(
    "replay",
    short_help="Run a recorded session again, without its hardware.",
    epilog="Exit status: that of the session if its result comes out the same; 4 if another result "
    "comes out or something else would be sent; 2 for wrong usage or files.",
)
@click.argument("recording", type=click.Path(path_type=Path))
@click.option(
    "--session",
    type=click.Path(path_type=Path),
    metavar="SESSION",
    help="Another session file in place of the recorded one.",
)
@junit_option
@click.option("--quiet", is_flag=True, help="Show no states, only what came of it.")
@click.option(
    "--json", "as_json", is_flag=True, help="Print the new result.json, and nothing else."
)
@click.pass_context
def command(
    ctx: click.Context,
    recording: Path,
    session: Path | None,
    junit: Path | None,
    quiet: bool,
    as_json: bool,
) -> None:
    """Run the session of RECORDING through the drivers, the sequencer and the numerics of today.

    No port and no network is touched. Where something else would be sent than was sent then, the
    replay stops and says what and where.
    """
    import scipy.special  # noqa: F401 - loaded late elsewhere, where it would count as replaying
    from rich.console import Console

    from benchrig.cli.screen import open_screen
    from benchrig.errors import ReplayEnded
    from benchrig.events import SessionEnded
    from benchrig.records.recording import load_recording
    from benchrig.records.replaying import recorded_files, replay
    from benchrig.records.run_folder import to_json

    clock = RealClock()
    asked_s = clock.monotonic()
    kept = load_recording(recording)
    files = recorded_files(kept, session)
    listeners = junit_listeners(junit, files.session)
    began_s = clock.monotonic()
    try:
        replayed = replay(kept, files, listeners)
    except ReplayEnded as end:
        tell_torn(recording, kept.torn)
        say(f"benchrig: {recording}: {end}", err=True)
        ctx.exit(_FAULT)
    took_s = clock.monotonic() - began_s
    if as_json:
        put(to_json(replayed.result))
    else:
        with open_screen(Console(highlight=False), quiet=quiet) as show:
            show(SessionEnded(replayed.result))
        tell_torn(recording, kept.torn)
        _tell(replayed)
        # From the first act to the result compared, without what comes before.
        ratio = kept.took_s / max(took_s, _LEAST_S)
        took = f"a session of {kept.took_s:.3f} s, replayed in {took_s:.3f} s"
        read = f"its files were read in {began_s - asked_s:.3f} s before that"
        say(f"{took}: {ratio:.0f} times faster; {read}")
    ctx.exit(replayed.result.exit_status if replayed.equal else _FAULT)


def _tell(replayed: Replayed) -> None:
    if replayed.other_waits:
        say(f"waits that are other ones now: {replayed.other_waits}, so times may differ a little")
    if replayed.unused_acts:
        say(f"last acts in the recording that were not done again: {replayed.unused_acts}")
    if replayed.equal:
        say("the result is the recorded one")
        return
    say(f"the result is NOT the recorded one; what differs: {len(replayed.differences)}")
    for difference in replayed.differences[:MOST_SHOWN]:
        say(f"  {difference}")
    if len(replayed.differences) > MOST_SHOWN:
        say(f"  and {len(replayed.differences) - MOST_SHOWN} more")
