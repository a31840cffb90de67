"""Fault plans on whole benches: from the file to what a session makes of it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchrig.assembly import assemble
from benchrig.clock import VirtualClock
from benchrig.drivers.scpi import is_overload, parse_block, parse_numbers
from benchrig.errors import UsageError
from benchrig.injecting import (
    ERRORS,
    READINGS,
    FaultPlan,
    error_queue,
    load_faults,
    overload,
    plan_of,
)
from benchrig.records.recorder import Recorder
from benchrig.records.recording import Options, load_recording
from benchrig.records.replaying import replay
from benchrig.records.sources import read_sources
from benchrig.result import SessionResult
from benchrig.sequencer import run_session
from benchrig.session import BenchFile, Session, load_bench, load_session
from benchrig.session.fault_plan import FaultPlanFile
from benchrig.session.toml_file import parse_toml
from benchrig.wires.injections import (
    AtMatch,
    AtMessage,
    AtTime,
    Chance,
    Close,
    Cut,
    Delay,
    Drop,
    Duplicate,
    Flip,
    Injection,
    Insert,
    Reset,
    Silence,
)
from tests.benches import BENCH, FIXTURES, HASTY, WITHOUT_SUPPLY

LOST_BYTE = FIXTURES / "faults" / "lost-byte.faults.toml"


def plan(*faults: str, seed: int = 1) -> FaultPlan:
    text = f'format = "benchrig/fault-plan/1"\nseed = {seed}\n'
    text += "".join(f"[[faults]]\n{fault}\n" for fault in faults)
    return plan_of(parse_toml(text, "plan.toml", FaultPlanFile))


def ran(faults: FaultPlan, session: Session = HASTY, file: BenchFile = BENCH) -> SessionResult:
    return run_session(session, assemble(file, session, clock=VirtualClock(), faults=faults))


def events(result: SessionResult, *kinds: str) -> list[str]:
    return [event.kind for event in result.events if event.kind in kinds]


# -- from the file ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        ('do = "drop"\ncount = 2\nwhen = { message = 3 }', Injection(Drop(2), AtMessage(3))),
        ('do = "duplicate"\nwhen = { time = "2 s" }', Injection(Duplicate(), AtTime(2.0))),
        (
            'do = "flip"\nbit = 6\nside = "sent"\nwhen = { message = 2 }',
            Injection(Flip(0x40), AtMessage(2, "sent"), "sent"),
        ),
        (
            'do = "insert"\ndata_hex = "00 FF"\nwhen = { probability = 0.1 }',
            Injection(Insert(b"\x00\xff"), Chance(0.1), times=None),
        ),
        (
            "do = \"cut\"\nafter = 4\nwhen = { sent = '^a', match = 2 }",
            Injection(Cut(), AtMatch(re.compile(b"^a"), 2), after=4),
        ),
        (
            'do = "delay"\nduration = "1 s"\ntimes = 3\nwhen = { received = \'b\' }',
            Injection(Delay(1.0), AtMatch(re.compile(b"b"), 1, "received"), times=3),
        ),
        ('do = "silence"\nwhen = { message = 1 }', Injection(Silence(), AtMessage(1))),
        ('do = "close"\nwhen = { message = 1 }', Injection(Close(), AtMessage(1))),
        ('do = "reset"\nwhen = { message = 1 }', Injection(Reset(), AtMessage(1))),
    ],
)
def test_what_a_file_says(fault: str, expected: Injection) -> None:
    found = plan(f'wire = "board"\n{fault}', seed=7)
    assert found == FaultPlan(board=(expected,), seed=7)


@pytest.mark.parametrize("question", ["FETC?", "READ?", ":FETCh?", "*CLS;:fetch:scalar?", "MEAS?"])
def test_questions_for_readings(question: str) -> None:
    assert READINGS.search(question.encode())
    assert not ERRORS.search(question.encode())


@pytest.mark.parametrize("question", ["SYST:ERR?", ":SYSTem:ERRor:NEXT?", "syst:err:next?"])
def test_questions_for_errors(question: str) -> None:
    assert ERRORS.search(question.encode())
    assert not READINGS.search(question.encode())


def test_an_overload_has_the_form_of_the_readings() -> None:
    rewrite = overload().rewrite
    block = b"#216" + np.array([1e-3, 2e-3], ">f8").tobytes()
    assert rewrite(block[:9]) is None
    assert rewrite(block) is None
    for answer, parse in ((block, parse_block), (b"+1.0E-3, 2", parse_numbers)):
        spoiled = rewrite(answer + b"\r\n" if parse is parse_numbers else answer + b"\n")
        assert spoiled is not None
        assert is_overload(parse(spoiled.strip(), 2)).all()


def test_an_error_queue_says_what_it_is_told_to() -> None:
    rewrite = error_queue('-222,"Data out of range"').rewrite
    assert rewrite(b'0,"No err') is None
    assert rewrite(b'0,"No error"\n') == b'-222,"Data out of range"\n'


# -- on a bench ---------------------------------------------------------------------------------


def test_an_empty_plan_changes_nothing() -> None:
    plain = run_session(HASTY, assemble(BENCH, HASTY, clock=VirtualClock()))
    assert plain.verdict == "pass"
    assert ran(FaultPlan()) == plain


def test_a_session_with_faults_never_passes_though_its_states_do() -> None:
    result = ran(load_faults(LOST_BYTE), session=load_session(FIXTURES / "hive-scale.session.toml"))
    assert [row.verdict for row in result.states] == ["pass"] * 5
    assert events(result, "injected", "repeating") == ["injected", "repeating"] * 2
    assert result.verdict == "fault"
    assert result.fault is not None
    assert result.fault.kind == "faults_injected"
    assert "2 times" in result.fault.message


def test_the_real_fault_keeps_its_name() -> None:
    fault = 'wire = "meter"\ndo = "close"\nwhen = { sent = "FETC", match = 6 }'
    result = ran(plan(fault))
    assert result.fault is not None
    assert result.fault.kind == "wire_lost"
    told = next(event for event in result.events if event.kind == "injected")
    assert told.data == {"wire": "meter", "fault": "close"}


def test_a_time_counts_from_the_beginning_of_the_session() -> None:
    delay = 'do = "delay"\nduration = "10 ms"'
    bench = assemble(
        BENCH,
        HASTY,
        clock=VirtualClock(),
        faults=plan(f'wire = "meter"\n{delay}\nwhen = {{ time = "3 s" }}'),
    )
    bench.clock.sleep(100.0)
    result = run_session(HASTY, bench)
    (told,) = [event for event in result.events if event.kind == "injected"]
    assert told.time_s == pytest.approx(3.0, abs=0.5)


def test_the_same_seed_the_same_session() -> None:
    noise = 'wire = "board"\ndo = "flip"\nbit = 3\nwhen = { probability = 0.01 }'
    first, again = (ran(plan(noise, seed=3)) for _ in range(2))
    assert first == again
    assert "injected" in events(first, "injected")
    assert ran(plan(noise, seed=4)).events != first.events


@pytest.mark.parametrize(
    ("fault", "file", "words"),
    [
        ('wire = "supply"\ndo = "drop"\nwhen = { message = 1 }', WITHOUT_SUPPLY, "none"),
        (
            'wire = "board"\ndo = "reset"\nwhen = { message = 1 }',
            load_bench(FIXTURES / "bench-2.bench.toml"),
            "a simulated board only",
        ),
    ],
)
def test_a_plan_that_this_bench_cannot_carry_out(fault: str, file: BenchFile, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        assemble(file, HASTY, faults=plan(fault))


@pytest.mark.parametrize("seed", range(4))
def test_a_session_with_faults_is_replayed_without_them(seed: int, tmp_path: Path) -> None:
    noise = 'wire = "{}"\ndo = "{}"\nwhen = {{ probability = 0.003 }}{}'
    faults = plan(
        noise.format("board", "flip", "\nbit = 5"),
        noise.format("board", "drop", '\nside = "sent"'),
        noise.format("meter", "delay", '\nduration = "200 ms"\ntimes = 3'),
        seed=seed,
    )
    session, bench = FIXTURES / "hive-scale.session.toml", FIXTURES / "simulated.bench.toml"
    recorder = Recorder(VirtualClock())
    made = assemble(bench, session, clock=recorder.clock, wrap=recorder.wire, faults=faults)
    path = tmp_path / "recording.jsonl"
    sources: Any = read_sources(session, bench, load_bench(bench))
    with recorder.to(path, sources, Options()):
        result = run_session(made.session, made, listeners=recorder.listeners())
    assert "injected" in events(result, "injected"), f"seed {seed}"
    replayed = replay(load_recording(path))
    assert replayed.differences == (), f"seed {seed}"
