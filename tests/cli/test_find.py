"""``benchrig find`` against servers on loopback and ptys, well and badly behaved."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
import serial
from click.testing import CliRunner, Result

from benchrig.cli import find, main
from benchrig.session.bench_file import ScpiPort
from tests.wires.far_ends import IDENTITY, Action, PtyServer, Script, TcpServer

ROOT = Path(__file__).parents[2]
SHORT = "--timeout=100 ms"


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["find", *arguments], catch_exceptions=False)


def at(port: int) -> str:
    return f"TCPIP::127.0.0.1::{port}::SOCKET"


@pytest.fixture
def script() -> Script:
    return Script()


@pytest.fixture
def instrument(script: Script) -> Iterator[str]:
    server = TcpServer(script)
    yield at(server.port)
    server.stop()


@contextmanager
def served(treat: Callable[[socket.socket], None]) -> Iterator[str]:
    """The address of a server that does `treat` with each client, and then closes."""
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        with suppress(OSError):
            while True:
                with listener.accept()[0] as client, suppress(OSError):
                    treat(client)

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield at(listener.getsockname()[1])
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join(10)
        assert not thread.is_alive()


@pytest.fixture
def refused() -> Iterator[int]:
    """A port that nobody else gets and that refuses connections."""
    with socket.socket() as unheard:
        unheard.bind(("127.0.0.1", 0))
        yield unheard.getsockname()[1]


# -- asking ---------------------------------------------------------------------------------


def test_an_instrument_tells_its_name(instrument: str) -> None:
    result = run(instrument)
    assert (result.exit_code, result.output) == (0, f"{instrument}: {IDENTITY}\n")


class _CarriageReturns(Script):
    """Takes lines that end with CR and LF only."""

    def actions(self, line: str) -> Sequence[Action]:
        assert line.endswith("\r")
        return super().actions(line.removesuffix("\r"))


def test_a_serial_instrument_with_its_terminations() -> None:
    script = _CarriageReturns()
    script.terminator = b"\r"
    server = PtyServer(script)
    address = f"ASRL{server.path}::INSTR"
    try:
        result = run(
            address, "--baud-rate=57600", "--read-termination=CR", "--write-termination=CRLF"
        )
    finally:
        server.stop()
    assert (result.exit_code, result.output) == (0, f"{address}: {IDENTITY}\n")
    assert script.lines[-1] == "*IDN?"


def test_nobody_answers() -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        address = at(silent.getsockname()[1])
        result = run(SHORT, address)
    assert result.exit_code == 4
    assert result.output.startswith(f"{address}: does not answer *IDN?; check that it is on")


def test_a_server_that_closes_at_once() -> None:
    with served(lambda client: None) as address:
        result = run(SHORT, address)
    assert result.exit_code == 4
    assert result.output.startswith(f"{address}: ")
    assert "closed by the instrument" in result.output or "is gone" in result.output


def test_a_refused_port(refused: int) -> None:
    result = run(at(refused))
    assert result.exit_code == 4
    assert result.output.startswith(f"{at(refused)}: refused the connection: check the port")


def test_a_name_that_nobody_knows() -> None:
    # With a blank in it, it is asked of no name server.
    result = run("TCPIP::no such host::5025::SOCKET")
    assert result.exit_code == 4
    assert "its host is not known" in result.output


@pytest.mark.parametrize("arguments", [(), ("--json",)])
def test_control_characters_do_not_reach_the_terminal(
    instrument: str, script: Script, arguments: tuple[str, ...]
) -> None:
    script.instead("*IDN?", b"Apiary\x1b]0;mine\x07\x1b[31m Works\x7f\xff\n")
    result = run(instrument, *arguments)
    assert result.exit_code == 0
    plain = result.output.replace("\n", "")
    assert plain.isprintable()
    text = json.loads(result.output)["asked"][0]["identity"] if arguments else plain
    assert text.endswith(r"Apiary\x1b]0;mine\x07\x1b[31m Works\x7f\xff")


def test_garbage_in_a_message_is_escaped(script: Script) -> None:
    script.instead("*ESE 2;*ESE?", b"\x1b[2J")
    script.instead("*IDN?", b"")
    server = TcpServer(script)
    try:
        result = run(SHORT, at(server.port))
    finally:
        server.stop()
    assert result.exit_code == 4
    assert result.output.replace("\n", "").isprintable()


def test_one_that_never_stops_talking() -> None:
    over = threading.Event()

    def talk(client: socket.socket) -> None:
        while not over.wait(0.01):
            client.sendall(b"weight 41.7 kg\n")

    with served(talk) as address:
        try:
            result = run("--timeout=50 ms", address)
        finally:
            over.set()
    assert result.exit_code == 4
    assert "says something without end" in result.output


def test_one_after_the_other_and_the_worst_decides(instrument: str, refused: int) -> None:
    result = run(at(refused), instrument)
    assert result.exit_code == 4
    first, second = result.output.splitlines()
    assert first.startswith(f"{at(refused)}: refused")
    assert second == f"{instrument}: {IDENTITY}"


def test_json_of_what_was_asked(instrument: str, refused: int) -> None:
    result = run("--json", instrument, at(refused))
    assert result.exit_code == 4
    answered, failed = json.loads(result.output)["asked"]
    assert answered == {
        "address": instrument,
        "ok": True,
        "identity": IDENTITY,
        "kind": "",
        "message": "",
    }
    assert (failed["ok"], failed["kind"]) == (False, "cannot_open")


def test_it_can_be_interrupted_while_it_waits() -> None:
    over = threading.Event()

    def interrupt(client: socket.socket) -> None:
        os.kill(os.getpid(), signal.SIGINT)  # whoever has a client has been called by the command
        over.wait(20)

    def fallen_through(number: int, frame: object) -> None:
        raise AssertionError("the command does not catch SIGINT")

    old = signal.signal(signal.SIGINT, fallen_through)
    try:
        with served(interrupt) as address:
            result = run("--timeout=1 h", address)
            over.set()
    finally:
        over.set()
        signal.signal(signal.SIGINT, old)
    assert result.exit_code == 4
    assert "interrupted: stopped by SIGINT" in result.output


# -- serial ports ---------------------------------------------------------------------------


def test_a_serial_port_is_opened_and_nothing_is_sent(script: Script) -> None:
    server = PtyServer(script)
    try:
        result = run(server.path)
    finally:
        server.stop()
    assert (result.exit_code, result.output) == (0, f"{server.path}: can be opened\n")
    assert script.lines == []


def test_a_busy_and_a_missing_serial_port(script: Script) -> None:
    server = PtyServer(script)
    try:
        with serial.Serial(server.path, exclusive=True):
            result = run(server.path, "/dev/ttyUSB99")
    finally:
        server.stop()
    assert result.exit_code == 4
    busy, missing = result.output.splitlines()
    assert busy.startswith(f"{server.path}: is in use by another program")
    assert missing.startswith("/dev/ttyUSB99: is not there")


def test_a_serial_port_on_the_network(refused: int) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        address = f"socket://127.0.0.1:{server.getsockname()[1]}"
        result = run(address, f"socket://127.0.0.1:{refused}")
    assert result.exit_code == 4
    opened, failed = result.output.splitlines()
    assert opened == f"{address}: can be opened"
    assert "refused the connection" in failed


# -- listing --------------------------------------------------------------------------------


class _Port:
    device = "/dev/ttyUSB7"
    description = "Apiary\x1b[31m adapter"


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [_Port()])
    monkeypatch.setattr(
        "benchrig.wires.finding.visa_addresses", lambda backend: (["USB0::1::INSTR"], [])
    )


@pytest.mark.usefixtures("here")
def test_a_list_of_what_is_here() -> None:
    result = run()
    assert result.exit_code == 0
    assert result.output == (
        "Serial ports:\n"
        "  /dev/ttyUSB7  Apiary\\x1b[31m adapter\n"
        "VISA addresses (@py, USB and GPIB only):\n"
        "  USB0::1::INSTR\n"
    )


@pytest.mark.usefixtures("here")
def test_the_list_in_json() -> None:
    assert json.loads(run("--json").output) == {
        "serial_ports": [{"port": "/dev/ttyUSB7", "description": "Apiary\\x1b[31m adapter"}],
        "visa_addresses": ["USB0::1::INSTR"],
        "problems": [],
    }


@pytest.mark.usefixtures("here")
def test_a_backend_that_hangs_or_fails_is_a_line(monkeypatch: pytest.MonkeyPatch) -> None:
    over = threading.Event()

    def hang(backend: str) -> Any:
        over.wait(20)
        return [], []

    def fail(backend: str) -> Any:
        raise RuntimeError("two\nlines")

    monkeypatch.setattr(find, "_LISTING_S", 0.1)
    try:
        for backend, told in ((hang, "no end after 0.1 s"), (fail, "two lines")):
            monkeypatch.setattr("benchrig.wires.finding.visa_addresses", backend)
            result = run()
            assert result.exit_code == 0
            assert "/dev/ttyUSB7" in result.output
            last = result.output.splitlines()[-1]
            assert last == f"VISA addresses could not be listed: {told}"
    finally:
        over.set()


def test_a_list_in_a_process_of_its_own_gives_no_warnings() -> None:
    done = subprocess.run(
        [sys.executable, "-X", "dev", "-m", "benchrig", "find", "--json"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr == ""
    assert set(json.loads(done.stdout)) == {"serial_ports", "visa_addresses", "problems"}


def test_a_backend_that_is_not_installed() -> None:
    result = run("--backend=@nonsense")
    assert result.exit_code == 0
    assert "VISA addresses could not be listed: Wrapper not found" in result.output


# -- options --------------------------------------------------------------------------------


@pytest.mark.parametrize("timeout", ["2", "0 s", "-1 s", "soon", "1 V"])
def test_a_timeout_that_makes_no_sense(timeout: str) -> None:
    result = run(f"--timeout={timeout}")
    assert result.exit_code == 2
    assert "--timeout" in result.output


def test_the_defaults_are_those_of_the_bench_file() -> None:
    given = {option.name: option.default for option in find.command.params}
    expected = ScpiPort()
    assert find._seconds(given.pop("timeout")) == expected.timeout
    for name in ("backend", "read_termination", "write_termination", "baud_rate"):
        assert given[name] == getattr(expected, name)
