"""Charges and sweeps on the command line: what check, run, replay and judge tell of them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.calls import BENCH, FIXTURES, bench_for, call, edited

SESSION = FIXTURES / "hive-scale-sweep.session.toml"
CURVE = FIXTURES / "hive-scale.curve.toml"


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path]:
    """What run prints, and its folder."""
    runs = tmp_path_factory.mktemp("runs")
    shown = call("run", SESSION, "--bench", BENCH, "--out", runs)
    assert shown.exit_code == 0, shown.output
    (folder,) = runs.iterdir()
    return shown.stdout, folder


def test_check_plans_them() -> None:
    shown = call("check", SESSION, "--bench", BENCH)
    assert shown.exit_code == 0
    told = shown.stdout
    assert "clock_tick: charge per event of light_sleep, over 20 periods, 22 s" in told
    assert "weighing: charge per event of idle, over 8 periods, 34 s" in told
    assert "idle_curve: idle at 15 points, down to 2.4 V; room on the 100 mA range" in told


def test_check_tells_of_a_range_that_leaves_too_little_at_the_lowest_voltage(
    tmp_path: Path,
) -> None:
    (tmp_path / CURVE.name).write_bytes(CURVE.read_bytes())
    changes = (
        ('minimum_voltage = "2.2 V"          #', 'minimum_voltage = "2.38 V"  #'),
        ('{ minimum_voltage = "2.3 V"', '{ minimum_voltage = "2.4 V"'),
    )
    close = edited(SESSION, tmp_path / "close.toml", *changes)
    shown = call("check", close, "--bench", BENCH)
    assert shown.exit_code == 2, shown.output
    assert "PROBLEM: idle_curve at 2.4 V: 25.0 mA on the 100 mA range leave" in shown.stdout


def test_a_bench_without_a_supply_is_told(tmp_path: Path) -> None:
    for command in ("check", "run"):
        shown = call(command, SESSION, "--bench", bench_for(tmp_path, supply=False))
        assert shown.exit_code == 2
        assert "the sweep idle_curve of the session sets supply voltages" in shown.output


def test_run_shows_them(ran: tuple[str, Path]) -> None:
    told, folder = ran
    result = json.loads((folder / "result.json").read_text("utf-8"))
    assert [row["verdict"] for row in result["charges"]] == ["pass", "pass"]
    for words in (
        "charge per event",
        "light_sleep above the level between events, 20 periods",
        "3.3 V, 1 MHz",
        "at 3 V: (389.",
        "µA/MHz f",
        "over all points:",
        "DOES NOT",
        "is off it by",
        "data sheet at 3 V, 4 MHz: typical 1.2 mA",
        "sensitivity = { slope =",
    ):
        assert words in told, words


def test_a_replay_and_a_judgement_keep_them(ran: tuple[str, Path]) -> None:
    _, folder = ran
    replayed = call("replay", folder / "recording.jsonl", "--quiet")
    assert "the result is the recorded one" in replayed.stdout
    judged = call("judge", folder, "--session", SESSION)
    assert judged.exit_code == 0, judged.output
    assert "idle_curve: pass as before" in judged.output


def test_a_failing_point_is_a_failing_case(tmp_path: Path) -> None:
    (tmp_path / CURVE.name).write_bytes(CURVE.read_bytes())
    strict = edited(SESSION, tmp_path / "strict.toml", ('max = "2.8 mA"', 'max = "2.1 mA"'))
    junit = tmp_path / "junit.xml"
    shown = call(
        "run", strict, "--bench", BENCH, "--only", "idle", "--junit", junit, "--out", tmp_path
    )
    assert shown.exit_code == 1
    xml = junit.read_text("utf-8")
    assert 'name="idle_curve at 3.3 V, 8 MHz"' in xml
    assert xml.count("<failure") == 1
    assert 'name="clock_tick"' in xml  # not asked for


def test_what_is_wrong_in_a_curve_file_is_told_with_its_place(tmp_path: Path) -> None:
    edited(CURVE, tmp_path / CURVE.name, ('current = "0.60 mA"', 'current = "0.60"'))
    session = edited(SESSION, tmp_path / "session.toml")
    shown = call("check", session, "--bench", BENCH)
    assert shown.exit_code == 2
    assert "points[1].current" in shown.output
    missing = edited(
        SESSION, tmp_path / "missing.toml", ("hive-scale.curve.toml", "nowhere.curve.toml")
    )
    shown = call("check", missing, "--bench", BENCH)
    assert shown.exit_code == 2
    assert "data_sheet" in shown.output
    assert "nowhere.curve.toml" in shown.output
