"""The screen of a session: a live table in a terminal, plain lines elsewhere, or prompts only.

    with open_screen(console, quiet=False) as listen:
        run_session(session, bench, listeners=[listen])

A terminal without cursor control (``TERM=dumb``) gets the plain lines. What is printed is no part
of the measurement: if its way out is lost, a closed pipe or terminal, the session goes on.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from rich.console import Console, RenderableType
from rich.live import Live

from benchrig.cli.layout import ended_words, happened_words, live_view, prompt_words
from benchrig.cli.picture import Picture, after
from benchrig.cli.results_table import results_view
from benchrig.cli.tables import WIDEST
from benchrig.cli.wording import VERDICT_STYLES, Pen, duration
from benchrig.clock import Clock, RealClock
from benchrig.events import (
    ROUTINE,
    Event,
    Happened,
    Listener,
    SessionEnded,
    SessionStarted,
    StateEnded,
    StateStarted,
)
from benchrig.result import SessionResult
from benchrig.row_text import fault_words

REFRESHES_PER_S = 4


@contextmanager
def open_screen(console: Console, *, quiet: bool, clock: Clock | None = None) -> Iterator[Listener]:
    """A listener for one session. On `clock`, the computer's if not given, the times of the live
    table run on between events."""
    if quiet:
        yield _Prompts(console)
    elif console.is_terminal and not console.is_dumb_terminal:
        screen = _LiveScreen(console, clock or RealClock())
        try:
            yield screen
        finally:
            screen.close()
    else:
        yield _Lines(console)


class _Way:
    """The way out to the reader. Once it was lost, nothing is printed any more."""

    def __init__(self, console: Console) -> None:
        self.console = console
        self.pen = Pen(console.encoding)
        self._lost = False

    def line(self, words: str, style: str = "") -> None:
        # In a file or a pipe a line stays one line, however long.
        soft_wrap = not self.console.is_terminal
        self.attempt(lambda: self.console.print(self.pen(words, style), soft_wrap=soft_wrap))

    def results(self, result: SessionResult) -> None:
        if self.console.is_terminal:
            view = results_view(result, self.pen, self.console.width)
            self.attempt(lambda: self.console.print(view))
            return
        view = results_view(result, self.pen, WIDEST)
        lines = self.console.render_lines(view, self.console.options.update(width=WIDEST))
        for segments in lines:
            # Without the blanks that fill up columns.
            self.line("".join(segment.text for segment in segments).rstrip())

    def attempt(self, action: Callable[[], None]) -> None:
        """Do what may print."""
        if self._lost:
            return
        try:
            action()
        except (OSError, SystemExit):  # rich leaves the program when a pipe is broken
            self._lost = True


class _Prompts:
    """With --quiet: nothing but what the operator has to do."""

    def __init__(self, console: Console) -> None:
        self._way = _Way(console)

    def __call__(self, event: Event) -> None:
        if isinstance(event, Happened) and event.kind == "prompt":
            self._way.line(prompt_words(event), "bold")


class _Lines:
    """One line for each notable thing, with the time of the session before it."""

    def __init__(self, console: Console) -> None:
        self._way = _Way(console)
        self._picture = Picture()
        self._faults: set[str] = set()

    def __call__(self, event: Event) -> None:
        self._picture = after(self._picture, event)
        match event:
            case SessionStarted():
                self._faults.clear()
                self._line(f"session {event.session}: {self._plan()}")
            case StateStarted():
                rows = self._picture.rows
                self._line(f"{event.state}: started ({self._picture.done + 1} of {len(rows)})")
            case StateEnded():
                fault = event.result.fault
                told = fault is not None and fault_words(fault) in self._faults
                style = VERDICT_STYLES.get(event.result.verdict, "")
                self._line(ended_words(event.result, told=told), style)
            case Happened():
                self._happened(event)
            case SessionEnded():
                self._way.results(event.result)

    def _plan(self) -> str:
        count, expected_s = len(self._picture.rows), self._picture.remaining_s(0.0)
        words = "1 state" if count == 1 else f"{count} states"
        return words if expected_s is None else f"{words}, about {duration(expected_s)}"

    def _happened(self, event: Happened) -> None:
        if event.kind == "prompt":
            self._line(prompt_words(event), "bold")
            return
        # A fault that ends the session is told again, as the session's own.
        known = event.kind == "fault" and event.text in self._faults
        if event.kind not in ROUTINE and not known:
            self._line(*_notable(event))
        if event.kind == "fault":
            self._faults.add(event.text)

    def _line(self, words: str, style: str = "") -> None:
        self._way.line(f"{self._picture.now_s:8.1f} s  {words}", style)


class _LiveScreen:
    """A table that is drawn again a few times a second, below the lines for notable things."""

    def __init__(self, console: Console, clock: Clock) -> None:
        self._way = _Way(console)
        self._clock = clock
        # One value, so that the thread that draws never sees half of a change.
        self._seen = (Picture(), clock.monotonic())
        self._live = _Display(
            console=console,
            get_renderable=self._view,
            refresh_per_second=REFRESHES_PER_S,
            # What others print goes above the table; what goes to a file stays there.
            redirect_stdout=sys.stdout.isatty(),
            redirect_stderr=sys.stderr.isatty(),
        )
        self._way.attempt(self._live.start)

    def __call__(self, event: Event) -> None:
        picture = after(self._seen[0], event)
        self._seen = (picture, self._clock.monotonic())
        match event:
            case Happened() if event.kind == "prompt":
                self._live.refresh()
            case Happened() if event.kind not in ROUTINE:
                self._way.line(*_notable(event))
            case SessionEnded():
                # The results take the place of the table.
                self._live.transient = True
                self.close()
                self._way.results(event.result)

    def close(self) -> None:
        """Stop drawing and give the cursor back; the last picture stays if there is no result."""
        # Also where the way was lost: the thread must end, and the streams go back to their owners.
        with suppress(OSError, SystemExit):
            self._live.stop()

    def _view(self) -> RenderableType:
        picture, arrived_s = self._seen
        now_s = picture.now_s + self._clock.monotonic() - arrived_s
        console = self._way.console
        return live_view(picture, now_s, self._way.pen, console.width, console.height)


class _Display(Live):
    """Draws in a thread of its own, which must not complain of a terminal that is gone."""

    def refresh(self) -> None:
        with suppress(OSError):
            super().refresh()


def _notable(event: Happened) -> tuple[str, str]:
    """The line for something that happened, and its style."""
    if event.kind != "fault":
        return happened_words(event), ""
    where = "" if event.state is None else f" in {event.state}"
    return f"fault{where}: {event.text}", VERDICT_STYLES["fault"]
