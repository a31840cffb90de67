"""The record of a run: what is in the folder, and what is said where there can be none."""

from __future__ import annotations

import csv
import errno
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchrig.errors import Fault, UsageError
from benchrig.events import Event, ReadingsTaken, ResultChanged, SessionEnded
from benchrig.records.run_folder import READINGS, RESULT, RunFolder
from benchrig.records.schema import PUBLISHED, result_schema
from benchrig.result import SessionResult
from tests.benches import rig
from tests.cli.calls import valid

STARTED = datetime(2026, 1, 15, 6, 30, tzinfo=UTC)


def run_recorded(out: Path, **options: Any) -> tuple[SessionResult, RunFolder, list[Event]]:
    events: list[Event] = []
    with RunFolder(out, STARTED, "hive-scale", "HS-0042") as folder:
        result = rig().run(folder, events.append, **options)
    return result, folder, events


@pytest.fixture(scope="module")
def whole(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[SessionResult, RunFolder, list[Event]]:
    return run_recorded(tmp_path_factory.mktemp("runs"))


def rows_of(folder: RunFolder) -> list[dict[str, str]]:
    with (folder.path / READINGS).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


# -- what is in it --------------------------------------------------------------------------


def test_the_folder_has_a_name_that_tells_what_it_is(
    whole: tuple[SessionResult, RunFolder, list[Event]],
) -> None:
    _, folder, _ = whole
    assert folder.path.name == "20260115T063000Z-hive-scale-HS-0042"
    assert sorted(path.name for path in folder.path.iterdir()) == [READINGS, RESULT]


def test_the_result_on_disk_is_the_result(
    whole: tuple[SessionResult, RunFolder, list[Event]],
) -> None:
    result, folder, _ = whole
    text = (folder.path / RESULT).read_text(encoding="ascii")
    assert SessionResult.model_validate_json(text) == result
    assert result.complete
    valid(text)


def test_all_readings_are_kept(whole: tuple[SessionResult, RunFolder, list[Event]]) -> None:
    _, folder, events = whole
    batches = [event for event in events if isinstance(event, ReadingsTaken)]
    rows = rows_of(folder)
    times = np.concatenate([batch.times_s for batch in batches])
    assert [float(row["time_s"]) for row in rows] == pytest.approx(times, abs=1e-6)
    states = [batch.state for batch in batches for _ in batch.times_s]
    assert [row["state"] for row in rows] == states
    scales = [batch.range_A for batch in batches for _ in batch.times_s]
    assert [float(row["range_A"]) for row in rows] == pytest.approx(scales)


@pytest.mark.parametrize("name", ["idle", "weigh", "lamp", "deep_sleep"])
def test_the_averaged_readings_give_the_current(
    name: str, whole: tuple[SessionResult, RunFolder, list[Event]]
) -> None:
    """In a state without ticks: those from the moment at which it had settled, for as long as
    was averaged."""
    result, folder, _ = whole
    row = next(row for row in result.states if row.name == name)
    entered_s = next(e.time_s for e in result.events if (e.kind, e.state) == ("entered", name))
    assert row.settled_after_s is not None
    assert row.averaged_for_s is not None
    assert row.range_A is not None
    # By the end of each aperture; a millisecond is far from the next one.
    first_s = entered_s + row.settled_after_s + 0.001
    last_s = first_s + row.averaged_for_s
    counted = [
        float(reading["current_A"])
        for reading in rows_of(folder)
        if reading["state"] == name and first_s < float(reading["time_s"]) < last_s
    ]
    assert len(counted) == row.readings
    assert np.mean(counted) == pytest.approx(row.current_A, rel=1e-7)


def test_readings_without_a_value_say_why(tmp_path: Path) -> None:
    # SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5: infinity is 9.9E37, not-a-number 9.91E37.
    currents = np.array([1e-3, 9.9e37, -9.9e37, 9.91e37])
    with RunFolder(tmp_path, STARTED, "x") as folder:
        folder(ReadingsTaken("idle", np.arange(4) / 50, currents, 0.01, None))
    assert [(row["current_A"], row["note"]) for row in rows_of(folder)] == [
        ("0.001", ""),
        ("", "overload"),
        ("", "overload"),
        ("", "invalid"),
    ]


def test_it_is_on_disk_while_the_session_runs(tmp_path: Path) -> None:
    """Whatever cuts the session off, a power cut say, leaves what was measured so far."""
    seen: list[tuple[int, int, bool]] = []

    def look(event: Event) -> None:
        if isinstance(event, ResultChanged):
            told = json.loads((folder.path / RESULT).read_text())
            assert told["verdict"] == "fault"
            seen.append((len(told["states"]), len(rows_of(folder)), told["complete"]))

    with RunFolder(tmp_path, STARTED, "hive-scale") as folder:
        rig().run(folder, look, only=["idle", "weigh"])
    states, readings, complete = zip(*seen, strict=True)
    assert states == (0, 1, 2)
    assert 0 == readings[0] < readings[1] < readings[2]
    assert complete == (False, False, False)
    assert json.loads((folder.path / RESULT).read_text())["complete"]


def test_no_text_from_a_board_can_act_on_a_terminal(
    tmp_path: Path, whole: tuple[SessionResult, RunFolder, list[Event]]
) -> None:
    result = whole[0].model_copy(update={"firmware": "1\x1b[31m\x9b31m\x07\u202e\ud83d\udc1d"})
    with RunFolder(tmp_path, STARTED, "x") as folder:
        folder(SessionEnded(result))
    text = (folder.path / RESULT).read_text(encoding="ascii")
    assert text.replace("\n", "").isprintable()
    assert json.loads(text)["firmware"] == "1\x1b[31m\x9b31m\x07\u202e\U0001f41d"


def test_the_published_schema_is_that_of_the_model() -> None:
    assert json.loads(PUBLISHED.read_text(encoding="utf-8")) == result_schema()


# -- where it is ----------------------------------------------------------------------------


def test_two_runs_in_the_same_second_get_two_folders(tmp_path: Path) -> None:
    paths = []
    for _ in range(3):
        with RunFolder(tmp_path / "new" / "runs", STARTED, "s", None) as folder:
            paths.append(folder.path.name)
    assert paths == ["20260115T063000Z-s", "20260115T063000Z-s-2", "20260115T063000Z-s-3"]


@pytest.mark.parametrize(
    ("serial_number", "name"),
    [
        ("../../etc/x", ".._.._etc_x"),
        ("a b\tc/\x1b[2J", "a_b_c_2J"),
        ("", None),
        ("Hülle", "H_lle"),
    ],
)
def test_a_serial_number_cannot_lead_out_of_the_folder(
    serial_number: str, name: str | None, tmp_path: Path
) -> None:
    with RunFolder(tmp_path, STARTED, "s", serial_number) as folder:
        pass
    assert folder.path.parent == tmp_path
    assert folder.path.name == "-".join(filter(None, ["20260115T063000Z-s", name]))


def test_a_place_where_no_folder_can_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    for out, part in ((tmp_path / "file", "s"), (tmp_path, "x" * 300)):
        with pytest.raises(UsageError, match="no folder can be made here for the record"):
            RunFolder(out, STARTED, part)
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


# -- a disk that takes no more --------------------------------------------------------------


@pytest.fixture
def full_disk(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Counts down, and then there is no space for a result."""
    left = [0]

    def write(path: Path, text: str) -> None:
        left[0] -= 1
        if left[0] < 0:
            raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("benchrig.records.run_folder.write_atomically", write)
    return left


@pytest.mark.parametrize("results", [0, 1, 2])
def test_a_full_disk_ends_the_session_with_a_named_fault(
    results: int, full_disk: list[int], tmp_path: Path
) -> None:
    full_disk[0] = results
    made = rig()
    with (
        pytest.raises(Fault, match=r"cannot be written.*No space left on device") as caught,
        RunFolder(tmp_path, STARTED, "hive-scale") as folder,
    ):
        made.run(folder, only=["idle", "weigh"])
    assert caught.value.kind == "record_failed"
    assert not made.bench.is_open
    if results:  # else the bench was never opened
        safe_end = [entry.text for entry in made.bench.log.entries if entry.kind == "safe_end"]
        assert safe_end == ["meter: on its highest range", "supply: left off"]
