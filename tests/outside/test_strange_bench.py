"""Whole sessions, as a process of its own, against a bench made by other people.

Source of the far end: ``stranger.py``, a node on a real pty and an ammeter on a real TCP port,
written from the standards alone (SCPI-1999 and IEEE 488.2, from memory) without sight of this
program. What it logs is the truth here: what the node drew, what the ammeter read, and on which
range it was at each moment. All sessions run at once, since they take real time; nothing depends
on how long one takes.
"""

from __future__ import annotations

import csv
import json
import math
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from threading import Event
from typing import Any

import jsonschema
import pytest
import stranger

from benchrig.records.schema import result_schema

HERE = Path(__file__).parent
FILES = HERE / "strange_bench"
ROOT = HERE.parents[1]
# By then a session has hung: none has this long to do.
HUNG_S = 150.0

SHUNT = dict(stranger.RANGES)
SUPPLY_V = 2.5
# Which of the node's states a state of the session is.
NODE_STATE = {"idle": "G0", "active": "G1", "doze": "G2", "stop": "G3"}
# Full scales that carry whatever the node draws (the stranger's manual, section 1).
CARRYING_A = (3e-3, 30e-3, 300e-3)

Change = tuple[str, str]
TICKS: Change = (
    'limit = { max = "70 uA" }',
    'limit = { max = "1 mA" }\n'
    'ticks = { period = "0.8 s", duration = "3 ms", peak_current = "4 mA" }',
)
LONG_GUARD: Change = ('guard = "300 ms"', 'guard = "5 s"')
BY_TIMER: Change = (
    'wake = { by = "byte", send = "W", byte_lost = false, within = "2 s" }',
    'wake = { by = "timer", after = "11.2 s", within = "2 s" }',
)
SLOW_BYTES: Change = ("echo = true", 'echo = true\nbyte_pause = "25 ms"')
# The 3 mA range takes peaks of 200 % (the stranger's manual, section 2).
PEAKS: Change = ('measures_to = "3.15 mA"', 'measures_to = "6 mA"')
PARKED_BY_CLOSING = '[board.parking]\ntx = "closed"\n'


@dataclass(frozen=True)
class Scenario:
    """`habits`: options of the stranger. `session` and `sheet`: what is changed in the files;
    without `sheet` the bench file names none. `expected`: the verdict of the session."""

    name: str
    habits: str = ""
    only: tuple[str, ...] = ("idle", "doze")
    expected: str = "pass"
    session: tuple[Change, ...] = ()
    sheet: tuple[Change, ...] | None = ()
    bench: str = ""
    interrupted: bool = False


# At which message the socket ends: the first word, amid the set-up, while the format of readings is
# found, awake, at the change to a low range, and asleep on it.
MESSAGES = (1, 12, 33, 46, 51, 64)
ASLEEP = MESSAGES[-1]
# Each of these costs the patience for several questions.
DEAD = (1, 33, 51, 64)


def _socket_ends(how: str, message: int) -> Scenario:
    habits = f"--{how}-socket-after {message}"
    return Scenario(f"{how}_{message}", habits, ("doze",), "fault", (LONG_GUARD,))


