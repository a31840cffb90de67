"""The server: a simulated bench behind a real pty and real sockets."""

from __future__ import annotations

import os
import select
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from benchrig.clock import RealClock
from benchrig.session.sheet import MeterSheet
from benchrig.session.toml_file import read_toml
from benchrig.simulation.files import load_board
from benchrig.simulation.links import PTYS, TcpLink
from benchrig.simulation.serve import Server
from benchrig.simulation.world import World

ROOT = Path(__file__).parents[2]
FIXTURES = ROOT / "fixtures"
BANNER = b"hive scale boot 1.4.2\r\n"
GIVE_UP_S = 20.0


def make_world() -> World:
    board = load_board(FIXTURES / "boards" / "hive-scale.toml")
    return World(board, read_toml(FIXTURES / "meter-6-digit.toml", MeterSheet), 1, supply=True)


@pytest.fixture
def server() -> Iterator[Server]:
    """In a thread, ten times as fast as real."""
    with Server(make_world(), RealClock(), 10.0) as made:
        thread = threading.Thread(target=made.run)
        thread.start()
        yield made
        made.stop()
        thread.join(GIVE_UP_S)
        assert not thread.is_alive()


def connect(server: Server, port: int | None) -> socket.socket:
    assert port is not None
    return socket.create_connection((server.addresses.host, port), timeout=GIVE_UP_S)


def line_from(client: socket.socket) -> bytes:
    """One line; what follows it stays in the socket."""
    line = b""
    while not line.endswith(b"\n"):
        byte = client.recv(1)
        assert byte, f"closed after {line!r}"
        line += byte
    return line


def ask(client: socket.socket, message: bytes) -> bytes:
    client.sendall(message)
    return line_from(client)


def power_up(server: Server) -> None:
    with connect(server, server.addresses.supply_port) as supply:
        assert ask(supply, b"VOLT 3;CURR 0.1;:OUTP ON;*OPC?\n") == b"1\n"


def test_meter_and_supply_on_sockets(server: Server) -> None:
    with connect(server, server.addresses.board_port) as board:
        power_up(server)
        assert line_from(board) == BANNER  # past the inrush, which would be an overload
    with connect(server, server.addresses.meter_port) as meter:
        assert ask(meter, b"*IDN?\n").count(b",") == 3
        assert ask(meter, b"CONF:CURR 0.01;:CURR:NPLC 1;*OPC?\n") == b"1\n"
        assert 1e-4 < float(ask(meter, b"READ?\n")) < 0.01


def test_the_board_on_a_socket(server: Server) -> None:
    with connect(server, server.addresses.board_port) as board:
        power_up(server)
        assert line_from(board) == BANNER
        assert ask(board, b"hello\n") == b"hive ready\r\n"


def test_the_next_client_comes_at_once(server: Server) -> None:
    for _ in range(30):
        with connect(server, server.addresses.meter_port) as meter:
            assert ask(meter, b"*IDN?\n").count(b",") == 3


def test_a_client_that_leaves_without_reading_does_no_harm(server: Server) -> None:
    with connect(server, server.addresses.meter_port) as meter:
        meter.sendall(b"*IDN?\n" * 200)
    with connect(server, server.addresses.meter_port) as meter:
        assert ask(meter, b"*OPC?\n") == b"1\n"


class Listener:
    """A far end that keeps what it hears."""

    def __init__(self) -> None:
        self.heard: list[bytes | str] = []

    def connect(self, t: float) -> None:
        self.heard.append("connect")

    def disconnect(self, t: float) -> None:
        self.heard.append("disconnect")

    def receive(self, data: bytes, t: float) -> None:
        self.heard.append(data)

    def output(self, t: float) -> bytes:
        return b""

    def next_output(self, t: float) -> float | None:
        return None

    def set_line(self, line: str, asserted: bool, t: float) -> None:
        raise AssertionError(line)


def turn(link: TcpLink, wait_s: float = GIVE_UP_S) -> None:
    readable, writable, _ = select.select(link.readers(), link.writers(), [], wait_s)
    link.serve({*readable, *writable}, 0.0)


