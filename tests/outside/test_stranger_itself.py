"""The stranger's bench does what its manual says: board and burden in invented time, then live."""

from __future__ import annotations

import json
import os
import random
import select
import signal
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import stranger

RANGE_3UA, RANGE_300UA, RANGE_3MA, RANGE_30MA = 0, 2, 3, 4


class Invented:
    """A board in a time that the test turns itself."""

    def __init__(self, *options: str) -> None:
        self.now = 0.0
        opt = stranger.parse_options(options)
        self.log = stranger.Log(lambda: self.now)
        self.board = stranger.Board(opt, self.log, random.Random(1), lambda: self.now)
        self.go(1.0)
        self.said()

    def go(self, seconds: float) -> None:
        self.now += seconds
        self.board.advance(self.now)

    def say(self, data: bytes, then: float = 0.1) -> bytes:
        self.board.receive(data, self.now)
        self.go(then)
        return self.said()

    def said(self) -> bytes:
        out = bytes(byte for due, byte in self.board.tx if due <= self.now)
        self.board.tx.clear()
        return out

    def mean(self, state: str) -> dict[str, Any]:
        here = (state, stranger.RANGES[self.board.range][0])
        (found,) = [m for m in self.board.means() if (m["state"], m["range_A"]) == here]
        return found


def test_replies_carry_echo_prompt_and_cr() -> None:
    bench = Invented()
    assert bench.say(b"?\r") == b"?\r> RDY\r"
    assert bench.say(b"V\r") == b"V\r> V 2.07 #00981\r"
    assert bench.say(b"G9\r") == b"G9\r> ?? G9\r"


def test_boot_is_deaf_and_ends_with_the_banner() -> None:
    bench = Invented()
    bench.say(b"R\r", then=0.1)
    assert bench.say(b"?\r", then=1.0) == b"\x00*** HIVE NODE R2 ***\r"


def test_any_byte_wakes_from_doze_and_is_lost_with_the_next_30_ms() -> None:
    bench = Invented()
    assert bench.say(b"G2\r") == b"G2\r> OK G2\r"
    assert bench.board.mode == "G2"
    noise = bench.say(b"?\r")
    assert noise
    assert set(noise) <= {0xFF, 0x00}
    assert bench.say(b"?\r") == b"?\r> RDY\r"
    assert [wake["by"] for wake in bench.log.entries["wakes"]] == ["any byte"]


def test_stop_cuts_its_acknowledgement_and_only_w_wakes_it() -> None:
    bench = Invented()
    assert bench.say(b"G3\r", then=2.0) == b"G3\r> OK"
    assert bench.board.mode == "G3-delay"
    bench.go(0.5)
    assert bench.say(b"?\r") == b""
    assert bench.board.mode == "G3"
    assert bench.say(b"W").lstrip(b"\xff\x00") == b"W"
    assert bench.say(b"\r") == b"\r> OK W\r"


def test_stop_current_and_tail() -> None:
    bench = Invented()
    bench.board.set_range(RANGE_30MA, "test")
    bench.say(b"G3\r", then=2.3)
    bench.board.set_range(RANGE_3UA, "test")
    bench.go(60.0)
    assert bench.mean("G3-tail")["mean_board_A"] == pytest.approx(1.7e-6 + 3e-6 * 0.1, rel=0.15)
    assert bench.mean("G3")["mean_board_A"] == pytest.approx(1.7e-6, rel=1e-9)
    assert bench.mean("G3")["mean_shunt_A"] == pytest.approx(1.7e-6, rel=1e-3)
    assert bench.board.volts == pytest.approx(2.5 - 1.7e-6 * 20e3, rel=1e-6)


def test_waking_on_a_low_range_browns_out_until_the_range_is_raised() -> None:
    bench = Invented()
    bench.say(b"G3\r", then=4.0)
    bench.board.set_range(RANGE_3UA, "test")
    bench.go(2.0)
    bench.say(b"W", then=3.0)
    resets = bench.log.entries["brown_outs"]
    assert len(resets) > 10
    # first one: C·ΔV/I = 10 µF · (2.5 - 0.04 - 1.9) V / 4.1 mA
    assert resets[0]["t_s"] - bench.log.entries["wakes"][0]["t_s"] == pytest.approx(
        10e-6 * 0.56 / 4.1e-3, rel=0.05
    )
    bench.board.set_range(RANGE_30MA, "test")
    bench.go(1.0)
    assert bench.board.mode == "G1"


