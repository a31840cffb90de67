"""``benchrig characterise``: what it proposes for the simulated hive scale, keeps, and writes."""

from __future__ import annotations

import csv
import json
import math
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

from benchrig.session import load_session
from benchrig.session.session_file import State
from tests.cli.calls import SESSION, bench_for, call, edited, folder_in, run


def characterise(
    out: Path,
    state: str,
    *arguments: str | Path,
    session: Path = SESSION,
    board: str | None = None,
    last: str = "2 min",
) -> Result:
    bench = bench_for(out.parent) if board is None else bench_for(out.parent, board)
    words = ("--bench", bench, "--state", state, "--for", last, "--out", out)
    return call("characterise", session, *words, *arguments)


def kept(out: Path) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((folder_in(out) / "characteristics.json").read_text())
    return content


def copy(folder: Path) -> Path:
    return edited(SESSION, folder / "copy.session.toml")


def state_of(session: Path, name: str) -> State:
    return next(state for state in load_session(session).states if state.name == name)


def test_deep_sleep(tmp_path: Path) -> None:
    """The truth is in the file of the board: 1.2 mA for 1 s, then 0.6 uA and a tail of 1.5 s. The
    acknowledgement is cut, and given up after 200 ms."""
    shown = characterise(tmp_path / "runs", "deep_sleep")
    assert (shown.exit_code, shown.stderr) == (0, "")
    found = kept(tmp_path / "runs")
    assert found["fell"]["time_s"] == pytest.approx(1.0 - 0.2, abs=0.1)
    assert found["fell"]["before_A"] == pytest.approx(1.2e-3, rel=0.01)
    assert found["guard"]["value"] == pytest.approx(1.5 * found["fell"]["time_s"], rel=0.1)
    assert found["tail"]["low_s"] < 1.5 < found["tail"]["high_s"]
    assert found["slowest_time_constant"]["value"] in (1.5, 1.6)
    assert found["mean_A"] == pytest.approx(0.6e-6, rel=0.01)
    # The limit, 0.9 uA, is half the current away: 5 % at most.
    assert found["tolerance"]["value"] == 0.05
    assert found["period"]["value"] is None
    assert (found["session"], found["state"]) == ("hive-scale", "deep_sleep")
    assert "HS-0042" in found["board"]
    assert found["meter"] == "Invented Instruments,Meter 1,0,1.0"
    for name in ("guard", "slowest_time_constant", "period", "tolerance"):
        assert found[name]["reason"] in shown.stdout
        assert f"not seen: {found[name]['unseen']}" in shown.stdout


def test_light_sleep_and_its_ticks(tmp_path: Path) -> None:
    """1 mA for 0.5 ms every 1 s."""
    assert characterise(tmp_path / "runs", "light_sleep").exit_code == 0
    found = kept(tmp_path / "runs")
    assert found["period"]["value"] == pytest.approx(1.0, abs=1e-3)
    assert found["wake_ups"]["charge_C"] == pytest.approx(0.5e-6, rel=0.02)
    assert found["wake_ups"]["resolved"] is False
    assert found["tail"]["shape"] == "none"


