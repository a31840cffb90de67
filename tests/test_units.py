from __future__ import annotations

import math
from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.units import EXAMPLES, format_quantity, parse_quantity, parse_toleranced


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("1.2 uA", "A", 1.2e-6),
        ("1.2 \u00b5A", "A", 1.2e-6),  # the micro sign
        ("1.2 \u03bcA", "A", 1.2e-6),  # the Greek letter
        ("1.2uA", "A", 1.2e-6),
        ("  30 pA ", "A", 30e-12),
        ("1\u00a0mA", "A", 1e-3),  # a no-break space
        ("-4 nA", "A", -4e-9),
        ("1 aA", "A", 1e-18),
        ("1 fA", "A", 1e-15),
        ("1 GHz", "Hz", 1e9),
        ("1 THz", "Hz", 1e12),
        ("\u22124 nA", "A", -4e-9),  # the typographic minus
        ("+4 nA", "A", 4e-9),
        (".5 A", "A", 0.5),
        ("5. A", "A", 5.0),
        ("1e-3 A", "A", 1e-3),
        ("2.5E-3 mA", "A", 2.5e-6),
        ("0 A", "A", 0.0),
        ("3.3 V", "V", 3.3),
        ("500 ms", "s", 0.5),
        ("2 min", "s", 120.0),
        ("2min", "s", 120.0),
        ("1.5 h", "s", 5400.0),
        ("1 d", "s", 86400.0),
        ("60 Hz", "Hz", 60.0),
        ("4 MHz", "Hz", 4e6),
        ("47 uF", "F", 47e-6),
        ("100 ohm", "Ω", 100.0),
        ("100 Ohm", "Ω", 100.0),
        ("100 ohms", "Ω", 100.0),
        ("1 kohm", "Ω", 1e3),
        ("5 m\u03a9", "Ω", 5e-3),  # the Greek letter
        ("5 m\u2126", "Ω", 5e-3),  # the ohm sign
        ("2 MΩ", "Ω", 2e6),
        ("5 %", "%", 0.05),
        ("0.025%", "%", 0.00025),
        ("25 °C", "°C", 25.0),
        ("60 uA/V", "A/V", 60e-6),
        ("12 uC", "C", 12e-6),
        ("220 mAh", "C", 792.0),
        ("1 Ah", "C", 3600.0),
        ("10 years", "s", 315_576_000.0),
        ("1 year", "s", 31_557_600.0),
        ("2 a", "s", 63_115_200.0),
        ("4 /s", "1/s", 4.0),
        ("4 1/min", "1/s", 4 / 60),
        ("90 /h", "1/s", 0.025),
    ],
)
def test_a_number_with_its_unit_is_read(text: str, unit: str, value: float) -> None:
    assert parse_quantity(text, unit) == value  # the float nearest to what is written


@pytest.mark.parametrize(
    ("text", "unit", "part"),
    [
        ("5 Ah", "A", "is in Ah, not in A"),
        ("5 aAh", "Hz", "is in aAh, not in Hz"),
        ("5 h", "C", "is in h, not in C"),
        ("1.2", "A", "has no unit"),
        ("1.2 u", "A", "is in u, not in A"),
        ("1 m", "s", "is in m, not in s"),
        ("5 V", "A", "is in V, not in A"),
        ("5 mAh", "A", "is in mAh, not in A"),
        ("1 ua", "A", "is in ua, not in A"),
        ("1 A", "%", "is in A, not in %"),
        ("1 m%", "%", "is in m%, not in %"),
        ("100 ppm", "%", "is in ppm, not in %"),
        ("1 kmin", "s", "is in kmin, not in s"),
        ("1,5 mA", "A", "a decimal point, not a comma"),
        ("1,500 mA", "A", "a decimal point, not a comma"),
        ("1_000 A", "A", "is not a quantity"),
        ("10\u2076 A", "A", "is not a quantity"),  # a superscript is not a digit
        ("nan A", "A", "is not a quantity"),
        ("inf A", "A", "is not a quantity"),
        ("1e308 GA", "A", "is not a finite number"),
        ("9" * 400 + " A", "A", "is not a finite number"),
        ("1e99999999999999999999 A", "A", "is not a quantity"),
        ("0x10 A", "A", "is not a quantity"),
        ("1 m A", "A", "is not a quantity"),
        ("x = 5 A", "A", "is not a quantity"),
        ("mA", "A", "is not a quantity"),
        ("", "A", "is not a quantity"),
        (5, "A", "5 has no unit"),
        (5.5, "s", "5.5 has no unit"),
        (True, "A", "must be a quantity"),
        (None, "A", "must be a quantity"),
        (["1 A"], "A", "must be a quantity"),
    ],
)
def test_anything_else_is_refused_with_an_example(text: object, unit: str, part: str) -> None:
    with pytest.raises(ValueError, match="write a number with its unit") as caught:
        parse_quantity(text, unit)  # type: ignore[arg-type]
    assert part in str(caught.value)
    assert EXAMPLES[unit] in str(caught.value)


