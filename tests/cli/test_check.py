"""``benchrig check``: what it tells, and that nothing moves meanwhile."""

from __future__ import annotations

import json
import os
import pty
import signal
import socket
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
import serial
from click.testing import Result

from benchrig.simulation.links import PTYS
from tests.cli.calls import (
    BENCH,
    SESSION,
    SHEET,
    Process,
    bench_for,
    call,
    edited,
    fast_session,
    served,
)

needs_ptys = pytest.mark.skipif(not PTYS, reason="this system has no ptys")


def check(*arguments: str | Path, session: Path = SESSION, bench: Path = BENCH) -> Result:
    shown = call("check", session, "--bench", bench, *arguments)
    assert {char for char in shown.output if not char.isprintable()} <= {"\n"}
    return shown


def line_of(shown: Result, name: str) -> str:
    (line,) = [line for line in shown.stdout.splitlines() if line.startswith(f"{name}: ")]
    return line


def ports_bench(
    folder: Path, *, board: str, meter: str, supply: str | None = None, sheet: bool = True
) -> Path:
    lines = [
        'format = "benchrig/bench/1"',
        'name = "ports"',
        "[board]",
        f"port = {json.dumps(board)}",
        "[meter]",
        f"address = {json.dumps(meter)}",
        'timeout = "300 ms"',
        'line_frequency = "500 Hz"',  # at ten times the pace of a real one
    ]
    if sheet:
        lines += [f"sheet = {json.dumps(str(SHEET))}"]
    if supply is not None:
        lines += ["[supply]", f"address = {json.dumps(supply)}"]
        lines += ['current_limit = "100 mA"', 'highest_voltage = "3.6 V"', 'timeout = "300 ms"']
    path = folder / "ports.bench.toml"
    path.write_text("\n".join(lines) + "\n")
    return path


# -- what it tells --------------------------------------------------------------------------


def test_a_bench_that_is_ready() -> None:
    shown = check()
    assert (shown.exit_code, shown.stderr) == (0, "")
    assert shown.stdout.splitlines() == [
        "files: session hive-scale and bench simulated are in order",
        "meter: Invented Instruments,Meter 1,0,1.0; readings in batches as REAL,64 blocks",
        "supply: Invented Instruments,Supply 1,0,1.0",
        "board: its port, simulated, can be opened",
        # 3 V - 25 mA · 1 Ω, by the sheet
        "waking: on the 100 mA range or above, where 25.0 mA leave the board 2.975 V of 3 V "
        "(at least 2.2 V)",
        # 3 V - 1.2 mA · 5 Ω; 2/√3 · (0.05 % · 1.2 mA + 0.02 % · 10 mA)
        "idle: 1.20 mA expected, on the 10 mA range, which leaves the board 2.994 V; "
        "the meter knows it to ±3.0 µA, settled is ±13 µA: the settling tolerance dominates",
        "weigh: 6.50 mA expected, on the 10 mA range, which leaves the board 2.967 V; "
        "the meter knows it to ±6.1 µA, settled is ±67 µA: the settling tolerance dominates",
        # Without a typical value the limit is what may come.
        "lamp: 11.0 mA at the most, by its limit, on the 100 mA range (if it draws less, on a "
        "lower one, down to 10 µA), which leaves the board 2.989 V; "
        "the meter knows it to ±18 µA: the meter's offset dominates",
        # Its ticks of 1 mA, out of 47 µF, are too much for lower ranges.
        "light_sleep: 25.5 µA expected, on the 1.0 mA range, which leaves the board 2.997 V; "
        "the meter knows it to ±130 nA, settled is ±800 nA: the settling tolerance dominates",
        "deep_sleep: 600 nA expected, on the 10 µA range, which leaves the board 2.999 V; "
        "the meter knows it to ±3.2 nA, settled is ±6.8 nA: the settling tolerance dominates",
        *shown.stdout.splitlines()[-2:],
    ]
    duration, burden = shown.stdout.splitlines()[-2:]
    assert duration.startswith("duration: about ")
    assert ", at the most " in duration
    # 6.5 mA · 33 mV / 3 V are 70 µA, more than 6.1 µA and 67 µA together: 67.3 µA.
    assert burden.startswith("WARNING: weigh: burden_not_corrected: the shunt takes so much ")


def test_only_some_states_by_their_files() -> None:
    shown = check("--only", "idle", "sleeps", "--files-only")
    assert shown.exit_code == 0
    names = [line.partition(":")[0] for line in shown.stdout.splitlines()]
    assert names == ["files", "waking", "idle", "light_sleep", "deep_sleep", "duration"]


