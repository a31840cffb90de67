"""``benchrig simulate`` as a process of its own, reached through its pty and its ports."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
import serial
from click.testing import CliRunner, Result

from benchrig.cli import main
from benchrig.session import load_bench, load_sheet
from benchrig.session.bench_file import BenchFile
from benchrig.session.toml_file import parse_toml
from benchrig.simulation.links import PTYS

ROOT = Path(__file__).parents[2]
BOARD = str(ROOT / "fixtures" / "boards" / "hive-scale.toml")
SHEET = str(ROOT / "fixtures" / "meter-6-digit.toml")
GIVE_UP_S = 20.0


class Running:
    """A simulation that runs, and what it said until it was ready."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        assert process.stdout is not None
        self.process = process
        self.said: list[str] = []
        while not self.said or not self.said[-1].startswith("ready"):
            line = process.stdout.readline()
            assert line, f"it ended, and said {self.said}"
            self.said.append(line.rstrip("\n"))

    def addresses(self, name: str) -> list[str]:
        return [line.partition(": ")[2] for line in self.said if line.startswith(f"{name}: ")]

    @property
    def bench_text(self) -> str:
        return "\n".join(self.said[self.said.index("") : -1])

    def connect(self, name: str) -> socket.socket:
        address = self.addresses(name)[-1]
        if address.startswith("socket://"):
            host, port = address.removeprefix("socket://").split(":")
        else:
            interface, host, port, kind = address.split("::")
            assert (interface, kind) == ("TCPIP", "SOCKET")
        return socket.create_connection((host, int(port)), timeout=GIVE_UP_S)

    def end(self, number: int = signal.SIGTERM) -> int:
        self.process.send_signal(number)
        return self.process.wait(GIVE_UP_S)


@contextmanager
def simulation(*arguments: str) -> Iterator[Running]:
    process = subprocess.Popen(
        [sys.executable, "-m", "benchrig", "simulate", BOARD, *arguments],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    hangs = threading.Timer(GIVE_UP_S, process.kill)
    hangs.start()
    try:
        yield Running(process)
    finally:
        process.terminate()  # so that it removes its pty's folder
        process.wait()
        hangs.cancel()
        for stream in (process.stdin, process.stdout):
            assert stream is not None
            stream.close()


def line_from(client: socket.socket) -> bytes:
    line = b""
    while not line.endswith(b"\n"):
        byte = client.recv(1)
        assert byte, f"closed after {line!r}"
        line += byte
    return line


def ask(client: socket.socket, message: bytes) -> bytes:
    client.sendall(message)
    return line_from(client)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Running, Path]]:
    """Board, meter and supply, and the bench file that was written."""
    bench = tmp_path_factory.mktemp("bench") / "ports.bench.toml"
    sheet = os.path.relpath(SHEET, ROOT)  # as one types it, and not beside the bench file
    with simulation("--meter", sheet, "--supply", "--write-bench", str(bench)) as running:
        yield running, bench


def test_the_instruments_are_at_their_addresses(whole: tuple[Running, Path]) -> None:
    running, _ = whole
    with running.connect("board") as board:
        with running.connect("supply") as supply:
            assert ask(supply, b"VOLT 3;CURR 0.1;:OUTP ON;*OPC?\n") == b"1\n"
        assert line_from(board) == b"hive scale boot 1.4.2\r\n"
        assert ask(board, b"hello\n") == b"hive ready\r\n"
    with running.connect("meter") as meter:
        assert ask(meter, b"*IDN?\n").count(b",") == 3
        assert 1e-4 < float(ask(meter, b"CONF:CURR 0.01;:CURR:NPLC 1;:READ?\n")) < 0.01
    if PTYS:
        with serial.Serial(running.addresses("board")[0], 9600, timeout=GIVE_UP_S) as port:
            port.write(b"id\n")
            assert port.read_until(b"\n") == b"id sn=HS-0042 fw=1.4.2\r\n"


def test_the_bench_file_loads_and_holds_the_addresses(whole: tuple[Running, Path]) -> None:
    running, path = whole
    bench = load_bench(path)
    assert bench.board.port == running.addresses("board")[0]
    assert bench.board.baud_rate == 9600
    assert [bench.meter.address] == running.addresses("meter")
    assert bench.supply is not None
    assert [bench.supply.address] == running.addresses("supply")
    assert bench.supply.highest_voltage == pytest.approx(3.6)
    assert bench.meter.sheet is not None
    assert load_sheet(bench.meter.sheet) == load_sheet(SHEET)


def test_the_bench_file_to_paste_is_the_one_that_was_written(whole: tuple[Running, Path]) -> None:
    running, path = whole
    assert parse_toml(running.bench_text, "pasted", BenchFile) == parse_toml(
        path.read_text(), "written", BenchFile
    )
    assert "wake it by a byte" in running.bench_text


