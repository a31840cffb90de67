"""Battery life against closed forms, plain arithmetic, and integration in small steps."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from benchrig.energy import Cell, Drawn, Mode, Profile, Use, life, quantity
from benchrig.energy.life import Case
from benchrig.units import YEAR_S
from tests.energy.products import (
    MAH,
    always,
    cell,
    duty,
    linear,
    steady,
    switching,
    typed,
)

HOUR_S = 3600.0
COIN = ((0.0, 3.2, 15.0), (0.8, 2.9, 25.0), (1.0, 2.2, 60.0))


def years(case: Case) -> float:
    return life(case, draws=1000).nominal_years


# -- plain arithmetic ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("current_A", "capacity_mAh", "expected"),
    [(2.5097e-6, 220.0, 10.0), (5.0194e-6, 220.0, 5.0), (29.660e-6, 2600.0, 10.0)],
)
def test_capacity_over_years_by_plain_arithmetic(
    current_A: float, capacity_mAh: float, expected: float
) -> None:
    """A cell of a few hundred mAh over ten years allows single-digit microamps: common practice,
    no source. 220 mAh / (10 x 8766 h) = 2.5097 uA."""
    assert years(steady(current_A, cell(capacity_mAh))) == pytest.approx(expected, rel=1e-4)


def test_self_discharge_in_closed_form() -> None:
    """dC/dt = -I - k C: t = ln(1 + k C/I)/k, with k = -ln(1 - share) per year."""
    decay = -math.log(0.99)
    amount = 220.0 * MAH / (8.49875e-6 * YEAR_S)  # years without self-discharge
    expected = math.log(1.0 + decay * amount) / decay
    assert expected == pytest.approx(2.9100, abs=2e-4)
    found = life(steady(8.49875e-6, cell(loss=0.01)), draws=1000)
    assert found.nominal_years == pytest.approx(expected, rel=1e-9)
    # What was drawn is I t; the rest of the capacity has gone by itself.
    assert found.lost_share == pytest.approx(1.0 - expected / amount, rel=1e-6)
    assert years(steady(8.49875e-6, cell())) == pytest.approx(2.9530, abs=1e-4)


def test_a_duty_cycle_from_end_to_end() -> None:
    case = Case(duty(), typed(sleep=1.5e-6, awake=8e-3, charges={"wake_up": 20e-6}), cell())
    assert years(case) == pytest.approx(25886.2 / 8766.0, rel=1e-5)


def test_what_is_left_year_by_year() -> None:
    found = life(steady(8.49875e-6, cell(loss=0.05)), draws=1000)
    decay, flow = -math.log(0.95), 8.49875e-6 * YEAR_S / (220.0 * MAH)
    at = found.curve.times_years
    expected = np.maximum((1.0 + flow / decay) * np.exp(-decay * at) - flow / decay, 0.0)
    assert found.curve.median == pytest.approx(expected, abs=2e-3)
    assert found.curve.low[0] == found.curve.high[0] == 1.0


# -- derating -----------------------------------------------------------------------------------


def test_peukert() -> None:
    """t = H (C/(I H))^n (Peukert 1897, from memory): 2.6 Ah at the 20 h rate, n 1.1, 0.26 A give
    9.3303 h where 10 h would be ideal."""
    pack = cell(2600.0, stated_load_A=0.13, peukert=1.1)
    assert years(steady(0.26, pack)) * YEAR_S / HOUR_S == pytest.approx(9.3303, abs=1e-4)
    # Two in parallel share the load.
    double = replace(pack, parallel=2)
    assert years(steady(0.26, double)) * YEAR_S / HOUR_S == pytest.approx(20.0, rel=1e-9)


def test_below_its_stated_load_a_cell_holds_no_more() -> None:
    pack = cell(2600.0, stated_load_A=0.13, peukert=1.1)
    assert years(steady(1e-6, pack)) == pytest.approx(years(steady(1e-6, cell(2600.0))), rel=1e-12)


def test_a_table_of_loads_is_read_over_their_logarithm() -> None:
    pack = cell(loads=((1e-3, 1.0), (1e-1, 0.5)))
    full, half = years(steady(1e-2, cell())), years(steady(1e-2, pack))
    assert half / full == pytest.approx(0.75, rel=1e-9)
    assert years(steady(1.0, pack)) == pytest.approx(0.5 * years(steady(1.0, cell())), rel=1e-9)


def test_each_season_draws_at_its_own_temperature() -> None:
    pack = cell(temperatures=((-20.0, 0.5, 3.0), (20.0, 1.0, 1.0)))
    cold = Case(always(temperature_C=0.0), typed(sleep=1e-6), pack)
    assert years(cold) == pytest.approx(0.75 * years(steady(1e-6, pack)), rel=1e-9)
    modes = tuple(
        Mode(name, (Use("sleep"),), weight, at)
        for name, weight, at in (("w", 0.4, 0.0), ("s", 0.6, 20))
    )
    mixed = Case(Profile("p", modes), typed(sleep=1e-6), pack)
    assert years(mixed) == pytest.approx(years(steady(1e-6, pack)) / (0.4 / 0.75 + 0.6), rel=1e-9)


# -- packs and regulators -----------------------------------------------------------------------


def test_a_linear_regulator_adds_its_own_current() -> None:
    found = years(steady(1e-6, cell(regulator=linear(0.5e-6))))
    assert found == pytest.approx(years(steady(1.5e-6, cell())), rel=1e-12)


def test_a_switching_regulator_keeps_the_power() -> None:
    """1.8 V and 1 uA at 90 % from 3.0 V are 0.667 uA."""
    found = years(steady(1e-6, cell(regulator=switching(1.8, 0.9))))
    assert found == pytest.approx(years(steady(1.8e-6 / (0.9 * 3.0), cell())), rel=1e-9)


def test_two_cells_in_series_halve_the_current_of_a_switching_regulator() -> None:
    one = cell(regulator=switching())
    assert years(steady(1e-6, replace(one, series=2))) == pytest.approx(
        2.0 * years(steady(1e-6, one)), rel=1e-9
    )


def test_falling_voltage_against_integration_in_small_steps() -> None:
    """dC/dt = -P/(eta V(C)) - Iq - k C by scipy's solve_ivp."""
    sloped = ((0.0, 3.0, 0.0), (0.5, 2.6, 0.0), (1.0, 2.0, 0.0))
    pack = cell(loss=0.03, depths=sloped, regulator=switching(1.8, 0.8, 0.3e-6))
    decay, full_C = -math.log(0.97) / YEAR_S, 220.0 * MAH

    def slope(_: float, left: np.ndarray) -> np.ndarray:
        depth = 1.0 - left[0] / full_C
        volts = np.interp(depth, [0.0, 0.5, 1.0], [3.0, 2.6, 2.0])
        gone = decay * left[0]
        return np.array([-(2e-6 * 1.8 / (0.8 * volts)) - 0.3e-6 - gone, gone])

    def empty(_: float, left: np.ndarray) -> float:
        return float(left[0])

    empty.terminal = True  # type: ignore[attr-defined]
    solved = solve_ivp(
        slope, (0.0, 100 * YEAR_S), [full_C, 0.0], events=empty, rtol=1e-8, atol=1e-6
    )
    expected = solved.t_events[0][0] / YEAR_S
    found = life(steady(2e-6, pack), 1000)
    assert found.nominal_years == pytest.approx(expected, rel=1e-3)
    assert found.lost_share == pytest.approx(solved.y_events[0][0][1] / full_C, rel=2e-3)
    # The same at an early end by shelf life: what is gone by itself after two years.
    early = life(steady(2e-6, replace(pack, shelf_life_s=2 * YEAR_S)), 1000)
    solved = solve_ivp(slope, (0.0, 2 * YEAR_S), [full_C, 0.0], rtol=1e-8, atol=1e-6)
    assert early.lost_share == pytest.approx(solved.y[1][-1] / full_C, rel=2e-3)