def warnings(shown: Result) -> list[str]:
    """But for the one that the session gets on every bench here."""
    lines = shown.stdout.splitlines()
    found = [line.removeprefix("WARNING: ") for line in lines if line.startswith("WARNING: ")]
    return [text for text in found if not text.startswith("weigh: burden_not_corrected: ")]


def bench_with(folder: Path, *changes: tuple[str, str]) -> Path:
    return edited(
        BENCH,
        folder / "b.bench.toml",
        ('sheet = "meter', f'sheet = "{BENCH.parent}/meter'),
        ('board = "boards', f'board = "{BENCH.parent}/boards'),
        *changes,
    )


def test_what_results_will_lack_is_told(tmp_path: Path) -> None:
    idle = ("tx = ", 'tx = "idle" # ')
    hot = ("[simulation]", '[ambient]\ntemperature = "60 °C"\n\n[simulation]')
    leaky = (
        "[meter]",
        '[board.leakage]\ncurrent = "-150 nA"\nwithin = "10 nA"\n\n[meter]',
    )
    shown = check("--files-only", bench=bench_with(tmp_path, idle, hot))
    assert shown.exit_code == 0
    temperature, leakage = warnings(shown)
    assert temperature.startswith(
        "idle, weigh, lamp, light_sleep, deep_sleep: temperature_outside_sheet: the [ambient] "
    )
    assert leakage.startswith("light_sleep, deep_sleep: leakage_not_declared: the UART lines stay ")
    assert warnings(check("--files-only", bench=bench_with(tmp_path, idle, leaky))) == []
    assert warnings(check("--files-only")) == []


def test_a_break_that_may_wake_what_a_byte_wakes_is_told(tmp_path: Path) -> None:
    parked = bench_with(tmp_path, ("tx = ", 'tx = "low" # '))
    (found,) = warnings(check("--files-only", bench=parked))
    assert found.startswith("light_sleep, deep_sleep: a byte wakes it, and parking.tx = 'low' is a")
    assert warnings(check("--only", "idle", "--files-only", bench=parked)) == []


def test_a_power_cycle_that_may_be_too_short_is_told(tmp_path: Path) -> None:
    """47 uF · (3 V - 2.2 V) / 0.6 uA = 63 s."""
    by_byte = 'wake = { by = "byte", send_hex = "00", within = "1.5 s", reboots = true }'
    for off_time, told in (("1 s", 1), ("90 s", 0)):
        cycle = f'wake = {{ by = "power_cycle", off_time = "{off_time}", within = "1.5 s" }}'
        session = edited(SESSION, tmp_path / "s.toml", (by_byte, cycle))
        found = warnings(check("--files-only", session=session))
        assert len(found) == told
        if told:
            assert (
                "decoupling of 47.0 µF keeps it above its minimum_voltage for about 63 s"
                in found[0]
            )


def test_a_state_that_has_no_time_to_settle_is_told(tmp_path: Path) -> None:
    before = 'slowest_time_constant = "2 s"\n'
    for noise, states in (("25 s", 5), ("0.5 s", 0)):
        after = f'{before}slowest_noise = "{noise}"\n'
        session = edited(SESSION, tmp_path / "s.toml", (before, after))
        found = warnings(check("--files-only", session=session))
        assert [each.split(":")[0] for each in found] == [
            "idle", "weigh", "lamp", "light_sleep", "deep_sleep"
        ][:states]  # fmt: skip
        assert all("shows itself in 150 s, and time_limit is" in each for each in found)


def test_a_state_without_any_expectation(tmp_path: Path) -> None:
    session = edited(
        SESSION, tmp_path / "s.toml", ('limit = { max = "0.9 uA", typical = "0.6 uA" }', "")
    )
    shown = check("--only", "deep_sleep", "--files-only", session=session)
    assert shown.exit_code == 0
    assert "so its range is chosen at the bench" in line_of(shown, "deep_sleep")