@pytest.mark.parametrize(
    ("text", "unit", "value", "within"),
    [
        ("12 uC +- 1 uC", "C", 12e-6, 1e-6),
        ("12 uC ± 1 uC", "C", 12e-6, 1e-6),
        ("220 mAh+-5 %", "C", 792.0, 39.6),
        ("-2 mA +- 10 %", "A", -2e-3, 0.2e-3),
        ("5 s", "s", 5.0, 0.0),
        # A share is stated in % itself.
        ("5 % +- 1 %", "%", 0.05, 0.01),
    ],
)
def test_a_tolerance_is_read(text: str, unit: str, value: float, within: float) -> None:
    found = parse_toleranced(text, unit)
    assert (found.value, found.within) == pytest.approx((value, within), rel=1e-12)


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("5 s +- -1 s", "has a negative tolerance"),
        ("5 s +-", "is not a quantity"),
        ("5 s +- 1 A", "is in A, not in s"),
        ("+- 1 s", "is not a quantity"),
        (5, "5 has no unit"),
    ],
)
def test_anything_else_is_no_tolerance(text: object, part: str) -> None:
    with pytest.raises(ValueError, match=part):
        parse_toleranced(text, "s")  # type: ignore[arg-type]


@pytest.mark.parametrize("unit", EXAMPLES)
def test_the_examples_are_right_themselves(unit: str) -> None:
    assert parse_quantity(EXAMPLES[unit], unit) > 0


@pytest.mark.parametrize(
    ("value", "unit", "digits", "text"),
    [
        (1.2344e-6, "A", 4, "1.234 \u00b5A"),
        (1.2344e-6, "A", 2, "1.2 \u00b5A"),
        (999.96e-9, "A", 4, "1.000 \u00b5A"),
        (0.0, "A", 4, "0.000 A"),
        (-3e-9, "A", 3, "-3.00 nA"),
        (25.0, "V", 4, "25.00 V"),
        (1e4, "Ω", 3, "10.0 kΩ"),
        (0.05, "%", 3, "5.00 %"),
        (math.nan, "A", 4, "nan A"),
        (-math.inf, "A", 4, "-inf A"),
    ],
)
def test_a_value_is_shown_with_a_prefix(value: float, unit: str, digits: int, text: str) -> None:
    assert format_quantity(value, unit, digits) == text


@settings(deadline=None)
@given(
    st.floats(1e-30, 1e30) | st.floats(-1e30, -1e-30) | st.just(0.0),
    st.sampled_from(sorted(EXAMPLES)),
    st.integers(2, 12),
)
def test_what_is_shown_reads_as_what_it_was(value: float, unit: str, digits: int) -> None:
    shown = format_quantity(value, unit, digits)
    # Half a unit in the last of the digits, at worst where the first of them is a 1.
    tolerance = 0.500001 * 10.0 ** (1 - digits)
    assert parse_quantity(shown, unit) == pytest.approx(value, rel=tolerance), shown


@settings(deadline=None)
@given(st.text())
def test_no_text_raises_anything_but_a_value_error(text: str) -> None:
    for unit in EXAMPLES:
        with suppress(ValueError):
            assert math.isfinite(parse_quantity(text, unit))


@settings(deadline=None)
@given(st.from_regex(r"-?[0-9]{1,6}(\.[0-9]{1,6})?", fullmatch=True))
def test_a_number_is_read_as_python_reads_it(number: str) -> None:
    assert parse_quantity(f"{number} V", "V") == float(number)
    assert parse_quantity(f"{number} uA", "A") == float(f"{number}e-6")