# -- what ends it -------------------------------------------------------------------------------


def pulsed(pulse_A: float, least_V: float, pack: Cell) -> Case:
    currents = replace(
        typed(sleep=1.5e-6, awake=pulse_A, charges={"wake_up": 0.0}), minimum_voltage_V=least_V
    )
    return Case(duty(), currents, pack)


def test_a_pulse_ends_life_early() -> None:
    """3.0 V, 15 ohm and 20 mA leave 2.70 V (plain arithmetic): enough for 2.69 V, not for 2.71 V.
    With 15 ohm rising to 45 ohm, 20 mA leave 2.4 V just at half of the charge."""
    flat = cell(depths=((0.0, 3.0, 15.0), (1.0, 3.0, 15.0)))
    assert life(pulsed(0.02, 2.69, flat), 1000).first_cause == "charge"
    dead = life(pulsed(0.02, 2.71, flat), 1000)
    assert (dead.first_cause, dead.median_years) == ("voltage", 0.0)
    assert any("fresh cell cannot carry" in text for text in dead.warnings)
    rising = cell(depths=((0.0, 3.0, 15.0), (1.0, 3.0, 45.0)))
    half = life(pulsed(0.02, 2.4, rising), 1000)
    whole = life(pulsed(0.02, 0.0, rising), 1000)
    assert half.nominal_years == pytest.approx(whole.nominal_years / 2.0, rel=1e-9)
    assert half.causes == {"charge": 0.0, "voltage": 1.0, "shelf life": 0.0}


