"""The command line as a whole: help, version, exit statuses of what is not a measurement."""

from __future__ import annotations

import subprocess
import sys

import click
import pytest

from benchrig import __version__
from benchrig.cli import main
from tests.cli.calls import ROOT, call

COMMANDS = ["characterise", "check", "find", "run", "simulate", "verify-meter", "zero"]


@pytest.mark.parametrize("option", ["--help", "-h"])
def test_help(option: str) -> None:
    shown = call(option)
    assert shown.exit_code == 0
    for name in COMMANDS:
        assert f"\n  {name} " in shown.stdout


@pytest.mark.parametrize("option", ["--help", "-h"])
@pytest.mark.parametrize("name", COMMANDS)
def test_help_on_a_command(name: str, option: str) -> None:
    shown = call(name, option)
    assert shown.exit_code == 0
    command = main.commands[name]
    for parameter in command.params:
        for word in parameter.opts if isinstance(parameter, click.Option) else ():
            assert word in shown.stdout
            assert parameter.help, f"{name} {word} has no help"


def test_version() -> None:
    assert call("--version").stdout == f"benchrig, version {__version__}\n"


def test_python_m_benchrig() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "benchrig", "--version"], cwd=ROOT, capture_output=True, text=True
    )
    assert (done.returncode, done.stdout, done.stderr) == (
        0,
        f"benchrig, version {__version__}\n",
        "",
    )


@pytest.mark.parametrize("words", [[], ["measure"], ["--verbose"]], ids=str)
def test_no_such_call(words: list[str]) -> None:
    shown = call(*words)
    assert shown.exit_code == 2
    assert "Usage: " in shown.stderr


@pytest.mark.parametrize("error", [KeyboardInterrupt, click.Abort])
def test_an_end_by_hand_is_no_fail_of_a_board(
    error: type[BaseException], monkeypatch: pytest.MonkeyPatch
) -> None:
    """1 is the status of a board that failed, and what click ends with otherwise."""

    def ended(*_: object) -> None:
        raise error

    monkeypatch.setattr("benchrig.session.load_bench", ended)
    shown = call("zero", "--bench", "bench.toml")
    assert shown.exit_code == 4
    assert shown.stderr == "benchrig: fault: interrupted: stopped before it was done\n"
