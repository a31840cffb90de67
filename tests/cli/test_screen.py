"""What is seen of a session: in a terminal, in a pipe, and with --quiet."""

from __future__ import annotations

import io
import re
import sys
import unicodedata
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from rich.console import Console

from benchrig.cli.layout import live_view
from benchrig.cli.picture import Picture, after
from benchrig.cli.screen import open_screen
from benchrig.cli.wording import Pen
from benchrig.clock import VirtualClock
from benchrig.events import (
    Event,
    Happened,
    ReadingsTaken,
    ResultChanged,
    SessionEnded,
    SessionStarted,
    StateEnded,
    StateStarted,
)
from benchrig.measurement import Outcome
from benchrig.result import (
    BenchRecord,
    BoardRecord,
    DerivedResult,
    FaultRecord,
    MeterRecord,
    SessionResult,
    StateResult,
    Verdict,
)

CURSOR_HIDDEN, CURSOR_SHOWN = "\x1b[?25l", "\x1b[?25h"
# Control sequences of ECMA-48 5.4 (from memory) that rich sends itself.
CONTROL_SEQUENCE = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")

NASTY = "[red]x[/] \x1b[31m \x1b]0;gone\x07 \x9b2J a\r\nb \u202eliaf\u2066 \u200b \ud800 [/nothing]"
NASTY_SHOWN = (
    "[red]x[/] \\x1b[31m \\x1b]0;gone\\x07 \\x9b2J a\\r\\nb \\u202eliaf\\u2066 \\u200b \\ud800 "
    "[/nothing]"
)


@pytest.fixture(autouse=True)
def _plain_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm-256color")
    for name in ("NO_COLOR", "FORCE_COLOR", "COLUMNS", "LINES", "TTY_COMPATIBLE"):
        monkeypatch.delenv(name, raising=False)


def console(*, terminal: bool, width: int = 80, color: Any = None, file: Any = None) -> Console:
    return Console(
        file=io.StringIO() if file is None else file,
        force_terminal=terminal,
        width=width,
        height=30,
        color_system=color,
        legacy_windows=False,
    )


def show(events: Sequence[Event], **settings: Any) -> str:
    """All that is written for some events."""
    quiet = settings.pop("quiet", False)
    out = console(**settings)
    with open_screen(out, quiet=quiet, clock=VirtualClock()) as listen:
        for event in events:
            listen(event)
    assert isinstance(out.file, io.StringIO)
    return out.file.getvalue()


def squeezed(text: str) -> str:
    """Without control sequences and white space: what must not be cut away, wrapped or not."""
    return re.sub(r"\s+", "", CONTROL_SEQUENCE.sub("", text))


def row(name: str, verdict: Verdict = "pass", **fields: Any) -> StateResult:
    return StateResult(name=name, verdict=verdict, **fields)


IDLE = row(
    "idle",
    current_A=1.20431e-3,
    expanded_uncertainty_A=1.23e-6,
    coverage=0.95,
    limit_min_A=0.9e-3,
    limit_max_A=1.5e-3,
)
SLEEP = row(
    "deep_sleep",
    "fail",
    current_A=912.34e-9,
    expanded_uncertainty_A=1.44e-9,
    coverage=0.95,
    limit_max_A=0.9e-6,
    wake_latency_s=0.01234,
    flags=("above_limit", "resolution_limited"),
)
NO_WAKE = FaultRecord(kind="no_wake", message="board: silent after a wake by break from shelf")
SHELF = row("shelf", "fault", fault=NO_WAKE)
LAMP = DerivedResult(
    name="lamp_alone",
    kind="difference",
    of=("lamp", "idle"),
    verdict="undecided",
    value=8.02e-3,
    expanded_uncertainty=9e-6,
    unit="A",
    limit_max=8.02e-3,
)
SHARE = DerivedResult(
    name="awake_to_asleep",
    kind="ratio",
    of=("idle", "deep_sleep"),
    verdict="pass",
    value=1320.04,
    expanded_uncertainty=2.5,
    unit="1",
    limit_min=1000.0,
)