SCENARIOS = (
    # The longest first.
    Scenario("plain", only=()),
    Scenario("no_sheet", only=("idle", "doze", "stop"), sheet=None),
    Scenario("late_replies", "--late-replies 1"),
    Scenario("parked_by_closing", only=("doze", "stop"), bench=PARKED_BY_CLOSING),
    Scenario("wakes_by_timer", "--wake-timer 9", ("stop",), session=(BY_TIMER,)),
    Scenario("ticks", "--doze-wakeups", ("doze",), session=(TICKS,), sheet=(PEAKS,)),
    Scenario("resets_in_stop", "--board-resets-in-sleep 5", ("stop",), "fault"),
    *(_socket_ends("dead", number) for number in DEAD),
    Scenario("silent_after_doze", "--board-silent-after-sleep", ("doze",), "fault"),
    Scenario("interrupted_in_stop", only=("stop",), expected="fault", interrupted=True),
    Scenario(
        "interrupted_while_closed",
        only=("stop",),
        expected="fault",
        bench=PARKED_BY_CLOSING,
        interrupted=True,
    ),
    Scenario(
        "interrupted_in_doze",
        only=("doze",),
        expected="fault",
        session=(LONG_GUARD,),
        interrupted=True,
    ),
    Scenario("overload_clears", "--overload-for 3", ("idle",), session=(LONG_GUARD,)),
    Scenario("stuck_awake", "--board-stuck-awake", ("idle", "doze", "stop"), "fail"),
    Scenario("later_than_patience", "--late-replies 3 --late-every 7", ("idle",), "fault"),
    Scenario("no_buffer", "--no-buffer", session=(SLOW_BYTES,)),
    Scenario("bytes_too_fast", "--no-buffer", ("idle",), "fault"),
    Scenario("ticks_undeclared", "--doze-wakeups", ("doze",), "fault"),
    Scenario("crlf", "--crlf", ("idle",)),
    Scenario("refuses_second", "--refuse-second --late-replies 1", ("idle",)),
    Scenario("nagle", "--no-nodelay"),
    Scenario("real64", "--real64"),
    Scenario("queue_hides", "--error-queue-lies hides", ("idle",)),
    Scenario("queue_invents", "--error-queue-lies invents", ("idle",), "fault"),
    Scenario("overload_too_long", "--overload-for 3", ("idle",), "fault"),
    Scenario("overload_stays", "--overload-for 999", ("idle",), "fault"),
    *(_socket_ends("close", number) for number in MESSAGES),
    Scenario("closed_no_sheet", "--close-socket-after 9", ("doze",), "fault", sheet=None),
    Scenario("garbage_2", "--garbage 2", expected="fault"),
    # One exchange comes back spoiled; repeated after a hello it is answered.
    Scenario("garbage_3", "--garbage 3"),
)


# -- running --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Run:
    """What a session left: its exit status, its record, and the stranger's log."""

    scenario: Scenario
    status: int
    stderr: str
    result: dict[str, Any]
    readings: list[dict[str, str]]
    log: dict[str, Any]

    def state(self, name: str) -> dict[str, Any]:
        (row,) = [row for row in self.result["states"] if row["name"] == name]
        return dict(row)

    def fault(self) -> str:
        """The kind of what went wrong: of the session, else of the first state."""
        faults = [self.result["fault"], *(row["fault"] for row in self.result["states"])]
        return next(str(fault["kind"]) for fault in faults if fault is not None)

    def happened(self) -> list[str]:
        return [entry["kind"] for entry in self.result["events"]]