def test_a_stated_pulse_counts_where_it_is_the_highest() -> None:
    flat = cell(depths=((0.0, 3.0, 15.0), (1.0, 3.0, 15.0)))
    case = pulsed(0.001, 2.7, flat)
    for pulse_A, cause in ((None, "charge"), (0.019, "charge"), (0.021, "voltage")):
        assert life(replace(case, pulse_A=pulse_A), 1000).first_cause == cause
    # A pulse that is lower than a state hides nothing.
    assert life(replace(pulsed(0.021, 2.7, flat), pulse_A=0.001), 1000).first_cause == "voltage"


def test_the_coldest_season_ends_it() -> None:
    temperatures = ((-20.0, 1.0, 3.0), (20.0, 1.0, 1.0))
    pack = cell(depths=((0.0, 3.0, 15.0), (1.0, 3.0, 45.0)), temperatures=temperatures)
    warm, cold = (
        Case(
            Profile("p", tuple(replace(mode, temperature_C=at) for mode in duty().modes)),
            pulsed(0.02, 2.0, pack).currents,
            pack,
        )
        for at in (20.0, -20.0)
    )
    assert life(warm, 1000).first_cause == "charge"
    assert life(cold, 1000).first_cause == "voltage"


def test_behind_a_switching_regulator_the_pulse_is_a_power() -> None:
    """V (3.0 V - V)/R = P: 20 mA at 1.8 V and 90 % (40 mW) over 15 ohm leave 2.785 V; 50 ohm can't
    give it at all (V^2 < 4 R P has no solution above 56 ohm, and 2.0 V is left at 50 ohm)."""

    def at(ohm: float, least_V: float) -> str:
        regulator = replace(switching(), minimum_input_V=least_V)
        pack = cell(depths=((0.0, 3.0, ohm), (1.0, 3.0, ohm)), regulator=regulator)
        return life(pulsed(0.02, 0.0, pack), 1000).first_cause

    assert (at(15.0, 2.784), at(15.0, 2.786)) == ("charge", "voltage")
    assert (at(50.0, 1.99), at(50.0, 2.01)) == ("charge", "voltage")
    assert at(57.0, 0.1) == "voltage"


def test_the_end_voltage_holds_under_the_mean_current() -> None:
    sloped = ((0.0, 3.0, 0.0), (1.0, 2.0, 0.0))
    early = life(steady(1e-6, cell(depths=sloped, end_voltage_V=2.5)), 1000)
    whole = life(steady(1e-6, cell(depths=sloped)), 1000)
    assert early.first_cause == "voltage"
    assert early.nominal_years == pytest.approx(whole.nominal_years / 2.0, rel=1e-6)


def test_shelf_life_ends_what_energy_would_not() -> None:
    found = life(steady(0.1e-6, cell(shelf_life_s=10 * YEAR_S)), 1000)
    assert (found.first_cause, found.median_years) == ("shelf life", 10.0)


# -- harvest ------------------------------------------------------------------------------------


def harvesting(pack: Cell, summer_A: float, winter_A: float, draws_A: float = 10e-6) -> Case:
    modes = tuple(
        Mode(name, (Use("sleep"),), 0.5, harvest=quantity("harvest", amount))
        for name, amount in (("summer", summer_A), ("winter", winter_A))
    )
    return Case(Profile("p", modes), typed(sleep=draws_A), pack)


def test_a_credit_makes_the_load_smaller() -> None:
    assert years(harvesting(cell(), 4e-6, 4e-6)) == pytest.approx(years(steady(6e-6, cell())))


def test_a_primary_cell_takes_no_charge() -> None:
    """What the summer has too much is lost: the winter's 10 uA are half of the year."""
    assert years(harvesting(cell(), 30e-6, 0.0)) == pytest.approx(years(steady(5e-6, cell())))


def test_a_rechargeable_cell_takes_it() -> None:
    pack = cell(2000.0, rechargeable=True)
    assert years(harvesting(pack, 14e-6, 0.0)) == pytest.approx(years(steady(3e-6, pack)))


def test_energy_that_never_runs_out_ends_with_the_shelf_life() -> None:
    pack = cell(2000.0, rechargeable=True, shelf_life_s=8 * YEAR_S, loss=0.01)
    found = life(harvesting(pack, 30e-6, 0.0), 1000)
    assert (found.first_cause, found.median_years) == ("shelf life", 8.0)
    assert np.all(np.isfinite(found.years))
    assert found.curve.median[-1] > 0.9  # it stays full


def test_a_lean_season_may_be_longer_than_the_cell() -> None:
    """10 uA for half a year are 43.83 mAh: 40 mAh last 4000 h of winter, whatever the summer."""
    found = life(harvesting(cell(40.0, rechargeable=True), 1e-3, 0.0), 1000)
    assert found.median_years == pytest.approx(4000.0 / 8766.0, rel=1e-9)
    assert found.first_cause == "charge"