@pytest.mark.parametrize(("index", "resets"), [(RANGE_300UA, 1), (RANGE_3MA, 0)])
def test_doze_wakeups_need_the_3_mA_range(index: int, resets: int) -> None:
    bench = Invented("--doze-wakeups")
    bench.say(b"G2\r")
    bench.board.set_range(index, "test")
    bench.go(8.1)
    assert bool(bench.log.entries["brown_outs"]) == bool(resets)
    if not resets:
        mean_A = (61e-6 * 0.797 + 4e-3 * 0.003) / 0.8
        assert bench.mean("G2")["mean_board_A"] == pytest.approx(mean_A, rel=0.02)


def test_without_a_buffer_fast_bytes_are_lost() -> None:
    bench = Invented("--no-buffer")
    assert bench.say(b"V\r") == b"V"
    bench.say(b"\r")
    assert bench.say(b"?", then=0.025) + bench.say(b"\r") == b"?\r> RDY\r"


def test_misbehaving_boards() -> None:
    silent = Invented("--board-silent-after-sleep")
    silent.say(b"G2\r")
    assert silent.say(b"?\r?\r", then=1.0) == b""
    awake = Invented("--board-stuck-awake")
    awake.say(b"G3\r", then=5.0)
    assert awake.board.mode == "G1"
    resetting = Invented("--board-resets-in-sleep", "3")
    resetting.say(b"G2\r", then=4.0)
    assert resetting.log.entries["wakes"][0]["by"] == "watchdog"
    timer = Invented("--wake-timer", "5")
    timer.say(b"G3\r", then=8.0)
    assert timer.log.entries["wakes"][0]["by"] == "timer"
    garbage = Invented("--garbage", "2")
    assert garbage.say(b"?\r") == b"?\r> RDY\r"
    assert garbage.say(b"?\r") != b"?\r> RDY\r"


class Live:
    """The program itself, over its real pty and socket."""

    def __init__(self, log: Path, *options: str) -> None:
        self.log = log
        command = [sys.executable, stranger.__file__, "--log", str(log), *options]
        pipe = subprocess.PIPE
        self.process = subprocess.Popen(command, stdin=pipe, stdout=pipe)
        assert self.process.stdout
        self.where = json.loads(self.process.stdout.readline())
        self.sock = self.connect()

    def connect(self) -> socket.socket:
        port = int(self.where["meter"].split("::")[2])
        return socket.create_connection(("127.0.0.1", port), timeout=10)

    def ask(self, text: str, end: bytes = b"\n") -> bytes:
        self.sock.sendall(text.encode() + b"\n")
        reply = b""
        while not reply.endswith(end):
            more = self.sock.recv(4096)
            if not more:
                break
            reply += more
        return reply.removesuffix(end)

    def tell(self, text: str) -> None:
        self.sock.sendall(text.encode() + b"\n")

    def close(self) -> dict[str, Any]:
        self.sock.close()
        with self.process:
            assert self.process.stdin
            self.process.stdin.close()
            assert self.process.wait(10) == 0
        log: dict[str, Any] = json.loads(self.log.read_text())
        return log


Start = Callable[..., Live]


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    running: list[Live] = []

    def starter(*options: str) -> Live:
        running.append(Live(tmp_path / f"{len(running)}.json", *options))
        return running[-1]

    yield starter
    for live in running:
        if live.process.poll() is None:
            live.close()


def read_until(fd: int, end: bytes) -> bytes:
    data = b""
    while not data.endswith(end) and select.select([fd], [], [], 10)[0]:
        data += os.read(fd, 4096)
    return data


def test_parser(start: Start) -> None:
    live = start()
    assert live.ask("*IDN?") == b"NOBODY IN PARTICULAR,AMMETER 6R,X0417,2.1.0-r3"
    assert live.ask("FUNC?;:SENSe:CURRent:DC:RANGe:AUTO?") == b'"VOLT:DC";1'
    assert live.ask('func "curr";:curr:rang 2 uA;nplc 0.5;:samp:coun 513;:curr:rang?') == (
        b"+3.00000E-06"
    )
    assert live.ask("CURR:NPLC?;RANG? MAX;:SYST:ERR?") == (
        b'+1.00000E+00;+3.00000E-01;-222,"Data out of range"'
    )
    for command, code in (
        ("FORM:DATA REAL,64", -224),
        ("NONSENSE?", -113),
        ("CURR:RANG", -109),
        ("CURR:RANG 1,2", -108),
        ("CURR:RANG 1 V", -131),
        ("CURR::RANG 1", -102),
        ("FETC?", -230),
        ("FUNC 'VOLT';:READ?", -221),
        ("FUNC 'CURR';:TRIG:SOUR BUS;:READ?", -214),
        ("*TRG;*TRG;*TRG;*CLS;*TRG;*TRG;ABOR;*TRG", -211),
    ):
        live.tell("*CLS;" + command)
        assert live.ask("SYST:ERR?").split(b",")[0] == b"%d" % code, command
    assert live.ask("*ESE 16;*ESR?") == b"16"


