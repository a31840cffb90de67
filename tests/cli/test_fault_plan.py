"""``benchrig run --fault-plan``."""

from __future__ import annotations

from pathlib import Path

from tests.cli.calls import BENCH, FIXTURES, SESSION, SHEET, call, result_in

PLAN = FIXTURES / "faults" / "lost-byte.faults.toml"


def test_a_run_with_faults_tells_them_and_passes_no_board(tmp_path: Path) -> None:
    ended = call("run", SESSION, "--bench", BENCH, "--fault-plan", PLAN, "--out", tmp_path)
    assert ended.exit_code == 4
    assert "on purpose, board, received: bytes are lost" in ended.output
    assert "no evidence of the board" in " ".join(ended.output.split())
    result = result_in(tmp_path)
    assert result["fault"]["kind"] == "faults_injected"
    assert {row["verdict"] for row in result["states"]} == {"pass"}


def test_a_file_that_is_no_plan(tmp_path: Path) -> None:
    ended = call("run", SESSION, "--bench", BENCH, "--fault-plan", SHEET, "--out", tmp_path)
    assert ended.exit_code == 2
    assert "a file of 'benchrig/fault-plan/1' goes here" in ended.output
    assert list(tmp_path.iterdir()) == []