def result(*states: StateResult, **fields: Any) -> SessionResult:
    now = datetime(2026, 1, 1, tzinfo=UTC)
    usual: dict[str, Any] = {
        "session": "hive-scale",
        "verdict": "fault",
        "complete": True,
        "serial_number": "HS-0042",
        "firmware": "1.3.1",
        "derived": (),
        "fault": None,
        "safe_end": ("meter: on its highest range",),
    }
    return SessionResult(
        started=now,
        ended=now,
        operator=None,
        note=None,
        board=BoardRecord(
            name="hive scale (invented)",
            address="simulated",
            identity=None,
            supply_voltage_V=3.0,
            minimum_voltage_V=2.2,
        ),
        meter=MeterRecord(
            address="simulated", identity=None, sheet=None, reading_format=None, aperture_s=None
        ),
        bench=BenchRecord(name="bench", supply=None, simulated_seed=None),
        states=states,
        events=(),
        benchrig="0",
        **(usual | fields),
    )


def readings(state: str, time_s: float, *currents_A: float) -> ReadingsTaken:
    times_s = time_s - 0.02 * np.arange(len(currents_A))[::-1]
    outcome = Outcome("waiting", "not within tolerance yet", still_needed_s=3.0)
    return ReadingsTaken(state, times_s, np.array(currents_A), 1e-2, outcome)


STARTED = SessionStarted(
    "hive-scale",
    ("idle", "deep_sleep", "shelf"),
    ((0.9e-3, 1.5e-3), (None, 0.9e-6), (None, None)),
    (10.0, 20.0, 10.0),
    (60.0, 60.0, 60.0),
)
PROMPT = Happened(8.0, "prompt", "Hold the magnet to the scale", "deep_sleep", {"within_s": 30.0})
FAULT = Happened(12.0, "fault", f"{NO_WAKE.kind}: {NO_WAKE.message}", "shelf")
ENDED = SessionEnded(result(IDLE, SLEEP, SHELF, derived=(LAMP, SHARE)))
WHOLE: tuple[Event, ...] = (
    STARTED,
    Happened(0.5, "identity", "board: id sn=HS-0042 fw=1.3.1"),
    StateStarted("idle"),
    Happened(1.0, "range", "range 100 mA: entering idle", "idle"),
    readings("idle", 2.0, 1.5e-3, 1.3e-3),
    readings("idle", 3.0, 1.21e-3, 1.2e-3),
    StateEnded(IDLE),
    ResultChanged(result(IDLE, complete=False)),
    StateStarted("deep_sleep"),
    readings("deep_sleep", 4.0, 9.9e37, 9.91e37),
    readings("deep_sleep", 7.0, 0.9e-6),
    PROMPT,
    Happened(9.0, "woken", "awake after 12.3 ms", "deep_sleep"),
    StateEnded(SLEEP),
    StateStarted("shelf"),
    FAULT,
    StateEnded(SHELF),
    ENDED,
)


# -- plain lines ----------------------------------------------------------------------------


def test_a_pipe_gets_one_line_for_each_notable_thing() -> None:
    lines = show(WHOLE, terminal=False).split("\n\n")[0].splitlines()
    assert lines == [
        "     0.0 s  session hive-scale: 3 states, about 40 s",
        "     0.5 s  board: id sn=HS-0042 fw=1.3.1",
        "     0.5 s  idle: started (1 of 3)",
        "     3.0 s  idle: pass, (1.2043 ± 0.0012) mA, limits 900 µA to 1.5 mA",
        "     3.0 s  deep_sleep: started (2 of 3)",
        "     8.0 s  OPERATOR: Hold the magnet to the scale (within 30 s)",
        "     9.0 s  deep_sleep: fail, (912.3 ± 1.4) nA, limits max 900 nA, "
        "awake after 12.3 ms, flags above_limit resolution_limited",
        "     9.0 s  shelf: started (3 of 3)",
        "    12.0 s  fault in shelf: no_wake: board: silent after a wake by break from shelf",
        "    12.0 s  shelf: fault, limits none, no_wake",
    ]


