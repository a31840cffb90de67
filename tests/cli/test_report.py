"""``benchrig report``, ``show`` and ``export``."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest

from benchrig.cli.export import TABLES
from benchrig.pages import csv_table
from tests.cli.calls import FIXTURES, call, folder_in, run
from tests.pages.results import nasty, run_folder, simulated

LIFE = (
    "--profile",
    FIXTURES / "hive-scale.profile.toml",
    "--cell",
    FIXTURES / "cells" / "lithium-manganese-dioxide-coin.cell.toml",
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("runs")
    run(out, "--quiet")
    return folder_in(out)


def test_a_page_is_made_and_named(folder: Path, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    result = call("report", folder, *LIFE, "--target", "5 years", "--out", page)
    assert (result.exit_code, result.output) == (0, f"page: {page}\n")
    text = page.read_text(encoding="utf-8")
    assert text.startswith("<!DOCTYPE html>")
    assert "averaged for" in text
    assert "Target 5 years" in text


def test_a_failed_board_has_a_page_as_well(tmp_path: Path) -> None:
    folder = run_folder(tmp_path / "bad", simulated("dead-uart"))
    page = tmp_path / "page.html"
    result = call("report", folder, *LIFE, "--out", page)
    assert result.exit_code == 0
    assert "No battery life can be told" in page.read_text(encoding="utf-8")


def test_a_run_makes_its_page_where_it_is_wanted(tmp_path: Path) -> None:
    shown = run(tmp_path, "--page", "--only", "idle")
    page = folder_in(tmp_path) / "page.html"
    assert shown.output.splitlines()[-1] == f"page: {page}"
    assert "averaged for" in page.read_text(encoding="utf-8")


def test_a_page_of_a_run_does_not_change_what_it_prints(tmp_path: Path) -> None:
    shown = run(tmp_path, "--page", "--only", "idle", "--json")
    assert json.loads(shown.output)["verdict"] == "pass"
    assert (folder_in(tmp_path) / "page.html").is_file()


def test_show_tells_the_same(folder: Path, tmp_path: Path) -> None:
    result = call("show", folder, run_folder(tmp_path / "second", simulated(seed=2)), *LIFE)
    assert result.exit_code == 0
    for words in ("2 results of hive-scale: ✓ pass", "max 900 nA", "caution: A lithium cell"):
        assert words in result.output
    # A heading has something under it, though a terminal shows no plots: of the second that its
    # readings are missing.
    assert result.output.count("How the states settled") == 1
    # One line is one line where there is no terminal.
    assert max(len(line) for line in result.output.splitlines()) > 100


def test_a_result_is_shown_once(folder: Path) -> None:
    result = call("show", folder, folder / "result.json")
    assert result.exit_code == 2
    assert "is the same result as" in " ".join(result.stderr.split())


def test_nothing_hostile_gets_into_a_terminal(tmp_path: Path) -> None:
    result = call("show", run_folder(tmp_path / "bad", nasty()))
    assert result.exit_code == 0
    assert "\x1b" not in result.output
    assert "\u202e" not in result.output


def test_csv_to_the_output_and_to_a_file(folder: Path, tmp_path: Path) -> None:
    shown = call("export", folder, "--as", "csv")
    assert shown.exit_code == 0
    names = [row["name"] for row in csv.DictReader(io.StringIO(shown.output))]
    assert names == ["idle", "weigh", "lamp", "light_sleep", "deep_sleep"]
    file = tmp_path / "states.csv"
    call("export", folder, "--as", "csv", "--table", "budgets", "--out", file)
    content = file.read_bytes()
    assert content.count(b"\r\n") == content.count(b"\n") > 5
    assert content.startswith(b"result,serial number,state,name,")


def test_json_with_a_battery_life(folder: Path, tmp_path: Path) -> None:
    result = call("export", folder, *LIFE, "--as", "json")
    assert json.loads(result.output)["life"]["median_years"] > 0.0
    bad = run_folder(tmp_path / "bad", simulated("dead-uart"))
    life = json.loads(call("export", bad, *LIFE, "--as", "json").output)["life"]
    assert list(life) == ["warnings"]


def test_markdown_and_plots(folder: Path, tmp_path: Path) -> None:
    assert call("export", folder, "--as", "markdown").output.startswith("# hive scale")
    plots = tmp_path / "plots"
    result = call("export", folder, "--as", "svg", "--out", plots)
    assert result.output.split() == [str(path) for path in result_files(result.output)]
    assert len(list(plots.glob("*.svg"))) == 6


def result_files(output: str) -> list[Path]:
    return [Path(line) for line in output.splitlines() if Path(line).is_file()]


def test_tables_of_the_command_are_those_there_are() -> None:
    assert tuple(csv_table.TABLES) == TABLES


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["report", "--out", "{}/p.html"], "Missing argument 'RESULT...'"),
        (["report", "{}", "--out", "{}/p.html"], "cannot be read"),
        (["report", "GOOD", "--out", "{}"], "cannot be written"),
        (["report", "GOOD", "--out", "{}/no/p.html"], "cannot be written"),
        (["report", "GOOD", "--out", "{}/p.html", "--cell", "c"], "go together"),
        (["report", "GOOD", "--out", "{}/p.html", "--target", "5 years"], "--target needs"),
        (["report", "GOOD", "--out", "{}/p", "--probability", "40 %"], "above 50 %"),
        (["report", "GOOD", "--out", "{}/p", "--profile", "n", "--cell", "n"], "cannot be read"),
        (["export", "GOOD", "--as", "png"], "needs --out"),
        (["export", "GOOD", "--as", "json", "--table", "states"], "--table is for"),
        (["export", "GOOD", "--as", "png", "--out", "FILE"], "no plots can be written"),
    ],
)
def test_what_is_wrong_is_told(words: list[str], told: str, folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("", encoding="utf-8")
    known = {"GOOD": str(folder), "FILE": str(file)}
    result = call(*(known.get(word, word.format(tmp_path)) for word in words))
    assert result.exit_code == 2
    assert told in result.output
    assert not (tmp_path / "p.html").exists()
