"""A board that is fed through a UART line: nobody may take what its supply then delivers for what
it draws."""

from __future__ import annotations

from typing import Literal

import pytest

from benchrig.result import StateResult
from benchrig.session import BenchFile
from benchrig.session.bench_file import Leakage, Parking
from tests.benches import BENCH, HASTY, SESSION, board_file, rig

Aim = Literal["value", "verdict"]

# From 3.3 V into 3 V through 200 kΩ: 1.5 uA, where the board draws 0.6 uA.
FED_A = 1.5e-6
BOARD = board_file().model_copy(
    update={"feeds": tuple(f.model_copy(update={"resistance": 2e5}) for f in board_file().feeds)}
)


def bench(parking: Parking, leakage: Leakage | None = None) -> BenchFile:
    port = BENCH.board.model_copy(update={"parking": parking, "leakage": leakage})
    return BENCH.model_copy(update={"board": port})


def deep_sleep(file: BenchFile, aim: Aim, seed: int) -> StateResult:
    made = rig(session=HASTY.aiming_at(aim), board=BOARD, file=file, seed=seed)
    (row,) = made.run(only=["deep_sleep"]).states
    return row


@pytest.mark.parametrize("aim", ["value", "verdict"])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_current_below_zero_is_no_measurement(aim: Aim, seed: int) -> None:
    row = deep_sleep(bench(Parking(tx="idle")), aim, seed)
    assert row.verdict == "fault", f"seed {seed}"
    assert row.fault is not None
    assert row.fault.kind == "fed_from_elsewhere"
    assert "leakage_not_declared" in row.flags
    assert row.wake_latency_s is not None  # the session goes on


@pytest.mark.parametrize("aim", ["value", "verdict"])
@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("remedy", ["parked", "declared"])
def test_parked_or_declared_it_is_one(aim: Aim, seed: int, remedy: str) -> None:
    leakage = Leakage.model_construct(current=-FED_A, within=1e-8)
    file = bench(Parking(tx="closed")) if remedy == "parked" else bench(Parking(), leakage)
    row = deep_sleep(file, aim, seed)
    assert (row.verdict, row.fault) == ("pass", None), f"seed {seed}"
    assert "leakage_not_declared" not in row.flags


@pytest.mark.parametrize("aim", ["value", "verdict"])
def test_declared_wrongly_it_is_none(aim: Aim) -> None:
    """It says that the lines take nothing; so what the board draws would still be below zero."""
    row = deep_sleep(bench(Parking(), Leakage.model_construct(current=0.0, within=1e-8)), aim, 1)
    assert row.fault is not None
    assert row.fault.kind == "fed_from_elsewhere"


def test_nothing_is_derived_from_it() -> None:
    session = HASTY.model_copy(update={"ratios": SESSION.ratios})
    result = rig(session=session, board=BOARD, file=bench(Parking())).run()
    (derived,) = result.derived
    assert derived.fault is not None
    assert derived.fault.kind == "not_measured"
