"""A part of the sweep of faults over phases; `scripts/sweep_faults.py` runs the whole of it."""

from __future__ import annotations

import pytest

from scripts.sweep_faults import BENCH, FIXTURES, ROWS, Cell, Row, broken, phases, run, tried

PHASES = tuple(phases())
# Each fault in one phase, every other one in two: each phase has a part of every kind of fault.
CELLS = [
    pytest.param(row, PHASES[place % len(PHASES)], id=f"{row.title}-{PHASES[place % len(PHASES)]}")
    for number, row in enumerate(ROWS)
    for place in (number, 5 * number + 4)[: 1 + number % 2]
]

NOT_OF_THE_SUPPLY = [row for row in ROWS if row.wire != "supply"][::5]


@pytest.mark.parametrize(("row", "phase"), CELLS)
def test_no_cell_breaks_a_rule(row: Row, phase: str) -> None:
    text, problems = tried(row, phases()[phase])
    assert not problems, text


@pytest.mark.parametrize("row", NOT_OF_THE_SUPPLY, ids=lambda row: row.title)
@pytest.mark.parametrize("defect", ["stuck-awake", "leaky-capacitor"])
def test_no_fault_makes_a_bad_board_pass(defect: str, row: Row) -> None:
    assert BENCH.simulation is not None
    board = str(FIXTURES / "boards" / f"hive-scale-{defect}.toml")
    simulation = BENCH.simulation.model_copy(update={"board": board})
    file = BENCH.model_copy(update={"simulation": simulation})
    for phase in ("entering sleep", "settling asleep"):
        cell = run(row, phases()[phase], file)
        assert cell.result.states[-1].verdict in ("fail", "fault"), (phase, str(cell))


def test_the_rules_find_what_breaks_them() -> None:
    """Of a clean session, taken for one in which a fault struck or falsified."""
    row = ROWS[0]
    clean = run(row, 1e6)
    assert not clean.struck
    assert broken(row, clean) == []
    result = clean.result
    idle, *others = result.states
    assert idle.current_A is not None
    for changes in (
        {"verdict": "fail"},
        {"complete": False},
        {"safe_end": ()},
        {"safe_end": ("meter: NOT reached: no_reply",)},
        {"states": tuple(others)},
        {"states": (idle.model_copy(update={"verdict": "fail"}), *others)},
        {"states": (idle.model_copy(update={"verdict": "fault"}), *others)},
        {"states": (idle.model_copy(update={"current_A": idle.current_A * 1.1}), *others)},
        {"derived": (result.derived[0].model_copy(update={"verdict": "fail"}),)},
    ):
        spoiled = Cell(result.model_copy(update=changes), clean.ended_s)
        assert broken(row, spoiled), changes
    assert broken(row, Cell(result, 1e6))