def _run(scenario: Scenario, folder: Path) -> Run:
    log = folder / "log.json"
    with subprocess.Popen(
        [sys.executable, HERE / "stranger.py", "--log", log, *scenario.habits.split()],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as far_end:
        assert far_end.stdout is not None
        addresses = json.loads(far_end.stdout.readline())
        status, stderr = _session(scenario, folder, addresses, lambda: _now(far_end, log))
    assert (folder / "out").is_dir(), stderr
    (record,) = (folder / "out").iterdir()
    with (record / "readings.csv").open(encoding="utf-8", newline="") as file:
        readings = list(csv.DictReader(file))
    result = json.loads((record / "result.json").read_text(encoding="utf-8"))
    return Run(scenario, status, stderr, result, readings, json.loads(log.read_text()))


def _session(
    scenario: Scenario,
    folder: Path,
    addresses: dict[str, str],
    now: Callable[[], dict[str, Any]],
) -> tuple[int, str]:
    session = _changed("node.session.toml", scenario.session, folder)
    command = [sys.executable, "-m", "benchrig", "run", session]
    command += ["--bench", _bench_file(scenario, folder, addresses), "--out", folder / "out"]
    if scenario.only:
        command += ["--only", *scenario.only]
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "default"}
    with subprocess.Popen(
        command,
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            if scenario.interrupted:
                _interrupt_asleep(process, now)
            _, stderr = process.communicate(timeout=HUNG_S)
        finally:
            process.kill()
    return process.returncode, stderr


def _changed(name: str, changes: tuple[Change, ...], folder: Path) -> Path:
    text = (FILES / name).read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def _bench_file(scenario: Scenario, folder: Path, addresses: dict[str, str]) -> Path:
    sheet = ""
    if scenario.sheet is not None:
        sheet = f'sheet = "{_changed("ammeter.sheet.toml", scenario.sheet, folder).name}"'
    path = folder / "bench.toml"
    path.write_text(
        f"""
        format = "benchrig/bench/1"
        name = "strange"
        [meter]
        address = "{addresses["meter"]}"
        nplc = 1
        line_frequency = "60 Hz"
        {sheet}
        [board]
        port = "{addresses["board"]}"
        {scenario.bench}
        """,
        encoding="utf-8",
    )
    return path


def _now(far_end: subprocess.Popen[str], log: Path) -> dict[str, Any]:
    """The stranger's log as it is now."""
    log.unlink(missing_ok=True)
    while not log.exists() and far_end.poll() is None:
        # Again and again: one that arrives just before the stranger waits does not wake it.
        far_end.send_signal(signal.SIGUSR1)
        Event().wait(0.1)
    return dict(json.loads(log.read_text()))


def _interrupt_asleep(process: subprocess.Popen[str], now: Callable[[], dict[str, Any]]) -> None:
    """Ctrl-C, twice as an impatient operator does it, once the node sleeps on a microamp range."""
    while process.poll() is None:
        log = now()
        asleep_s = max((entry["t_s"] for entry in log["sleeps"]), default=None)
        if asleep_s is not None and any(
            entry["to_A"] not in CARRYING_A and entry["t_s"] > asleep_s
            for entry in log["range_changes"]
        ):
            process.send_signal(signal.SIGINT)
            Event().wait(0.05)
            process.send_signal(signal.SIGINT)
            return


@pytest.fixture(scope="module")
def started(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Future[Run]]]:
    with ThreadPoolExecutor(8) as pool:
        yield {
            scenario.name: pool.submit(_run, scenario, tmp_path_factory.mktemp(scenario.name))
            for scenario in SCENARIOS
        }


@pytest.fixture(params=SCENARIOS, ids=lambda scenario: str(scenario.name))
def run(request: pytest.FixtureRequest, started: dict[str, Future[Run]]) -> Run:
    """Each of the sessions in turn."""
    return started[request.param.name].result()


@pytest.fixture
def of(started: dict[str, Future[Run]]) -> Callable[[str], Run]:
    """One session by its name."""
    return lambda name: started[name].result()


# -- what holds whatever the stranger does --------------------------------------------------


def _range_at(log: dict[str, Any], t_s: float) -> float:
    """The range that the ammeter was on just before `t_s`; it is switched on at its highest."""
    before = [entry["to_A"] for entry in log["range_changes"] if entry["t_s"] < t_s]
    return float(before[-1]) if before else max(SHUNT)


def test_ends_with_the_verdict_and_its_exit_status(run: Run) -> None:
    assert run.result["verdict"] == run.scenario.expected, run.result["fault"] or [
        (row["name"], row["verdict"], row["flags"], row["fault"]) for row in run.result["states"]
    ]
    assert run.status == {"pass": 0, "fail": 1, "undecided": 3, "fault": 4}[run.result["verdict"]]
    assert run.stderr == ""


def test_the_record_is_complete_and_follows_its_schema(run: Run) -> None:
    jsonschema.validate(run.result, result_schema())
    assert run.result["complete"] is True
    assert run.result["safe_end"][0].startswith("meter: ")
    names = [row["name"] for row in run.result["states"]]
    assert names == list(run.scenario.only or NODE_STATE)


def test_a_fault_is_named_and_a_value_never_comes_with_a_pass_beside_it(run: Run) -> None:
    for row in run.result["states"]:
        assert (row["verdict"] == "fault") == (row["fault"] is not None)
        if row["fault"] is not None:
            assert row["fault"]["message"]


