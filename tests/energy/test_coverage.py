"""Of the stated 90 % intervals of life, about 90 % hold the life that a product then has.

The truth is simulated by code that shares nothing with `benchrig.energy.draining`: products whose
currents, cells and use are drawn from what was declared live day by day, through summers and
winters, until the charge is gone or a pulse drops the voltage too far.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchrig.energy import Currents, Drawn, Mode, Profile, Use, life, quantity
from benchrig.energy.life import Case
from benchrig.measurement import Budget, Contribution, Stated, contribution
from tests.energy.products import MAH, cell

SEED, PRODUCTS, DRAWS = 2026, 2000, 600
DAY_S = 86400.0
OPEN_V = ([0.0, 0.5, 0.9, 1.0], [3.2, 3.0, 2.85, 2.7])
OHM = ([0.0, 0.5, 0.9, 1.0], [10.0, 15.0, 30.0, 60.0])
LEAST_V = 2.3
GAIN, CAPACITY, DURATION, INTERVAL = 0.01, 0.08, 0.15, 0.05  # limits of error
SLEEP, CHARGE, LOSS, RESISTANCE = 0.02, 0.05, 0.5, 0.3
LOOKS = 16


@dataclass(frozen=True)
class Declared:
    """What was declared and measured, one entry for each product."""

    sleep_A: np.ndarray
    awake_A: np.ndarray
    sleep_u: np.ndarray
    charge_C: np.ndarray
    capacity_mAh: np.ndarray
    loss: np.ndarray
    duration_s: np.ndarray
    summer_s: np.ndarray
    winter_s: np.ndarray


def world(random: np.random.Generator) -> tuple[Declared, np.ndarray]:
    """Products, and the life in years that each of them has."""

    def spread(low: float, high: float) -> np.ndarray:
        return np.exp(random.uniform(np.log(low), np.log(high), PRODUCTS))

    def within(limit: float) -> np.ndarray:
        return 1.0 + limit * random.uniform(-1.0, 1.0, PRODUCTS)

    sleep_A, awake_A, charge_C = spread(1e-6, 10e-6), spread(3e-3, 12e-3), spread(10e-6, 100e-6)
    duration_s, summer_s, loss = spread(0.05, 0.2), spread(60.0, 600.0), spread(0.005, 0.03)
    winter_s = summer_s * random.uniform(1.0, 2.0, PRODUCTS)
    # The meter: one gain for both states of a product, and scatter that it estimates by itself.
    gain = within(GAIN)
    scatter_A = SLEEP * sleep_A
    guessed = np.sqrt(random.chisquare(LOOKS - 1, PRODUCTS) / (LOOKS - 1))
    read_A = sleep_A * gain + scatter_A * random.standard_normal(PRODUCTS)
    # Cells for three to ten years, as their label says; each cell and each use differs from it.
    average_A = sleep_A + duration_s * awake_A * (0.5 / summer_s + 0.5 / winter_s) + charge_C / 60.0
    label_mAh = average_A * 8766.0 * random.uniform(3.0, 10.0, PRODUCTS) * 1e3
    stated = Declared(
        read_A, awake_A * gain, scatter_A * guessed, charge_C, label_mAh, loss,
        duration_s, summer_s, winter_s,
    )  # fmt: skip
    years = lived(
        sleep_A,
        awake_A,
        charge_C + 0.5 * CHARGE * charge_C * random.standard_normal(PRODUCTS),
        label_mAh * MAH * within(CAPACITY),
        -np.log1p(-loss * within(LOSS)) / 365.25,
        duration_s * within(DURATION),
        (summer_s * (timer := within(INTERVAL)), winter_s * timer),
        within(RESISTANCE),
        random.uniform(0.0, 365.25, PRODUCTS),
    )
    return stated, years


def lived(
    sleep_A: np.ndarray,
    awake_A: np.ndarray,
    charge_C: np.ndarray,
    capacity_C: np.ndarray,
    decay_per_d: np.ndarray,
    duration_s: np.ndarray,
    every_s: tuple[np.ndarray, np.ndarray],
    resistance: np.ndarray,
    first_day: np.ndarray,
) -> np.ndarray:
    """Day by day; half of the year is summer. The charge is drawn once a minute."""
    shares = [duration_s / every for every in every_s]
    per_day = [
        DAY_S * (sleep_A * (1 - share) + awake_A * share + charge_C / 60.0) for share in shares
    ]
    left_C, days = capacity_C.copy(), np.zeros(PRODUCTS)
    alive = np.ones(PRODUCTS, bool)
    for day in range(20 * 366):
        summer = (first_day + day) % 365.25 < 182.625
        left_C -= np.where(summer, per_day[0], per_day[1]) + decay_per_d * left_C
        depth = 1.0 - left_C / capacity_C
        volts = np.interp(depth, *OPEN_V) - awake_A * resistance * np.interp(depth, *OHM)
        alive &= (left_C > 0.0) & (volts > LEAST_V)
        if not alive.any():
            return days / 365.25
        days += alive
    raise AssertionError("some never end")


def gained(value_A: float, own: tuple[Contribution, ...] = ()) -> Budget:
    gain = Stated("gain", 1.0, GAIN, "1", 3.0**0.5, value_A)
    return Budget(value_A, (contribution("gain", gain, shared="gain"), *own))


def case(stated: Declared, at: int) -> Case:
    sleep_A, charge_C = float(stated.sleep_A[at]), float(stated.charge_C[at])
    averaging = Contribution("averaging", float(stated.sleep_u[at]), LOOKS - 1, "A")
    currents = Currents(
        {
            "sleep": Drawn(gained(sleep_A, (averaging,)), "measured"),
            "awake": Drawn(gained(float(stated.awake_A[at])), "measured"),
        },
        {"wake": Drawn(quantity("q", charge_C, CHARGE * charge_C, "C", 2.0), "typed in")},
        minimum_voltage_V=LEAST_V,
    )
    on_s = float(stated.duration_s[at])
    duration = quantity("d", on_s, DURATION * on_s, "s", shared="duration of awake")
    wake = Use("wake", "charge", interval=quantity("i", 60.0))
    modes = []
    for name, every in (("summer", stated.summer_s[at]), ("winter", stated.winter_s[at])):
        every_s = float(every)
        interval = quantity("i", every_s, INTERVAL * every_s, "s", shared="interval of awake")
        awake = Use("awake", duration=duration, interval=interval)
        modes.append(Mode(name, (awake, wake, Use("sleep")), 0.5))
    loss = float(stated.loss[at])
    pack = cell(
        float(stated.capacity_mAh[at]),
        CAPACITY,
        depths=tuple(zip(OPEN_V[0], OPEN_V[1], OHM[1], strict=True)),
        resistance_scale=quantity("R", 1.0, RESISTANCE),
        self_discharge=quantity("self-discharge", loss, LOSS * loss),
    )
    return Case(Profile("p", tuple(modes)), currents, pack)


def test_ninety_percent_of_the_intervals_hold_the_truth() -> None:
    stated, years = world(np.random.default_rng(SEED))
    found = [life(case(stated, at), DRAWS, at) for at in range(PRODUCTS)]
    pairs = list(zip(found, years, strict=True))
    held = [each.low_years <= true <= each.high_years for each, true in pairs]
    below = np.mean([true < each.low_years for each, true in pairs])
    said = f"seed {SEED}: {100 * np.mean(held):.2f} % held, {100 * below:.2f} % died earlier"
    causes = {each.first_cause for each in found}
    assert causes == {"charge", "voltage"}, causes
    assert 0.88 <= np.mean(held) <= 0.92, said