def test_sigterm_ends_it_with_status_0_and_frees_the_ports() -> None:
    with simulation("--meter", SHEET) as running:
        assert running.addresses("supply") == []
        board_port = int(running.addresses("board")[-1].rpartition(":")[2])
        meter_port = int(running.addresses("meter")[0].split("::")[2])
        with running.connect("meter") as meter:
            assert ask(meter, b"*IDN?\n").count(b",") == 3
            assert running.end() == 0
            assert meter.recv(1) == b""
        assert running.process.stdout is not None
        assert running.process.stdout.read() == ""
        if PTYS:
            assert not Path(running.addresses("board")[0]).parent.exists()
    with simulation(
        "--meter", SHEET, f"--board-port={board_port}", f"--meter-port={meter_port}"
    ) as again:
        assert again.addresses("board")[-1] == f"socket://127.0.0.1:{board_port}"
        assert again.addresses("meter") == [f"TCPIP::127.0.0.1::{meter_port}::SOCKET"]


def test_ctrl_c_ends_it_with_status_0() -> None:
    # A process inherits that a signal is ignored, as it is in a background job; not a handler.
    old = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with simulation() as running:
            assert running.end(signal.SIGINT) == 0
    finally:
        signal.signal(signal.SIGINT, old)


def test_it_ends_with_its_stdin() -> None:
    with simulation("--until-stdin-closes") as running:
        assert running.process.stdin is not None
        running.process.stdin.close()
        assert running.process.wait(GIVE_UP_S) == 0


def test_without_a_meter_there_is_no_bench_file() -> None:
    with simulation() as running:
        assert running.addresses("meter") == running.addresses("supply") == []
        assert "" not in running.said
        with running.connect("board") as board:
            board.settimeout(0.1)
            answer = b""
            while b"hive ready" not in answer:  # it may still be booting
                board.sendall(b"hello\n")
                with suppress(TimeoutError):
                    answer += board.recv(100)
        assert running.end() == 0


# -- what is refused ------------------------------------------------------------------------


def run(*arguments: str) -> Result:
    """In this process; only for calls that end by themselves."""
    return CliRunner().invoke(main, ["simulate", *arguments], catch_exceptions=False)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--pace=0"], "--pace"),
        (["--pace=-1"], "--pace"),
        (["--pace=nan"], "not a finite number"),
        (["--pace=inf"], "not a finite number"),
        (["--seed=-1"], "--seed"),
        (["--board-port=65536"], "--board-port"),
        (["--host=0.0.0.0"], "this computer only"),
        (["--host=192.0.2.1"], "this computer only"),
        (["--host=::1"], "this computer only"),
        (["--host="], "this computer only"),
        (["--host=127.0.0.1.example.com"], "this computer only"),
        (["--meter-port=5025"], "--meter-port needs --meter"),
        (["--supply-port=5025"], "--supply-port needs --supply"),
        (["--write-bench=bench.toml"], "--write-bench needs --meter"),
        (["--force"], "--force goes with --write-bench"),
        (["--meter", BOARD], "format: is 'benchrig/simulated-board/1'"),
        (["--meter", SHEET, "--write-bench=nowhere/bench.toml"], "cannot be written"),
    ],
    ids=lambda value: " ".join(value).replace(str(ROOT), "") if isinstance(value, list) else "",
)
def test_calls_that_make_no_sense(
    arguments: list[str], told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = run(BOARD, *arguments)
    assert result.exit_code == 2
    assert told in result.output
    assert list(tmp_path.iterdir()) == []


def test_a_board_file_that_is_not_there_or_wrong(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.toml"
    wrong.write_text('format = "benchrig/simulated-board/1"\n')
    for path, told in ((wrong, "is missing"), (tmp_path / "none.toml", "cannot be read")):
        result = run(str(path))
        assert result.exit_code == 2
        assert f"{path}" in result.output
        assert told in result.output


@pytest.mark.parametrize("name", ["board", "meter", "supply"])
def test_a_port_that_is_in_use(name: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as holder:
        port = holder.getsockname()[1]
        result = run(BOARD, "--meter", SHEET, "--supply", f"--{name}-port={port}")
    assert result.exit_code == 4
    assert f"port {port} of 127.0.0.1 cannot be used (Address already in use)" in result.output


def test_a_bench_file_that_is_there_is_kept(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text("mine")
    result = run(BOARD, "--meter", SHEET, "--write-bench", str(bench))
    assert result.exit_code == 2
    assert "is there already; --force overwrites it" in result.output
    assert bench.read_text() == "mine"


def test_force_overwrites_a_bench_file(tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text("mine")
    with simulation("--meter", SHEET, "--write-bench", str(bench), "--force") as running:
        assert [load_bench(bench).meter.address] == running.addresses("meter")
