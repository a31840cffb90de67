"""Draws have the moments and the correlations of the budgets that they come from."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchrig.energy import quantity
from benchrig.energy.drawing import draw
from benchrig.measurement import Budget, Contribution, weighted_sum
from tests.energy.products import COARSE, FINE, read, scattered

SEED, SIZE = 3, 200_000


def drawn(weights: dict[str, float] | None = None, **budgets: Budget) -> dict[str, np.ndarray]:
    return draw(budgets, weights or {}, SIZE, np.random.default_rng(SEED))


def test_a_limit_of_error_is_a_rectangle() -> None:
    x = drawn(x=quantity("x", 5.0, 0.3))["x"]
    assert (x.min(), x.max()) == pytest.approx((4.7, 5.3), abs=1e-3)
    assert np.std(x) == pytest.approx(0.3 / math.sqrt(3.0), rel=0.01), f"seed {SEED}"


def test_an_expanded_uncertainty_is_normal() -> None:
    x = drawn(x=quantity("x", 5.0, 0.3, divisor=2.0))["x"]
    assert np.std(x) == pytest.approx(0.15, rel=0.01), f"seed {SEED}"
    assert np.mean(abs(x - 5.0) > 0.3) == pytest.approx(0.0455, abs=0.003)


def test_what_scattered_follows_t() -> None:
    """JCGM 101, 6.4.9; the 97.5 % point of t with 5 degrees of freedom is 2.571 (GUM table G.2)."""
    x = drawn(x=scattered(0.0, 1.0, 5))["x"]
    assert np.quantile(x, 0.975) == pytest.approx(2.571, rel=0.02), f"seed {SEED}"


def test_a_shared_cause_is_one_number() -> None:
    values = drawn(a=read(8e-3, COARSE), b=read(4e-3, COARSE))
    assert np.corrcoef(values["a"], values["b"])[0, 1] > 0.999
    apart = drawn(a=read(8e-3, COARSE), b=scattered(4e-3, 1e-6))
    assert abs(np.corrcoef(apart["a"], apart["b"])[0, 1]) < 0.01


def test_one_statement_adds_as_the_budget_says() -> None:
    """Gains of two ranges under one data sheet: linearly in the sum, and with all signs."""
    budgets = {"a": read(8e-3, COARSE), "b": read(2e-6, FINE)}
    for weights in ({"a": 0.001, "b": 0.999}, {"a": 0.001, "b": -0.999}):
        values = drawn(weights, **budgets)
        mixed = sum(weights[name] * values[name] for name in budgets)
        expected = weighted_sum(list(budgets.values()), list(weights.values()))
        assert np.std(mixed) == pytest.approx(expected.standard_uncertainty, rel=0.01)


def test_four_rectangles_of_jcgm_101() -> None:
    """JCGM 101:2008, 9.2.2 and 9.2.3 (from memory): the sum of four quantities with u = 1 has the
    95 % interval -3.92 to 3.92 if they are normal, and -3.88 to 3.88 if they are rectangular."""
    for divisor, expected in ((2.0, 3.92), (math.sqrt(3.0), 3.88)):
        budgets = {f"x{n}": quantity("x", 0.0, divisor, divisor=divisor) for n in range(4)}
        total = np.add.reduce(list(drawn(**budgets).values()))
        assert np.std(total) == pytest.approx(2.0, rel=0.01), f"seed {SEED}"
        low, high = np.quantile(total, [0.025, 0.975])
        assert (-low, high) == pytest.approx((expected, expected), abs=0.03), f"seed {SEED}"


def test_ten_resistors_of_the_gum() -> None:
    """GUM 5.2.2, example (from memory): ten resistors of 1000 ohm, each calibrated against one
    standard with u = 100 mohm, in series: u = 1 ohm, and not the 0.32 ohm of independent ones."""
    for shared, expected in (("the standard", 1.0), (None, 0.3162)):
        each = quantity("R", 1000.0, 0.1, "Ω", 1.0, shared=shared)
        budgets = {f"R{n}": each for n in range(10)}
        total = np.add.reduce(list(drawn(**budgets).values()))
        assert np.std(total) == pytest.approx(expected, rel=0.01), f"seed {SEED}"
        first_order = weighted_sum([each] * 10, [1.0] * 10)
        assert first_order.standard_uncertainty == pytest.approx(expected, rel=1e-3)


def test_the_same_seed_draws_the_same() -> None:
    first, second = (drawn(x=scattered(0.0, 1.0))["x"] for _ in range(2))
    assert np.array_equal(first, second)


def test_what_is_exact_does_not_move() -> None:
    exact = Budget(2.0, (Contribution("nothing", 0.0),))
    assert np.all(drawn(x=exact)["x"] == 2.0)