def test_readings_and_autorange(start: Start) -> None:
    live = start("--real64", "--crlf")
    fd = os.open(live.where["board"], os.O_RDWR | os.O_NOCTTY)
    assert read_until(fd, b"***\r") == b"\x00*** HIVE NODE R2 ***\r"
    live.tell("CONF:CURR:DC AUTO;:CURR:NPLC 1")
    assert float(live.ask("READ?", b"\r\n")) == pytest.approx(4.1e-3, rel=2e-3)
    os.write(fd, b"G2\r")
    assert read_until(fd, b"G2\r> OK G2\r") == b"G2\r> OK G2\r"
    time.sleep(0.1)
    values = live.ask("SAMP:COUN 4;:INIT;:FETC?", b"\r\n").split(b",")
    assert [float(value) for value in values] == pytest.approx([61e-6] * 4, rel=0.02)
    assert live.ask("CURR:RANG?", b"\r\n") == b"+3.00000E-04"
    live.tell("FORM:DATA REAL,64;:READ?")
    block = live.sock.recv(36, socket.MSG_WAITALL) + live.sock.recv(2, socket.MSG_WAITALL)
    assert block[:4] == b"#232"
    assert struct.unpack(">4d", block[4:36]) == pytest.approx([61e-6] * 4, rel=0.02)
    assert block[36:] == b"\r\n"
    live.tell("CURR:RANG 3E-6;:FORM ASC")  # the capacitor gives way first, within 80 ms
    assert live.ask("READ?", b"\r\n").endswith(b",+9.90000E+37")
    os.close(fd)
    log = live.close()
    last = log["range_changes"][-1]
    assert (last["state"], last["range_A"], last["to_A"]) == ("G2", 300e-6, 3e-6)
    assert last["board_A"] == 61e-6
    assert "G2" in [command["text"] for command in log["commands"] if command["to"] == "board"]
    assert not os.path.lexists(live.where["board"])


def test_log_on_signal(start: Start) -> None:
    live = start()
    live.ask("*IDN?")
    live.process.send_signal(signal.SIGUSR1)
    while not live.log.exists():
        assert live.process.poll() is None
        time.sleep(0.01)
    assert json.loads(live.log.read_text())["commands"][0]["text"] == "*IDN?"


def test_bad_sockets(start: Start) -> None:
    closing = start("--close-socket-after", "2")
    closing.ask("*IDN?")
    assert closing.ask("*IDN?") == b""
    closing.sock.close()
    closing.sock = closing.connect()
    assert closing.ask("*IDN?")
    dead = start("--dead-socket-after", "2")
    dead.ask("*IDN?")
    dead.tell("*IDN?")
    assert select.select([dead.sock], [], [], 0.3)[0] == []


@pytest.mark.parametrize("options", [(), ("--refuse-second",)])
def test_one_client_at_a_time(start: Start, options: tuple[str, ...]) -> None:
    live = start(*options)
    live.ask("*IDN?")
    if options:
        with pytest.raises(ConnectionRefusedError):
            live.connect()
        return
    with live.connect() as second:
        second.sendall(b"*IDN?\n")
        assert select.select([second], [], [], 0.2)[0] == []
        live.sock.close()
        assert second.recv(100).startswith(b"NOBODY")


def test_lies_and_overload(start: Start) -> None:
    live = start("--error-queue-lies", "--overload-for", "0.3", "--no-nodelay")
    live.tell("NONSENSE")
    assert live.ask("SYST:ERR?") == b'+0,"No error"'
    assert live.ask("CONF:CURR 3E-1;:CURR:NPLC 0.1;:READ?") == b"+9.90000E+37"
    time.sleep(0.4)
    assert float(live.ask("READ?")) == pytest.approx(4.1e-3, rel=0.1)