def test_a_pipe_gets_no_control_characters() -> None:
    written = show(WHOLE, terminal=False).replace("\n", "")
    assert {unicodedata.category(char) for char in written} & {"Cc", "Cf"} == set()


def test_a_long_line_stays_one_line_in_a_pipe() -> None:
    text = "the meter said " + "much " * 200 + "at last"
    assert text in show([Happened(1.0, "meter", text)], terminal=False)


def test_a_fault_before_the_first_state_is_told_once() -> None:
    fault = FaultRecord(kind="wrong_board", message="board: says its serial number is 'HS-1'")
    lost = FaultRecord(kind="not_reached", message="the session ended before: wrong_board")
    text = f"{fault.kind}: {fault.message}"
    events: list[Event] = [
        STARTED,
        Happened(1.0, "fault", text),
        Happened(1.0, "fault", text),
        StateEnded(row("idle", "fault", fault=lost)),
    ]
    written = show(events, terminal=False)
    assert written.count(text) == 1
    assert "fault: wrong_board" in written
    assert "idle: fault, limits none, not_reached: the session ended before" in written


def test_a_dumb_terminal_gets_plain_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "dumb")
    written = show(WHOLE, terminal=True)
    assert "\x1b" not in written
    assert "deep_sleep: started (2 of 3)" in written


# -- quiet ----------------------------------------------------------------------------------


@pytest.mark.parametrize("terminal", [True, False])
def test_quiet_shows_prompts_and_nothing_else(terminal: bool) -> None:
    written = show(WHOLE, terminal=terminal, quiet=True)
    assert written == "OPERATOR: Hold the magnet to the scale (within 30 s)\n"


@pytest.mark.parametrize("terminal", [True, False])
@pytest.mark.parametrize("quiet", [True, False])
def test_a_prompt_is_there_at_once(terminal: bool, quiet: bool) -> None:
    out = console(terminal=terminal)
    assert isinstance(out.file, io.StringIO)
    with open_screen(out, quiet=quiet, clock=VirtualClock()) as listen:
        listen(PROMPT)
        shown = out.file.getvalue()
        assert "OPERATOR: Hold the magnet to the scale (within 30 s" in shown


@pytest.mark.parametrize("within_s", [None, "soon", float("nan"), float("inf")])
def test_a_prompt_without_a_sensible_time_limit_is_shown(within_s: Any) -> None:
    prompt = Happened(1.0, "prompt", "Press the key", None, {"within_s": within_s})
    assert show([prompt], terminal=False, quiet=True) == "OPERATOR: Press the key\n"
    assert "OPERATOR: Press the key" in show([prompt], terminal=True)


# -- results --------------------------------------------------------------------------------


@pytest.mark.parametrize("terminal", [True, False])
@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_the_results_have_all_that_matters_at_any_width(terminal: bool, width: int) -> None:
    written = squeezed(show([ENDED], terminal=terminal, width=width))
    for words in (
        "hive scale (invented): serial number HS-0042, firmware 1.3.1",
        "flags: above_limit, resolution_limited",
        f"no_wake: {NO_WAKE.message}",
        "lamp minus idle",
        "U: expanded uncertainty at 95 % coverage",
        "bench left: meter: on its highest range",
        "hive-scale: fault",
    ):
        assert squeezed(words) in written


