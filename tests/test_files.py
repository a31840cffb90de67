from __future__ import annotations

import os
from pathlib import Path

import pytest

from benchrig.files import write_atomically


def test_a_file_is_written_as_it_stands(tmp_path: Path) -> None:
    path = tmp_path / "result.json"
    write_atomically(path, "1.2 µA\nΩ\r\n")
    assert path.read_bytes() == "1.2 µA\nΩ\r\n".encode()  # no line ending is translated
    assert [each.name for each in tmp_path.iterdir()] == ["result.json"]


def test_a_file_is_replaced_whole(tmp_path: Path) -> None:
    path = tmp_path / "result.json"
    path.write_text("a long text that was there before")
    write_atomically(path, "new")
    assert path.read_text() == "new"


def test_others_can_read_it(tmp_path: Path) -> None:
    path = tmp_path / "result.json"
    write_atomically(path, "")
    assert path.stat().st_mode & 0o777 == 0o644


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_failure_leaves_the_old_file_and_no_half_of_a_new_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    def full(*_: object) -> None:
        raise OSError("no space left on device")

    path = tmp_path / "result.json"
    path.write_text("old")
    monkeypatch.setattr(os, step, full)
    with pytest.raises(OSError, match="no space left"):
        write_atomically(path, "new")
    assert path.read_text() == "old"
    assert [each.name for each in tmp_path.iterdir()] == ["result.json"]


def test_text_that_cannot_be_written_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "result.json"
    path.write_text("old")
    with pytest.raises(UnicodeEncodeError):
        write_atomically(path, "\ud800")
    assert path.read_text() == "old"
    assert [each.name for each in tmp_path.iterdir()] == ["result.json"]


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        write_atomically(tmp_path / "nowhere" / "result.json", "")


def test_the_new_file_is_on_the_disk_before_it_takes_its_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps: list[str] = []
    fsync, replace = os.fsync, os.replace
    monkeypatch.setattr(os, "fsync", lambda handle: (steps.append("sync"), fsync(handle)))
    monkeypatch.setattr(os, "replace", lambda a, b: (steps.append("replace"), replace(a, b)))
    write_atomically(tmp_path / "result.json", "x")
    assert steps == ["sync", "replace"]
