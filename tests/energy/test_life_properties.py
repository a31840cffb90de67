"""Whatever is put in, a life is finite, within the shelf life, and changes as it must."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.energy import Drawn, Mode, Profile, Regulator, Use, life, quantity, sensitivities
from benchrig.energy.life import Case
from benchrig.units import YEAR_S
from tests.energy.products import MAH, cell, typed

CURRENTS = st.floats(1e-9, 0.1)
SHARES = st.floats(0.0, 0.9)
PACKS = st.builds(
    lambda kind, quiescent, least: Regulator(
        kind, quantity("Iq", quiescent, quiescent / 2), 1.8, least, ((1e-6, 0.5), (1e-2, 0.9))
    ),
    st.sampled_from(["linear", "switching"]),
    st.floats(0.0, 1e-4),
    st.floats(0.0, 3.0),
)


@st.composite
def cases(draw: st.DrawFn) -> Case:
    modes = []
    weight = draw(st.floats(0.01, 0.99))
    for name, part in (("a", weight), ("b", 1.0 - weight)):
        interval_s = draw(st.floats(0.1, 1e6))
        on = quantity("d", draw(st.floats(1e-6, 0.8)) * interval_s)
        awake = Use("awake", duration=on, interval=quantity("i", interval_s, 0.1 * interval_s))
        wake = Use("wake", "charge", rate=quantity("r", draw(st.floats(1e-9, 1e3))))
        harvest_A = draw(st.one_of(st.none(), st.floats(0.0, 1e-2)))
        harvest = None if harvest_A is None else quantity("h", harvest_A, harvest_A)
        cold_C = draw(st.one_of(st.none(), st.floats(-60.0, 90.0)))
        modes.append(Mode(name, (awake, wake, Use("sleep")), part, cold_C, harvest))
    currents = typed(awake=draw(CURRENTS), charges={"wake": draw(st.floats(0.0, 1e-3))})
    sleep_A = draw(CURRENTS)
    sleep = Drawn(quantity("s", sleep_A, draw(st.floats(0.0, 2.0)) * sleep_A, "A", 2.0), "typed in")
    falling = sorted(draw(st.lists(st.floats(0.5, 5.0), min_size=3, max_size=3)), reverse=True)
    ohms = draw(st.lists(st.floats(0.0, 1e3), min_size=3, max_size=3))
    loss = draw(st.one_of(st.just(0.0), st.floats(1e-6, 0.9)))
    pack = cell(
        draw(st.floats(1.0, 1e5)),
        draw(SHARES),
        depths=tuple(zip((0.0, 0.5, 1.0), falling, ohms, strict=True)),
        self_discharge=quantity("self-discharge", loss, loss / 10.0),
        rechargeable=draw(st.booleans()),
        end_voltage_V=draw(st.floats(0.0, 3.0)),
        shelf_life_s=draw(st.floats(0.1, 50.0)) * YEAR_S,
        temperatures=draw(st.sampled_from([(), ((-20.0, 0.4, 4.0), (20.0, 1.0, 1.0))])),
        peukert=draw(st.floats(1.0, 1.5)),
        series=draw(st.integers(1, 4)),
        parallel=draw(st.integers(1, 4)),
        regulator=draw(st.one_of(st.none(), PACKS)),
    )
    return Case(
        Profile("p", tuple(modes)),
        replace(currents, states={**currents.states, "sleep": sleep}, minimum_voltage_V=0.5),
        pack,
    )


@settings(deadline=None, max_examples=150, derandomize=True)
@given(cases())
def test_a_life_is_finite_and_within_the_shelf_life(case: Case) -> None:
    found = life(case, 100)
    longest = case.cell.shelf_life_s / YEAR_S
    assert np.all((found.years >= 0.0) & (found.years <= longest * (1 + 1e-12)))
    assert found.low_years <= found.median_years <= found.high_years
    assert abs(sum(found.causes.values()) - 1.0) < 1e-12
    assert 0.0 <= found.lost_share <= 1.0
    for row in (found.curve.low, found.curve.median, found.curve.high):
        assert np.all(np.isfinite(row))
        assert np.all(np.diff(row) <= 1e-12)
        assert 0.0 <= row[-1] <= row[0] <= 1.0
    assert np.all(found.curve.low <= found.curve.high + 1e-12)
    assert all(
        np.isfinite([each.elasticity, each.spread_years]).all() for each in sensitivities(case)
    )


@settings(deadline=None, max_examples=100, derandomize=True)
@given(cases())
def test_more_load_and_a_smaller_cell_never_help(case: Case) -> None:
    values = case.nominal()
    now = case.drained(values).life_s[0]

    def changed(name: str, by: float) -> float:
        return float(case.drained({**values, name: by * values[name]}).life_s[0])

    for name in ("current of awake", "current of sleep", "charge of wake", "self-discharge"):
        assert changed(name, 1.01) <= now * (1 + 1e-9), name
    assert changed("capacity", 1.01) >= now * (1 - 1e-9)
    assert changed("internal resistance", 1.01) <= now * (1 + 1e-9)
    assert case.cell.capacity.value > 1e-3 * MAH