@pytest.mark.parametrize("terminal", [True, False])
@pytest.mark.parametrize("width", [80, 120])
def test_the_rows_of_the_results_are_aligned_and_whole(terminal: bool, width: int) -> None:
    written = CONTROL_SEQUENCE.sub("", show([ENDED], terminal=terminal, width=width))
    lines = [line.rstrip() for line in written.splitlines()]
    for line in (
        "state       current ± U           limits            verdict  wake",
        "idle        (1.2043 ± 0.0012) mA  900 µA to 1.5 mA  pass",
        "deep_sleep  (912.3 ± 1.4) nA      max 900 nA        fail     12.3 ms",
        "shelf       -                     none              fault",
        "derived          value ± U             limits       verdict",
        "lamp_alone       (8.0200 ± 0.0090) mA  max 8.02 mA  undecided",
        "awake_to_asleep  1320.0 ± 2.5          min 1000     pass",
    ):
        assert line in lines
    assert max(map(len, lines)) <= width


def test_long_names_and_messages_are_wrapped_not_cut() -> None:
    name, message = "n" * 64, "m" * 300 + " end"
    fault = FaultRecord(kind="no_reply", message=message)
    ended = SessionEnded(result(row(name, "fault", fault=fault), fault=fault))
    written = CONTROL_SEQUENCE.sub("", show([ended], terminal=True))
    assert squeezed(written).count(squeezed(message)) == 2
    assert max(map(len, written.splitlines())) <= 80
    # A column that was folded still holds every letter.
    assert sum(line.split(" ")[0].count("n") for line in written.splitlines()) >= 64


def test_in_a_file_a_line_of_the_results_stays_one_line() -> None:
    name, message = "n" * 64, "what went wrong, " * 20 + "end"
    fault = FaultRecord(kind="no_reply", message=message)
    ended = SessionEnded(result(row(name, "fault", fault=fault), fault=fault))
    lines = show([ended], terminal=False).splitlines()
    assert f"    no_reply: {message}" in lines
    assert f"fault: no_reply: {message}" in lines
    assert lines == [line.rstrip() for line in lines]


def test_a_simulated_bench_says_so() -> None:
    bench = BenchRecord(name="bench", supply=None, simulated_seed=7)
    changed = result(IDLE).model_copy(update={"bench": bench})
    said = "simulated bench, seed 7: no real board was measured"
    assert said in show([SessionEnded(changed)], terminal=False)
    assert "simulated" not in show([ENDED], terminal=False)


def test_a_board_without_identity_is_unknown() -> None:
    ended = SessionEnded(result(IDLE, serial_number=None, firmware=None))
    assert "serial number unknown, firmware unknown" in show([ended], terminal=False)


@pytest.mark.parametrize("verdict", ["pass", "fail", "undecided", "fault"])
@pytest.mark.parametrize("color", [None, "truecolor"])
def test_the_verdict_is_a_word_with_and_without_colour(verdict: Verdict, color: Any) -> None:
    ended = SessionEnded(result(row("idle", verdict), verdict=verdict))
    written = show([ended], terminal=True, color=color)
    lines = [line.split() for line in CONTROL_SEQUENCE.sub("", written).splitlines()]
    assert ["idle", "-", "none", verdict] in lines
    assert ["hive-scale:", verdict] in lines
    assert ("\x1b[3" in written or "\x1b[1;3" in written) == (color is not None)


def test_no_color_is_heeded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    written = show(WHOLE, terminal=True, color="truecolor")
    colours = [code for code in re.findall(r"\x1b\[([0-9;]*)m", written) if "3" in code]
    assert colours == []
    assert "fail" in written


# -- nothing gets in ------------------------------------------------------------------------


def nasty_events() -> list[Event]:
    fault = FaultRecord(kind="no_reply", message=NASTY)
    bad = row("idle", "fault", fault=fault, flags=(NASTY,))
    return [
        SessionStarted(NASTY, (NASTY, "idle"), ((None, None),) * 2, (5.0, 5.0), (9.0, 9.0)),
        StateStarted("idle"),
        Happened(1.0, "meter", NASTY, NASTY),
        Happened(2.0, "prompt", NASTY, "idle", {"within_s": 5.0}),
        Happened(3.0, "fault", NASTY, NASTY),
        StateEnded(bad),
        SessionEnded(
            result(bad, serial_number=NASTY, firmware=NASTY, fault=fault, safe_end=(NASTY,))
        ),
    ]


