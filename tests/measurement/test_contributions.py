"""How the lines of budgets combine."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.measurement import (
    Budget,
    Contribution,
    Stated,
    combine,
    contribution,
    difference,
    ratio,
    weighted_sum,
)


def near(expected: object, rel: float = 1e-6) -> object:
    """Relative only: the absolute tolerance of `approx` is as large as a small current."""
    return pytest.approx(expected, rel=rel, abs=0.0)


SIZES = st.floats(1e-12, 1e3)
VALUES = st.floats(-1e3, 1e3).filter(lambda value: abs(value) > 1e-9)


def with_gain(value: float, noise: float, gain: float = 1e-3, scale: str = "low") -> Budget:
    lines = (
        Contribution("averaging", noise, 9.0, "A"),
        contribution(
            "gain",
            Stated("gain", 1.0, gain, "1", sensitivity=value),
            shared=f"gain of {scale}",
            statement="sheet",
        ),
    )
    return Budget(value, lines)


def test_a_line_is_sensitivity_times_half_width_over_divisor() -> None:
    line = contribution("supply", Stated("supply", 3.0, 6e-3, "V", 2.0, -5e-4), 12.0, "A")
    assert line.standard_uncertainty == near(1.5e-6)
    assert line.effect == near(-1.5e-6)
    assert line.row.standard_uncertainty == 3e-3
    assert (line.row.sensitivity, line.row.dof, line.row.kind) == (-5e-4, 12.0, "A")


def test_a_bare_line_stands_for_itself() -> None:
    row = Contribution("noise", 2.0, 5.0, "A").row
    assert (row.quantity, row.half_width, row.sensitivity) == ("noise", 2.0, 1.0)
    assert row.contribution == row.standard_uncertainty == 2.0


def test_what_is_stated_together_adds_linearly_and_the_rest_in_squares() -> None:
    lines = (
        Contribution("a", 1.0, statement="sheet"),
        Contribution("b", 2.0, statement="sheet"),
        Contribution("c", 4.0, statement="temperature"),
        Contribution("d", 12.0),
    )
    assert Budget(0.0, lines).standard_uncertainty == near(13.0)


def test_one_cause_is_one_line_with_its_signs() -> None:
    found = difference(with_gain(8.0, 0.01), with_gain(2.0, 0.02))
    rows = {row.name: row for row in found.table()}
    assert list(rows) == ["averaging (1)", "gain", "averaging (2)"]
    assert rows["gain"].sensitivity == near(6.0)
    assert rows["gain"].contribution == near(6e-3)
    assert rows["averaging (2)"].sensitivity == -1.0


def test_a_cause_that_cancels_stays_in_the_table() -> None:
    found = ratio(with_gain(8.0, 0.0), with_gain(2.0, 0.0))
    assert {row.name: row.contribution for row in found.table()}["gain"] == 0.0
    assert found.standard_uncertainty == 0.0


@given(VALUES, VALUES, VALUES, SIZES, SIZES, SIZES)
@settings(deadline=None)
def test_what_is_combined_in_steps_is_what_is_combined_at_once(
    a: float, b: float, c: float, u: float, v: float, w: float
) -> None:
    first, second, third = with_gain(a, u), with_gain(b, v), with_gain(c, w, scale="high")
    stepwise = difference(difference(first, second), third)
    at_once = combine([first, second, third], [1.0, -1.0, -1.0], a - b - c)
    assert stepwise.value == near(at_once.value)
    assert stepwise.standard_uncertainty == near(at_once.standard_uncertainty)
    assert stepwise.dof == near(at_once.dof)


@given(VALUES, SIZES, st.floats(1e-9, 1e9))
@settings(deadline=None)
def test_another_unit_changes_only_the_scale(value: float, noise: float, factor: float) -> None:
    budget = with_gain(value, noise)
    scaled = combine([budget], [factor], factor * value)
    assert scaled.standard_uncertainty == near(factor * budget.standard_uncertainty)
    assert scaled.dof == near(budget.dof)
    assert scaled.coverage_factor == budget.coverage_factor


@given(VALUES, VALUES, SIZES, SIZES)
@settings(deadline=None)
def test_correlation_lies_between_none_and_full(a: float, b: float, u: float, v: float) -> None:
    first, second = with_gain(a, u), with_gain(b, v)
    found = difference(first, second).standard_uncertainty
    gains = abs(a) * 1e-3, abs(b) * 1e-3
    noise = math.hypot(u, v)
    assert found >= math.hypot(noise, abs(gains[0] - gains[1])) * (1 - 1e-9)
    assert found <= math.hypot(noise, sum(gains)) * (1 + 1e-9)


@given(st.lists(st.tuples(VALUES, SIZES), min_size=1, max_size=6))
@settings(deadline=None)
def test_a_mean_over_boards_keeps_the_gain_of_the_station(pairs: list[tuple[float, float]]) -> None:
    boards = [with_gain(value, noise) for value, noise in pairs]
    found = weighted_sum(boards, [1 / len(boards)] * len(boards))
    mean = math.fsum(value for value, _ in pairs) / len(pairs)
    noise = math.hypot(*(noise for _, noise in pairs)) / len(pairs)
    assert found.value == near(mean)
    assert found.standard_uncertainty == near(math.hypot(noise, 1e-3 * mean))


def test_weights_and_budgets_must_be_as_many() -> None:
    with pytest.raises(ValueError, match="zip"):
        weighted_sum([with_gain(1.0, 0.1)], [0.5, 0.5])


def test_unequal_statements_of_one_cause_add_as_they_are() -> None:
    """The same zero, once widened: the wider one names the line."""
    a = Budget(1.0, (Contribution("zero", 1e-3, 9.0, "A", shared="zero"),))
    b = Budget(1.0, (Contribution("zero", 3e-3, 4.0, "A", shared="zero"),))
    found = difference(a, b)
    assert found.standard_uncertainty == near(2e-3)
    assert found.dof == 4.0
    assert found.table()[0].sensitivity == near(-2 / 3)
