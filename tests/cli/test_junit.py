"""The option --junit of run, replay and judge."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import pytest

from tests.cli.calls import FIXTURES, SESSION, bench_for, call, folder_in, run

LOST_BYTE = FIXTURES / "faults" / "lost-byte.faults.toml"


def outcomes(path: Path) -> dict[str | None, list[str]]:
    cases = ElementTree.parse(path).iter("testcase")
    return {case.get("name"): [e.tag for e in case if e.tag != "system-out"] for case in cases}


@pytest.mark.parametrize(
    ("defect", "status", "outcome"), [("", 0, []), ("leaky-capacitor", 1, ["failure"])]
)
def test_run_replay_and_judge(tmp_path: Path, defect: str, status: int, outcome: list[str]) -> None:
    bench = bench_for(tmp_path, defect) if defect else FIXTURES / "simulated.bench.toml"
    out, junit = tmp_path / "runs", tmp_path / "junit.xml"
    words = ("--only", "idle", "deep_sleep", "--quiet", "--junit", junit)
    assert run(out, *words, bench=bench).exit_code == status
    ran = outcomes(junit)
    assert ran["deep_sleep"] == outcome
    assert ran["idle"] == ran["(session)"] == []
    again, judged = tmp_path / "again.xml", tmp_path / "judged.xml"
    recording = folder_in(out) / "recording.jsonl"
    assert call("replay", recording, "--quiet", "--junit", again).exit_code == status
    assert again.read_text("utf-8") == junit.read_text("utf-8")
    done = call("judge", folder_in(out), "--session", SESSION, "--junit", judged)
    assert done.exit_code == status
    assert outcomes(judged) == ran


def test_faults_on_purpose_let_no_file_look_good(tmp_path: Path) -> None:
    junit = tmp_path / "junit.xml"
    words = ("--only", "lamp", "--quiet", "--fault-plan", LOST_BYTE, "--junit", junit)
    assert run(tmp_path / "runs", *words).exit_code == 4
    assert outcomes(junit)["(session)"] == ["error"]


def test_a_place_where_no_file_can_be_is_told_before_anything_is_measured(tmp_path: Path) -> None:
    done = run(tmp_path / "runs", "--junit", tmp_path / "nowhere" / "junit.xml")
    assert done.exit_code == 2
    assert "no file can be written there" in done.output
    assert not (tmp_path / "runs").exists()
