"""The pytest plugin: which bench a test gets, what becomes of its recording, and that the bench is
left safe."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable
from importlib import import_module
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.bench import Bench
from benchrig.errors import Fault
from benchrig.ranges import RangeKeeper
from benchrig.records.recording import load_recording
from benchrig.testing import choosing
from tests.cli.calls import call, edited
from tests.testing.projects import EXAMPLE, PLUGIN, ROOT, project, run_pytest

pytest_plugins = ["pytester"]

SLEEPS = """
import pytest
pytestmark = pytest.mark.real_bench

def test_sleep(bench, within_limits):
    within_limits(bench.settled_current("deep_sleep"))
"""
NAME = "test_sleep.jsonl"
Run = Callable[..., pytest.RunResult]


@pytest.fixture
def run(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> Run:
    """pytest in this process, with no plugin but ours."""
    monkeypatch.setenv("PYTEST_DISABLE_PLUGIN_AUTOLOAD", "1")
    return lambda *words: pytester.runpytest_inprocess(*PLUGIN, *map(str, words))


@pytest.fixture
def recorded(pytester: pytest.Pytester, run: Run) -> Path:
    """The folder with the recording of `SLEEPS`, made on the simulated bench."""
    folder = project(pytester.path, SLEEPS)
    run("--bench-simulated", "--bench-record", "missing").assert_outcomes(passed=1)
    assert [path.name for path in folder.iterdir()] == [NAME]
    return folder


def told(result: pytest.RunResult) -> str:
    return "\n".join([*result.outlines, *result.errlines])


# -- which bench ----------------------------------------------------------------------------


def test_a_recording_is_made_and_replayed(run: Run, recorded: Path) -> None:
    before = (recorded / NAME).read_bytes()
    run().assert_outcomes(passed=1)
    # One that is there already is not made again.
    run("--bench-simulated", "--bench-record", "missing").assert_outcomes(passed=1)
    assert (recorded / NAME).read_bytes() == before
    run("--bench-simulated", "--bench-record", "all").assert_outcomes(passed=1)
    assert (recorded / NAME).read_bytes() != before  # it holds the date
    assert [path.name for path in recorded.iterdir()] == [NAME]


def test_a_missing_recording_says_how_to_make_it(pytester: pytest.Pytester, run: Run) -> None:
    project(pytester.path, SLEEPS)
    skipped = run("-rs")
    skipped.assert_outcomes(skipped=1)
    words = "pytest 'test_it.py::test_sleep' --bench-file=BENCH --bench-record=missing"
    assert words in told(skipped)
    strict = run("--bench-strict")
    # The test cannot begin, which pytest calls an error.
    strict.assert_outcomes(errors=1)
    assert words in told(strict)


def test_without_the_marker_a_test_runs_on_the_simulated_bench(
    pytester: pytest.Pytester, run: Run
) -> None:
    source = "def test_it(bench): assert bench.file.simulation and bench.identity\n"
    project(pytester.path, source)
    run().assert_outcomes(passed=1)
    project(pytester.path, source, ini="[pytest]\nbench_session = hive-scale.session.toml\n")
    run().assert_outcomes(skipped=1)


def test_the_marker_names_another_session_file(pytester: pytest.Pytester, run: Run) -> None:
    source = """
import pytest

@pytest.mark.bench_session("other.toml")
def test_other(bench): assert bench.session.name == "other"

