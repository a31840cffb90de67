"""The average current against closed forms, a library for correlated quantities, and Monte Carlo
(JCGM 101:2008)."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from uncertainties import ufloat

from benchrig.energy import Currents, Drawn, Mode, Profile, Use, average_current, quantity
from benchrig.energy.drawing import draw
from benchrig.measurement import Budget, Stated, contribution
from tests.energy.products import COARSE, FINE, always, duty, read, scattered, typed

SEED = 5


def known(**budgets: Budget) -> Currents:
    return Currents({name: Drawn(budget, "measured") for name, budget in budgets.items()})


def seasons() -> Profile:
    """Everything at once: two seasons, an interval, a rate, a share, a charge; with tolerances."""
    weigh = Use("awake", duration=quantity("d", 2.0, 0.1), interval=quantity("i", 60.0, 1.0))
    rare = Use("awake", duration=quantity("d", 2.0, 0.1), rate=quantity("r", 0.01, 0.001))
    lamp = Use("lamp", share=quantity("s", 0.001, 0.0002))
    wake = Use("wake_up", "charge", interval=quantity("i", 1.0, 0.01))
    return Profile(
        "seasons",
        (
            Mode("summer", (weigh, lamp, Use("sleep")), 0.6),
            Mode("winter", (rare, wake, Use("sleep")), 0.4),
        ),
    )


def currents() -> Currents:
    states = {"awake": read(8e-3, COARSE), "lamp": read(9e-3, COARSE), "sleep": read(2e-6, FINE)}
    return Currents(
        {name: Drawn(budget, "measured") for name, budget in states.items()},
        {"wake_up": Drawn(quantity("q", 20e-6, 1e-6), "typed in")},
    )


def test_a_duty_cycle_by_plain_arithmetic() -> None:
    """1.5 uA for 59.95 s, 8 mA for 50 ms and 20 uC in each minute: 8.16542 + 0.33333 uA."""
    average = average_current(duty(), typed(sleep=1.5e-6, awake=8e-3, charges={"wake_up": 20e-6}))
    assert average.current_A == pytest.approx(8.49875e-6, rel=1e-9)
    shares = {part.name: part.share.value for part in average.parts}
    assert sum(shares.values()) == pytest.approx(1.0, rel=1e-12)
    assert shares["awake"] == pytest.approx(8e-3 * 0.05 / 60.0 / 8.49875e-6, rel=1e-12)
    assert shares["wake_up"] == pytest.approx(0.333333e-6 / 8.49875e-6, rel=1e-5)
    assert average.standard_uncertainty_A == 0.0


def test_one_gain_is_one_error_over_all_states() -> None:
    """0.999 of 2 uA and 0.001 of 8 mA, gain known to 0.03 %: 2.999 nA, where independent errors
    would give 2.474 nA (GUM 5.2.2; by hand, and by the library in the test below)."""
    awake = Use("awake", share=quantity("s", 0.001))
    profile = Profile("duty", (Mode("year", (awake, Use("sleep"))),))
    gained = {
        name: Budget(value, (quantity("gain", value, 0.0003 * value, divisor=1.0).contributions))
        for name, value in (("sleep", 2e-6), ("awake", 8e-3))
    }
    apart = average_current(profile, known(**gained))
    assert apart.standard_uncertainty_A == pytest.approx(2.474e-9, rel=1e-3)
    one = {
        name: Budget(each.value, tuple(replace(part, shared="gain") for part in each.contributions))
        for name, each in gained.items()
    }
    together = average_current(profile, known(**one))
    assert together.standard_uncertainty_A == pytest.approx(0.0003 * 9.998e-6, rel=1e-9)


def test_the_same_as_by_a_library_for_correlated_quantities() -> None:
    """`uncertainties` 3.2 (linear propagation with all correlations), built by hand for this
    profile. The two ranges are independent there, so the statement of the sheet is left out."""
    gain, offset = ufloat(1.0, 0.0005), ufloat(0.0, 2e-6)
    awake_A, lamp_A = 8e-3 * gain + offset, 9e-3 * gain + offset
    sleep_A, charge_C = ufloat(2e-6, 3e-9), ufloat(20e-6, 1e-6 / math.sqrt(3))
    sqrt3 = math.sqrt(3.0)
    long_s, rare_s = ufloat(2.0, 0.1 / sqrt3), ufloat(2.0, 0.1 / sqrt3)
    weigh = long_s / ufloat(60.0, 1.0 / sqrt3)
    rare = rare_s * ufloat(0.01, 0.001 / sqrt3)
    lamp = ufloat(0.001, 0.0002 / sqrt3)
    per_s = 1.0 / ufloat(1.0, 0.01 / sqrt3)
    parts = {
        ("summer", "awake"): 0.6 * weigh * awake_A,
        ("summer", "lamp"): 0.6 * lamp * lamp_A,
        ("summer", "sleep"): 0.6 * (1 - weigh - lamp) * sleep_A,
        ("winter", "awake"): 0.4 * rare * awake_A,
        ("winter", "wake_up"): 0.4 * per_s * charge_C,
        ("winter", "sleep"): 0.4 * (1 - rare) * sleep_A,
    }
    whole = sum(parts.values())

    def budget(value_A: float) -> Budget:
        gained = contribution("gain", Stated("g", 1.0, 0.0005, "1", 1.0, value_A), shared="gain")
        moved = contribution("offset", Stated("o", 0.0, 2e-6), shared="offset")
        return Budget(value_A, (gained, moved))

    mine = Currents(
        {
            "awake": Drawn(budget(8e-3), ""),
            "lamp": Drawn(budget(9e-3), ""),
            "sleep": Drawn(scattered(2e-6, 3e-9), ""),
        },
        {"wake_up": Drawn(quantity("q", 20e-6, 1e-6), "")},
    )
    average = average_current(seasons(), mine)
    assert average.current_A == pytest.approx(whole.nominal_value, rel=1e-12)
    assert average.standard_uncertainty_A == pytest.approx(whole.std_dev, rel=1e-9)
    for part in average.parts:
        theirs = parts[part.mode or "", part.name]
        assert part.current_A == pytest.approx(theirs.nominal_value, rel=1e-12)
        assert part.budget.standard_uncertainty == pytest.approx(theirs.std_dev, rel=1e-9)
        share = theirs / whole
        assert part.share.value == pytest.approx(share.nominal_value, rel=1e-12)
        assert part.share.standard_uncertainty == pytest.approx(share.std_dev, rel=1e-8)
    awake = next(part for part in average.names if part.name == "awake")
    theirs = (parts["summer", "awake"] + parts["winter", "awake"]) / whole
    assert awake.share.standard_uncertainty == pytest.approx(theirs.std_dev, rel=1e-8)


def test_the_same_as_by_monte_carlo() -> None:
    """JCGM 101: draws of all quantities through the model, which is nearly linear here."""
    profile, found = seasons(), currents()
    average = average_current(profile, found)
    budgets = {**profile.quantities, **found.budgets}
    values = draw(budgets, average.slopes, 200_000, np.random.default_rng(SEED))
    total = np.zeros(200_000)
    for mode in profile.modes:
        for use, amount in zip(mode.uses, mode.times(values), strict=True):
            total += mode.weight * amount * values[Currents.key(use.what, use.name)]
    assert np.mean(total) == pytest.approx(average.current_A, rel=2e-3), f"seed {SEED}"
    assert np.std(total) == pytest.approx(average.standard_uncertainty_A, rel=0.01), f"seed {SEED}"


def test_modes_and_times() -> None:
    average = average_current(seasons(), currents())
    modes = dict(average.modes)
    mixed = 0.6 * modes["summer"].value + 0.4 * modes["winter"].value
    assert mixed == pytest.approx(average.current_A, rel=1e-12)
    times = [part.time_share for part in average.parts if part.mode == "summer"]
    assert sum(time or 0.0 for time in times) == pytest.approx(1.0, rel=1e-12)
    wake = next(part for part in average.names if part.name == "wake_up")
    assert wake.time_share is None


def test_nothing_at_all_has_no_shares() -> None:
    with pytest.raises(ValueError, match="must be above zero"):
        average_current(always(), typed(sleep=0.0))
