"""``benchrig run`` as a user meets it: on the virtual clock, and on ports in real time."""

from __future__ import annotations

import json
import os
import pty
import random
import re
import resource
import select
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import serial
from click.testing import Result
from rich.console import Console

from benchrig.cli import main
from benchrig.events import Event, Happened, SessionStarted, StateEnded
from benchrig.simulation.links import PTYS
from tests.cli.calls import (
    BENCH,
    BOARD,
    ROOT,
    SESSION,
    SHEET,
    Ended,
    Process,
    bench_for,
    call,
    edited,
    fast_session,
    folder_in,
    result_in,
    run,
    served,
    valid,
)

COMMAND = [sys.executable, "-m", "benchrig", "run", str(SESSION), "--bench", str(BENCH)]
IDLE_LIMIT = 'limit = { min = "0.9 mA", max = "1.5 mA", typical = "1.2 mA" }'


# -- verdicts and exit statuses -------------------------------------------------------------


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Path]:
    """The whole session on a good board: what was printed, and where the records are."""
    out = tmp_path_factory.mktemp("whole") / "made" / "runs"
    operator = ("--operator", "Bee Keeper", "--note", "before the winter")
    return run(out, "--serial-number", "HS-0042", *operator), out


def test_a_board_that_passes(whole: tuple[Result, Path]) -> None:
    shown, out = whole
    assert shown.exit_code == 0
    assert "hive-scale: pass\n" in shown.output
    assert f"record: {folder_in(out)}\n" in shown.output
    assert "no real board was measured" in shown.output
    assert shown.stderr == ""


def test_the_result_has_all_that_was_asked_for(whole: tuple[Result, Path]) -> None:
    result = result_in(whole[1])
    assert result["format"] == "benchrig/result/1"
    assert (result["session"], result["verdict"]) == ("hive-scale", "pass")
    assert result["started"] < result["ended"]
    assert (result["serial_number"], result["firmware"]) == ("HS-0042", "1.4.2")
    assert (result["operator"], result["note"]) == ("Bee Keeper", "before the winter")
    assert result["board"]["name"] == "hive scale (invented)"
    assert result["meter"]["sheet"] == "generic 6½-digit class (invented values)"
    assert result["bench"] == {
        "name": "simulated",
        "supply": "Invented Instruments,Supply 1,0,1.0",
        "simulated_seed": 1,
    }
    names = [row["name"] for row in result["states"]]
    assert names == ["idle", "weigh", "lamp", "light_sleep", "deep_sleep"]
    assert [row["name"] for row in result["derived"]] == ["lamp_alone", "idle_to_deep_sleep"]
    deep = result["states"][-1]
    assert deep["verdict"] == "pass"
    # 0.24 uA + 0.3 uA + 20 nA/V · 3 V, by the file of the simulated board
    assert abs(deep["current_A"] - 0.6e-6) < deep["expanded_uncertainty_A"]
    assert (deep["coverage"], deep["range_A"]) == (0.95, 1e-5)
    assert (deep["limit_min_A"], deep["limit_max_A"]) == (None, 0.9e-6)
    assert deep["settled_after_s"] > 0 < deep["averaged_for_s"]
    assert deep["readings"] > 10
    assert 0 < deep["wake_latency_s"] < 1.5
    assert (deep["flags"], deep["fault"]) == ([], None)
    assert result["safe_end"] == ["meter: on its highest range", "supply: left off"]
    kinds = [event["kind"] for event in result["events"]]
    assert {"identity", "range", "stimulus", "slept_on", "woken", "safe_end"} <= set(kinds)


def test_a_board_that_fails(tmp_path: Path) -> None:
    session = edited(
        SESSION, tmp_path / "s.toml", (IDLE_LIMIT, 'limit = { max = "1.1 mA", typical = "1 mA" }')
    )
    shown = run(tmp_path / "runs", "--only", "idle", session=session)
    assert shown.exit_code == 1
    row = result_in(tmp_path / "runs")["states"][0]
    assert (row["verdict"], row["flags"]) == ("fail", ["above_limit"])


def test_a_limit_inside_the_uncertainty(tmp_path: Path) -> None:
    session = edited(SESSION, tmp_path / "s.toml", (IDLE_LIMIT, 'limit = { max = "1.2 mA" }'))
    shown = run(tmp_path / "runs", "--only", "idle", session=session)
    assert shown.exit_code == 3
    assert result_in(tmp_path / "runs")["verdict"] == "undecided"
    assert "undecided" in shown.output