def test_usual(bench): assert bench.session.name == "hive-scale-firmware"
"""
    project(pytester.path, source)
    session = pytester.path / "hive-scale.session.toml"
    edited(session, pytester.path / "other.toml", ("hive-scale-firmware", "other"))
    run().assert_outcomes(passed=2)


@pytest.mark.parametrize("mark", ["bench_session", "bench_session()", "bench_session('a', 'b')"])
def test_a_marker_without_its_file(pytester: pytest.Pytester, run: Run, mark: str) -> None:
    source = f"import pytest\n@pytest.mark.{mark}\ndef test_it(bench): pass\n"
    project(pytester.path, source)
    result = run()
    result.assert_outcomes(errors=1)
    assert "bench_session takes one file name" in told(result)


def test_no_session_file(pytester: pytest.Pytester, run: Run) -> None:
    project(pytester.path, SLEEPS, ini="[pytest]\nbench_simulation = simulated.bench.toml\n")
    result = run("--bench-simulated")
    result.assert_outcomes(errors=1)
    assert "no session file" in told(result)


def test_a_bench_file_elsewhere_hides_the_ini_file(tmp_path: Path) -> None:
    """pytest itself takes it for a file of tests, before it knows the option."""
    project(tmp_path / "mine", SLEEPS)
    bench = tmp_path / "theirs" / "simulated.bench.toml"
    bench.parent.mkdir()
    (tmp_path / "mine" / bench.name).rename(bench)
    refused = run_pytest(tmp_path / "mine", "--bench-file", bench)
    assert refused.status == 1, refused.said
    assert "are all options written with =, as --bench-file=FILE?" in refused.said
    done = run_pytest(tmp_path / "mine", f"--bench-file={bench}")
    assert done.status == 0, done.said


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        (("--bench-file", "test_it.py", "--bench-simulated"), "name two benches"),
        (("--bench-file", "test_it.py", "--bench-recording", "test_it.py"), "name two benches"),
        (("--bench-simulated", "--bench-recording", "test_it.py"), "name two benches"),
        (("--bench-record", "all"), "--bench-record needs a bench"),
        (("--bench-recording", "test_it.py", "--bench-record", "all"), "needs a bench to record"),
        (("--bench-file", "nowhere.toml"), "there is no file nowhere.toml"),
        (("--bench-recording", "nowhere.jsonl"), "there is no file nowhere.jsonl"),
        (("--bench-record", "sometimes"), "invalid choice"),
    ],
)
def test_what_makes_no_sense(
    pytester: pytest.Pytester, run: Run, words: tuple[str, ...], problem: str
) -> None:
    project(pytester.path, SLEEPS)
    result = run(*words)
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    assert problem in told(result)


def test_a_wrong_bench_file_is_told_in_its_own_words(pytester: pytest.Pytester, run: Run) -> None:
    """Without a page of the plugin's own code in front of them, for each test."""
    project(pytester.path, SLEEPS)
    edited(
        pytester.path / "simulated.bench.toml",
        pytester.path / "wrong.bench.toml",
        ("nplc = 1", "nplz = 1"),
    )
    result = run("--bench-file=wrong.bench.toml")
    result.assert_outcomes(errors=1)
    said = told(result)
    assert "wrong.bench.toml:10: meter.nplz: is not a known key" in said
    assert "def bench(" not in said
    assert "During handling" not in said


def test_no_simulated_bench_is_named(pytester: pytest.Pytester, run: Run) -> None:
    project(pytester.path, SLEEPS, ini="[pytest]\nbench_session = hive-scale.session.toml\n")
    result = run("--bench-simulated")
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    assert "bench_simulation" in told(result)


def test_real_instruments_are_not_shared_by_processes(tmp_path: Path) -> None:
    project(tmp_path, SLEEPS)
    real = ROOT / "fixtures" / "bench-2.bench.toml"
    refused = run_pytest(tmp_path, "-p", "xdist", "-n", "2", "--bench-file", real)
    assert refused.status == pytest.ExitCode.USAGE_ERROR
    assert "cannot be shared" in refused.said
    # Simulated ones are each worker's own.
    simulated = tmp_path / "simulated.bench.toml"
    done = run_pytest(tmp_path, "-p", "xdist", "-n", "2", "--bench-file", simulated)
    assert done.status == 0, done.said


FAULTY = """
import pytest

@pytest.mark.real_bench
@pytest.mark.bench_faults("lost.faults.toml")
def test_it(bench):
    bench.enter("idle")
    kinds = [entry.kind for entry in bench.log.entries]
    assert (kinds.count("injected"), kinds.count("repeating")) == (1, 1), " ".join(kinds)
"""
LOST = """
format = "benchrig/fault-plan/1"

[[faults]]
wire = "board"
do = "drop"
when = { sent = 'stop' }
after = 3
"""


def test_faults_on_purpose(pytester: pytest.Pytester, run: Run) -> None:
    project(pytester.path, FAULTY)
    (pytester.path / "lost.faults.toml").write_text(LOST, "utf-8")
    run("--bench-simulated", "--bench-record", "all").assert_outcomes(passed=1)
    run("--bench-simulated").assert_outcomes(passed=1)
    # They are in the recording.
    (pytester.path / "lost.faults.toml").unlink()
    run("--bench-strict").assert_outcomes(passed=1)


# -- replaying ------------------------------------------------------------------------------


def rewritten(pytester: pytest.Pytester, *changes: tuple[str, str]) -> None:
    edited(pytester.path / "test_it.py", pytester.path / "test_it.py", *changes)


def test_a_test_that_does_something_else_gets_the_report(
    pytester: pytest.Pytester, run: Run, recorded: Path
) -> None:
    edited(
        pytester.path / "hive-scale.session.toml",
        pytester.path / "hive-scale.session.toml",
        ('"sleep deep"', '"sleep deeper"'),
    )
    result = run()
    result.assert_outcomes(failed=1)
    said = told(result)
    assert "the replay would send something else than was recorded" in said
    assert "now:       write 'sleep deeper\\n' to the board" in said
    assert "recorded:  write 'sleep deep\\n' to the board" in said
    assert "differ:    bytes" in said


