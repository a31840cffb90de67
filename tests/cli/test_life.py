"""``benchrig life`` and ``benchrig compare``: what they print, and their exit status."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from benchrig.result import FaultRecord, SessionResult
from tests.cli.calls import FIXTURES, call
from tests.energy.products import COARSE, FINE, read, result, row

PROFILE = FIXTURES / "hive-scale.profile.toml"
COIN = FIXTURES / "cells" / "lithium-manganese-dioxide-coin.cell.toml"
ALKALINE = FIXTURES / "cells" / "alkaline-two-aa.cell.toml"
DRAWS = ("--draws", "2000")


def measured(sleep_A: float = 600e-9, **about: Any) -> SessionResult:
    rows = (
        row("weigh", read(6.5e-3, COARSE)),
        row("lamp", read(9.2e-3, COARSE)),
        row("deep_sleep", read(sleep_A, FINE), limit_max_A=900e-9),
    )
    return result(*rows, **about)


def kept(folder: Path, made: SessionResult) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "result.json").write_text(made.model_dump_json(), encoding="utf-8")
    return folder


@pytest.fixture
def run(tmp_path: Path) -> Path:
    return kept(tmp_path / "run", measured())


def life(run: Path, *more: str | Path, cell: Path = COIN, profile: Path = PROFILE) -> Any:
    return call("life", profile, "--cell", cell, "--result", run, *DRAWS, *more)


def test_a_life_is_shown_with_its_cautions(run: Path) -> None:
    done = life(run, "--seed", "3")
    assert done.exit_code == 0
    text = " ".join(done.stdout.split())
    for part in (
        "hive-scale-year on lithium manganese dioxide coin cell",
        "Average current of the board: (6.1",
        "in the median; 90 % of products between",
        "2000 simulated products, seed 3",
        "Lost to self-discharge:",
        "WARNING: one board was measured",
        "caution: A primary cell must never be charged",
        "caution: Shipping of lithium cells",
        "A board that just passes",
    ):
        assert part in text, part


def test_a_result_counts_once(run: Path, tmp_path: Path) -> None:
    copy = kept(tmp_path / "copy", measured())
    done = life(run, "--result", copy)
    assert (done.exit_code, done.stdout) == (2, "")
    assert f"{copy} is the same result as {run}: give it once" in " ".join(done.stderr.split())


def test_the_document_holds_the_same_figures(run: Path) -> None:
    text = " ".join(life(run).stdout.split())
    document = json.loads(life(run, "--json").stdout)
    assert document["format"] == "benchrig/life/1"
    assert (document["seed"], document["draws"]) == (1, 2000)
    assert f"Life: {document['median_years']:.3g} years in the median" in text
    assert document["interval_years"][0] < document["median_years"] < document["interval_years"][1]
    assert sum(document["causes"].values()) == pytest.approx(1.0)
    assert sum(use["share"] for use in document["uses"]) == pytest.approx(1.0)
    assert {each["name"] for each in document["currents"]} == {"weigh", "lamp", "deep_sleep"}
    assert document["target"] is None
    assert any("never be charged" in text for text in document["cautions"])
    assert document["capacity_left"]["median"][0] == 1.0


@pytest.mark.parametrize(
    ("target", "status", "verdict"),
    [
        ("1 year", 0, "met"),
        ("1.55 years", 3, "undecided"),
        ("10 years", 1, "missed"),
    ],
)
def test_the_exit_status_is_that_of_the_target(
    run: Path, target: str, status: int, verdict: str
) -> None:
    done = life(run, "--target", target, "--json")
    assert (done.exit_code, json.loads(done.stdout)["target"]["verdict"]) == (status, verdict)


def test_the_probability_that_is_asked_for_decides(run: Path) -> None:
    assert life(run, "--target", "1.5 years").exit_code == 3
    assert life(run, "--target", "1.5 years", "--probability", "60 %").exit_code == 0


def test_a_target_is_answered_with_levers(run: Path) -> None:
    text = " ".join(life(run, "--target", "10 years").stdout.split())
    for part in (
        "Target 10 years: missed; reached with a probability of 0 %",
        "Allowed average current: 1.",
        "a margin of -7",
        "interval of weigh, summer 10 min",
        "current of lamp cannot meet it alone",
        "met in the median, which is 50 % of products",
    ):
        assert part in text, part


def test_a_shelf_life_is_never_beaten(run: Path) -> None:
    done = life(run, "--target", "12 years", cell=ALKALINE)
    text = " ".join(done.stdout.split())
    assert done.exit_code == 1
    assert "Limited by the shelf life of the cell, not by its energy" in text
    assert "No change of the board meets it: the shelf life of the cell is 7 years" in text
    assert "Sensitivity: a small change of any of these changes nothing" in text
    assert "inf" not in text


def test_a_lot_is_shown_with_its_spread(tmp_path: Path) -> None:
    runs = [
        kept(tmp_path / f"run{n}", measured(600e-9 + 10e-9 * n, serial_number=f"HS-{n}"))
        for n in range(3)
    ]
    options = [word for run in runs[1:] for word in ("--result", run)]
    done = life(runs[0], *options)
    text = " ".join(done.stdout.split())
    assert done.exit_code == 0
    assert "a board of a lot, 3 measured: mean" in text
    assert "spread 10 nA" in text
    assert "WARNING: 3 boards were measured" in text


def test_typed_currents_need_no_result(tmp_path: Path) -> None:
    text = PROFILE.read_text("utf-8").replace(
        "[[modes]]",
        'minimum_voltage = "2.2 V"\n[currents]\nweigh = "6.5 mA"\nlamp = "9.2 mA"\n'
        'deep_sleep = "600 nA +- 10 nA"\n\n[[modes]]',
        1,
    )
    profile = tmp_path / "typed.toml"
    profile.write_text(text, encoding="utf-8")
    done = call("life", profile, "--cell", COIN, *DRAWS)
    assert done.exit_code == 0
    assert "WARNING" not in done.stdout
    assert "typed in" in done.stdout


# -- what is wrong ------------------------------------------------------------------------------


def test_a_fault_in_use_ends_it(tmp_path: Path) -> None:
    bad = row("weigh", None, "fault", fault=FaultRecord(kind="drifting", message="it drifts"))
    made = measured()
    made = made.model_copy(update={"states": (bad, *made.states[1:])})
    done = life(kept(tmp_path / "run", made))
    assert done.exit_code == 4
    assert "weigh is a fault (drifting: it drifts)" in done.stderr
    assert "years" not in done.stdout


def test_a_state_without_result_is_a_wrong_file(tmp_path: Path) -> None:
    made = measured()
    done = life(kept(tmp_path / "run", made.model_copy(update={"states": made.states[:2]})))
    assert done.exit_code == 2
    assert f"{PROFILE}:" in done.stderr
    assert "'deep_sleep' has no result" in done.stderr


@pytest.mark.parametrize(
    ("more", "part"),
    [
        (("--target", "10"), "has no unit"),
        (("--target", "0 s"), "must be above zero"),
        (("--probability", "40 %"), "above 50 %"),
        (("--draws", "10"), "not in the range"),
    ],
)
def test_wrong_usage(run: Path, more: tuple[str, ...], part: str) -> None:
    done = life(run, *more)
    assert done.exit_code == 2
    assert part in done.stderr


def test_an_average_of_nothing_is_no_life(tmp_path: Path) -> None:
    profile = tmp_path / "p.toml"
    profile.write_text(
        'format = "benchrig/profile/1"\nname = "p"\nsession = "s"\n[currents]\nsleep = "0 A"\n'
        '[[modes]]\nname = "year"\nuses = [{ state = "sleep", rest = true }]\n',
        encoding="utf-8",
    )
    done = call("life", profile, "--cell", COIN, *DRAWS)
    assert done.exit_code == 2
    assert "must be above zero" in done.stderr


@pytest.mark.parametrize("command", ["life", "compare"])
def test_the_help_has_an_example_and_the_exit_status(command: str) -> None:
    text = call(command, "--help").stdout
    assert f"benchrig {command} " in text.partition("Example:")[2]
    assert "Exit status: 0" in text


def test_the_help_tells_the_cautions() -> None:
    text = " ".join(call("life", "--help").stdout.split())
    assert "lithium cells can vent and burn" in text
    assert "never charge a primary cell" in text


# -- compare ------------------------------------------------------------------------------------


def test_a_change_for_the_worse(tmp_path: Path, run: Path) -> None:
    worse = kept(tmp_path / "worse", measured(700e-9))
    done = call("compare", run, worse)
    text = " ".join(done.stdout.split())
    assert done.exit_code == 1
    assert "+16.7 yes" in text
    assert "life" not in text
    better = call("compare", worse, run)
    assert better.exit_code == 0
    assert call("compare", run, run).exit_code == 0


def test_what_a_change_does_to_life(tmp_path: Path, run: Path) -> None:
    worse = kept(tmp_path / "worse", measured(700e-9))
    files = ("--profile", PROFILE, "--cell", COIN)
    text = " ".join(call("compare", run, worse, *files).stdout.split())
    assert "each in the median: -" in text
    assert "caution: A lithium cell" in text
    document = json.loads(call("compare", run, worse, *files, "--json").stdout)
    low, high = document["life"]["interval_days"]
    assert low < document["life"]["days"] < high < 0.0
    sleep = next(each for each in document["states"] if each["name"] == "deep_sleep")
    assert sleep["change_A"] == pytest.approx(100e-9)
    assert sleep["significant"]


def test_a_fault_cannot_be_compared(tmp_path: Path, run: Path) -> None:
    bad = row("weigh", None, "fault", fault=FaultRecord(kind="drifting", message="it drifts"))
    made = measured()
    other = kept(tmp_path / "bad", made.model_copy(update={"states": (bad, *made.states[1:])}))
    done = call("compare", run, other)
    assert done.exit_code == 4
    assert "weigh: cannot be compared: " in done.stdout
    assert "drifting" in done.stdout
    with_life = call("compare", run, other, "--profile", PROFILE, "--cell", COIN)
    assert with_life.exit_code == 4
    assert "life: not computed" in with_life.stdout


def test_profile_and_cell_go_together(run: Path) -> None:
    assert call("compare", run, run, "--cell", COIN).exit_code == 2