def test_every_interval_contains_what_the_node_drew(run: Run) -> None:
    for row in run.result["states"]:
        if row["verdict"] == "fault" or "stays_awake" in row["flags"]:
            continue
        spent = [m for m in run.log["means"] if m["state"] == NODE_STATE[row["name"]]]
        charge = sum(entry["seconds"] * entry["mean_board_A"] for entry in spent)
        true_A = charge / sum(entry["seconds"] for entry in spent)
        allowed_A = row["expanded_uncertainty_A"]
        if "uncertainty_lacks_meter" in row["flags"]:
            # The stranger's manual, section 2.
            allowed_A += 0.0002 * true_A + 0.00002 * row["range_A"]
        error_A = abs(row["current_A"] - true_A)
        assert error_A <= allowed_A, (row["name"], true_A)
        if "wakeups_undersampled" not in row["flags"]:
            # Wide as the interval may be: the meter is better than this, and so is the value.
            assert error_A <= 0.002 * true_A + 0.00004 * row["range_A"], (row["name"], true_A)


def test_readings_are_those_the_meter_took_in_their_order(run: Run) -> None:
    """So that none belongs to an earlier question, to another range or to another state."""
    took = iter(run.log["readings"])
    for row in run.readings:
        if not any(_is_recorded(entry, row) for entry in took):
            pytest.fail(f"the meter never read this, or read it earlier: {row}")


def _is_recorded(entry: dict[str, Any], row: dict[str, str]) -> bool:
    if entry["range_A"] != float(row["range_A"]):
        return False
    if entry["value_A"] == stranger.OVERLOAD:
        return row["note"] == "overload"
    # As text the meter gives six digits.
    return bool(row["current_A"]) and math.isclose(
        float(row["current_A"]), entry["value_A"], rel_tol=6e-6
    )


def test_whatever_reaches_the_node_finds_a_range_that_carries_it(run: Run) -> None:
    log = run.log
    acts = [*log["commands"], *log["lost_bytes"], *log["wakes"]]
    for entry in acts:
        if entry.get("to") == "meter" or entry.get("by") == "watchdog":
            continue
        assert _range_at(log, entry["t_s"]) in CARRYING_A, entry


def test_no_range_is_entered_that_does_not_carry_the_node(run: Run) -> None:
    for entry in run.log["range_changes"]:
        assert entry["by"] != "auto", entry
        assert SUPPLY_V - entry["board_A"] * SHUNT[entry["to_A"]] >= stranger.BROWN_OUT_V, entry
    # Where it wakes by itself without a word in the session file, nobody can foresee it.
    if run.scenario.name not in ("resets_in_stop", "ticks_undeclared"):
        assert run.log["brown_outs"] == []


def test_the_meter_ends_on_its_highest_range_if_it_can_be_reached(run: Run) -> None:
    reached = run.result["safe_end"][0].removeprefix("meter: ")
    if run.scenario.name in ("close_1", "dead_1"):  # it never said who it is
        assert reached == "was never reached"
    elif "dead-socket" in run.scenario.habits:
        assert reached.startswith("NOT reached: no_reply")
    else:
        assert reached == "on its highest range"
        assert _range_at(run.log, float("inf")) == max(SHUNT)


# -- one by one -----------------------------------------------------------------------------


def test_plain_measures_each_state_on_its_range(of: Callable[[str], Run]) -> None:
    run = of("plain")
    assert [row["range_A"] for row in run.result["states"]] == [3e-3, 30e-3, 300e-6, 3e-6]
    # Its TX line stays idle while it sleeps.
    fed = ["leakage_not_declared"]
    assert [row["flags"] for row in run.result["states"]] == [[], [], fed, fed]
    assert run.result["serial_number"] == "00981"
    assert run.result["firmware"] == "2.07"
    assert [wake["by"] for wake in run.log["wakes"]] == ["any byte", "W"]
    assert "slept_on" in run.happened()


def test_declared_ticks_are_averaged_on_a_range_that_carries_them(
    of: Callable[[str], Run],
) -> None:
    row = of("ticks").state("doze")
    assert row["range_A"] == 3e-3
    # 61 µA, and 3 ms of 4 mA every 0.8 s: 75.77 µA.
    error_A = abs(row["current_A"] - 75.77e-6)
    assert error_A <= row["expanded_uncertainty_A"]
    # The meter is blind for 15 % of the time: of 16 ticks it may miss a few, but not most.
    assert error_A <= 6e-6