@pytest.mark.parametrize("more", ["bench.enter('idle')", "bench.enter('deep_sleep')"])
def test_a_test_that_does_more(
    pytester: pytest.Pytester, run: Run, recorded: Path, more: str
) -> None:
    path = pytester.path / "test_it.py"
    path.write_text(f"{path.read_text('utf-8')}    bench.wake()\n    {more}\n", "utf-8")
    result = run()
    result.assert_outcomes(failed=1)
    assert "something else than was recorded" in told(result)


def test_a_test_that_does_less(pytester: pytest.Pytester, run: Run, recorded: Path) -> None:
    rewritten(pytester, ('within_limits(bench.settled_current("deep_sleep"))', "pass"))
    result = run()
    result.assert_outcomes(passed=1, errors=1)
    assert "something else than was recorded" in told(result)


def test_other_limits_are_those_of_today(
    pytester: pytest.Pytester, run: Run, recorded: Path
) -> None:
    session = pytester.path / "hive-scale.session.toml"
    edited(session, session, ('max = "0.9 uA"', 'max = "0.5 uA"'))
    result = run()
    result.assert_outcomes(failed=1)
    said = told(result)
    assert "deep_sleep: fail" in said
    assert "measured  (599" in said
    assert "limits    max 500 nA" in said
    assert "margin    (-99" in said
    assert "something else" not in said


def test_the_recording_of_another_test(pytester: pytest.Pytester, run: Run, recorded: Path) -> None:
    rewritten(pytester, ("def test_sleep(", "def test_slumber("))
    (recorded / NAME).rename(recorded / "test_slumber.jsonl")
    result = run()
    result.assert_outcomes(errors=1)
    assert "is the recording of another test, test_sleep" in told(result)
    # One that is named by hand may be any.
    run("--bench-recording", recorded / "test_slumber.jsonl").assert_outcomes(passed=1)


def test_a_damaged_recording_is_neither_absent_nor_replaced(run: Run, recorded: Path) -> None:
    path = recorded / NAME
    lines = path.read_bytes().split(b"\n")
    lines[9] = lines[9].replace(b'"t":', b'"T":')
    damaged = b"\n".join(lines)
    path.write_bytes(damaged)
    for words in ((), ("--bench-simulated", "--bench-record", "all")):
        result = run(*words)
        result.assert_outcomes(errors=1)
        assert f"{NAME}:10: is damaged" in told(result)
        assert path.read_bytes() == damaged


def test_a_recording_of_run_is_for_replay(run: Run, recorded: Path) -> None:
    of_run = ROOT / "fixtures" / "recordings" / "good.jsonl"
    result = run("--bench-recording", of_run)
    result.assert_outcomes(errors=1)
    assert "benchrig replay" in told(result)


def test_a_recording_of_a_test_is_not_for_replay() -> None:
    path = EXAMPLE / "recordings" / "test_sleep_current" / "test_deep_sleep_ends_in_time.jsonl"
    done = call("replay", path)
    assert done.exit_code == 2, done.output
    assert "test_deep_sleep_ends_in_time" in done.output
    shown = call("recording", "show", path)
    assert shown.exit_code == 0
    assert "cut off" not in shown.output


# -- failing, and the end -------------------------------------------------------------------


def test_the_recording_of_a_failed_test_stands_aside(
    pytester: pytest.Pytester, run: Run, recorded: Path
) -> None:
    before = (recorded / NAME).read_bytes()
    session = pytester.path / "hive-scale.session.toml"
    edited(session, session, ('max = "0.9 uA"', 'max = "0.5 uA"'))
    run("--bench-simulated", "--bench-record", "all").assert_outcomes(failed=1)
    assert (recorded / NAME).read_bytes() == before
    failed = recorded / "test_sleep.failed.jsonl"
    assert load_recording(failed).torn is None
    again = run("--bench-recording", failed)
    again.assert_outcomes(failed=1)
    assert "deep_sleep: fail" in told(again)
    # Once it passes nothing stands aside any more.
    edited(session, session, ('max = "0.5 uA"', 'max = "0.9 uA"'))
    run("--bench-simulated", "--bench-record", "all").assert_outcomes(passed=1)
    assert [path.name for path in recorded.iterdir()] == [NAME]


def safe_end(path: Path) -> list[str]:
    """What is told of the end in a recording, whose last acts must have closed all wires."""
    recording = load_recording(path)
    last = recording.acts[-3:]
    assert {act.wire for act in last if act.kind == "close"} == {"board", "meter", "supply"}
    return [note.text for note in recording.notes if note.kind == "safe_end"]