@pytest.mark.parametrize("options", [[], ["--files-only"]], ids=["opened", "files only"])
def test_a_burden_that_is_too_high(options: list[str], tmp_path: Path) -> None:
    session = edited(
        SESSION, tmp_path / "s.toml", ('minimum_voltage = "2.2 V"', 'minimum_voltage = "2.99 V"')
    )
    shown = check(*options, session=session)
    assert shown.exit_code == 2
    assert [line for line in shown.stdout.splitlines() if "PROBLEM" in line] == [
        "PROBLEM: waking: 25.0 mA on the 100 mA range leave the board 2.975 V, below its "
        "minimum_voltage of 2.99 V; use a meter with a smaller shunt, or a higher supply voltage",
        "PROBLEM: lamp: 11.0 mA on the 100 mA range leave the board 2.989 V, below its "
        "minimum_voltage of 2.99 V; use a meter with a smaller shunt, or a higher supply voltage",
    ]
    assert "idle: 1.20 mA expected, on the 10 mA range" in shown.stdout
    if not options:
        assert "not tried" in line_of(shown, "board")


def test_a_board_that_draws_more_than_the_meter_measures(tmp_path: Path) -> None:
    session = edited(
        SESSION, tmp_path / "s.toml", ('highest_current = "25 mA"', 'highest_current = "250 mA"')
    )
    shown = check("--files-only", session=session)
    assert shown.exit_code == 2
    assert "PROBLEM: waking: 250 mA are more than the meter measures, 120 mA on its highest " in (
        shown.stdout
    )


def test_wrong_files_and_wrong_names(tmp_path: Path) -> None:
    session = edited(SESSION, tmp_path / "s.toml", ('boot_time = "1 s"', "boot_time = 1"))
    for shown in (check(session=session), check("--files-only", session=session)):
        assert (shown.exit_code, shown.stdout) == (2, "")
        assert shown.stderr.startswith(f"{session}:13: board.boot_time: ")
    missing = tmp_path / "no-board.toml"
    shown = check("--files-only", bench=bench_for(tmp_path, missing))
    assert (shown.exit_code, shown.stdout) == (2, "")
    named = f"simulation.board: names {missing}, which cannot be read: No such file or directory\n"
    assert shown.stderr == f"{tmp_path / 'simulated.bench.toml'}:19: {named}"
    shown = check("--only", "nap")
    assert shown.exit_code == 2
    assert "there is no state or subset 'nap'" in shown.stderr


# -- what is opened -------------------------------------------------------------------------


