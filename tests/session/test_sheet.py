from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from benchrig.session import MeterSheet, load_sheet
from benchrig.session.toml_file import parse_toml
from tests.session.good_files import SHEET
from tests.session.mistakes import check_marked, only_problem

FIXTURES = Path(__file__).parents[2] / "fixtures"


def read(text: str = SHEET) -> MeterSheet:
    return parse_toml(text, "good.toml", MeterSheet)


def spoilt(old: str, new: str) -> str:
    assert old in SHEET
    return SHEET.replace(old, new, 1)


@pytest.mark.parametrize("name", ["meter-6-digit.toml", "meter-4-digit.toml"])
def test_the_examples_are_good(name: str) -> None:
    sheet = load_sheet(FIXTURES / name)
    assert sheet == load_sheet(FIXTURES / name)
    for entry in sheet.ranges:
        # One count is finer than the accuracy that the range claims.
        assert entry.count_A(10) < entry.offset_accuracy * entry.full_scale
        assert entry.overload_A >= entry.full_scale


def test_values_are_in_base_units() -> None:
    low, high = read().ranges
    assert (low.full_scale, low.gain_accuracy, low.offset_accuracy) == (10e-6, 0.0005, 0.00025)
    assert (low.noise, low.settling) == (60e-12, 0.06)
    assert (high.noise, high.settling) == (None, None)


def test_a_range_has_a_shunt_in_either_spelling() -> None:
    low, high = read().ranges
    assert low.shunt_ohm == 1000.0
    assert high.shunt_ohm == pytest.approx(200.0)  # 20 mV at 100 uA


def test_an_overload_is_at_full_scale_unless_said_otherwise() -> None:
    low, high = read().ranges
    assert (low.overload_A, high.overload_A) == (12e-6, 100e-6)


def test_a_range_settles_as_the_meter_does_unless_said_otherwise() -> None:
    sheet = read()
    assert [sheet.settling_s(entry) for entry in sheet.ranges] == [0.06, 0.02]


@pytest.mark.parametrize(
    ("nplc", "count_A"),
    [
        (0.001, 1e-9),  # shorter than any listed: as the shortest
        (0.02, 1e-9),
        (0.02 * (1 - 1e-6), 1e-9),  # as a meter reports it back
        (0.5, 1e-9),  # between two: as the shorter, which is coarser
        (0.99, 1e-9),
        (1.0 - 1e-6, 30e-12),
        (1, 30e-12),
        (5, 30e-12),
        (10, 10e-12),
        (1000, 10e-12),
    ],
)
def test_a_count_is_that_of_the_next_shorter_aperture(nplc: float, count_A: float) -> None:
    assert read().ranges[0].count_A(nplc) == count_A  # in whichever order they are listed


@settings(deadline=None)
@given(st.floats(1e-4, 1e4), st.floats(1e-4, 1e4))
def test_a_longer_aperture_never_has_a_coarser_count(one: float, other: float) -> None:
    for entry in SHEETS[0].ranges + SHEETS[1].ranges:
        assert entry.count_A(max(one, other)) <= entry.count_A(min(one, other))


SHEETS = [load_sheet(FIXTURES / f"meter-{digits}-digit.toml") for digits in (4, 6)]


def test_it_is_frozen() -> None:
    sheet = read()
    for table in (sheet, sheet.ranges[0], sheet.ranges[0].resolution[0]):
        for key in type(table).model_fields:
            with pytest.raises(ValidationError, match="frozen"):
                setattr(table, key, None)


WARM = spoilt(
    'settling = "20 ms"',
    'reference_temperature = "25 °C"\nreference_band = "1 °C"\nsettling = "20 ms"',
).replace('noise = "60 pA"', 'gain_per_kelvin = "0.005 %"\noffset_per_kelvin = "0.001 %"')


def test_temperature_is_optional_and_a_sheet_without_it_is_at_23_degrees() -> None:
    sheet = read()
    assert (sheet.reference_temperature, sheet.reference_band) == (23.0, 5.0)
    assert {entry.gain_per_kelvin for entry in sheet.ranges} == {None}
    assert {entry.offset_per_kelvin for entry in sheet.ranges} == {None}


