from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from benchrig.drivers.meter import Zero
from benchrig.errors import FileProblems
from benchrig.zeros import load_zeros, save_zeros

TAKEN = datetime(2026, 1, 2, 3, 4, 5, 678901, tzinfo=UTC)
METER = "maker,model,1234,1.0"
ZEROS = (
    Zero(METER, 1e-5, 1.25e-10, 3.1e-12, TAKEN, 50),
    Zero(METER, 1e-4, -4.0 / 3.0 * 1e-9, 2.7e-11, TAKEN + timedelta(seconds=9), 20),
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "zeros.json"


def saved(path: Path) -> dict[str, Any]:
    save_zeros(path, ZEROS)
    data: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return data


def refused(path: Path) -> str:
    with pytest.raises(FileProblems) as caught:
        load_zeros(path)
    (problem,) = caught.value.problems
    assert problem.file == str(path)
    return problem.message


def test_what_was_saved_is_loaded(path: Path) -> None:
    assert saved(path)["meter"] == METER
    assert load_zeros(path) == ZEROS  # every bit of the numbers and the time


def test_a_file_that_is_not_there_holds_none(path: Path) -> None:
    assert load_zeros(path) == ()


@pytest.mark.parametrize("text", ["", "{", "[]", "null", '{"format": "benchrig/zeros/1"}'])
def test_a_damaged_file_is_not_treated_as_absent(path: Path, text: str) -> None:
    path.write_text(text)
    assert "is not a file of zeros" in refused(path)
    assert path.read_text() == text


def test_half_a_file_is_refused(path: Path) -> None:
    saved(path)
    text = path.read_text()
    path.write_text(text[: len(text) // 2])
    assert "take them again" in refused(path)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("offset_A", "much"),
        ("offset_A", None),
        ("offset_A", float("nan")),
        ("full_scale_A", float("inf")),
        ("full_scale_A", 0.0),
        ("standard_uncertainty_A", -1e-12),
        ("taken", "yesterday"),
        ("taken", "2026-01-02T03:04:05"),
        ("colour", "red"),
    ],
)
def test_a_wrong_value_is_refused(path: Path, key: str, value: object) -> None:
    data = saved(path)
    data["zeros"][1][key] = value
    path.write_text(json.dumps(data))
    assert "is not a file of zeros" in refused(path)


@pytest.mark.parametrize("key", ["full_scale_A", "offset_A", "standard_uncertainty_A", "taken"])
def test_a_missing_value_is_refused(path: Path, key: str) -> None:
    data = saved(path)
    del data["zeros"][0][key]
    path.write_text(json.dumps(data))
    assert "is not a file of zeros" in refused(path)


def test_another_version_is_refused(path: Path) -> None:
    path.write_text(json.dumps(saved(path) | {"format": "benchrig/zeros/2"}))
    assert "benchrig/zeros/1" in refused(path)


def test_text_in_another_encoding_is_refused(path: Path) -> None:
    path.write_bytes('{"meter": "µ"}'.encode("latin-1"))
    assert "cannot be read" in refused(path)


def test_a_folder_in_its_place_is_refused(path: Path) -> None:
    path.mkdir()
    assert "cannot be read" in refused(path)
