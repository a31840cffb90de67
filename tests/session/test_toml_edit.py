"""Values put into a session file: what is written, and what stays as it was."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from benchrig.errors import FileProblems
from benchrig.session import load_session
from benchrig.session.toml_edit import with_values, write_values
from tests.session.good_files import SESSION

VALUES = {"settling": {"guard": "1.3 s", "tolerance": "5 %"}}
TICKS = {"ticks": {"period": "2 s", "duration": "20 us", "peak_current": "20 mA"}}


def state(text: str, name: str) -> dict[str, Any]:
    return next(each for each in tomllib.loads(text)["states"] if each["name"] == name)


@pytest.mark.parametrize("name", ["idle", "weigh", "lamp", "light_sleep", "deep_sleep"])
@pytest.mark.parametrize("values", [VALUES, TICKS, VALUES | TICKS], ids=["one", "other", "both"])
def test_only_these_values_change(name: str, values: dict[str, dict[str, str]]) -> None:
    after = with_values(SESSION, name, values)
    expected = tomllib.loads(SESSION)
    entry = next(each for each in expected["states"] if each["name"] == name)
    for table, keys in values.items():
        entry.setdefault(table, {}).update(keys)
    assert tomllib.loads(after) == expected
    # Every other line is still there, in its order.
    lines = iter(after.splitlines())
    kept = [
        line
        for line in SESSION.splitlines()
        if not line.startswith(("settling = {", "ticks = {")) and line
    ]
    assert all(line in lines for line in kept)


@pytest.mark.parametrize(
    "old",
    [
        'settling = { time_limit = "90 s", tolerance = "3 %" }   # measured',
        "settling = { }   # measured",
        'settling.tolerance = "3 %"   # measured',
    ],
)
def test_comments_stay(old: str) -> None:
    text = SESSION.replace('settling = { time_limit = "90 s", tolerance = "3 %" }', old)
    after = with_values(text, "light_sleep", VALUES)
    assert "# measured" in after
    assert state(after, "light_sleep")["settling"]["guard"] == "1.3 s"
    assert state(after, "light_sleep")["settling"]["tolerance"] == "5 %"


def test_a_table_of_its_own_stays_one() -> None:
    text = SESSION.replace('settling = { time_limit = "90 s", tolerance = "3 %" }\n', "").replace(
        'wake = { by = "byte", send_hex = "55", within = "300 ms" }\n',
        'wake = { by = "byte", send_hex = "55", within = "300 ms" }\n'
        '[states.settling]  # measured\ntolerance = "3 %"  # long ago\n',
    )
    after = with_values(text, "light_sleep", VALUES)
    assert "[states.settling]  # measured\n" in after
    assert 'tolerance = "5 %"  # long ago\n' in after


def test_a_state_that_is_not_there() -> None:
    with pytest.raises(KeyError):
        with_values(SESSION, "snooze", VALUES)


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"], ids=["plain", "byte-order mark"])
@pytest.mark.parametrize("ending", ["\n", "\r\n"], ids=["LF", "CRLF"])
def test_a_file_keeps_its_line_ends(mark: bytes, ending: str, tmp_path: Path) -> None:
    path = tmp_path / "session.toml"
    path.write_bytes(mark + SESSION.replace("\n", ending).encode())
    write_values(path, "light_sleep", VALUES)
    data = path.read_bytes()
    assert data.startswith(mark)
    assert data.count(b"\r\n") == (data.count(b"\n") if ending == "\r\n" else 0)
    (light_sleep,) = [each for each in load_session(path).states if each.name == "light_sleep"]
    assert light_sleep.settling.guard == 1.3


def test_a_file_that_would_not_load_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "session.toml"
    path.write_text(SESSION, encoding="utf-8")
    with pytest.raises(FileProblems, match="tolerance"):
        write_values(path, "idle", {"settling": {"tolerance": "little"}})
    assert path.read_text(encoding="utf-8") == SESSION
    assert [each.name for each in tmp_path.iterdir()] == ["session.toml"]
