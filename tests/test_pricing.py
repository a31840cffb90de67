"""What a reading is worth: every contribution where it belongs, and the corrections' signs."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any

import pytest

from benchrig.drivers.meter import Meter, MeterRange, Zero
from benchrig.measurement import Outcome
from benchrig.pricing import MeterPricing, Priced, Pricing
from benchrig.session import BenchFile, MeterSheet
from benchrig.session.bench_file import AmbientTemperature, Leakage
from benchrig.session.session_file import State, VoltageSensitivity
from benchrig.simulation.world import METER_IDENTITY
from tests.benches import BENCH, HASTY, SESSION, SHEET, board_file, rig, with_supply

SQRT3 = math.sqrt(3.0)
IDLE, SLEEP = SESSION.states[0], SESSION.states[-1]


def settled(current_A: float, **changes: Any) -> Outcome:
    figures = {
        "current_A": current_A,
        "standard_uncertainty_A": 1e-12,
        "dof": 20.0,
        "settling_bound_A": 0.0,
        "readings": 50,
    }
    return Outcome("settled", "any", **{**figures, **changes})


def zero(full_scale_A: float, offset_A: float, uncertainty_A: float) -> Zero:
    taken = datetime(2026, 1, 1, tzinfo=UTC)
    return Zero(METER_IDENTITY, full_scale_A, offset_A, uncertainty_A, taken, 11)


def meter(sheet: MeterSheet | None = SHEET, zeros: tuple[Zero, ...] = ()) -> Meter:
    return rig(sheet=sheet or SHEET, knows_sheet=sheet is not None, zeros=zeros).bench.meter


def entry_of(meter: Meter, full_scale_A: float) -> MeterRange:
    return next(entry for entry in meter.ranges if math.isclose(entry.full_scale_A, full_scale_A))


def price(
    outcome: Outcome,
    full_scale_A: float,
    *,
    file: BenchFile = BENCH,
    state: State = IDLE,
    of: Meter | None = None,
) -> Priced:
    of = of or meter()
    entry = entry_of(of, full_scale_A)
    priced = Pricing(of, file, SESSION.board).priced(outcome, entry, state)
    assert priced is not None
    return priced


def parts(priced: Priced) -> dict[str, float]:
    return {row.name: row.contribution for row in priced.budget.table()}


def with_coefficients(**changes: float) -> MeterSheet:
    ranges = tuple(entry.model_copy(update=changes) for entry in SHEET.ranges)
    return SHEET.model_copy(update={"ranges": ranges})


def at(temperature: float, within: float = 0.0) -> BenchFile:
    ambient = AmbientTemperature.model_construct(temperature=temperature, within=within)
    return BENCH.model_copy(update={"ambient": ambient})


# -- the meter ----------------------------------------------------------------------------------


def test_the_sheet_is_priced_as_it_says() -> None:
    """10 mA range: 0.05 % of the reading and 0.02 % of the range, as limits of error."""
    priced = price(settled(1.2e-3), 1e-2)
    assert priced.budget.value == 1.2e-3
    assert parts(priced)["gain"] == pytest.approx(5e-4 * 1.2e-3 / SQRT3)
    assert parts(priced)["offset"] == pytest.approx(2e-4 * 1e-2 / SQRT3)
    assert parts(priced)["resolution"] == pytest.approx(15e-9 / SQRT3)  # half of 30 nA
    assert (priced.burden_correction_A, priced.leakage_correction_A) == (None, None)


def test_expanded_accuracies_are_divided_by_two() -> None:
    sheet = SHEET.model_copy(update={"accuracy_is": "expanded"})
    priced = price(settled(1.2e-3), 1e-2, of=meter(sheet))
    assert parts(priced)["gain"] == pytest.approx(5e-4 * 1.2e-3 / 2.0)
    assert parts(priced)["offset"] == pytest.approx(2e-4 * 1e-2 / 2.0)


@pytest.mark.parametrize(("accuracy_is", "least"), [("limits", 1.0), ("expanded", 0.93)])
def test_the_budget_holds_what_the_sheet_means(accuracy_is: str, least: float) -> None:
    """Of 400 meters that were drawn from the sheet all keep within its limits, and so within U; of
    those drawn from an expanded uncertainty 95 %, sd 1.1 %."""
    sheet = SHEET.model_copy(update={"accuracy_is": accuracy_is})
    expanded_A = price(settled(1e-3), 1e-2, of=meter(sheet)).budget.expanded_uncertainty
    within = 0
    for seed in range(400):
        ammeter = rig(sheet=sheet, seed=seed).meter.ammeter
        error_A = ammeter.gain_errors[3] * 1e-3 + ammeter.offset_errors_A[3]
        within += abs(error_A) <= expanded_A
    assert least <= within / 400 <= (1.0 if least == 1.0 else 0.99)


def test_without_a_sheet_the_meter_is_missing_and_that_is_told() -> None:
    of = meter(None)
    of.open()
    outcome = settled(1.2e-3)
    pricing = Pricing(of, BENCH, SESSION.board)
    assert pricing.flags(of.ranges[-1], IDLE) == ("uncertainty_lacks_meter",)
    priced = pricing.priced(outcome, of.ranges[-1], IDLE)
    assert priced is not None
    # 0.5 % of the reading and 0.1 % of the 100 mA range are assumed, as limits of error.
    assert parts(priced)["gain"] == pytest.approx(5e-3 * 1.2e-3 / SQRT3)
    assert parts(priced)["offset"] == pytest.approx(1e-3 * 0.1 / SQRT3)


def test_a_zero_takes_the_place_of_the_offset() -> None:
    priced = price(settled(6e-7), 1e-5, of=meter(zeros=(zero(1e-5, 2e-9, 3e-11),)))
    assert "offset" not in parts(priced)
    assert parts(priced)["zero"] == pytest.approx(3e-11)
    (line,) = [row for row in priced.budget.table() if row.name == "zero"]
    assert (line.estimate, line.dof, line.kind) == (2e-9, 10.0, "A")
    assert priced.budget.value == 6e-7  # the driver has subtracted it already


def test_a_zero_of_another_range_changes_nothing() -> None:
    of = meter(zeros=(zero(1e-4, 2e-9, 3e-11),))
    assert parts(price(settled(6e-7), 1e-5, of=of)) == parts(price(settled(6e-7), 1e-5))


def test_few_readings_are_not_better_known_than_the_meter_is_quiet() -> None:
    """60 pA at one power-line cycle: over 50 of them 60 pA / sqrt(50)."""
    lucky = price(settled(6e-7, standard_uncertainty_A=1e-15), 1e-5)
    assert parts(lucky)["noise floor"] == pytest.approx(60e-12 / math.sqrt(50), rel=1e-6)
    noisy = price(settled(6e-7, standard_uncertainty_A=1e-9), 1e-5)
    assert parts(noisy)["noise floor"] == 0.0


def test_the_noise_of_the_sheet_is_that_of_one_cycle() -> None:
    """At ten cycles each of 50 readings is quieter by the square root of ten."""
    file = BENCH.model_copy(update={"meter": BENCH.meter.model_copy(update={"nplc": 10.0})})
    of = rig(file=file).bench.meter
    priced = price(settled(6e-7, standard_uncertainty_A=0.0), 1e-5, of=of)
    assert parts(priced)["noise floor"] == pytest.approx(60e-12 / math.sqrt(500), rel=1e-6)


def test_no_shunt_is_quieter_than_its_heat() -> None:
    """sqrt(4 k T B / R), with 300 K, B = 1/(2·1 s) and 1 kΩ: 2.878 pA (by hand)."""
    of = meter(with_coefficients(noise=1e-18))
    priced = price(settled(6e-7, standard_uncertainty_A=0.0), 1e-5, of=of)
    assert parts(priced)["noise floor"] == pytest.approx(2.878e-12, rel=1e-3)


def test_no_value_has_no_price() -> None:
    of = meter()
    outcome = Outcome("drifting", "any")
    entry = entry_of(of, 1e-5)
    assert Pricing(of, BENCH, SESSION.board).priced(outcome, entry, IDLE) is None
    with pytest.raises(ValueError, match="drifting"):
        MeterPricing(of, BENCH).as_read(outcome, entry)


# -- temperature --------------------------------------------------------------------------------

COEFFICIENTS = {"gain_per_kelvin": 5e-5, "offset_per_kelvin": 2e-5}


@pytest.mark.parametrize(
    ("coefficients", "file", "flags"),
    [
        ({}, BENCH, ()),
        (COEFFICIENTS, BENCH, ("temperature_not_stated",)),
        ({"gain_per_kelvin": 5e-5}, BENCH, ("temperature_not_stated",)),
        (COEFFICIENTS, at(23.0), ()),
        (COEFFICIENTS, at(40.0), ()),
        ({}, at(27.0, 1.0), ()),
        ({}, at(27.0, 1.1), ("temperature_outside_sheet",)),
        ({}, at(17.0), ("temperature_outside_sheet",)),
        ({"gain_per_kelvin": 5e-5}, at(40.0), ("temperature_outside_sheet",)),
    ],
)
def test_what_is_told_of_the_temperature(
    coefficients: dict[str, float], file: BenchFile, flags: tuple[str, ...]
) -> None:
    of = meter(with_coefficients(**coefficients))
    assert Pricing(of, file, SESSION.board).flags(entry_of(of, 1e-2), IDLE) == flags


@pytest.mark.parametrize(("temperature", "outside_K"), [(23.0, 0.0), (35.0, 7.0), (10.0, 8.0)])
def test_each_kelvin_outside_the_band_is_priced(temperature: float, outside_K: float) -> None:
    of = meter(with_coefficients(**COEFFICIENTS))
    found = parts(price(settled(1e-3), 1e-2, of=of, file=at(temperature)))
    gain_A = 5e-5 * outside_K * 1e-3 / SQRT3
    offset_A = 2e-5 * outside_K * 1e-2 / SQRT3
    assert found["temperature coefficient of the gain"] == pytest.approx(gain_A)
    assert found["temperature coefficient of the offset"] == pytest.approx(offset_A)


# -- leakage ------------------------------------------------------------------------------------


def leaking(current_A: float, within_A: float) -> BenchFile:
    leakage = Leakage.model_construct(current=current_A, within=within_A)
    port = BENCH.board.model_copy(update={"leakage": leakage})
    return BENCH.model_copy(update={"board": port})


@pytest.mark.parametrize("fed_A", [2e-7, -1.5e-7])
def test_what_the_lines_feed_in_is_taken_out(fed_A: float) -> None:
    """Declared: what they add to the reading. Known to 1e-8, as a rectangle."""
    priced = price(settled(6e-7), 1e-5, file=leaking(fed_A, 1e-8))
    assert priced.budget.value == pytest.approx(6e-7 - fed_A)
    assert priced.leakage_correction_A == -fed_A
    assert parts(priced)["leakage"] == pytest.approx(1e-8 / SQRT3)


def test_parked_lines_feed_nothing() -> None:
    priced = price(settled(6e-7), 1e-5, file=leaking(2e-7, 1e-8), state=SLEEP)
    assert priced.budget.value == 6e-7
    assert priced.leakage_correction_A is None
    assert "leakage" not in parts(priced)


@pytest.mark.parametrize(
    ("tx", "state", "declared", "flags"),
    [
        ("idle", SLEEP, False, ("leakage_not_declared",)),
        ("idle", SLEEP, True, ()),
        ("idle", IDLE, False, ()),
        ("closed", SLEEP, False, ()),
        ("low", SLEEP, False, ()),
    ],
)
def test_what_may_be_fed_in_is_told(
    tx: str, state: State, declared: bool, flags: tuple[str, ...]
) -> None:
    port = (leaking(1e-7, 1e-8) if declared else BENCH).board
    parking = port.parking.model_copy(update={"tx": tx})
    file = BENCH.model_copy(update={"board": port.model_copy(update={"parking": parking})})
    of = meter()
    assert Pricing(of, file, SESSION.board).flags(entry_of(of, 1e-5), state) == flags


@pytest.mark.parametrize("seed", range(1, 6))
def test_an_idle_line_is_corrected_for_in_a_session(seed: int) -> None:
    """Through 2 MΩ from 3.3 V into 3 V: the board draws 0.15 uA less from its supply."""
    open_lines = BENCH.board.model_copy(
        update={
            "parking": BENCH.board.parking.model_copy(update={"tx": "idle"}),
            "leakage": Leakage.model_construct(current=-1.5e-7, within=1e-8),
        }
    )
    made = rig(session=HASTY, file=BENCH.model_copy(update={"board": open_lines}), seed=seed)
    (row,) = made.run(only=["deep_sleep"]).states
    true_A = made.true_A("deep_sleep", row.range_A)
    assert row.current_A is not None
    assert row.expanded_uncertainty_A is not None
    assert abs(row.current_A - true_A) <= row.expanded_uncertainty_A, f"seed {seed}"
    assert row.expanded_uncertainty_A < 1.2e-7  # less than what was corrected
    assert row.leakage_correction_A == 1.5e-7
    assert row.verdict == "pass"


# -- burden -------------------------------------------------------------------------------------


def sensitive(slope_S: float, within_S: float) -> State:
    sensitivity = VoltageSensitivity.model_construct(slope=slope_S, within=within_S)
    return IDLE.model_copy(update={"sensitivity": sensitivity})


def test_the_burden_is_corrected_with_its_sign() -> None:
    """1 mA through 100 Ω takes 0.1 V from the board; at 1 mA/V it draws 0.1 mA less for it."""
    priced = price(settled(1e-3), 1e-3, state=sensitive(1e-3, 2e-4))
    assert priced.burden_correction_A == pytest.approx(1e-4)
    assert priced.budget.value == pytest.approx(1.1e-3)
    assert parts(priced)["burden"] == pytest.approx(2e-4 / SQRT3 * 0.1)
    assert parts(priced)["supply"] == 0.0
    # The shunt of a sheet is a typical one: 10 Ω more of it, times 1 mA, are 10 mV less.
    assert parts(priced)["shunt"] == pytest.approx(1e-3 * 1e-3 * 10.0 / SQRT3)
    falling = price(settled(1e-3), 1e-3, state=sensitive(-1e-3, 2e-4))
    assert falling.budget.value == pytest.approx(0.9e-3)


def test_a_burden_that_says_more_than_the_uncertainty_is_flagged() -> None:
    """0.1 V of 3 V are 3.3 %, against U of 0.08 % of the reading and some of the range."""
    assert price(settled(1e-3), 1e-3).flags == ("burden_not_corrected",)
    assert price(settled(1e-3), 1e-3, state=sensitive(1e-3, 2e-4)).flags == ()
    assert price(settled(1e-3), 1e-3, state=sensitive(0.0, 1e-5)).flags == ()
    assert price(settled(1e-5), 1e-3).flags == ()
    assert price(settled(1e-3, standard_uncertainty_A=2e-5), 1e-3).flags == ()


def test_an_inaccurate_supply_is_priced_where_the_state_is_sensitive() -> None:
    file = with_supply(accuracy=0.01)
    priced = price(settled(1e-3), 1e-3, state=sensitive(1e-3, 0.0), file=file)
    assert parts(priced)["supply"] == pytest.approx(0.01 * 3.0 / SQRT3 * 1e-3)
    assert "supply" not in parts(price(settled(1e-3), 1e-3, file=file))


def test_an_assumed_shunt_corrects_nothing() -> None:
    of = meter(None)
    of.open()
    entry, state = of.ranges[-1], sensitive(1e-3, 0.0)
    priced = Pricing(of, BENCH, SESSION.board).priced(settled(1e-3), entry, state)
    assert priced is not None
    assert priced.burden_correction_A is None
    assert priced.budget.value == 1e-3


@pytest.mark.parametrize("seed", range(1, 6))
@pytest.mark.parametrize("declared", [True, False])
def test_with_a_large_shunt_only_the_corrected_value_is_true(seed: int, declared: bool) -> None:
    """20 Ω on the 10 mA range and 1 mS of conductance: with no shunt the board draws 3.30 mA, with
    it 3.24 mA."""
    good = board_file()
    idle = good.states[0].model_copy(
        update={"static": 3e-4, "conductive": 1e-3, "switched": 0.0, "noise": 3e-7}
    )
    board = good.model_copy(update={"states": (idle, *good.states[1:])})
    ranges = tuple(
        entry.model_copy(update={"shunt": 20.0}) if entry.full_scale == 1e-2 else entry
        for entry in SHEET.ranges
    )
    sensitivity = VoltageSensitivity.model_construct(slope=1e-3, within=5e-5)
    state = IDLE.model_copy(update={"sensitivity": sensitivity if declared else None})
    made = rig(
        session=SESSION.model_copy(update={"states": (state,), "differences": (), "ratios": ()}),
        board=board,
        sheet=SHEET.model_copy(update={"ranges": ranges}),
        seed=seed,
    )
    (row,) = made.run().states
    assert row.range_A == 1e-2, f"seed {seed}"
    assert row.current_A is not None
    assert row.expanded_uncertainty_A is not None
    nominal_A = 3e-4 + 1e-3 * 3.0
    covers = abs(row.current_A - nominal_A) <= row.expanded_uncertainty_A
    assert ("burden_not_corrected" in row.flags) is not declared
    assert covers is declared, f"seed {seed}: {row.current_A} ± {row.expanded_uncertainty_A}"
    assert (row.burden_correction_A is not None) is declared
    # What the board had while it was measured is told in either case.
    read_A = row.current_A - (row.burden_correction_A or 0.0)
    assert row.board_voltage_V == pytest.approx(3.0 - 20.0 * read_A, abs=1e-3)


# -- what is to be expected ---------------------------------------------------------------------


def test_the_expected_uncertainty_grows_with_the_range() -> None:
    of = meter()
    expected = [MeterPricing(of, BENCH).expected_A(entry, 6e-7) for entry in of.ranges]
    assert expected == sorted(expected)
    # Gain and offset of one sheet add linearly; noise and half a count of 30 pA in squares.
    meter_A = (5e-4 * 6e-7 + 2.5e-9) / SQRT3
    assert expected[0] == pytest.approx(math.hypot(meter_A, 60e-12, 15e-12 / SQRT3))
    unknown = meter(None)
    unknown.open()
    expected = [MeterPricing(unknown, BENCH).expected_A(entry, 6e-7) for entry in unknown.ranges]
    assert expected == sorted(expected)


def test_a_zero_may_make_a_higher_range_the_better_one() -> None:
    of = meter(zeros=(zero(1e-4, 0.0, 1e-11),))
    pricing = MeterPricing(of, BENCH)
    with_zero, without = (entry_of(of, scale_A) for scale_A in (1e-4, 1e-5))
    assert pricing.expected_A(with_zero, 1e-6) < pricing.expected_A(without, 1e-6)