# -- draws --------------------------------------------------------------------------------------


def test_monte_carlo_and_linear_propagation_agree_where_both_hold() -> None:
    """L = C/I with small spreads: (u(L)/L)^2 = (u(C)/C)^2 + (u(I)/I)^2 (GUM 5.1.6)."""
    case = Case(
        always(),
        replace(typed(), states={"sleep": _drawn(2e-6, 0.01)}),
        replace(cell(), capacity=quantity("capacity", 220 * MAH, 0.04 * 220 * MAH, divisor=2.0)),
    )
    found = life(case, draws=100_000, seed=11)
    relative = np.std(found.years) / np.mean(found.years)
    assert relative == pytest.approx(math.hypot(0.01, 0.02), rel=0.01), "seed 11"
    width = (found.high_years - found.low_years) / found.median_years
    assert width == pytest.approx(2 * 1.6449 * math.hypot(0.01, 0.02), rel=0.01), "seed 11"


def test_monte_carlo_holds_where_linear_propagation_does_not() -> None:
    """C +-5 %, I +-8 % (1 sd, normal), 220 mAh and 8.49875 uA: the ratio is skewed. Its exact
    quantiles q are those where C - q I = 0 (Fieller; a ratio of normals, with I > 0): the 5 %
    point is 2.540 years and the median 2.953, where a linear +-1.645 sd would say 2.495."""
    case = Case(
        always(),
        replace(typed(), states={"sleep": _drawn(8.49875e-6, 0.08)}),
        replace(cell(), capacity=quantity("capacity", 220 * MAH, 0.1 * 220 * MAH, divisor=2.0)),
    )
    found = life(case, draws=100_000, seed=12)
    assert found.median_years == pytest.approx(2.953, abs=0.005), "seed 12"
    assert found.low_years == pytest.approx(2.540, abs=0.005), "seed 12"
    assert found.high_years > 2.953 + 1.645 * 0.2786 + 0.02


def _drawn(value: float, relative: float) -> Drawn:
    return Drawn(quantity("I", value, 2.0 * relative * value, "A", 2.0), "typed in")


def test_the_seed_decides() -> None:
    case = steady(2e-6, cell(within=0.05))
    assert np.array_equal(life(case, 1000, 4).years, life(case, 1000, 4).years)
    assert not np.array_equal(life(case, 1000, 4).years, life(case, 1000, 5).years)


def test_the_curve_is_that_of_the_draws() -> None:
    """The quantiles of what is left, read off the times, are those of C(t) at that time."""
    case = steady(2e-6, cell(within=0.2, loss=0.02))
    found = life(case, 20_000, 6)
    values = case.drawn(found.average, 20_000, 6)
    at = 20
    decay = -math.log(0.98)
    flow = 2e-6 * YEAR_S / values["capacity"]
    left = (1 + flow / decay) * math.exp(-decay * found.curve.times_years[at]) - flow / decay
    expected = np.quantile(np.maximum(left, 0.0), [0.05, 0.5, 0.95])
    bands = (found.curve.low[at], found.curve.median[at], found.curve.high[at])
    assert bands == pytest.approx(expected, abs=2e-3)


# -- doubts -------------------------------------------------------------------------------------


def test_what_makes_a_figure_doubtful_is_said() -> None:
    def told(case: Case) -> str:
        return " | ".join(life(case, 1000).warnings)

    plain = steady(2e-6, cell())
    assert told(plain) == ""
    unknown = replace(plain.currents, minimum_voltage_V=None)
    assert "lowest voltage of the board is not known" in told(replace(plain, currents=unknown))
    other = replace(plain.currents, supply_voltage_V=2.2)
    assert "the currents hold at 2.2 V" in told(replace(plain, currents=other))
    regulated = replace(plain, currents=other, cell=cell(regulator=linear(0.0)))
    assert "regulator gives 1.8 V" in told(regulated)
    cold = replace(plain, profile=always(temperature_C=-30.0))
    assert "says nothing of -30 °C" in told(cold)
    table = cell(temperatures=((-20.0, 0.5, 3.0), (20.0, 1.0, 1.0)))
    assert "-30 °C is outside" in told(replace(cold, cell=table))
    assert "most of the capacity is lost" in told(steady(0.1e-6, cell(loss=0.3)))


def test_a_board_at_its_limits() -> None:
    currents = replace(typed(sleep=2e-6), states={"sleep": replace(_drawn(2e-6, 0.0), limit=4e-6)})
    found = life(Case(always(), currents, cell()), 1000)
    assert found.at_limits_years == pytest.approx(found.nominal_years / 2.0)
    assert life(steady(2e-6, cell()), 1000).at_limits_years is None
