"""Whether the stated 95 % intervals hold the truth, errors drawn as the budget supposes them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchrig.measurement import (
    Ambient,
    Budget,
    Outcome,
    RangeAccuracy,
    Sensitivity,
    SupplyLine,
    ZeroTaken,
    corrected_for_burden,
    difference,
    measured_leakage,
    ratio,
    reading_budget,
    weighted_sum,
)

THIRD = math.sqrt(3.0)
TRIALS, SEED = 1200, 20
SHUNT_OHM, SLOPE, READINGS = 1e4, 1e-6, 8

LIMITS = {"gain": 5e-4, "offset": 2e-4, "gain_per_K": 1e-4, "offset_per_K": 2e-5}
SHEET = RangeAccuracy(
    1e-5,
    count_A=1e-10,
    reference_low_C=18.0,
    reference_high_C=28.0,
    **{name: limit / THIRD for name, limit in LIMITS.items()},
)


class Bench:
    """One meter with its errors for one session, drawn within the limits of its sheet."""

    def __init__(self, rng: np.random.Generator, zeroed: bool) -> None:
        self.rng = rng
        self.error = {name: rng.uniform(-limit, limit) for name, limit in LIMITS.items()}
        self.ambient = Ambient(33.0, 2.0)
        outside_K = rng.uniform(31.0, 35.0) - 28.0
        self.gain = 1.0 + self.error["gain"] + self.error["gain_per_K"] * outside_K
        self.offset_A = 1e-5 * (self.error["offset"] + self.error["offset_per_K"] * outside_K)
        self.supply_V = 3.0 + rng.normal(0.0, 2e-3)
        self.slope = Sensitivity(SLOPE + rng.normal(0.0, 2e-7), 2e-7, kind="B")
        self.zero: ZeroTaken | None = None
        if zeroed:
            readings = self.offset_A + rng.normal(0.0, 5e-10, 50)
            scatter_A = float(readings.std(ddof=1)) / math.sqrt(50)
            self.zero = ZeroTaken(float(readings.mean()), scatter_A, 49.0, self.ambient)

    def measure(self, nominal_A: float, leak_A: float = 0.0) -> Budget:
        """A state that draws `nominal_A` at 3 V, read through the shunt, with its lines leaking."""
        at_board_A = (nominal_A + SLOPE * (self.supply_V - 3.0)) / (1.0 + SLOPE * SHUNT_OHM)
        truth_A = (at_board_A + leak_A) * self.gain + self.offset_A
        readings = truth_A + self.rng.normal(0.0, 2e-9, READINGS)
        readings = 1e-10 * np.round(readings / 1e-10)
        if self.zero is not None:
            readings = readings - self.zero.offset_A
        outcome = Outcome(
            "settled",
            "",
            current_A=float(readings.mean()),
            standard_uncertainty_A=float(readings.std(ddof=1)) / math.sqrt(READINGS),
            dof=READINGS - 1.0,
            settling_bound_A=0.0,
            count_A=1e-10,
        )
        return reading_budget(outcome, SHEET, self.zero, ambient=self.ambient)

    def corrected(self, nominal_A: float) -> Budget:
        line = SupplyLine(3.0, SHUNT_OHM, 2e-3)
        return corrected_for_burden(self.measure(nominal_A), line, self.slope)


def results(bench: Bench) -> dict[str, tuple[Budget, float]]:
    low_A, high_A, leak_A = 2e-6, 8e-6, 5e-8
    low, high = bench.corrected(low_A), bench.corrected(high_A)
    leakage = measured_leakage(bench.measure(low_A, leak_A), bench.measure(low_A))
    third = bench.measure(3e-6, leak_A)
    at_board_A = (3e-6 + SLOPE * (bench.supply_V - 3.0)) / (1.0 + SLOPE * SHUNT_OHM)
    return {
        "state": (low, low_A),
        "difference": (difference(high, low), high_A - low_A),
        "ratio": (ratio(high, low), high_A / low_A),
        "duty cycle": (weighted_sum([low, high], [0.9, 0.1]), 0.9 * low_A + 0.1 * high_A),
        "leakage": (leakage, leak_A),
        "without leakage": (difference(third, leakage), at_board_A),
    }


@pytest.mark.parametrize("zeroed", [False, True], ids=["as bought", "zeroed"])
def test_intervals_hold_the_truth(zeroed: bool) -> None:
    rng = np.random.default_rng(SEED)
    held: dict[str, int] = {}
    for _ in range(TRIALS):
        for name, (budget, truth) in results(Bench(rng, zeroed)).items():
            inside = abs(budget.value - truth) <= budget.expanded_uncertainty
            held[name] = held.get(name, 0) + inside
    shares = {name: count / TRIALS for name, count in held.items()}
    # 0.95 less three standard deviations of a count of 1200.
    assert min(shares.values()) > 0.931, f"{shares}, seed {SEED}"