@pytest.mark.parametrize("width", [80, 2000])
@pytest.mark.parametrize("terminal", [True, False])
@pytest.mark.parametrize("quiet", [True, False])
def test_no_text_can_steer_the_terminal(width: int, terminal: bool, quiet: bool) -> None:
    written = show(nasty_events(), terminal=terminal, width=width, quiet=quiet)
    written.encode("utf-8")
    assert "\x1b[31m" not in written
    rest = CONTROL_SEQUENCE.sub("", written).replace("\n", "").replace("\r", "")
    assert {unicodedata.category(char) for char in rest} & {"Cc", "Cf", "Cs"} == set()
    assert squeezed(NASTY_SHOWN) in squeezed(written)


def test_no_text_can_steer_the_live_table() -> None:
    picture = Picture()
    for event in nasty_events()[:4]:
        picture = after(picture, event)
    written = view(picture, width=400)
    assert "\x1b" not in written
    assert written.count(NASTY_SHOWN) >= 3


def test_an_ascii_output_gets_ascii() -> None:
    raw = io.BytesIO()
    file = io.TextIOWrapper(raw, encoding="ascii", newline="\n")
    for terminal in (True, False):
        with open_screen(console(terminal=terminal, file=file), quiet=False) as listen:
            for event in (*WHOLE[:-1], Happened(13.0, "range", "x" * 200), ENDED):
                listen(event)
    file.flush()
    assert b"(1.2043 +/- 0.0012) mA" in raw.getvalue()
    assert b"900 uA to 1.5 mA" in raw.getvalue()


# -- the live table -------------------------------------------------------------------------


def view(picture: Picture, now_s: float | None = None, width: int = 80, height: int = 30) -> str:
    out = console(terminal=False, width=width)
    now_s = picture.now_s if now_s is None else now_s
    out.print(live_view(picture, now_s, Pen("utf-8"), width, height))
    assert isinstance(out.file, io.StringIO)
    return "\n".join(line.rstrip() for line in out.file.getvalue().splitlines())


def seen(*events: Event) -> Picture:
    picture = Picture()
    for event in events:
        picture = after(picture, event)
    return picture


def test_the_live_table() -> None:
    # 16 s of the 20 s for "deep_sleep", and the 10 s for "shelf".
    assert view(seen(*WHOLE[:11]), now_s=7.5) == (
        "\n"
        "hive-scale: 1 of 3 done, 8 s so far, about 26 s left\n"
        "█████████░░░░░░░░░░░░░░░░░░░░░░░░░░░░░░░ 22 %\n"
        "   state       current ± U           limits            verdict    trend\n"
        "   idle        (1.2043 ± 0.0012) mA  900 µA to 1.5 mA  pass       █▁\n"
        ">  deep_sleep  900.0 nA              max 900 nA        measuring  ^▁\n"
        "   shelf                             none\n"
        "deep_sleep: not within tolerance yet"
    )


def test_a_prompt_counts_down_in_the_live_table() -> None:
    shown = view(seen(*WHOLE[:12]), now_s=20.0, width=120).splitlines()
    assert shown[1] == "OPERATOR: Hold the magnet to the scale (within 30 s; 18 s left)"
    late = view(seen(*WHOLE[:12]), now_s=99.0, width=120)
    assert "0 s left)" in late


def test_a_narrow_live_table_leaves_the_trend_out() -> None:
    shown = view(seen(*WHOLE[:11]), width=59)
    assert "trend" not in shown
    assert "900 µA to 1.5 mA  pass" in shown


