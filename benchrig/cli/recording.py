"""``benchrig recording``: a recording described, or made fit to be given away."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchrig.cli.say import say
from benchrig.errors import UsageError

if TYPE_CHECKING:
    from benchrig.records.entries import Entry
    from benchrig.records.recording import Header, Recording

WIRES = ("board", "meter", "supply")
_LONGEST = 200


def _number(ctx: click.Context, parameter: click.Parameter, value: float | None) -> float | None:
    if value is not None and math.isnan(value):
        raise click.BadParameter("is no number of seconds")
    return value


@click.group("recording", short_help="Describe a recorded session, or take names out of it.")
def command() -> None:
    """What to do with the recording of a session."""


@command.command("show", short_help="List what happened and what crossed the wires.")
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--wire", "wires", multiple=True, type=click.Choice(WIRES), help="Only this wire.")
@click.option("--state", "states", multiple=True, metavar="STATE", help="Only these states.")
@click.option(
    "--from", "from_s", type=float, callback=_number, metavar="S", help="From here on, in s."
)
@click.option("--to", "to_s", type=float, callback=_number, metavar="S", help="Up to here, in s.")
@click.option("--steps", is_flag=True, help="Only steps, not what crossed the wires.")
@click.option("--waits", is_flag=True, help="Waits too, and all reads as they came.")
@click.option("--with", "words", metavar="TEXT", help="Only lines with this text.")
def show(
    recording: Path,
    wires: tuple[str, ...],
    states: tuple[str, ...],
    from_s: float | None,
    to_s: float | None,
    steps: bool,
    waits: bool,
    words: str | None,
) -> None:
    """List RECORDING: steps, times, and what crossed the wires. Times count from its start."""
    from benchrig.records.recording import load_recording
    from benchrig.wires.recording import Act

    kept = load_recording(recording)
    entries = list(_with_states(kept))
    known = dict.fromkeys(state for _, state in entries if state is not None)
    if unknown := [state for state in states if state not in known]:
        raise UsageError(
            f"{recording}: no state {', '.join(unknown)} in it, only {', '.join(known) or 'none'}"
        )
    _tell_header(kept.header)
    if not waits:
        entries = list(_joined(each for each in entries if not _only_waits(each[0])))
    for entry, state in entries:
        time_s = entry.time_s - kept.header.start_s
        wire = entry.wire if isinstance(entry, Act) else ""
        wanted = (
            (from_s is None or time_s >= from_s)
            and (to_s is None or time_s <= to_s)
            and (not states or state in states)
            and not (steps and isinstance(entry, Act))
            and (not wires or wire in wires)
        )
        line = f"{time_s:12.6f}  {_words(entry)}"
        if wanted and (words is None or words in line):
            say(line)
    _tell_end(recording, kept)


def _tell_header(header: Header) -> None:
    say(f"recorded {header.started:%Y-%m-%d %H:%M:%S} UTC by benchrig {header.benchrig}")
    for role, source in header.sources.items():
        say(f"{role}: {source.name} (SHA-256 {source.sha256[:16]}...)")
    for wire in header.wires:
        say(f"wire to the {wire.name}: {wire.address}")
    options = {**vars(header.options), "only": " ".join(header.options.only)}
    given = (f"{key.replace('_', ' ')} {value}" for key, value in options.items() if value)
    say(f"options: {', '.join(given)}")


def _with_states(recording: Recording) -> Iterator[tuple[Entry, str | None]]:
    """Each entry, and the state that the session was in."""
    from benchrig.records.entries import Note

    state = None
    for entry in recording.entries:
        if isinstance(entry, Note) and entry.op == "state":
            state = entry.state
        yield entry, state
        if isinstance(entry, Note) and entry.op == "row":
            state = None


def _joined(entries: Iterable[tuple[Entry, str | None]]) -> Iterator[tuple[Entry, str | None]]:
    """With what was read in pieces in one line, at the time of the first: a UART may give each
    byte alone."""
    kept: tuple[Entry, str | None] | None = None
    for entry, state in entries:
        if kept is not None and (whole := _both(kept[0], entry)) is not None:
            kept = whole, state
            continue
        if kept is not None:
            yield kept
        kept = entry, state
    if kept is not None:
        yield kept


def _both(before: Entry, entry: Entry) -> Entry | None:
    """Two reads as one, unless the first ends a line."""
    from benchrig.wires.recording import Act

    if not isinstance(before, Act) or not isinstance(entry, Act):
        return None
    same = (before.kind, entry.kind, entry.wire) == ("read", "read", before.wire)
    ended = before.data.endswith((b"\r", b"\n")) and before.data[-1:] + entry.data[:1] != b"\r\n"
    if not same or ended or before.failure is not None or entry.failure is not None:
        return None
    return replace(before, data=before.data + entry.data)


def _only_waits(entry: Entry) -> bool:
    from benchrig.wires.recording import Act

    if not isinstance(entry, Act) or entry.failure is not None:
        return False
    return entry.kind in ("sleep", "read") and not entry.data


def _words(entry: Entry) -> str:
    """``board   <- 'hive ready\\r\\n'``, or what was done, or the step."""
    from benchrig.records.entries import Note
    from benchrig.wires.replay import shown

    if isinstance(entry, Note):
        return _note_words(entry)
    arrow = {"write": "->", "read": "<-"}.get(entry.kind)
    if arrow is not None:
        data = shown(entry.data)
        more = "" if len(data) <= _LONGEST else f"... ({len(entry.data)} bytes)"
        what = f"{arrow} {data[:_LONGEST]}{more}" if entry.data else f"{arrow} nothing"
    elif entry.levels:
        levels = (f"{line} {'on' if on else 'off'}" for line, on in entry.levels.items())
        what = f"lines {', '.join(levels)}"
    elif entry.told is not None:
        what = f"{entry.told.kind}: {entry.told.text}"
    else:
        what = f"sleep {entry.duration_s:g} s" if entry.kind == "sleep" else entry.kind
    failed = "" if entry.failure is None else f"  FAILED: {entry.failure.message}"
    return f"{entry.wire:7} {what}{failed}"


def _note_words(entry: Entry) -> str:
    from benchrig.records.entries import Note

    assert isinstance(entry, Note)
    match entry.op:
        case "state":
            return f"== {entry.state} begins"
        case "step":
            return f"-- {entry.text} ({entry.kind})"
        case "row":
            return f"== {entry.state} has ended: {entry.content.get('verdict')}"
    return f"== the session has ended: {entry.content.get('verdict')}"


def tell_torn(path: Path, torn: int | None) -> None:
    """`torn`: the number of a last line that is cut off, if there is one."""
    if torn is not None:
        say(f"{path}:{torn}: the last line is cut off, and was ignored", err=True)


def _tell_end(path: Path, recording: Recording) -> None:
    tell_torn(path, recording.torn)
    # A test that drives the bench by hand has no result.
    if recording.result is None and recording.header.options.by_hand is None:
        say(f"the session was cut off; states that had ended: {len(recording.rows)}", err=True)


@command.command("scrub", short_help="Take serial numbers and names out of a recording.")
@click.argument("recording", type=click.Path(path_type=Path))
@click.argument("out", type=click.Path(path_type=Path))
def scrub(recording: Path, out: Path) -> None:
    """Write RECORDING to the new file OUT without serial numbers, host names and the operator.

    They are taken out of what crossed the wires, of the files in it, and of the result; so are the
    names of users in paths. Notes stay. Look through it before you give it away.
    """
    from benchrig.records.scrubbing import scrub as scrubbed

    taken, torn = scrubbed(recording, out)
    tell_torn(recording, torn)
    say(f"{out}: names taken out: {len(taken)}" + "".join(f"\n  {name}" for name in taken))
