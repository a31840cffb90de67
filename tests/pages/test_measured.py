"""Settling curves and fingerprints, from the folder that a run leaves."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from benchrig.errors import FileProblems
from benchrig.pages.measured import labels, load_measured
from benchrig.records.run_folder import READINGS, RESULT
from tests.cli.calls import folder_in, run
from tests.pages.results import simulated


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("runs")
    run(out, "--quiet")
    return folder_in(out)


def test_each_state_has_the_curve_that_its_current_is_from(folder: Path) -> None:
    found = load_measured(folder)
    assert found.lacking == ""
    assert found.name == folder.name
    assert found.sha256 == hashlib.sha256((folder / RESULT).read_bytes()).hexdigest()
    assert len(found.curves) == len(found.result.states) > 0
    for row, curve in zip(found.result.states, found.curves, strict=True):
        assert curve is not None
        assert row.settled_after_s is not None
        assert row.averaged_for_s is not None
        since_s, until_s = row.settled_after_s, row.settled_after_s + row.averaged_for_s
        inside = (curve.times_s >= since_s - 1e-6) & (curve.times_s <= until_s + 1e-6)
        assert row.current_A is not None
        # The mean is corrected for burden and leakage, and wake-ups are averaged over whole ones.
        assert np.mean(curve.currents_A[inside]) == pytest.approx(row.current_A, rel=0.05)
        assert np.all(np.diff(curve.times_s) > 0.0)
        assert np.all(np.abs(curve.currents_A) < 1.0)


def test_all_ranges_are_in_a_curve(folder: Path) -> None:
    found = load_measured(folder / RESULT)
    names = [row.name for row in found.result.states]
    curve = found.curves[names.index("deep_sleep")]
    assert curve is not None
    assert np.max(curve.currents_A) > 100 * np.min(curve.currents_A)


@pytest.mark.parametrize("spoiled", [None, "no table", "time_s,state\n1,2\n"])
def test_without_readings_there_are_no_curves(
    folder: Path, tmp_path: Path, spoiled: str | None
) -> None:
    tmp_path.joinpath(RESULT).write_bytes((folder / RESULT).read_bytes())
    if spoiled is not None:
        tmp_path.joinpath(READINGS).write_text(spoiled + "\n1,2,3", encoding="utf-8")
    found = load_measured(tmp_path)
    assert READINGS in found.lacking
    assert set(found.curves) == {None}


def test_without_a_result_there_is_nothing(tmp_path: Path) -> None:
    with pytest.raises(FileProblems, match=RESULT):
        load_measured(tmp_path)


def test_labels_are_unique_where_they_can_be(folder: Path) -> None:
    one = load_measured(folder)
    assert labels([one]) == [one.result.serial_number]
    assert simulated().serial_number == one.result.serial_number
    later = one.result.model_copy(update={"started": one.result.started + timedelta(seconds=1)})
    pair = [one, replace(one, result=later)]
    assert len(set(labels(pair))) == 2
    # Two benches may begin in one second.
    alike = [replace(one, name="left"), replace(one, name="right")]
    assert labels(alike) == [f"{one.board}, left", f"{one.board}, right"]
