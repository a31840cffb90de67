"""A program records and replays: what it is given the second time is what it got the first."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig import (
    load_recording,
    open_bench,
    record_bench,
    record_session,
    replay,
    replay_bench,
    run_session,
)
from benchrig.bench import Bench
from benchrig.errors import ReplayMismatch, UsageError
from benchrig.injecting import load_faults
from benchrig.result import SessionResult, StateResult
from tests.benches import FIXTURES
from tests.recordings import synced_lines

SESSION, BENCH = FIXTURES / "hive-scale.session.toml", FIXTURES / "simulated.bench.toml"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "r.jsonl"


def measured(bench: Bench, name: str) -> StateResult:
    bench.power_up()
    bench.enter(name)
    row = bench.measure()
    bench.wake()
    return row


def recorded(path: Path, name: str = "deep_sleep") -> StateResult:
    with record_bench(BENCH, SESSION, path) as bench:
        return measured(bench, name)


def test_a_bench_by_hand(path: Path) -> None:
    row = recorded(path)
    with replay_bench(path) as bench:
        assert measured(bench, "deep_sleep") == row
    assert row.verdict == "pass"


def test_what_was_done_by_hand_is_on_disk_with_each_state(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced = synced_lines(path, monkeypatch)
    recorded(path)
    kinds = [line["kind"] for line in synced if line.get("op") == "step"]
    assert [kind for kind in kinds if kind in ("entered", "woken")] == ["entered", "woken"]


def test_a_program_that_does_something_else(path: Path) -> None:
    recorded(path)
    with pytest.raises(ReplayMismatch, match="would send"), replay_bench(path) as bench:
        measured(bench, "light_sleep")


def test_a_program_that_does_less(path: Path) -> None:
    recorded(path)
    with pytest.raises(ReplayMismatch), replay_bench(path) as bench:
        bench.power_up()


def test_the_programs_own_error_is_not_hidden(path: Path) -> None:
    recorded(path)
    with pytest.raises(LookupError), replay_bench(path) as bench:
        {}[bench.file.name]


def test_a_bench_that_is_driven_by_hand_is_no_session(path: Path) -> None:
    recorded(path, "idle")
    with pytest.raises(UsageError, match="a program drove by hand"):
        replay(load_recording(path))


def test_a_session_on_a_bench_by_hand(path: Path) -> None:
    def ran(bench: Bench) -> SessionResult:
        measured(bench, "idle")
        return run_session(bench.session, bench, only=["idle", "deep_sleep"])

    with record_bench(BENCH, SESSION, path) as bench:
        result = ran(bench)
    with replay_bench(path) as bench:
        assert ran(bench) == result


def test_faults_by_hand(path: Path) -> None:
    plan = load_faults(FIXTURES / "faults" / "lost-byte.faults.toml")

    def ran(bench: Bench) -> list[str]:
        bench.power_up()
        bench.enter("lamp")
        return [entry.kind for entry in bench.log.entries]

    with record_bench(BENCH, SESSION, path, faults=plan) as bench:
        kinds = ran(bench)
    assert kinds.count("injected") == 2
    with replay_bench(path) as bench:
        assert ran(bench) == kinds
    with open_bench(BENCH, SESSION, faults=plan) as bench:
        assert ran(bench) == kinds


def test_a_state_that_is_none_leaves_no_recording(path: Path) -> None:
    with pytest.raises(UsageError, match="no state or subset 'idel'"):
        record_session(SESSION, BENCH, path, only=["idel"])
    assert not path.exists()


def test_one_state_may_be_named_alone(path: Path) -> None:
    result = record_session(SESSION, BENCH, path, only="idle")
    assert [row.name for row in result.states] == ["idle"]


def test_a_session(path: Path) -> None:
    result = record_session(SESSION, BENCH, path, only=["idle"], repeat=2, aim="verdict")
    assert len(result.states) == 2
    assert replay(load_recording(path)).result == result
