"""All that is wrong in the files of a run is told at once: by file, line and key."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchrig import load_bench, load_session, load_sheet, open_bench, run_session
from benchrig.assembly import assemble, load_parts
from benchrig.errors import FileProblem, FileProblems, UsageError
from benchrig.session import BenchFile
from benchrig.session.fault_plan import load_fault_plan
from benchrig.simulation.files import load_board
from tests.cli.calls import BENCH, SESSION, SHEET, call, edited

GONE = """format = "benchrig/bench/1"
name = "gone"
[meter]
sheet = "gone.sheet.toml"
zeros = "."
[supply]
current_limit = "50 mA"
highest_voltage = "2 V"
[simulation]
board = "gone.board.toml"
"""
NOT_THERE = "cannot be read: No such file or directory"


@pytest.fixture
def gone(tmp_path: Path) -> Path:
    path = tmp_path / "gone.bench.toml"
    path.write_text(GONE, encoding="utf-8")
    return path


def told(act: Callable[[], object]) -> tuple[FileProblem, ...]:
    with pytest.raises(FileProblems) as caught:
        act()
    return caught.value.problems


def test_what_a_bench_file_refers_to_is_told_with_its_line_and_key(gone: Path) -> None:
    folder = gone.parent
    expected = [
        (4, "meter.sheet", f"names {folder / 'gone.sheet.toml'}, which {NOT_THERE}"),
        (5, "meter.zeros", f"names {folder}, which cannot be read: Is a directory"),
        (10, "simulation.board", f"names {folder / 'gone.board.toml'}, which {NOT_THERE}"),
    ]
    problems = told(lambda: load_parts(load_bench(gone)))
    assert all(problem.file == str(gone) for problem in problems)
    assert [(each.line, each.key, each.message) for each in problems] == expected
    # What the session asks for and this bench lacks comes with them, by line and key as well.
    problems = told(lambda: assemble(gone, SESSION))
    assert [each.line for each in problems] == [4, 5, 10, 8]
    assert problems[-1].key == "supply.highest_voltage"
    assert told(lambda: open_bench(gone, SESSION)) == problems
    assert told(lambda: run_session(load_session(SESSION), gone)) == problems


@pytest.mark.parametrize("command", [["run"], ["check"], ["check", "--files-only"]])
def test_commands_tell_them_all(command: list[str], gone: Path, tmp_path: Path) -> None:
    name, *options = command
    session = edited(SESSION, tmp_path / "s.toml", ('"hive-scale"', '"hive scale"'))
    options += ["--fault-plan", str(gone), "--out", str(tmp_path)] if name == "run" else []
    result = call(name, session, "--bench", gone, *options)
    assert result.exit_code == 2
    lines = result.output.splitlines()
    assert len(lines) == (5 if name == "run" else 4)
    assert all(str(tmp_path) in line and ":" in line for line in lines)


def test_mistakes_in_a_file_that_is_referred_to_have_its_own_lines(tmp_path: Path) -> None:
    edited(SHEET, tmp_path / SHEET.name, ("fastest_nplc", "fastest_nlpc"))
    bench = edited(BENCH, tmp_path / "b.toml", ("boards/hive-scale.toml", "nothing.toml"))
    sheet, board = told(lambda: assemble(bench, SESSION))
    assert (Path(sheet.file).name, sheet.key) == (SHEET.name, "fastest_nlpc")
    assert (Path(board.file).name, board.key) == ("b.toml", "simulation.board")


def test_an_aperture_that_the_sheet_excludes() -> None:
    bench = load_bench(BENCH)
    meter = bench.meter.model_copy(update={"nplc": 0.01})
    (problem,) = told(lambda: load_parts(bench.model_copy(update={"meter": meter})))
    assert (problem.file, problem.line, problem.key) == (str(BENCH), 11, "meter.nplc")
    assert problem.message == "is 0.01, below the fastest_nplc of the sheet, 0.02"


def test_a_variant_tells_what_it_is_based_on(tmp_path: Path) -> None:
    path = tmp_path / "variant.toml"
    path.write_text(
        'format = "benchrig/simulated-board/1"\nname = "x"\nbased_on = "no.toml"\n[defects]\n',
        encoding="utf-8",
    )
    (problem,) = told(lambda: load_board(path))
    assert (problem.file, problem.line, problem.key) == (str(path), 3, "based_on")
    assert problem.message == f"names {tmp_path / 'no.toml'}, which {NOT_THERE}"


@pytest.mark.parametrize("name", ["a\0b", "\udcff\0"])
def test_a_name_that_no_system_takes(name: str, tmp_path: Path) -> None:
    (problem,) = told(lambda: load_session(name))
    assert "cannot be read" in problem.message


# -- the Python use -------------------------------------------------------------------------


@pytest.mark.parametrize(
    "load", [load_session, load_bench, load_sheet, load_fault_plan, load_board]
)
@pytest.mark.parametrize(
    ("given", "words"),
    [
        (None, "nothing is given"),
        ("", "an empty text is given"),
        (5, "type int"),
        (b"x", "type bytes"),
        ({}, "type dict"),
    ],
)
def test_what_is_no_path_is_told(load: Callable[[Any], object], given: Any, words: str) -> None:
    with pytest.raises(UsageError, match=words) as caught:
        load(given)
    assert "give the path of its file" in str(caught.value)
    assert "None" not in str(caught.value)


def test_what_is_loaded_already_stays_as_it_is() -> None:
    session, bench, sheet = load_session(SESSION), load_bench(BENCH), load_sheet(SHEET)
    assert load_session(session) is session
    assert load_bench(bench) is bench
    assert load_sheet(sheet) is sheet


def test_session_and_bench_the_other_way_round() -> None:
    with pytest.raises(UsageError, match="type BenchFile is given for the session"):
        run_session(load_bench(BENCH), load_session(SESSION))  # type: ignore[arg-type]


@pytest.mark.parametrize("only", ["idle", ["idle"], ("idle",)])
@pytest.mark.parametrize("session", [SESSION, str(SESSION), load_session(SESSION)])
def test_a_session_is_a_path_or_loaded_and_one_name_is_enough(only: Any, session: Any) -> None:
    assert [row.name for row in run_session(session, BENCH, only=only).states] == ["idle"]


def test_a_bench_that_is_open_takes_the_path_of_its_session() -> None:
    with open_bench(BENCH, SESSION) as bench:
        assert run_session(str(SESSION), bench, only="idle").verdict == "pass"


@pytest.mark.parametrize("repeat", [0, -1, "2", True, 1.5])
def test_a_session_is_run_a_whole_number_of_times(repeat: Any) -> None:
    with pytest.raises(UsageError, match="once or more"):
        run_session(SESSION, BENCH, repeat=repeat)


def test_a_misspelt_state_is_told_with_the_near_one(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="'idel'; did you mean 'idle'\\?"):
        load_session(SESSION).selected("idel")
    result = call("run", SESSION, "--bench", BENCH, "--only", "deepsleep", "--out", tmp_path)
    assert result.exit_code == 2
    assert "did you mean 'deep_sleep'?" in result.output
    assert not list(tmp_path.iterdir())


def test_a_bench_that_was_made_without_a_file_is_named_by_its_kind() -> None:
    gone = {"board": "gone.toml", "seed": 1}
    given = {"format": "benchrig/bench/1", "name": "b", "meter": {"sheet": str(SHEET)}}
    (problem,) = told(lambda: load_parts(BenchFile.model_validate({**given, "simulation": gone})))
    assert str(problem).startswith("benchrig/bench/1: simulation.board: names gone.toml, which")
