"""What a target asks for: found values, put back in, give a median life of just the target."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchrig.energy import (
    Life,
    Mode,
    Profile,
    Targets,
    Use,
    life,
    quantity,
    sensitivities,
    targets,
)
from benchrig.energy.life import Case
from benchrig.energy.targets import Needed
from benchrig.units import YEAR_S
from tests.energy.products import MAH, always, cell, duty, linear, steady, typed

SEED = 7


def asked(case: Case, target_years: float) -> tuple[Life, Targets]:
    found = life(case, 20_000, SEED)
    return found, targets(case, found, target_years)


def lever(aimed: Targets, name: str) -> Needed:
    (found,) = (each for each in aimed.levers if each.lever.name == name)
    return found


def product() -> Case:
    currents = typed(sleep=1.5e-6, awake=8e-3, charges={"wake_up": 20e-6})
    return Case(duty(), currents, cell(loss=0.01, within=0.05, regulator=linear(0.2e-6)))


def test_the_allowed_current_by_plain_arithmetic() -> None:
    """220 mAh in 10 years: 2.5097 uA; from 5.0194 uA that is a margin of -50 %."""
    _, aimed = asked(steady(5.0194e-6, cell()), 10.0)
    assert aimed.allowed_A == pytest.approx(2.5097e-6, rel=1e-4)
    assert aimed.margin == pytest.approx(-0.5, abs=1e-4)
    assert (aimed.probability, aimed.verdict) == (0.0, "missed")
    assert lever(aimed, "capacity").needed[0][2] == pytest.approx(440.0 * MAH, rel=1e-4)


def test_the_allowed_current_with_self_discharge_in_closed_form() -> None:
    """C(T) = 0: I = k C / (exp(k T) - 1)."""
    _, aimed = asked(steady(5e-6, cell(loss=0.05)), 10.0)
    decay = -np.log(0.95)
    expected = decay * 220 * MAH / np.expm1(10 * decay) / YEAR_S
    assert aimed.allowed_A == pytest.approx(expected, rel=1e-4)


def test_a_target_that_is_met_with_room_to_spare() -> None:
    _, aimed = asked(steady(2e-6, cell(within=0.05)), 10.0)
    assert (aimed.probability, aimed.verdict) == (1.0, "met")
    assert aimed.margin == pytest.approx(2.5097 / 2.0 - 1.0, abs=5e-3)


def test_a_target_between_is_undecided() -> None:
    found, aimed = asked(steady(2.5097e-6, cell(within=0.05)), 10.0)
    assert aimed.verdict == "undecided"
    assert aimed.probability == pytest.approx(np.mean(found.years >= 10.0))
    assert 0.4 < aimed.probability < 0.6


@pytest.mark.parametrize(
    "name",
    [
        "current of awake",
        "charge of wake_up",
        "interval of awake",
        "duration of awake",
        "capacity",
    ],
)
def test_each_value_meets_the_target_alone(name: str) -> None:
    case = product()
    found, aimed = asked(case, found_target := life(case, 1000, SEED).median_years * 1.02)
    needed = lever(aimed, name)
    assert needed.why == ""
    assert needed.factor is not None
    values = needed.lever.moved(case.drawn(found.average, 20_000, SEED), needed.factor)
    years = case.drained(values).life_s / YEAR_S
    assert np.median(years) == pytest.approx(found_target, rel=5e-3), f"seed {SEED}"
    for (_, now, then), quantity_name in zip(needed.needed, needed.lever.times, strict=False):
        assert now == case.quantities[quantity_name].value
        assert then == pytest.approx(now * needed.factor)


def test_what_cannot_meet_it_alone_says_so() -> None:
    _, aimed = asked(product(), 20.0)
    assert lever(aimed, "current of sleep").why == "cannot meet it alone"
    assert lever(aimed, "self-discharge").why == "cannot meet it alone"
    assert lever(aimed, "current of sleep").needed == ()


def test_what_meets_it_in_any_case_says_so() -> None:
    """If the lamp is on for the whole year there is no more time for it to be on."""
    lamp = Use("lamp", share=quantity("s", 0.5))
    profile = Profile("p", (Mode("year", (lamp, Use("sleep"))),))
    _, aimed = asked(Case(profile, typed(lamp=2e-6, sleep=1e-6), cell()), 5.0)
    assert lever(aimed, "share of lamp").why == "meets it in any case"


def test_more_of_what_draws_less_helps() -> None:
    """5 uA for the rest of the year and 1 uA for half of it are 3 uA; 2.5097 uA, ten years of
    220 mAh, need 62.26 % at 1 uA. With the share at 100 % there are 1 uA."""
    low = Use("low", share=quantity("s", 0.5))
    profile = Profile("p", (Mode("year", (low, Use("high"))),))
    _, aimed = asked(Case(profile, typed(low=1e-6, high=5e-6), cell()), 10.0)
    assert lever(aimed, "share of low").needed[0][2] == pytest.approx(0.6226, abs=1e-4)
    _, aimed = asked(Case(profile, typed(low=1e-6, high=5e-6), cell()), 26.0)
    assert lever(aimed, "share of low").why == "cannot meet it alone"


def test_events_cannot_overlap_however_much_room_there_is() -> None:
    _, aimed = asked(
        Case(duty(60.0, 20.0), typed(sleep=1e-7, awake=1e-6, charges={"wake_up": 0.0}), cell()), 1.0
    )
    assert lever(aimed, "duration of awake").why == "meets it in any case"


def test_a_shelf_life_cannot_be_beaten() -> None:
    _, aimed = asked(steady(1e-6, cell(shelf_life_s=5 * YEAR_S)), 10.0)
    assert aimed.unreachable == "the shelf life of the cell is 5 years"
    assert aimed.allowed_A is None
    assert all(each.why == "cannot meet it alone" for each in aimed.levers)


def test_self_discharge_alone_may_miss_the_target() -> None:
    """30 % a year leave 2.8 % after ten years; a cell that is usable to half its charge only is
    there after 1.94 years with no board at all: ln(0.5)/ln(0.7)."""
    _, aimed = asked(steady(1e-6, cell(loss=0.3)), 10.0)
    assert any("leaves 2.82 % of the capacity" in text for text in aimed.warnings)
    sloped = ((0.0, 3.0, 0.0), (1.0, 2.0, 0.0))
    _, aimed = asked(steady(1e-6, cell(loss=0.3, depths=sloped, end_voltage_V=2.5)), 10.0)
    assert aimed.unreachable is not None
    assert "after 1.94 years with a board that draws nothing" in aimed.unreachable


def test_a_lever_over_all_modes_keeps_their_ratio() -> None:
    modes = tuple(
        Mode(
            name,
            (
                Use("awake", duration=quantity("d", 0.1), interval=quantity("i", every)),
                Use("sleep"),
            ),
            0.5,
        )
        for name, every in (("summer", 60.0), ("winter", 600.0))
    )
    case = Case(Profile("p", modes), typed(sleep=1e-6, awake=8e-3), cell())
    _, aimed = asked(case, 10.0)
    places = {mode: (now, then) for mode, now, then in lever(aimed, "interval of awake").needed}
    assert set(places) == {"summer", "winter"}
    assert places["winter"][1] / places["summer"][1] == pytest.approx(10.0)


def test_senseless_targets_are_refused() -> None:
    case = steady(1e-6, cell())
    found = life(case, 1000)
    with pytest.raises(ValueError, match="above 0 years"):
        targets(case, found, 0.0)
    with pytest.raises(ValueError, match="above 50 %"):
        targets(case, found, 1.0, 0.5)


# -- sensitivities --------------------------------------------------------------------------------


def test_sensitivities_by_the_shares_of_the_charge() -> None:
    """Without self-discharge dL/L = -share dI/I, and +1 for the capacity (differentiation by
    hand); sorted by their size."""
    currents = typed(sleep=1.5e-6, awake=8e-3, charges={"wake_up": 20e-6})
    case = Case(duty(), currents, cell(within=0.05))
    felt = {each.lever.name: each for each in sensitivities(case)}
    average = 8.49875e-6
    assert felt["capacity"].elasticity == pytest.approx(1.0, rel=1e-6)
    assert felt["current of awake"].elasticity == pytest.approx(-6.66667e-6 / average, rel=1e-3)
    assert felt["charge of wake_up"].elasticity == pytest.approx(-0.333333e-6 / average, rel=1e-3)
    years = 25886.2 / 8766.0
    assert felt["capacity"].spread_years == pytest.approx(years * 0.05 / 3**0.5, rel=1e-3)
    sizes = [abs(each.elasticity) for each in sensitivities(case)]
    assert sizes == sorted(sizes, reverse=True)


def test_a_dead_cell_has_no_sensitivities() -> None:
    flat = cell(depths=((0.0, 3.0, 15.0), (1.0, 3.0, 15.0)))
    weak = replace(typed(sleep=0.02), minimum_voltage_V=2.9)
    felt = sensitivities(Case(always(), weak, flat))
    assert all(each.elasticity == 0.0 for each in felt)