FAILING = """
import os, signal, time

def test_it(bench):
    bench.enter("deep_sleep")
    {act}

def test_next(bench):
    open("next-was-run", "w").close()
"""


@pytest.mark.parametrize(
    ("act", "status"),
    [
        ("assert False", 1),
        ("raise KeyboardInterrupt", 2),
        ("os.kill(os.getpid(), signal.SIGINT); bench.clock.sleep(1)", 2),
        ("os.kill(os.getpid(), signal.SIGTERM); bench.clock.sleep(1)", 2),
        # Somewhere else than at the bench a second one is needed, and heard.
        ("[os.kill(os.getpid(), signal.SIGINT) for _ in range(2)]; time.sleep(600)", 2),
    ],
)
def test_the_bench_is_left_safe(tmp_path: Path, act: str, status: int) -> None:
    folder = project(tmp_path, FAILING.format(act=act))
    done = run_pytest(tmp_path, "--bench-simulated", "--bench-record", "all")
    assert done.status == status, done.said
    lines = safe_end(folder / "test_it.failed.jsonl")
    assert lines[0] == "meter: on its highest range"
    assert lines[1].startswith("board: awake")
    assert lines[2] == "supply: left off"
    assert (tmp_path / "next-was-run").exists() == (status == 1)


def test_a_bench_that_was_not_left_safe_is_told(
    pytester: pytest.Pytester, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stuck(self: RangeKeeper) -> None:
        raise Fault("range_stuck", "the meter stays where it is")

    monkeypatch.setattr(RangeKeeper, "make_safe", stuck)
    folder = project(pytester.path, "def test_it(bench): pass\n")
    result = run("--bench-simulated", "--bench-record", "all")
    result.assert_outcomes(passed=1, errors=1)
    assert "safe_end_missed: meter: NOT reached: range_stuck" in told(result)
    assert [path.name for path in folder.iterdir()] == ["test_it.failed.jsonl"]


def test_fixtures_on_top_have_their_bench_to_the_end(pytester: pytest.Pytester, run: Run) -> None:
    source = """
import pytest
pytestmark = pytest.mark.real_bench

@pytest.fixture
def asleep(bench):
    bench.enter("deep_sleep")
    yield bench
    assert bench.wake() > 0

def test_it(asleep): assert asleep.is_open
"""
    project(pytester.path, source)
    run("--bench-simulated", "--bench-record", "all").assert_outcomes(passed=1)
    run().assert_outcomes(passed=1)


def test_each_test_has_a_bench_of_its_own(
    pytester: pytest.Pytester, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    closed: list[Bench] = []
    close = Bench.close
    monkeypatch.setattr(Bench, "close", lambda self: (closed.append(self), close(self)))
    source = """
def test_fails(bench):
    bench.enter("idle")
    assert False

def test_begins_anew(bench):
    import pytest
    from benchrig import UsageError
    with pytest.raises(UsageError, match="in no state"):
        bench.measure()
"""
    project(pytester.path, source)
    run("--bench-simulated").assert_outcomes(failed=1, passed=1)
    assert len({id(bench) for bench in closed}) == 2
    assert not any(bench.is_open for bench in closed)


# -- a project that asks for nothing --------------------------------------------------------

WITHOUT = """
import sys

def test_it():
    heavy = {"numpy", "pydantic", "scipy", "serial", "pyvisa", "rich", "benchrig.bench"}
    assert "benchrig.testing.plugin" in sys.modules
    assert not heavy & set(sys.modules)
"""


def test_it_costs_nothing_where_it_is_not_used(tmp_path: Path) -> None:
    (tmp_path / "test_it.py").write_text(WITHOUT, "utf-8")
    done = run_pytest(tmp_path, "-q")
    assert done.status == 0, done.said
    assert "benchrig" not in done.said


def test_it_takes_nothing_from_a_project_with_a_bench_of_its_own(
    pytester: pytest.Pytester, run: Run
) -> None:
    source = "import pytest\n@pytest.fixture\ndef bench(): return 7\n"
    pytester.makeconftest(source)
    pytester.makepyfile("def test_it(bench): assert bench == 7")
    run("--strict-markers", "--strict-config").assert_outcomes(passed=1)


def test_the_entry_point_is_the_plugin() -> None:
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    (name,) = declared["entry-points"]["pytest11"].values()
    assert import_module(name).pytest_addoption
    assert not [line for line in declared["dependencies"] if line.startswith("pytest")]


@given(st.sets(st.text(), min_size=2))
def test_each_test_has_a_file_of_its_own(tests: set[str]) -> None:
    names = [choosing._file_name(test) for test in tests]
    assert len({name.lower() for name in names}) == len(tests)
    for name in names:
        assert len(name) < 120
        assert os.path.basename(name) == name
