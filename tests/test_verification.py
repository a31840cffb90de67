"""The check with a reference resistor, the file that it leaves, and sessions that demand it."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from benchrig import run_session
from benchrig.assembly import chain_of
from benchrig.clock import VirtualClock
from benchrig.drivers.meter_ranges import from_sheet
from benchrig.errors import Fault, FileProblems, UsageError
from benchrig.session import BenchFile
from benchrig.simulation.files import load_board
from benchrig.simulation.world import METER_IDENTITY, World
from benchrig.verification import (
    Check,
    Verification,
    load_verification,
    require_verification,
    save_verification,
)
from benchrig.verifying import Resistor, SetVoltage, check_resistor, parse_resistor, usable
from benchrig.wires.simulated import SimulatedWire
from tests.benches import BENCH, FIXTURES, HASTY, SHEET, WITHOUT_SUPPLY, Rig, rig

RESISTOR = load_board(FIXTURES / "boards" / "reference-resistor.toml")
MEGOHM = Resistor(1e6, 1e-3)
THREE_VOLTS = SetVoltage(3.0, 1e-3)
RANGES = from_sheet(SHEET, 1.0)
START = datetime(2026, 1, 1, tzinfo=UTC)  # of the virtual clock


# -- the resistor -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "resistance_ohm", "accuracy"),
    [
        ("1 Mohm 0.1 %", 1e6, 1e-3),
        ("1Mohm 0.1%", 1e6, 1e-3),
        ("  4.7 kΩ   ± 1 % ", 4700.0, 0.01),
        ("100 ohm +/- 0.02 %", 100.0, 2e-4),
        ("2.2e3 ohm 5 %", 2200.0, 0.05),
    ],
)
def test_resistors(text: str, resistance_ohm: float, accuracy: float) -> None:
    assert parse_resistor(text) == Resistor(pytest.approx(resistance_ohm), pytest.approx(accuracy))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "1 Mohm",
        "0.1 %",
        "1 MV 0.1 %",
        "1,0 Mohm 0.1 %",
        "1 Mohm 0 %",
        "0 ohm 1 %",
        "-1 ohm 1 %",
        "1 Mohm 60 %",
        "1 Mohm 0.1",
        "1 0.1 %",
        "Mohm 0.1 %",
        "1 Mohm 0.1 % 0.2 %",
    ],
)
def test_what_is_no_resistor(text: str) -> None:
    with pytest.raises(ValueError, match="ohm"):
        parse_resistor(text)


@pytest.mark.parametrize(
    ("resistance_ohm", "scales_A"),
    [
        (1e6, [1e-5]),  # 3 uA: 30 % of 10 uA, 3 % of 100 uA
        (1e5, [1e-4]),  # 30 uA
        (10e3, [1e-3]),  # 297 uA
        (500e3, [1e-5, 1e-4]),  # 6 uA
        (100.0, [1e-1]),  # 30 mA; on 10 mA and below it would be an overload
        (20.0, []),  # 150 mA
        (1e9, []),
    ],
)
def test_ranges_that_a_resistor_suits(resistance_ohm: float, scales_A: list[float]) -> None:
    found = usable(RANGES, Resistor(resistance_ohm, 1e-3), THREE_VOLTS)
    assert [entry.full_scale_A for entry in found] == scales_A


# -- the check --------------------------------------------------------------------------------


def conducting(siemens: float) -> Any:
    state = RESISTOR.states[0].model_copy(update={"conductive": siemens})
    return RESISTOR.model_copy(update={"states": (state,), "reset_conductance": siemens})


def checks(
    resistor: Resistor = MEGOHM,
    *,
    gain: float | None = None,
    siemens: float | None = None,
    seed: int = 1,
    file: BenchFile = BENCH,
    voltage: SetVoltage = THREE_VOLTS,
) -> tuple[list[Check], World]:
    """All checks with a simulated resistor; `gain` is an error of the meter on each range."""
    conductance = 1.0 / resistor.resistance_ohm if siemens is None else siemens
    clock, world = (
        VirtualClock(),
        World(conducting(conductance), SHEET, seed, supply=file.supply is not None),
    )
    assert world.simulated_meter is not None
    if gain is not None:
        world.simulated_meter.ammeter.gain_errors = (gain,) * len(SHEET.ranges)
    meter = SimulatedWire("meter", clock, world.meter)
    supply = None if world.supply is None else SimulatedWire("supply", clock, world.supply)
    with chain_of(file, SHEET, (), meter, supply, clock) as chain:
        try:
            return list(check_resistor(chain, resistor, voltage)), world
        finally:
            # However it ends: no power, and the highest range.
            assert world.simulated_meter.ammeter.index == len(SHEET.ranges) - 1
            world.advance(clock.monotonic() + 1.0)
            assert (world.circuit.voltage_V > 0.1) is (file.supply is None)


@pytest.mark.parametrize("resistance_ohm", [1e6, 5e5, 1e5, 1e4, 1e3, 100.0])
@pytest.mark.parametrize("seed", range(10))
def test_a_good_meter_agrees(resistance_ohm: float, seed: int) -> None:
    done, _ = checks(Resistor(resistance_ohm, 1e-3), seed=seed)
    assert done
    for check in done:
        assert check.agrees, f"seed {seed}: E_n {check.normalised_error}"
        entry = next(each for each in SHEET.ranges if each.full_scale == check.full_scale_A)
        assert check.expected_A == pytest.approx(3.0 / (resistance_ohm + entry.shunt_ohm))


@pytest.mark.parametrize("gain", [-0.02, -0.006, 0.006, 0.02])
@pytest.mark.parametrize("resistance_ohm", [1e6, 1e4, 100.0])
def test_a_meter_whose_gain_is_off_is_found_out(resistance_ohm: float, gain: float) -> None:
    """The sheet says 0.05 %, resistor and voltage are good to 0.1 % each."""
    for check in checks(Resistor(resistance_ohm, 1e-3), gain=gain)[0]:
        assert not check.agrees
        assert (check.normalised_error > 0) == (gain > 0)


def test_the_uncertainty_is_that_of_resistor_voltage_and_meter() -> None:
    (check,), _ = checks()
    # 1.96 times 0.1 % over sqrt(3), twice, in quadrature; the shunt's is a hundred times less.
    assert check.expected_uncertainty_A / check.expected_A == pytest.approx(1.6e-3, rel=0.01)
    finer, _ = checks(Resistor(1e6, 1e-4), voltage=SetVoltage(3.0, 1e-4))
    assert finer[0].expected_uncertainty_A < 0.15 * check.expected_uncertainty_A


def test_without_a_supply_the_operator_has_one() -> None:
    (check,), _ = checks(file=WITHOUT_SUPPLY)
    assert check.agrees


@pytest.mark.parametrize("siemens", [1.0 / 150.0, 1.0 / 10e3], ids=["board awake", "other"])
def test_something_else_is_connected(siemens: float) -> None:
    with pytest.raises(Fault, match="Is the resistor in place of the board") as caught:
        checks(siemens=siemens)
    assert caught.value.kind == "not_the_resistor"


def test_a_resistor_that_suits_no_range() -> None:
    with pytest.raises(UsageError, match="suits no range"):
        list(checks(Resistor(1e9, 1e-2)))


# -- the file ---------------------------------------------------------------------------------


def verification(**changes: Any) -> Verification:
    check = Check(
        full_scale_A=1e-5,
        resistance_ohm=1e6,
        resistor_accuracy=1e-3,
        read_A=2.997e-6,
        read_uncertainty_A=5e-9,
        expected_A=2.997e-6,
        expected_uncertainty_A=5e-9,
        normalised_error=changes.pop("normalised_error", 0.1),
    )
    known = {
        "meter": METER_IDENTITY,
        "taken": START - timedelta(days=10),
        "voltage_V": 3.0,
        "voltage_accuracy": 1e-3,
        "checks": (check,),
    }
    return Verification(**(known | changes))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "verified.json"


def test_what_was_saved_is_loaded(path: Path) -> None:
    save_verification(path, verification())
    assert load_verification(path) == verification()
    assert load_verification(path.with_name("other.json")) is None


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "null", '{"format": "benchrig/verification/1"}', "\xff"]
)
def test_a_damaged_file_is_not_treated_as_absent(text: str, path: Path) -> None:
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(FileProblems):
        load_verification(path)


@pytest.mark.parametrize(
    ("key", "value"),
    [("format", "benchrig/verification/2"), ("checks", []), ("taken", "yesterday"), ("more", 1)],
)
def test_a_wrong_value_is_refused(key: str, value: object, path: Path) -> None:
    save_verification(path, verification())
    path.write_text(json.dumps(json.loads(path.read_text()) | {key: value}))
    with pytest.raises(FileProblems, match="do it again"):
        load_verification(path)


@pytest.mark.parametrize(
    ("error", "fit"), [(1.0, True), (-1.0, True), (1.01, False), (-3.0, False)]
)
def test_one_is_the_most_that_agrees(error: float, fit: bool) -> None:
    assert verification(normalised_error=error).fit is fit


# -- sessions that demand one -----------------------------------------------------------------

DAY_S = 86400.0
NOT_FIT = [
    ({"taken": START - timedelta(days=31)}, "31.0 d ago"),
    ({"taken": START + timedelta(days=1)}, "after today"),
    ({"meter": "Invented Instruments,Meter 1,7,1.0"}, "of another meter"),
    ({"normalised_error": 1.2}, "found unfit"),
]
IDS = ["too old", "from the future", "another meter", "unfit"]


def demanding(path: Path | None) -> Rig:
    requires = HASTY.requires.model_copy(update={"meter_verified_within": 30 * DAY_S})
    meter = BENCH.meter.model_copy(update={"verification": None if path is None else str(path)})
    return rig(
        session=HASTY.model_copy(update={"requires": requires}),
        file=BENCH.model_copy(update={"meter": meter}),
    )


def refused(made: Rig, because: str) -> None:
    """By a fault, with the board without power and its port closed."""
    moved: list[str] = []
    made.wires["board"].before = moved.append
    result = made.run()
    assert result.verdict == "fault"
    assert result.fault is not None
    assert result.fault.kind == "meter_not_verified"
    assert because in result.fault.message
    assert moved == []
    assert made.world.simulated_board.boots == 0
    assert {row.fault.kind for row in result.states if row.fault} == {"not_reached"}


def test_a_recent_one_will_do(path: Path) -> None:
    save_verification(path, verification())
    result = demanding(path).run()
    assert result.verdict == "pass"
    (event,) = [event for event in result.events if event.kind == "verified"]
    assert "verified on 2025-12-22" in event.text


def test_only_ranges_that_were_checked_are_verified(path: Path) -> None:
    """The megohm suits the 10 uA range alone, and the board is measured on others too."""
    save_verification(path, verification())
    rows = {row.range_A: row for row in demanding(path).run().states}
    assert set(rows) == {1e-5, 1e-3, 1e-2}
    for range_A, row in rows.items():
        assert ("range_not_verified" in row.flags) is (range_A != 1e-5)
    assert "range_not_verified" not in rig(session=HASTY).run().states[0].flags


@pytest.mark.parametrize(("changes", "because"), NOT_FIT, ids=IDS)
def test_one_that_will_not_do(changes: dict[str, Any], because: str, path: Path) -> None:
    save_verification(path, verification(**changes))
    refused(demanding(path), because)


def test_none_at_all(path: Path) -> None:
    refused(demanding(path), "there is no ")
    refused(demanding(None), "the bench file names no file")
    path.write_text("{")
    refused(demanding(path), "is not the verification of a meter")


def test_a_bench_that_was_opened_before_is_looked_at_again(path: Path) -> None:
    save_verification(path, verification(taken=START - timedelta(days=29, hours=23)))
    made = demanding(path)
    made.bench.connect()
    assert run_session(made.session, made.bench).verdict == "pass"
    made.clock.sleep(DAY_S)
    result = run_session(made.session, made.bench)
    assert result.fault is not None
    assert result.fault.kind == "meter_not_verified"
    made.bench.leave()


def test_the_meter_need_not_be_asked_for_what_files_tell(path: Path) -> None:
    save_verification(path, verification(meter="another"))
    assert "verified on" in str(require_verification(str(path), 30 * DAY_S, None, START))
    with pytest.raises(Fault, match="of another meter"):
        require_verification(str(path), 30 * DAY_S, METER_IDENTITY, START)
