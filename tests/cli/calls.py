"""Calls of the command line, in this process and as processes of their own, and what they work
on: session and bench files made from the fixtures."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result
from jsonschema import Draft202012Validator  # type: ignore[import-untyped]

from benchrig.cli import main
from benchrig.records.schema import result_schema

ROOT = Path(__file__).parents[2]
FIXTURES = ROOT / "fixtures"
SESSION = FIXTURES / "hive-scale.session.toml"
BENCH = FIXTURES / "simulated.bench.toml"
BOARD = FIXTURES / "boards" / "hive-scale.toml"
SHEET = FIXTURES / "meter-6-digit.toml"
# Far beyond what anything here needs; a call that hangs is ended and seen.
GIVE_UP_S = 60.0

_SCHEMA = Draft202012Validator(result_schema())


def edited(source: Path, target: Path, *changes: tuple[str, str]) -> Path:
    """A copy of a file with changes; each must find its text, once."""
    text = source.read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1, f"{old!r} is {text.count(old)} times in {source.name}"
        text = text.replace(old, new)
    target.write_text(text, encoding="utf-8")
    return target


def bench_for(folder: Path, board: str | Path = BOARD, *, supply: bool = True) -> Path:
    """A simulated bench with this board, a path or the name of a defect of the hive scale."""
    if isinstance(board, str):
        board = BOARD.with_name(f"hive-scale-{board}.toml")
    text = BENCH.read_text(encoding="utf-8")
    text = text.replace('"meter-6-digit.toml"', json.dumps(str(SHEET)))
    text = text.replace('"boards/hive-scale.toml"', json.dumps(str(board)))
    if not supply:
        start, end = text.index("[supply]"), text.index("[simulation]")
        text = text[:start] + text[end:]
    path = folder / "simulated.bench.toml"
    path.write_text(text, encoding="utf-8")
    return path


def call(*arguments: str | Path, stdin: str | None = None) -> Result:
    """In this process."""
    words = [str(argument) for argument in arguments]
    result = CliRunner().invoke(main, words, input=stdin, catch_exceptions=False)
    assert "Traceback" not in result.output
    return result


def run(out: Path, *arguments: str | Path, session: Path = SESSION, bench: Path = BENCH) -> Result:
    return call("run", session, "--bench", bench, "--out", out, *arguments)


def folder_in(out: Path) -> Path:
    """The only run folder that is there."""
    (folder,) = out.iterdir()
    return folder


def result_in(out: Path) -> dict[str, Any]:
    """The result in the only run folder, held against the schema."""
    return valid(folder_in(out).joinpath("result.json").read_text(encoding="utf-8"))


def valid(text: str) -> dict[str, Any]:
    result: dict[str, Any] = json.loads(text)
    _SCHEMA.validate(result)
    return result


@dataclass(frozen=True)
class Ended:
    status: int
    stdout: str
    stderr: str


class Process:
    """``python -m benchrig ...`` as a process; it is ended if it hangs."""

    def __init__(self, *arguments: str | Path, program: tuple[str, ...] = ("-m", "benchrig")):
        self.popen = subprocess.Popen(
            [sys.executable, *program, *map(str, arguments)],
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            encoding="utf-8",
        )
        self.said: list[str] = []
        self._hangs = threading.Timer(GIVE_UP_S, self.popen.kill)
        self._hangs.daemon = True
        self._hangs.start()

    def wait_for(self, words: str) -> None:
        """Read its standard output up to a line with these words, or to its end."""
        assert self.popen.stdout is not None
        while not (self.said and words in self.said[-1]):
            line = self.popen.stdout.readline()
            if not line:
                return
            self.said.append(line)

    def signal(self, number: int) -> None:
        """Does nothing to a process that has ended."""
        self.popen.send_signal(number)

    def end(self) -> Ended:
        """Wait for its end."""
        stdout, stderr = self.popen.communicate()
        self._hangs.cancel()
        ended = Ended(self.popen.returncode, "".join(self.said) + stdout, stderr)
        assert "Traceback" not in stderr, stderr
        return ended


@dataclass(frozen=True)
class Served:
    """A simulation on ports, and the bench file for it."""

    process: Process
    bench: Path

    @property
    def pty(self) -> str:
        return next(line for line in self.process.said if line.startswith("board: /"))[7:].strip()


@contextmanager
def served(folder: Path, *arguments: str, board: Path = BOARD) -> Iterator[Served]:
    """A simulated bench behind a pty and a TCP port, ten times as fast as a real one."""
    bench = folder / "ports.bench.toml"
    options = ("--meter", SHEET, "--pace", "10", "--write-bench", bench)
    process = Process("simulate", board, *options, *arguments)
    try:
        process.wait_for("ready")
        assert process.said, process.end().stderr
        # The meter integrates over periods of the mains, which are ten times as fast as well.
        edited(bench, bench, ("[meter]\n", '[meter]\nline_frequency = "500 Hz"\n'))
        yield Served(process, bench)
    finally:
        process.popen.terminate()
        process.end()


# The hive scale at ten times its pace: time constants, guards and ticks are as much shorter.
FAST_SESSION = r"""
format = "benchrig/session/1"
name = "fast"

[board]
name = "hive scale (invented)"
supply_voltage = "3.0 V"
minimum_voltage = "2.2 V"
highest_current = "25 mA"
boot_time = "1 s"

[protocol]
receive_ending = "CRLF"
banner = '^hive scale boot'
reject = '^error'
hello = { send = "hello", expect = '^hive ready$', timeout = "300 ms", attempts = 5 }
identity = { send = "id", expect = '^id sn=(?P<serial_number>\S+) fw=(?P<firmware>\S+)$' }

[settling]
guard = "150 ms"
slowest_time_constant = "200 ms"
tolerance = "3 %"
time_limit = "20 s"

[[states]]
name = "idle"
enter = [{ send = "stop", expect = '^ok idle$' }]
limit = { min = "0.9 mA", max = "1.5 mA", typical = "1.2 mA" }

[[states]]
name = "deep_sleep"
enter = [{ send = "sleep deep", expect = '^ok sleep deep$', timeout = "200 ms" }]
limit = { max = "0.9 uA", typical = "0.6 uA" }
settling = { guard = "250 ms" }
must_not_wake = [{ by = "byte", send_hex = "55" }]
quiet = "100 ms"
wake = { by = "byte", send_hex = "00", within = "1.5 s", reboots = true }
"""


def fast_session(folder: Path) -> Path:
    path = folder / "fast.session.toml"
    path.write_text(FAST_SESSION, encoding="utf-8")
    return path