def test_the_worst_verdict_counts(tmp_path: Path) -> None:
    session = edited(
        SESSION,
        tmp_path / "s.toml",
        (IDLE_LIMIT, 'limit = { max = "1.2 mA" }'),
        ('limit = { max = "8 mA", typical = "6.5 mA" }', 'limit = { max = "6 mA" }'),
    )
    shown = run(tmp_path / "runs", "--only", "idle", "weigh", session=session)
    assert shown.exit_code == 1
    rows = result_in(tmp_path / "runs")["states"]
    assert [row["verdict"] for row in rows] == ["undecided", "fail"]


@pytest.mark.parametrize(
    ("defect", "status", "kind", "flag"),
    [
        ("dead-uart", 4, "board_silent", None),
        ("stuck-awake", 1, None, "stays_awake"),
        ("spontaneous-reset", 4, "unexpected_wake", None),
    ],
)
def test_boards_with_defects(
    defect: str, status: int, kind: str | None, flag: str | None, tmp_path: Path
) -> None:
    bench = bench_for(tmp_path, defect)
    shown = run(tmp_path / "runs", "--only", "deep_sleep", bench=bench)
    assert shown.exit_code == status, shown.output
    result = result_in(tmp_path / "runs")
    (row,) = result["states"]
    if kind is not None:
        fault = result["fault"] or row["fault"]
        assert fault["kind"] == kind
        assert kind in shown.output
    if flag is not None:
        assert flag in row["flags"]
        assert flag in shown.output
    assert result["safe_end"][0] == "meter: on its highest range"


# -- options --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (["--only", "idle"], ["idle"]),
        (["--only", "weigh", "idle"], ["idle", "weigh"]),
        (["--only=weigh", "idle"], ["idle", "weigh"]),
        (["--only", "idle", "--only", "weigh"], ["idle", "weigh"]),
        (["--only", "weigh", "--repeat", "2"], ["weigh", "weigh"]),
        (["--only", "idle", "idle"], ["idle"]),
    ],
    ids=" ".join,
)
def test_only_some_states(words: list[str], names: list[str], tmp_path: Path) -> None:
    shown = run(tmp_path, *words)
    assert shown.exit_code == 0
    result = result_in(tmp_path)
    assert [row["name"] for row in result["states"]] == names
    # Of a difference or a ratio one state alone tells nothing, and is no fault.
    assert result["derived"] == []


def test_the_states_of_a_subset(tmp_path: Path) -> None:
    assert run(tmp_path, "--only", "sleeps").exit_code == 0
    assert [row["name"] for row in result_in(tmp_path)["states"]] == ["light_sleep", "deep_sleep"]


def test_a_board_with_another_serial_number_is_not_measured(tmp_path: Path) -> None:
    shown = run(tmp_path, "--serial-number", "HS-0043", "--only", "idle")
    assert shown.exit_code == 4
    result = result_in(tmp_path)
    assert result["fault"]["kind"] == "wrong_board"
    assert "'HS-0042', and 'HS-0043' was given" in shown.output
    assert result["states"][0]["fault"]["kind"] == "not_reached"
    assert result["serial_number"] == "HS-0042"
    assert folder_in(tmp_path).name.endswith("-hive-scale-HS-0043")


def test_two_runs_in_the_same_second(tmp_path: Path) -> None:
    for _ in range(3):
        run(tmp_path, "--only", "idle", "--quiet")
    assert len(list(tmp_path.iterdir())) == 3


def test_runs_go_to_a_folder_of_that_name_where_none_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert call("run", SESSION, "--bench", BENCH, "--only", "idle").exit_code == 0
    assert result_in(tmp_path / "runs")["verdict"] == "pass"


def test_quiet_prints_nothing(tmp_path: Path) -> None:
    shown = run(tmp_path, "--only", "idle", "--quiet")
    assert (shown.exit_code, shown.output) == (0, "")
    assert result_in(tmp_path)["verdict"] == "pass"