def test_what_one_client_did_not_read_is_not_for_the_next() -> None:
    end = Listener()
    link = TcpLink(end, "127.0.0.1", 0, announce=True)
    try:
        idle = link.readers()
        with socket.create_connection(("127.0.0.1", link.port), timeout=GIVE_UP_S) as client:
            turn(link)
            link.send(b"x" * 40_000_000)  # more than any socket holds
            assert link.writers()
            client.shutdown(socket.SHUT_WR)
            while link.readers() != idle:
                turn(link)
        with socket.create_connection(("127.0.0.1", link.port), timeout=GIVE_UP_S) as client:
            turn(link)
            link.send(b"y")
            assert client.recv(100) == b"y"
        assert end.heard == ["connect", "disconnect", "connect"]
    finally:
        link.close()


def test_a_long_reply_arrives_whole() -> None:
    link = TcpLink(Listener(), "127.0.0.1", 0, announce=True)
    reply = bytes(range(256)) * 50_000
    try:
        with socket.create_connection(("127.0.0.1", link.port), timeout=GIVE_UP_S) as client:
            turn(link)
            link.send(reply)
            got = bytearray()
            while len(got) < len(reply):
                got += client.recv(1 << 20)
                turn(link, 0.0)  # it may have to wait for the next read here
            assert got == reply
    finally:
        link.close()


@pytest.mark.skipif(not PTYS, reason="this system has no ptys")
def test_the_board_on_a_pty_with_pyserial(server: Server) -> None:
    path = server.addresses.board_pty
    assert path is not None
    with serial.Serial(path, 9600, timeout=GIVE_UP_S) as port:
        power_up(server)
        assert port.read_until(b"\n") == BANNER
        port.write(b"id\n")
        assert port.read_until(b"\n") == b"id sn=HS-0042 fw=1.4.2\r\n"
        port.write(b"sleep deep\n")
        assert port.read(5) == b"ok sl"
    with serial.Serial(path, 9600, timeout=GIVE_UP_S) as port:  # opened a second time
        port.write(b"\x00")
        assert port.read_until(b"\n") == BANNER


@pytest.mark.skipif(not PTYS, reason="this system has no ptys")
def test_the_pty_is_private_and_goes_with_the_server() -> None:
    with Server(make_world(), RealClock()) as made:
        assert made.addresses.board_pty is not None
        path = Path(made.addresses.board_pty)
        assert path.is_symlink()
        assert path.parent.stat().st_mode & 0o077 == 0
    assert not path.parent.exists()
    made.close()


def test_without_a_pty_the_board_is_on_tcp_only() -> None:
    with Server(make_world(), RealClock(), with_pty=False) as made:
        assert made.addresses.board_pty is None
        assert made.addresses.board_port > 0


def test_a_world_without_meter_and_supply() -> None:
    world = World(load_board(FIXTURES / "boards" / "hive-scale.toml"), None, 1)
    with Server(world, RealClock(), with_pty=False) as made:
        assert (made.addresses.meter_port, made.addresses.supply_port) == (None, None)


def test_a_taken_port_is_an_error_and_leaves_nothing_open() -> None:
    with Server(make_world(), RealClock(), with_pty=False) as first:
        taken = first.addresses.meter_port
        assert taken is not None
        with pytest.raises(OSError, match="in use"):
            Server(make_world(), RealClock(), meter_port=taken)


def test_it_ends_when_the_clock_is_asked_to_stop() -> None:
    clock = RealClock()
    with Server(make_world(), clock, with_pty=False) as made:
        clock.stop.make("the test")
        made.run()  # returns


def test_it_ends_with_its_stdin() -> None:
    program = f"""
from pathlib import Path
from benchrig.clock import RealClock
from benchrig.simulation.files import load_board
from benchrig.simulation.serve import Server
from benchrig.simulation.world import World
world = World(load_board(Path({str(FIXTURES)!r}) / "boards" / "hive-scale.toml"), None, 1)
with Server(world, RealClock()) as server:
    print(server.addresses.board_port, flush=True)
    server.run(until_stdin_closes=True)
"""
    process = subprocess.Popen(
        [sys.executable, "-c", program],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    try:
        assert process.stdin is not None
        assert process.stdout is not None
        port = int(process.stdout.readline())
        with socket.create_connection(("127.0.0.1", port), timeout=GIVE_UP_S) as board:
            board.sendall(b"hello\n")
            assert process.poll() is None
        process.stdin.close()
        assert process.wait(GIVE_UP_S) == 0
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
