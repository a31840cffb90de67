"""``benchrig zero``: what it asks, what it keeps, and what a run makes of that."""

from __future__ import annotations

import json
import os
import pty
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from benchrig.simulation.links import PTYS
from tests.cli.calls import BENCH, ROOT, bench_for, call, edited, result_in, run


def bench_with_zeros(folder: Path, zeros: str = "zeros.json", *, supply: bool = True) -> Path:
    """With a supply, which is off, no current flows; without, the board has its power."""
    bench = bench_for(folder, supply=supply)
    return edited(bench, bench, ("[meter]\n", f"[meter]\nzeros = {json.dumps(zeros)}\n"))


def budget_names(result: dict[str, Any]) -> set[str]:
    return {entry["name"] for entry in result["states"][0]["budget"]}


def test_the_zeros_are_taken_kept_and_used(tmp_path: Path) -> None:
    bench = bench_with_zeros(tmp_path)
    # Before there are any, it is measured without.
    assert run(tmp_path / "before", "--only", "deep_sleep", bench=bench).exit_code == 0
    shown = call("zero", "--bench", bench, stdin="y\n")
    assert (shown.exit_code, shown.stderr) == (0, "")
    lines = shown.stdout.splitlines()
    assert "Switch the supply off" in lines[0]
    assert [line.partition(" range: ")[0] for line in lines if " range: " in line] == [
        "100 mA",
        "10 mA",
        "1.0 mA",
        "100 µA",
        "10 µA",
    ]
    assert lines[-1] == f"kept in {tmp_path / 'zeros.json'}"
    kept = json.loads((tmp_path / "zeros.json").read_text())
    assert kept["format"] == "benchrig/zeros/1"
    assert kept["meter"] == "Invented Instruments,Meter 1,0,1.0"
    assert [zero["full_scale_A"] for zero in kept["zeros"]] == [1e-5, 1e-4, 1e-3, 1e-2, 1e-1]
    assert run(tmp_path / "after", "--only", "deep_sleep", bench=bench).exit_code == 0
    before, after = result_in(tmp_path / "before"), result_in(tmp_path / "after")
    assert "zero" not in budget_names(before)
    assert budget_names(after) == (budget_names(before) - {"offset"}) | {"zero"}
    old, new = before["states"][0], after["states"][0]
    assert new["expanded_uncertainty_A"] < old["expanded_uncertainty_A"]
    # 0.24 uA + 0.3 uA + 20 nA/V · 3 V, by the file of the simulated board
    assert abs(new["current_A"] - 0.6e-6) < new["expanded_uncertainty_A"]


def test_it_need_not_ask(tmp_path: Path) -> None:
    shown = call("zero", "--bench", bench_with_zeros(tmp_path), "--yes")
    assert shown.exit_code == 0
    assert "Switch the supply off" in shown.stdout
    assert "Is nothing connected?" not in shown.stdout
    assert (tmp_path / "zeros.json").exists()


@pytest.mark.parametrize("answer", ["n\n", "\n", ""], ids=["no", "nothing", "end of input"])
def test_nothing_is_done_without_a_yes(answer: str, tmp_path: Path) -> None:
    shown = call("zero", "--bench", bench_with_zeros(tmp_path), stdin=answer)
    assert shown.exit_code == 2
    assert "Is nothing connected? [y/N]" in shown.stdout
    assert "range:" not in shown.stdout
    assert shown.stderr == (
        "benchrig: zeros are taken with nothing connected, and that was not confirmed\n"
    )
    assert not (tmp_path / "zeros.json").exists()


def test_a_board_that_is_connected_after_all(tmp_path: Path) -> None:
    shown = call("zero", "--bench", bench_with_zeros(tmp_path, supply=False), "--yes")
    assert shown.exit_code == 4
    assert "benchrig: fault: not_open: meter: reads up to " in shown.stderr
    assert "the circuit is not open. Switch the power off" in shown.stderr
    assert not (tmp_path / "zeros.json").exists()


def test_zeros_that_are_there_stay_when_new_ones_cannot_be_taken(tmp_path: Path) -> None:
    (tmp_path / "zeros.json").write_text("mine")
    shown = call("zero", "--bench", bench_with_zeros(tmp_path, supply=False), "--yes")
    assert shown.exit_code == 4
    assert (tmp_path / "zeros.json").read_text() == "mine"


def test_damaged_zeros_are_not_taken_for_none(tmp_path: Path) -> None:
    (tmp_path / "zeros.json").write_text('{"format": "benchrig/zeros/1"')
    bench = bench_with_zeros(tmp_path)
    shown = run(tmp_path / "runs", "--only", "idle", bench=bench)
    assert shown.exit_code == 2
    named = f"names {tmp_path / 'zeros.json'}, which is not a file of zeros"
    assert f"{bench}:10: meter.zeros: {named}" in shown.stderr
    assert "take them again" in shown.stderr
    # That must be possible.
    assert call("zero", "--bench", bench, "--yes").exit_code == 0
    assert run(tmp_path / "runs", "--only", "idle", bench=bench).exit_code == 0


def test_a_bench_that_does_not_say_where() -> None:
    shown = call("zero", "--bench", BENCH, "--yes")
    assert shown.exit_code == 2
    assert shown.stdout == ""
    assert shown.stderr.startswith(f"{BENCH}: meter.zeros: is missing")
    assert 'add zeros = "meter-zeros.json", say' in shown.stderr


@pytest.mark.parametrize("arguments", [[], ["--bench", "missing.toml"]], ids=["none", "missing"])
def test_there_must_be_a_bench(arguments: list[str]) -> None:
    shown = call("zero", *arguments)
    assert shown.exit_code == 2
    assert "--bench" in shown.stderr or "missing.toml: cannot be read" in shown.stderr


def test_a_place_that_is_not_there_is_told_before_anything_is_done(tmp_path: Path) -> None:
    shown = call("zero", "--bench", bench_with_zeros(tmp_path, "nowhere/zeros.json"), "--yes")
    assert (shown.exit_code, shown.stdout) == (2, "")
    assert f"there is no folder {tmp_path / 'nowhere'}" in shown.stderr


def test_zeros_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "zeros.json").mkdir()
    shown = call("zero", "--bench", bench_with_zeros(tmp_path), "--yes")
    assert shown.exit_code == 4
    assert "benchrig: fault: record_failed: the zeros cannot be kept: " in shown.stderr


@pytest.mark.skipif(not PTYS, reason="this system has no ptys")
def test_ctrl_c_at_the_question_ends_it(tmp_path: Path) -> None:
    """In a terminal of its own, since Ctrl-C is the terminal's."""
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "benchrig", "zero", "--bench", str(bench_with_zeros(tmp_path))],
        cwd=ROOT,
        stdin=slave,
        stdout=slave,
        stderr=slave,
        start_new_session=True,
        preexec_fn=lambda: os.close(os.open(os.ttyname(0), os.O_RDWR)),  # becomes its terminal
    )
    os.close(slave)
    said = b""
    while b"[y/N]" not in said:
        said += os.read(master, 1000)
    os.write(master, b"\x03")
    assert process.wait(60.0) == -signal.SIGINT
    os.close(master)
    assert b"Traceback" not in said
    assert not (tmp_path / "zeros.json").exists()