@pytest.mark.parametrize("option", ["--quiet", "--json"])
def test_prompts_are_shown_all_the_same(option: str, tmp_path: Path) -> None:
    """Nobody presses the button of the simulated board, so that it ends in a fault."""
    old = 'wake = { by = "byte", send_hex = "55", within = "300 ms" }'
    new = 'wake = { by = "operator", prompt = "Press S1", within = "3 s" }'
    session = edited(SESSION, tmp_path / "s.toml", (old, new))
    shown = run(tmp_path / "runs", "--only", "light_sleep", option, session=session)
    assert shown.exit_code == 4
    prompts = shown.stderr if option == "--json" else shown.stdout
    assert prompts.strip() == "OPERATOR: Press S1 (within 3 s)"
    result = result_in(tmp_path / "runs")
    assert result["states"][0]["fault"]["kind"] == "no_wake"
    if option == "--json":
        assert valid(shown.stdout) == result


@pytest.mark.parametrize("defect", ["", "dead-uart"])
def test_json_prints_the_result_and_nothing_else(defect: str, tmp_path: Path) -> None:
    bench = bench_for(tmp_path, *[defect] * bool(defect))
    shown = run(tmp_path / "runs", "--only", "idle", "--json", bench=bench)
    assert shown.exit_code == (4 if defect else 0)
    assert shown.stdout == (folder_in(tmp_path / "runs") / "result.json").read_text()
    assert valid(shown.stdout)["verdict"] == ("fault" if defect else "pass")
    assert shown.stderr == ""


def test_called_from_python(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["run", str(SESSION), "--bench", str(BENCH), "--only", "idle", "--json"]
    assert main([*arguments, "--out", str(tmp_path)], standalone_mode=False) == 0
    assert valid(capsys.readouterr().out)["verdict"] == "pass"


# -- what is refused ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--only", "idel"], "there is no state or subset 'idel'; did you mean 'idle'?"),
        (["--only"], "'--only' requires an argument"),
        (["--repeat", "0"], "--repeat"),
        (["--repeat", "two"], "--repeat"),
        (["--operator", "\udcff"], "is not text in the encoding of this system"),
        (["--verbose"], "No such option"),
        (["surplus"], "unexpected extra argument"),
    ],
    ids=lambda value: ascii(value) if isinstance(value, list) else "",
)
def test_wrong_usage(words: list[str], told: str, tmp_path: Path) -> None:
    shown = run(tmp_path / "runs", *words)
    assert shown.exit_code == 2
    assert told in shown.stderr
    assert not (tmp_path / "runs").exists()


@pytest.mark.parametrize(
    "arguments",
    [["run"], ["run", SESSION], ["run", "--bench", BENCH], ["run", "--only", "idle", SESSION]],
    ids=["nothing", "no bench", "no session", "the session looks like a state"],
)
def test_what_must_be_named(arguments: list[str | Path]) -> None:
    shown = call(*arguments)
    assert shown.exit_code == 2
    assert "Usage: benchrig run SESSION --bench BENCH [OPTIONS]" in shown.stderr.replace(
        "Usage: main", "Usage: benchrig"
    )


def test_all_problems_of_all_files_at_once(tmp_path: Path) -> None:
    session = edited(
        SESSION,
        tmp_path / "bad.session.toml",
        ('supply_voltage = "3.0 V"', 'supply_voltage = "3,0 V"'),
        (IDLE_LIMIT, 'limit = { maximum = "1.5 mA" }'),
    )
    sheet = edited(SHEET, tmp_path / "bad.sheet.toml", ('"20 ms" ', "20 "))
    bench = edited(
        BENCH,
        tmp_path / "bad.bench.toml",
        ('"meter-6-digit.toml"', json.dumps(sheet.name)),
        ('current_limit = "100 mA"\n', ""),
    )
    shown = run(tmp_path / "runs", session=session, bench=bench)
    assert shown.exit_code == 2
    assert shown.stdout == ""
    lines = shown.stderr.splitlines()
    assert [line for line in lines if line.startswith(f"{session}:9: board.supply_voltage: ")]
    assert [line for line in lines if f"{session.name}:" in line and "limit.maximum: " in line]
    supply = bench.read_text().splitlines().index("[supply]") + 1
    assert [line for line in lines if line.startswith(f"{bench}:{supply}: supply.current_limit: ")]
    assert len(lines) == 3, lines
    # The sheet that a wrong bench file names is looked at once that one is right.
    right = edited(BENCH, bench, ('"meter-6-digit.toml"', json.dumps(sheet.name)))
    shown = run(tmp_path / "runs", session=session, bench=right)
    assert f"{sheet}:7: settling: " in shown.stderr
    assert f"{session}:9: board.supply_voltage: " in shown.stderr
    assert not (tmp_path / "runs").exists()