def test_temperature_coefficients_are_shares_per_kelvin() -> None:
    sheet = read(WARM)
    assert (sheet.reference_temperature, sheet.reference_band) == (25.0, 1.0)
    low, high = sheet.ranges
    assert (low.gain_per_kelvin, low.offset_per_kelvin) == (5e-5, 1e-5)
    assert (high.gain_per_kelvin, high.offset_per_kelvin) == (None, None)


@pytest.mark.parametrize(
    ("old", "new", "key", "says"),
    [
        ('"25 °C"', '"25 C"', "reference_temperature", "is in C, not in °C"),
        ('"25 °C"', '"-300 °C"', "reference_temperature", "must be above -273.15"),
        ('"1 °C"', '"-1 °C"', "reference_band", "must not be negative"),
        ('"0.005 %"', '"50 ppm"', "ranges[1].gain_per_kelvin", "is in ppm, not in %"),
        ('"0.001 %"', '"-1 %"', "ranges[1].offset_per_kelvin", "must not be negative"),
    ],
)
def test_a_wrong_temperature_is_told(old: str, new: str, key: str, says: str) -> None:
    assert old in WARM
    found = only_problem(WARM.replace(old, new, 1), MeterSheet)
    assert found[1] == key
    assert says in found[2]


MANY = """format = "benchrig/meter-sheet/1"
name = ""                       #! name: must not be empty
accuracy_is = "k=2"             #! accuracy_is: 'limits' or 'expanded'
fastest_nplc = 0                #! fastest_nplc: is 0; it must be above 0
settling = "-20 ms"             #! settling: must not be negative
range_change_interrupt = true   #! range_change_interrupt: did you mean 'range_change_interrupts'?

[[ranges]]                      #! ranges[1].shunt: give shunt or burden_voltage
full_scale = "1 mA"
measures_to = "0.9 mA"          #! ranges[1].measures_to: must not be below full_scale, 1.000 mA
gain_accuracy = 0.05            #! ranges[1].gain_accuracy: 0.05 has no unit
offset_accuracy = "100 ppm"     #! ranges[1].offset_accuracy: is in ppm, not in %
resolution = []                 #! ranges[1].resolution: must hold 1 or more

[[ranges]]
full_scale = "100 uA"           #! ranges[2].full_scale: 100.0 µA is not above the range before it
shunt = "100 Ohms"              #! ranges[2].shunt: is in Ohms, not in Ω
burden_voltage = "10 mV"        #! ranges[2].burden_voltage: does not go with shunt
gain_accuracy = "0.05 %"
noise = "0 A"                   #! ranges[2].noise: must be above zero
offset_accuracy = "0.02 %"
resolution = [
    { nplc = 1, count = "30 pA" },
    { nplc = 1.0, count = "3 pA" }, #! ranges[2].resolution[2].nplc: 1 is listed twice
    { nplc = "10", count = 5 }, #! ranges[2].resolution[3].nplc: a number #! ranges[2].resolution[3].count: 5 has no unit
    { nplc = inf },             #! ranges[2].resolution[4].nplc: a finite number #! ranges[2].resolution[4].count: add count = "1.2 uA", say
    "1 nA",                     #! ranges[2].resolution[5]: must be a table
]

[[ranges]]                      #! ranges[3].full_scale: is missing #! ranges[3].gain_accuracy: add gain_accuracy = "1 %", say
shunt = "1 ohm"
offset_accuracy = "0.01 %"
resolution = [{ nplc = 1, count = "1 uA" }]
"""  # noqa: E501


def test_a_sheet_full_of_mistakes_brings_one_message_for_each() -> None:
    check_marked(MANY, MeterSheet)


def test_the_same_range_twice_is_refused() -> None:
    _, key, message = only_problem(spoilt('"100 uA"', '"10 uA"'), MeterSheet)
    assert key == "ranges[2].full_scale"
    assert "list each range once, the lowest first" in message


def test_a_meter_without_burden_may_say_so() -> None:
    assert read(spoilt('shunt = "1 kohm"', 'shunt = "0 ohm"')).ranges[0].shunt_ohm == 0.0


def test_no_ranges_are_told() -> None:
    text = SHEET[: SHEET.index("[[ranges]]")]
    assert only_problem(text, MeterSheet) == (1, "ranges", "is missing: add a table [[ranges]]")