def test_without_a_sheet_the_uncertainty_says_what_it_lacks(of: Callable[[str], Run]) -> None:
    run = of("no_sheet")
    assert all("uncertainty_lacks_meter" in row["flags"] for row in run.result["states"])
    assert [wake["by"] for wake in run.log["wakes"]] == ["any byte", "W"]


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        *((f"dead_{number}", "no_reply") for number in DEAD),
        *((f"close_{number}", "wire_lost") for number in MESSAGES),
        ("closed_no_sheet", "wire_lost"),
        ("later_than_patience", "no_reply"),
        ("queue_invents", "meter_error"),
        ("overload_too_long", "overloaded"),
        ("overload_stays", "overloaded"),
        ("silent_after_doze", "no_wake"),
        ("resets_in_stop", "unexpected_reset"),
        ("ticks_undeclared", "unexpected_reset"),
        ("bytes_too_fast", "board_silent"),
        ("garbage_2", "no_reply"),
        ("interrupted_in_doze", "interrupted"),
        ("interrupted_in_stop", "interrupted"),
        ("interrupted_while_closed", "interrupted"),
    ],
)
def test_a_fault_has_its_own_name(of: Callable[[str], Run], name: str, kind: str) -> None:
    run = of(name)
    assert run.fault() == kind
    told = [entry["text"] for entry in run.result["events"] if entry["kind"] == "fault"]
    assert len(told) == len(set(told))


@pytest.mark.parametrize(
    "name", ["interrupted_in_doze", "interrupted_in_stop", "interrupted_while_closed"]
)
def test_an_interrupted_session_wakes_the_node_with_room(
    of: Callable[[str], Run], name: str
) -> None:
    run = of(name)
    asleep_on = [entry["range_A"] for entry in run.log["range_changes"][1:]]
    assert min(asleep_on) not in CARRYING_A
    assert run.result["safe_end"] == ["meter: on its highest range", "board: awake"]
    (wake,) = run.log["wakes"]
    assert wake["range_A"] in CARRYING_A


def test_a_node_that_never_slept_fails_and_says_so(of: Callable[[str], Run]) -> None:
    run = of("stuck_awake")
    assert run.state("idle")["verdict"] == "pass"
    for name in ("doze", "stop"):
        assert run.state(name)["verdict"] == "fail"
        assert "stays_awake" in run.state(name)["flags"]


def test_an_overload_within_the_guard_leaves_no_trace(of: Callable[[str], Run]) -> None:
    row = of("overload_clears").state("idle")
    assert row["range_A"] == 3e-3
    assert row["flags"] == []


def test_the_sockets_end_while_it_sleeps_does_not_leave_the_node_there(
    of: Callable[[str], Run],
) -> None:
    """The ammeter takes a new connection, and the node is woken through it."""
    run = of(f"close_{ASLEEP}")
    assert run.log["sleeps"] != []
    assert run.result["safe_end"] == ["meter: on its highest range", "board: awake"]


def test_a_node_that_cannot_be_woken_safely_is_left_asleep(of: Callable[[str], Run]) -> None:
    run = of(f"dead_{ASLEEP}")
    assert run.log["sleeps"] != []
    assert run.result["safe_end"][1].startswith("board: NOT reached")
    assert run.log["wakes"] == []


def test_readings_come_as_blocks_where_the_meter_knows_them(of: Callable[[str], Run]) -> None:
    assert "REAL,64" in of("real64").result["meter"]["reading_format"]
    assert "ASCII" in of("plain").result["meter"]["reading_format"]


def test_late_replies_cost_no_readings(of: Callable[[str], Run]) -> None:
    """A reply that comes late says nothing of how long a reading takes."""
    for row in of("late_replies").result["states"]:
        assert "few_readings" not in row["flags"]


def test_a_port_closed_to_park_it_is_opened_again_with_room(of: Callable[[str], Run]) -> None:
    run = of("parked_by_closing")
    happened = run.happened()
    assert happened.count("parked") == 2
    assert happened.count("unparked") >= 2
    assert [wake["by"] for wake in run.log["wakes"]] == ["any byte", "W"]