@pytest.mark.parametrize("name", ["session", "bench", "board"])
def test_a_file_that_is_not_there(name: str, tmp_path: Path) -> None:
    missing = tmp_path / "missing.toml"
    bench = bench_for(tmp_path, missing)
    files: dict[str, Path] = {"bench": bench} if name == "board" else {name: missing}
    shown = run(tmp_path / "runs", **files)
    assert shown.exit_code == 2
    told = f"{missing}: cannot be read: No such file or directory\n"
    if name == "board":  # told where it is named
        line = 1 + [text.startswith("board = ") for text in bench.read_text().splitlines()].index(
            True
        )
        told = f"{bench}:{line}: simulation.board: names {missing}, which {told.split(': ', 1)[1]}"
    assert shown.stderr == told
    assert not (tmp_path / "runs").exists()


# -- the record cannot be kept --------------------------------------------------------------


def test_where_no_folder_can_be_made(tmp_path: Path) -> None:
    (tmp_path / "runs").write_text("mine")
    shown = run(tmp_path / "runs", "--only", "idle")
    assert shown.exit_code == 2
    assert shown.stdout == ""
    assert "no folder can be made here for the record" in shown.stderr


@pytest.mark.parametrize("option", [None, "--json"])
def test_a_disk_that_takes_no_more(option: str | None, tmp_path: Path) -> None:
    """By a limit on the size of files, which the system tells as an error of the disk's kind: the
    recording begins, and cannot go on."""
    LIMIT = 20_000

    def limited() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (LIMIT, LIMIT))

    options = [] if option is None else [option]
    done = subprocess.run(
        [*COMMAND, "--only", "idle", "weigh", "--out", str(tmp_path / "runs"), *options],
        cwd=ROOT,
        capture_output=True,
        text=True,
        preexec_fn=limited,
    )
    assert done.returncode == 4, done.stderr
    assert "record_failed" in done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    # The last one that was whole, or that of a session which ended for it.
    assert result_in(tmp_path / "runs")["verdict"] == "fault"


def test_an_error_in_benchrig_itself_is_no_fail_of_the_board(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(event: Event) -> None:
        if isinstance(event, StateEnded):
            raise ZeroDivisionError("what nobody\x1b[2J thought of")

    watched(monkeypatch, broken)
    shown = run(tmp_path, "--only", "idle")
    assert shown.exit_code == 4
    assert "benchrig: fault: internal_error: ZeroDivisionError: what nobody\\x1b[2J" in shown.stderr
    assert "test_run.py:" in shown.stderr
    assert result_in(tmp_path)["safe_end"][0] == "meter: on its highest range"


# -- what boards and meters say -------------------------------------------------------------

EVIL = "\x1b]0;owned\x07\x1b[31m\x9b2J[bold red]x[/]"


def evil_bench(folder: Path) -> tuple[Path, Path]:
    """Session and bench of a board that sends controls of a terminal, and rich's markup, wherever
    it says something. In latin-1 the eight-bit controls come through as what they are."""
    said = json.dumps(EVIL)[1:-1]
    board = edited(
        BOARD,
        folder / "evil.toml",
        ('banner = "hive scale boot 1.4.2"', f'banner = "hive scale boot {said}"'),
        ("id sn=HS-0042 fw=1.4.2", f"id sn=[red]{said} fw={said}"),
        ('reply = "ok weigh"', f'reply = "error {said}"'),
    )
    session = edited(
        SESSION,
        folder / "evil.session.toml",
        ("[protocol]\n", '[protocol]\nencoding = "latin-1"\n'),
        (r"sn=(?P<serial_number>\S+) fw=(?P<firmware>\S+)$", "sn=(?P<serial_number>.*) fw=.*$"),
    )
    return session, bench_for(folder, board)


def controls(text: str) -> set[str]:
    return {char for char in text if not char.isprintable()} - {"\n"}


@pytest.mark.parametrize("options", [[], ["--json"]], ids=["lines", "json"])
def test_nothing_that_a_board_says_acts_on_the_terminal(options: list[str], tmp_path: Path) -> None:
    session, bench = evil_bench(tmp_path)
    out = tmp_path / "runs"
    shown = run(out, "--only", "idle", "weigh", *options, session=session, bench=bench)
    assert shown.exit_code == 4
    assert controls(shown.output) == set()
    assert "board_refused" in shown.output
    assert "[bold red]x[/]" in shown.output  # as it stands, not as markup


def in_terminal(*arguments: str | Path) -> tuple[int, str]:
    """The exit status and all that went to the terminal that it ran in."""
    child, master = pty.fork()
    if child == 0:
        os.environ.update(TERM="xterm-256color", COLUMNS="100", LINES="40")
        os.chdir(ROOT)
        os.execv(sys.executable, [sys.executable, "-m", "benchrig", *map(str, arguments)])
    said = b""
    while select.select([master], [], [], 60.0)[0]:
        try:
            piece = os.read(master, 65536)
        except OSError:  # how Linux says that nobody has the terminal open any more
            break
        said += piece
    os.close(master)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), said.decode()