@pytest.mark.parametrize("width", [20, 59, 80, 120])
def test_the_live_table_keeps_its_width(width: int) -> None:
    for count in range(len(WHOLE)):
        assert max(map(len, view(seen(*WHOLE[:count]), width=width).splitlines())) <= width


def test_a_row_of_the_live_table_stays_one_line() -> None:
    flagged = row("idle", flags=("resolution_limited", "noise_limited"))
    shown = view(seen(STARTED, StateEnded(flagged))).splitlines()
    assert shown[4].endswith("pass       resolution_limite...")
    assert len(shown) == 7


def test_many_states_scroll_with_the_present_one() -> None:
    names = tuple(f"state_{n}" for n in range(50))
    started = SessionStarted("long", names, ((None, None),) * 50, (2.0,) * 50, (9.0,) * 50)
    shown = view(seen(started, StateStarted("state_30")), height=20)
    assert len(shown.splitlines()) <= 20
    assert ">  state_30" in shown
    assert "... and 39 more" in shown


def test_the_results_take_the_place_of_the_live_table() -> None:
    written = show(WHOLE, terminal=True)
    assert written.count(CURSOR_HIDDEN) == written.count(CURSOR_SHOWN) == 1
    results = written.partition(CURSOR_SHOWN)[2]
    assert "hive-scale: fault" in results
    assert "of 3 done" not in results
    # CUU and EL of ECMA-48 (from memory): the table is wiped, line by line.
    assert results.startswith("\r\x1b[1A\x1b[2K")
    # Lines for what is notable stay above.
    assert written.count("fault in shelf: no_wake: board: silent") == 1


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt, SystemExit])
def test_the_cursor_comes_back_after_any_exception(error: type[BaseException]) -> None:
    out = console(terminal=True)
    streams = sys.stdout, sys.stderr
    with pytest.raises(error), open_screen(out, quiet=False, clock=VirtualClock()) as listen:  # noqa: PT012
        for event in WHOLE[:6]:
            listen(event)
        raise error
    assert isinstance(out.file, io.StringIO)
    written = out.file.getvalue()
    assert written.rindex(CURSOR_SHOWN) > written.rindex(CURSOR_HIDDEN)
    # The last picture stays, since no results take its place.
    assert "hive-scale: 0 of 3 done" in written
    assert (sys.stdout, sys.stderr) == streams


class _Gone(io.StringIO):
    """A terminal or a pipe whose other end was closed."""

    def __init__(self, error: OSError, after: int) -> None:
        super().__init__()
        self._error = error
        self._left = after

    def write(self, text: str) -> int:
        self._left -= 1
        if self._left < 0:
            raise self._error
        return super().write(text)


@pytest.mark.parametrize("terminal", [True, False])
@pytest.mark.parametrize("after_writes", [0, 1, 3])
def test_a_lost_terminal_does_not_end_the_session(terminal: bool, after_writes: int) -> None:
    out = console(terminal=terminal, file=_Gone(OSError(5, "gone"), after_writes))
    with open_screen(out, quiet=False, clock=VirtualClock()) as listen:
        for event in WHOLE:
            listen(event)


def test_a_broken_pipe_does_not_end_the_session(monkeypatch: pytest.MonkeyPatch) -> None:
    # What rich does by default (close the program's own standard output), without the closing.
    def leave(_: Console) -> None:
        raise SystemExit(1)

    monkeypatch.setattr(Console, "on_broken_pipe", leave)
    out = console(terminal=False, file=_Gone(BrokenPipeError(), 1))
    with open_screen(out, quiet=False) as listen:
        for event in WHOLE:
            listen(event)


@pytest.mark.parametrize("terminal", [True, False])
def test_events_in_any_order_are_survived(terminal: bool) -> None:
    written = show(WHOLE[::-1], terminal=terminal)
    assert "hive-scale: fault" in written
