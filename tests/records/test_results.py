"""Results read back, and what is made of files before a life is computed."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig.errors import Fault, FileProblems
from benchrig.records.lifetimes import load_case
from benchrig.records.results import load_result
from benchrig.result import FaultRecord, SessionResult
from tests.energy.products import FINE, read, result, row

FIXTURES = Path(__file__).parents[2] / "fixtures"
PROFILE = FIXTURES / "hive-scale.profile.toml"
CELL = FIXTURES / "cells" / "alkaline-two-aa.cell.toml"


def kept(folder: Path, made: SessionResult) -> Path:
    (folder / "result.json").write_text(made.model_dump_json(), encoding="utf-8")
    return folder


def whole() -> SessionResult:
    budgets = {"weigh": 6.5e-3, "lamp": 9e-3, "deep_sleep": 6e-7}
    return result(*(row(name, read(value, FINE)) for name, value in budgets.items()))


def test_a_result_is_read_from_its_folder_or_its_file(tmp_path: Path) -> None:
    made = whole()
    kept(tmp_path, made)
    assert load_result(tmp_path) == load_result(tmp_path / "result.json") == made


@pytest.mark.parametrize("text", ["", "{}", "no json"])
def test_what_is_no_result_is_named(tmp_path: Path, text: str) -> None:
    (tmp_path / "result.json").write_text(text, encoding="utf-8")
    with pytest.raises(FileProblems, match=r"result\.json: is no result of a session"):
        load_result(tmp_path)
    with pytest.raises(FileProblems, match="nowhere: cannot be read"):
        load_result(tmp_path / "nowhere")


def test_a_case_is_put_together(tmp_path: Path) -> None:
    case = load_case(PROFILE, CELL, [kept(tmp_path, whole())])
    assert case.profile.states == ("weigh", "lamp", "deep_sleep")
    assert case.currents.states["weigh"].budget.value == 6.5e-3
    assert case.currents.minimum_voltage_V == 2.2
    assert case.cell.series == 2


def test_a_state_without_result_is_named_by_line_and_key(tmp_path: Path) -> None:
    partly = whole().model_copy(update={"states": whole().states[:2]})
    with pytest.raises(FileProblems) as caught:
        load_case(PROFILE, CELL, [kept(tmp_path, partly)])
    lines = PROFILE.read_text(encoding="utf-8").splitlines()
    for problem in caught.value.problems:
        assert problem.line is not None
        assert lines[problem.line - 1] == 'state = "deep_sleep"'
        assert problem.key.endswith(".state")
        assert "has no result" in problem.message
    assert len(caught.value.problems) == 2


def test_results_of_another_session_are_refused(tmp_path: Path) -> None:
    other = whole().model_copy(update={"session": "lamp-post"})
    with pytest.raises(FileProblems, match=r":5: session: is 'hive-scale'; .*'lamp-post'"):
        load_case(PROFILE, CELL, [kept(tmp_path, other)])


def test_a_fault_is_told_by_its_file(tmp_path: Path) -> None:
    bad = row("deep_sleep", None, "fault", fault=FaultRecord(kind="drifting", message="it drifts"))
    made = whole().model_copy(update={"states": (*whole().states[:2], bad)})
    with pytest.raises(Fault, match="deep_sleep is a fault"):
        load_case(PROFILE, CELL, [kept(tmp_path, made)])