@pytest.mark.skipif(not PTYS, reason="this system has no ptys")
def test_nor_does_it_on_the_live_screen(tmp_path: Path) -> None:
    session, bench = evil_bench(tmp_path)
    status, said = in_terminal(
        *("run", session, "--bench", bench, "--out", tmp_path / "runs", "--only", "idle", "weigh")
    )
    assert status == 4
    assert "\x1b[" in said  # it was the live screen
    for part in ("\x1b]0;", "\x07", "\x1b[31m", "\x9b"):
        assert part not in said
    assert "board_refused" in said


# -- nobody reads what is printed -----------------------------------------------------------


@pytest.mark.parametrize("options", [[], ["--json"]], ids=["lines", "json"])
def test_a_reader_that_has_gone_changes_no_verdict(options: list[str], tmp_path: Path) -> None:
    read, write = os.pipe()
    os.close(read)
    try:
        done = subprocess.run(
            [*COMMAND, "--only", "idle", "--out", str(tmp_path), *options],
            cwd=ROOT,
            stdout=write,
            stderr=subprocess.PIPE,
            text=True,
        )
    finally:
        os.close(write)
    assert (done.returncode, done.stderr) == (0, "")
    assert result_in(tmp_path)["verdict"] == "pass"


def test_an_output_without_greek_letters(tmp_path: Path) -> None:
    done = subprocess.run(
        [*COMMAND, "--only", "idle", "--out", str(tmp_path / "Jänner")],
        cwd=ROOT,
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )
    assert done.returncode == 0
    assert b"+/-" in done.stdout
    assert b"J\\xe4nner" in done.stdout


# -- told to end, at each step of a session -------------------------------------------------


def watched(monkeypatch: pytest.MonkeyPatch, listener: Callable[[Event], None]) -> None:
    """Put a listener in the place of the screen."""

    @contextmanager
    def open_screen(console: Console, *, quiet: bool) -> Iterator[Callable[[Event], None]]:
        yield listener

    monkeypatch.setattr("benchrig.cli.screen.open_screen", open_screen)


SIGNALS = [signal.SIGINT, signal.SIGTERM]
MOMENTS = [
    (None, "session"),
    (None, "meter"),
    (None, "supply"),
    (None, "powered"),
    (None, "sent"),
    (None, "identity"),
    ("idle", "sent"),
    ("idle", "entered"),
    ("idle", "range"),
    ("deep_sleep", "sent"),
    ("deep_sleep", "reply_lost"),
    ("deep_sleep", "parked"),
    ("deep_sleep", "entered"),
    ("deep_sleep", "range"),
    ("deep_sleep", "unparked"),
    ("deep_sleep", "stimulus"),
    ("deep_sleep", "slept_on"),
    ("deep_sleep", "board_said"),
    ("deep_sleep", "woken"),
    (None, "safe_end"),
]


# From the command to sleep on.
ASLEEP = [moment for moment in MOMENTS if moment[0] == "deep_sleep" and moment[1] != "range"]


