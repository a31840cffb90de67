"""Profiles, cells and results to work with. Invented, all of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime

from benchrig.energy import Cell, Currents, Drawn, Mode, Profile, Regulator, Use, quantity
from benchrig.energy.life import Case
from benchrig.judging import budget_rows
from benchrig.measurement import Budget, Contribution, RangeAccuracy, single_reading_budget
from benchrig.result import (
    BenchRecord,
    BoardRecord,
    FaultRecord,
    MeterRecord,
    SessionResult,
    StateResult,
    Verdict,
)
from benchrig.units import YEAR_S

MAH = 3.6
"""Coulombs in a milliampere-hour."""
FLAT = ((0.0, 3.0, 0.0), (1.0, 3.0, 0.0))
"""A pack whose voltage never falls."""
FOREVER_S = 1000.0 * YEAR_S

FINE = RangeAccuracy(10e-6, 0.0003, 0.0002, 1e-12)
COARSE = RangeAccuracy(10e-3, 0.0005, 0.0002, 1e-9)


def cell(
    capacity_mAh: float = 220.0,
    within: float = 0.0,
    *,
    loss: float = 0.0,
    depths: tuple[tuple[float, float, float], ...] = FLAT,
    **changes: object,
) -> Cell:
    """Nothing derates it but what is asked for."""
    about: dict[str, object] = {
        "name": "an invented cell",
        "chemistry": "lithium manganese dioxide",
        "rechargeable": False,
        "stated_load_A": 200e-6,
        "stated_temperature_C": 20.0,
        "self_discharge": quantity("self-discharge", loss),
        "shelf_life_s": FOREVER_S,
        "end_voltage_V": 0.0,
        "depths": depths,
    }
    charge = quantity("capacity", capacity_mAh * MAH, capacity_mAh * MAH * within, "C")
    return Cell(capacity=charge, **(about | changes))  # type: ignore[arg-type]


def always(name: str = "sleep", **about: object) -> Profile:
    """One state, all of the time."""
    return Profile("always", (Mode("year", (Use(name),), **about),))  # type: ignore[arg-type]


def typed(*, charges: Mapping[str, float] | None = None, **states: float) -> Currents:
    """Currents that are known exactly, in A, and charges in C."""
    return Currents(
        {name: Drawn(quantity(name, value), "typed in") for name, value in states.items()},
        {name: Drawn(quantity(name, value), "typed in") for name, value in (charges or {}).items()},
        minimum_voltage_V=0.0,
    )


def steady(current_A: float, pack: Cell) -> Case:
    return Case(always(), typed(sleep=current_A), pack)


def duty(period_s: float = 60.0, on_s: float = 0.05) -> Profile:
    """Awake for a while in each period, asleep for the rest, a charge at each wake-up."""
    awake = Use("awake", duration=quantity("d", on_s), interval=quantity("i", period_s))
    wake_up = Use("wake_up", "charge", interval=quantity("i", period_s))
    return Profile("duty", (Mode("year", (awake, Use("sleep"), wake_up)),))


def switching(
    output_V: float = 1.8, efficiency: float = 0.9, quiescent_A: float = 0.0
) -> Regulator:
    table = ((1e-9, efficiency), (1.0, efficiency))
    return Regulator("switching", quantity("Iq", quiescent_A), output_V, 0.0, table)


def linear(quiescent_A: float) -> Regulator:
    return Regulator("linear", quantity("Iq", quiescent_A), 1.8, 0.0)


def read(current_A: float, accuracy: RangeAccuracy, noise_A: float = 0.0) -> Budget:
    """As a meter reads it: gain and offset of a range are shared."""
    return single_reading_budget(current_A, accuracy, noise_A)


def scattered(current_A: float, standard_uncertainty_A: float, dof: float = math.inf) -> Budget:
    part = Contribution("averaging", standard_uncertainty_A, dof, "A")
    return Budget(current_A, (part,))


def row(
    name: str, budget: Budget | None, verdict: Verdict = "pass", **about: object
) -> StateResult:
    if budget is None:
        return StateResult(name=name, verdict=verdict, **about)  # type: ignore[arg-type]
    return StateResult(
        name=name,
        verdict=verdict,
        current_A=budget.value,
        expanded_uncertainty_A=budget.expanded_uncertainty,
        budget=budget_rows(budget),
        **about,  # type: ignore[arg-type]
    )


def result(
    *rows: StateResult,
    serial_number: str | None = "HS-0042",
    meter: str | None = "meter 1",
    fault: FaultRecord | None = None,
    session: str = "hive-scale",
) -> SessionResult:
    when = datetime(2026, 1, 1, tzinfo=UTC)
    return SessionResult(
        session=session,
        verdict="pass",
        complete=True,
        started=when,
        ended=when,
        serial_number=serial_number,
        firmware=None,
        operator=None,
        note=None,
        board=BoardRecord(
            name="board", address="a", identity=None, supply_voltage_V=3.0, minimum_voltage_V=2.2
        ),
        meter=MeterRecord(
            address="m", identity=meter, sheet="sheet", reading_format=None, aperture_s=None
        ),
        bench=BenchRecord(name="bench", supply=None, simulated_seed=None),
        states=rows,
        derived=(),
        fault=fault,
        safe_end=(),
        events=(),
        benchrig="test",
    )