def test_what_it_leaves_behind(tmp_path: Path) -> None:
    characterise(tmp_path / "runs", "light_sleep")
    folder = folder_in(tmp_path / "runs")
    assert folder.name.endswith("-hive-scale-light_sleep")
    plots = ["record.png", "tail.png", "wake-ups.png"]
    names = sorted(path.name for path in folder.iterdir())
    assert names == sorted(["characteristics.json", "readings.csv", *plots])
    for name in plots:
        assert (folder / name).read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
        assert (folder / name).stat().st_size > 10_000
    found = kept(tmp_path / "runs")
    assert found["format"] == "benchrig/characteristics/1"
    with (folder / "readings.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == found["readings"]
    assert {row["state"] for row in rows} == {"light_sleep"}
    # The times count from the start; the command was acknowledged at `entered_s`.
    assert float(rows[-1]["time_s"]) - found["entered_s"] == pytest.approx(found["recorded_s"])
    assert found["recorded_s"] == pytest.approx(120.0, abs=1.0)
    scales = [float(row["range_A"]) for row in rows]
    changes = [scale for scale, after in pairwise(scales) if scale != after]
    assert [*changes, scales[-1]] == [entry["full_scale_A"] for entry in found["ranges"]]


def test_nothing_is_written_unless_asked(tmp_path: Path) -> None:
    session = copy(tmp_path)
    before = session.read_bytes()
    shown = characterise(tmp_path / "runs", "deep_sleep", session=session)
    assert session.read_bytes() == before
    (line,) = [line for line in shown.stdout.splitlines() if line.startswith("settling = ")]
    # What is printed can be pasted.
    pasted = edited(session, tmp_path / "pasted.toml", ('settling = { guard = "2.5 s" }', line))
    settling = state_of(pasted, "deep_sleep").settling
    found = kept(tmp_path / "runs")
    assert settling.guard == found["guard"]["value"]
    assert settling.slowest_time_constant == found["slowest_time_constant"]["value"]
    assert settling.tolerance == pytest.approx(found["tolerance"]["value"])


def test_it_writes_when_asked_and_changes_nothing_else(tmp_path: Path) -> None:
    session = copy(tmp_path)
    before = session.read_text(encoding="utf-8").splitlines()
    link = tmp_path / "link.toml"
    link.symlink_to(session)
    shown = characterise(tmp_path / "runs", "deep_sleep", "--write", session=link)
    assert shown.exit_code == 0
    assert "written into" in shown.stdout
    assert link.is_symlink()
    after = session.read_text(encoding="utf-8").splitlines()
    changed = [(old, new) for old, new in zip(before, after, strict=True) if old != new]
    assert [old for old, _ in changed] == ['settling = { guard = "2.5 s" }']
    found, settling = kept(tmp_path / "runs"), state_of(session, "deep_sleep").settling
    assert settling.guard == found["guard"]["value"]
    assert settling.slowest_time_constant == found["slowest_time_constant"]["value"]
    measured = run(tmp_path / "measured", "--only", "deep_sleep", session=session)
    assert measured.exit_code == 0


def test_ticks_that_nobody_declared(tmp_path: Path) -> None:
    """Shorter than a reading: their charge at the highest current, which errs to the safe side
    where the range is chosen."""
    ticks = 'ticks = { period = "1 s", duration = "500 us", peak_current = "1 mA" }\n'
    session = edited(SESSION, tmp_path / "session.toml", (ticks, ""))
    shown = characterise(tmp_path / "runs", "light_sleep", "--write", session=session)
    assert shown.exit_code == 0
    declared = state_of(session, "light_sleep").ticks
    assert declared is not None
    assert declared.period == pytest.approx(1.0, abs=1e-3)
    assert declared.peak_current == 25e-3
    assert declared.duration * declared.peak_current == pytest.approx(0.5e-6, rel=0.05)
    assert run(tmp_path / "measured", "--only", "light_sleep", session=session).exit_code == 0


def test_a_firmware_that_tells_when_it_is_done_needs_no_guard(tmp_path: Path) -> None:
    session = copy(tmp_path)
    assert state_of(session, "idle").settling.announced is True
    shown = characterise(tmp_path / "runs", "idle", "--write", session=session)
    assert shown.exit_code == 0
    assert kept(tmp_path / "runs")["guard"]["value"] is not None
    settling = state_of(session, "idle").settling
    assert (settling.guard, settling.announced) == (None, True)
    assert settling.tolerance is not None


def test_a_board_whose_current_rises_again(tmp_path: Path) -> None:
    session = copy(tmp_path)
    before = session.read_bytes()
    shown = characterise(
        tmp_path / "runs", "deep_sleep", "--write", session=session, board="late-drift"
    )
    assert shown.exit_code == 0
    assert "nothing to declare" in shown.stdout
    assert "rose" in shown.stdout
    assert session.read_bytes() == before
    found = kept(tmp_path / "runs")
    assert found["guard"]["value"] is None
    assert (folder_in(tmp_path / "runs") / "record.png").exists()


def test_a_fault_keeps_what_was_read(tmp_path: Path) -> None:
    """A board that resets, and whose banner is heard, since its port stays open."""
    bench = bench_for(tmp_path, "spontaneous-reset")
    edited(bench, bench, ('tx = "closed"', 'tx = "idle"'))
    words = ("--bench", bench, "--state", "deep_sleep", "--for", "2 min")
    shown = call("characterise", SESSION, *words, "--out", tmp_path / "runs")
    assert shown.exit_code == 4
    assert "benchrig: fault: unexpected_reset: " in shown.stderr
    assert "supply: left off" in shown.stdout
    folder = folder_in(tmp_path / "runs")
    assert [path.name for path in folder.iterdir()] == ["readings.csv"]
    assert len((folder / "readings.csv").read_text().splitlines()) > 20


def test_a_board_that_does_not_answer(tmp_path: Path) -> None:
    shown = characterise(tmp_path / "runs", "deep_sleep", board="dead-uart")
    assert shown.exit_code == 4
    assert "supply: left off" in shown.stdout


@pytest.mark.parametrize(
    ("state", "last", "complaint"),
    [
        ("snooze", "2 min", "there is no state 'snooze'"),
        ("idle", "2", "has no unit"),
        ("idle", "2 V", "not in s"),
        ("idle", "1 s", "too short"),
    ],
)
def test_wrong_usage(state: str, last: str, complaint: str, tmp_path: Path) -> None:
    shown = characterise(tmp_path / "runs", state, last=last)
    assert shown.exit_code == 2
    assert complaint in shown.stderr
    assert not (tmp_path / "runs").exists()


def test_the_json_holds_no_infinity(tmp_path: Path) -> None:
    characterise(tmp_path / "runs", "deep_sleep", board="late-drift")

    def numbers(value: Any) -> list[float]:
        if isinstance(value, dict | list):
            inner = value.values() if isinstance(value, dict) else value
            return [number for each in inner for number in numbers(each)]
        return [value] if isinstance(value, float) else []

    assert all(math.isfinite(number) for number in numbers(kept(tmp_path / "runs")))


def test_a_session_that_aims_at_the_verdict_is_recorded_for_as_long(tmp_path: Path) -> None:
    new = ("[settling]\n", '[settling]\naim = "verdict"\n')
    session = edited(SESSION, tmp_path / "session.toml", new)
    assert characterise(tmp_path / "runs", "deep_sleep", session=session).exit_code == 0
    assert kept(tmp_path / "runs")["recorded_s"] == pytest.approx(120.0, abs=1.0)