@pytest.mark.parametrize("moment", MOMENTS, ids=lambda each: f"{each[0]}-{each[1]}")
def test_told_to_end(
    moment: tuple[str | None, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = SIGNALS[MOMENTS.index(moment) % 2]
    raised = []

    def listener(event: Event) -> None:
        begins = isinstance(event, SessionStarted) and moment[1] == "session"
        if begins or (isinstance(event, Happened) and (event.state, event.kind) == moment):
            signal.raise_signal(number)
            raised.append(event)

    watched(monkeypatch, listener)
    shown = run(tmp_path, "--only", "idle", "deep_sleep")
    assert raised
    result = result_in(tmp_path)
    assert result["complete"]
    if moment[1] in ("woken", "safe_end"):  # all was measured already
        assert (shown.exit_code, result["verdict"]) == (0, "pass")
        return
    assert (shown.exit_code, result["verdict"]) == (4, "fault")
    assert result["fault"] == {"kind": "interrupted", "message": f"stopped by {number.name}"}
    kinds = [row["fault"] and row["fault"]["kind"] for row in result["states"]]
    assert kinds[-1] in ("interrupted", "not_reached")
    first, *board, last = result["safe_end"]
    if moment[1] in ("session", "meter"):  # before that no instrument was reached
        assert (first[:6], last[:7]) == ("meter:", "supply:")
    else:
        assert (first, last) == ("meter: on its highest range", "supply: left off")
    assert board == ["board: awake"] * (moment in ASLEEP)


# -- on ports, in real time -----------------------------------------------------------------


def start_run(folder: Path, bench: Path, *options: str, **settings: Any) -> Process:
    session = fast_session(folder)
    out = folder / "runs"
    return Process("run", session, "--bench", bench, "--out", out, *options, **settings)


def no_measurement(ended: Ended, folder: Path) -> dict[str, Any]:
    """A run that ended in a fault, with a record that says so."""
    assert ended.status == 4, (ended.stdout, ended.stderr)
    result = result_in(folder / "runs")
    assert result["complete"]
    assert result["verdict"] == "fault"
    assert result["safe_end"]
    assert [row["name"] for row in result["states"]] == ["idle", "deep_sleep"]
    return result


def passes(folder: Path) -> None:
    with served(folder) as bench:
        ended = start_run(folder, bench.bench).end()
        assert (ended.status, ended.stderr) == (0, ""), ended.stdout
        result = result_in(folder / "runs")
        assert [row["verdict"] for row in result["states"]] == ["pass", "pass"]
        assert result["serial_number"] == "HS-0042"
        assert result["safe_end"] == ["meter: on its highest range"]


def simulation_dies(line: str, later_s: float) -> Callable[[Path], None]:
    """At a line of the run, or so much later: pty and sockets close."""

    def scenario(folder: Path) -> None:
        with served(folder) as bench:
            running = start_run(folder, bench.bench)
            running.wait_for(line)
            time.sleep(later_s)
            bench.process.popen.kill()
            result = no_measurement(running.end(), folder)
        fault = result["fault"]
        assert fault["kind"] in ("wire_lost", "port_missing", "cannot_open", "no_reply"), fault
        assert re.search("NOT reached|was never reached", result["safe_end"][0])

    return scenario


def board_cable_is_pulled(line: str, later_s: float) -> Callable[[Path], None]:
    """At a line of the run, or so much later: the board's pty closes, and the meter is there."""

    def scenario(folder: Path) -> None:
        with served(folder) as bench, relayed(bench.pty) as (name, pull):
            cabled = edited(bench.bench, folder / "cabled.bench.toml", (bench.pty, name))
            running = start_run(folder, cabled)
            running.wait_for(line)
            time.sleep(later_s)
            pull()
            result = no_measurement(running.end(), folder)
        assert result["fault"]["kind"] in ("wire_lost", "port_missing"), result["fault"]
        assert result["fault"]["message"].startswith("board: ")
        assert result["safe_end"][0] == "meter: on its highest range"

    return scenario


@contextmanager
def relayed(port: str) -> Iterator[tuple[str, Callable[[], None]]]:
    """A pty with a cable to another one: its name, and what pulls the cable."""
    near, slave = pty.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    far = os.open(port, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(far)
    pulled, gone = threading.Event(), threading.Event()

    def carry() -> None:
        while not pulled.is_set():
            for end in select.select([near, far], [], [], 0.01)[0]:
                os.write(far if end == near else near, os.read(end, 4096))
        os.close(near)
        gone.set()

    def pull() -> None:
        pulled.set()
        gone.wait(10.0)

    thread = threading.Thread(target=carry)
    thread.start()
    try:
        yield name, pull
    finally:
        pull()
        thread.join()
        os.close(slave)
        os.close(far)


def board_port_is_taken(folder: Path) -> None:
    with served(folder) as bench, serial.Serial(bench.pty, exclusive=True):
        ended = start_run(folder, bench.bench).end()
        result = no_measurement(ended, folder)
    assert result["fault"]["kind"] == "port_busy"
    assert "is in use by another program" in ended.stdout
    assert result["safe_end"] == ["meter: on its highest range"]


def two_runs_on_one_bench(folder: Path) -> None:
    other = folder / "other"
    other.mkdir()
    with served(folder) as bench:
        impatient = ("[meter]\n", '[meter]\ntimeout = "300 ms"\n')
        again = edited(bench.bench, other / "again.bench.toml", impatient)
        first = start_run(folder, bench.bench, "--repeat", "100")
        first.wait_for("idle: started")
        result = no_measurement(start_run(other, again).end(), other)
        assert result["fault"]["kind"] in ("no_reply", "port_busy")
        first.signal(signal.SIGTERM)
        assert first.end().status == 4
    undisturbed = result_in(folder / "runs")
    assert undisturbed["fault"]["kind"] == "interrupted"
    assert undisturbed["states"][0]["verdict"] == "pass"


def told_to_end(number: signal.Signals, delay_s: float) -> Callable[[Path], None]:
    """So long after the process has begun to load benchrig."""
    program = (
        "-c",
        "from benchrig.__main__ import console_script; print('up', flush=True); console_script()",
    )

    def scenario(folder: Path) -> None:
        with served(folder) as bench:
            running = start_run(folder, bench.bench, program=program)
            running.wait_for("up")
            time.sleep(delay_s)
            running.signal(number)
            ended = running.end()
        told = (number.name, delay_s, ended)
        if ended.status == -number:
            # While it was loading or when it had ended: with nothing open, or all of it kept.
            if (folder / "runs").exists():
                assert result_in(folder / "runs")["complete"], told
            return
        result = result_in(folder / "runs")
        assert result["complete"], told
        assert any(line.startswith("meter: ") for line in result["safe_end"]), told
        if ended.status == 0:  # it was over already
            assert result["verdict"] == "pass", told
        else:
            assert ended.status == 4, told
            assert result["fault"]["kind"] == "interrupted", told

    return scenario


SEED = 20260115
_CHANCE = random.Random(SEED)
# Four early ones, while modules load, and the others anywhere in a run of some four seconds.
DELAYS_S = [0.005, 0.05, 0.2, 0.4, *(_CHANCE.uniform(0.4, 4.5) for _ in range(6))]

SCENARIOS: dict[str, Callable[[Path], None]] = {
    "passes": passes,
    "port-taken": board_port_is_taken,
    "two-runs": two_runs_on_one_bench,
    "dies-connecting": simulation_dies("session", 0.0),
    "dies-awake": simulation_dies("idle: started", 0.3),
    "dies-entering": simulation_dies("deep_sleep: started", 0.1),
    "pulled-connecting": board_cable_is_pulled("session", 0.0),
    "pulled-awake": board_cable_is_pulled("idle: started", 0.3),
    "pulled-entering": board_cable_is_pulled("deep_sleep: started", 0.1),
    "pulled-asleep": board_cable_is_pulled("deep_sleep: started", 0.9),
    "dies-asleep": simulation_dies("deep_sleep: started", 0.9),
    **{
        f"{SIGNALS[index % 2].name}-{delay_s:.3f}s-seed{SEED}": told_to_end(
            SIGNALS[index % 2], delay_s
        )
        for index, delay_s in enumerate(DELAYS_S)
    },
}


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[str], None]]:
    """All scenarios on ports, several at once; waits for one and raises what it raised."""
    with ThreadPoolExecutor(5) as pool:
        futures = {
            name: pool.submit(scenario, tmp_path_factory.mktemp("ports"))
            for name, scenario in SCENARIOS.items()
        }
        yield lambda name: futures[name].result()
        pool.shutdown(cancel_futures=True)


@pytest.mark.skipif(not PTYS, reason="this system has no ptys")
@pytest.mark.parametrize("name", SCENARIOS)
def test_on_ports(name: str, outcomes: Callable[[str], None]) -> None:
    outcomes(name)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_an_output_that_takes_nothing_is_told(tmp_path: Path) -> None:
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            [
                *(sys.executable, "-m", "benchrig", "run", SESSION, "--bench", BENCH),
                *("--only", "idle", "--json", "--out", tmp_path),
            ],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
        )
    assert done.returncode == 4
    assert "record_failed: the output cannot be written" in done.stderr