def test_files_only_opens_nothing(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        address = f"TCPIP::127.0.0.1::{server.getsockname()[1]}::SOCKET"
        bench = ports_bench(tmp_path, board="/nowhere/tty", meter=address, supply=address)
        assert check("--files-only", bench=bench).exit_code == 0
        server.setblocking(False)
        with pytest.raises(BlockingIOError):
            server.accept()


def test_without_a_sheet_the_files_do_not_tell_the_ranges(tmp_path: Path) -> None:
    bench = ports_bench(tmp_path, board="/nowhere/tty", meter="TCPIP::h::1::SOCKET", sheet=False)
    shown = check("--files-only", bench=bench)
    assert shown.exit_code == 0
    assert "ranges: not known without a meter sheet" in shown.stdout
    assert line_of(shown, "idle") == "idle: 1.20 mA expected"


@pytest.fixture(scope="module")
def meter(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a simulated meter on a port."""
    with served(tmp_path_factory.mktemp("served")) as bench:
        said = bench.process.said
        (line,) = [line for line in said if line.startswith("meter: ")]
        yield line.removeprefix("meter: ").strip()


@contextmanager
def board_pty() -> Iterator[tuple[int, str]]:
    """A pty where a board would be: its far end, and its name."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    try:
        yield master, os.ttyname(slave)
    finally:
        os.close(master)
        os.close(slave)


@needs_ptys
def test_nothing_is_sent_to_the_board(meter: str, tmp_path: Path) -> None:
    with board_pty() as (master, name):
        shown = check(bench=ports_bench(tmp_path, board=name, meter=meter))
        assert shown.exit_code == 0, shown.output
        assert line_of(shown, "board") == f"board: its port, {name}, can be opened"
        with pytest.raises(BlockingIOError):
            os.read(master, 1)


def test_a_board_port_that_is_not_there(meter: str, tmp_path: Path) -> None:
    bench = ports_bench(tmp_path, board=str(tmp_path / "tty"), meter=meter)
    shown = check(bench=bench)
    assert shown.exit_code == 4
    assert line_of(shown, "meter").startswith("meter: Invented Instruments,")
    assert line_of(shown, "board").startswith(
        f"board: FAULT port_missing: {tmp_path / 'tty'} is not there: check the cable"
    )
    assert "duration: " in shown.stdout


@needs_ptys
def test_a_board_port_that_somebody_holds(meter: str, tmp_path: Path) -> None:
    with board_pty() as (_, name), serial.Serial(name, exclusive=True):
        shown = check(bench=ports_bench(tmp_path, board=name, meter=meter))
    assert shown.exit_code == 4
    assert f"board: FAULT port_busy: {name} is in use by another program" in shown.stdout


@contextmanager
def scpi_server(answer: Callable[[str], str | None]) -> Iterator[str]:
    """An instrument at a port, by what it answers to each line; its address."""

    def serve() -> None:
        with suppress(OSError):
            while True:
                client, _ = server.accept()
                with client, client.makefile("rw", newline="\n", encoding="latin-1") as lines:
                    for line in lines:
                        if (said := answer(line.strip())) is not None:
                            lines.write(said + "\n")
                            lines.flush()

    with socket.create_server(("127.0.0.1", 0)) as server:
        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield f"TCPIP::127.0.0.1::{server.getsockname()[1]}::SOCKET"
        # Wakes `accept`, which closing alone does not on every system.
        server.shutdown(socket.SHUT_RDWR)
    thread.join(10.0)


def silent(line: str) -> str | None:
    return None


def plain(line: str) -> str | None:
    """As much as it takes to be a supply that is asked for its name."""
    if line.startswith("*ESE "):
        return line.removeprefix("*ESE ").partition(";")[0]
    return {"*IDN?": "Apiary Works,Feeder,7,1", "*OPC?": "1"}.get(line)


@needs_ptys
def test_a_silent_meter_and_the_others_are_told_of(tmp_path: Path) -> None:
    with board_pty() as (master, name), scpi_server(silent) as mute, scpi_server(plain) as other:
        bench = ports_bench(tmp_path, board=name, meter=mute, supply=other)
        shown = check(bench=bench)
        with pytest.raises(BlockingIOError):
            os.read(master, 1)
    assert shown.exit_code == 4
    assert line_of(shown, "meter").startswith("meter: FAULT no_reply: ")
    assert "does not answer *IDN?; check that it is on" in line_of(shown, "meter")
    assert line_of(shown, "supply") == "supply: Apiary Works,Feeder,7,1"
    # Without a meter nobody knows what the board would do to itself when it wakes.
    assert line_of(shown, "board") == (
        "board: its port is not tried: that may wake it, and the meter cannot be used"
    )
    assert line_of(shown, "idle").startswith("idle: 1.20 mA expected, on the 10 mA range")


def test_a_supply_that_is_not_there(meter: str, tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as closed:
        number = closed.getsockname()[1]
    address = f"TCPIP::127.0.0.1::{number}::SOCKET"
    shown = check(bench=ports_bench(tmp_path, board="/nowhere/tty", meter=meter, supply=address))
    assert shown.exit_code == 4
    assert line_of(shown, "supply").startswith("supply: FAULT cannot_open: ")
    assert "refused the connection" in line_of(shown, "supply")
    assert line_of(shown, "meter").startswith("meter: Invented")
    assert line_of(shown, "board").startswith("board: FAULT port_missing")


def test_nothing_that_a_meter_says_acts_on_the_terminal(tmp_path: Path) -> None:
    evil = "\x1b]0;owned\x07\x9b2J[bold red]x[/]"

    def answer(line: str) -> str | None:
        if line == "*IDN?":
            return f"Apiary Works{evil},Meter,1,1"
        return f'-100,"Command error;{evil}"' if line == "SYST:ERR?" else plain(line)

    with scpi_server(answer) as meter:
        bench = ports_bench(tmp_path, board="/nowhere/tty", meter=meter, supply=meter)
        shown = check(bench=bench)  # looks at every character
    assert shown.exit_code == 4
    assert "\\x1b]0;owned\\x07" in shown.stdout
    assert "[bold red]x[/]" in shown.stdout


@needs_ptys
def test_told_to_end_while_a_meter_is_silent(tmp_path: Path) -> None:
    with scpi_server(silent) as mute:
        bench = ports_bench(tmp_path, board="/nowhere/tty", meter=mute)
        edited(bench, bench, ('timeout = "300 ms"', 'timeout = "1 h"'))
        process = Process("check", fast_session(tmp_path), "--bench", bench)
        process.wait_for("files: ")
        process.signal(signal.SIGTERM)
        ended = process.end()
    assert ended.status == 4
    assert "benchrig: fault: interrupted: stopped by SIGTERM" in ended.stderr
