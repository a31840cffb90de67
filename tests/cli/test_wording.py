"""Figures are rounded to their uncertainty; nothing hidden gets into a terminal."""

from __future__ import annotations

import math
import unicodedata

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from benchrig.cli.wording import LEVELS, Pen, duration, trend
from benchrig.figures import exactly, limits, with_uncertainty
from benchrig.harmless import harmless

NASTY = [
    ("\x1b[31mred", "\\x1b[31mred"),
    ("\x1b]0;title\x07", "\\x1b]0;title\\x07"),
    ("\x9b2J", "\\x9b2J"),
    ("a\r\nb\tc", "a\\r\\nb\\tc"),
    ("pass\u202eliaf", "pass\\u202eliaf"),
    ("\u2066x\u2069", "\\u2066x\\u2069"),
    ("a\u200bb\ufeff\u00ad", "a\\u200bb\\ufeff\\xad"),
    ("\u2028line", "\\u2028line"),
    ("\ud800", "\\ud800"),
    ("\U000e0041tag", "\\U000e0041tag"),
    ("v\ufe0f\u0338", "v\\ufe0f\\u0338"),
    ("\u3164", "\\u3164"),
    ("\xa0", "\\xa0"),
]


@pytest.mark.parametrize(("text", "shown"), NASTY)
def test_what_could_hide_is_written_out(text: str, shown: str) -> None:
    assert harmless(text) == shown


@pytest.mark.parametrize(
    "text", ["", "HS-0042 [red]x[/]", "1.2 µA ± 5 Ω", "Grün €", "秤", "Gru\u0308n"]
)
def test_ordinary_text_stays(text: str) -> None:
    assert harmless(text) == unicodedata.normalize("NFC", text)


@given(st.text())
def test_any_text_becomes_harmless(text: str) -> None:
    shown = harmless(text)
    assert harmless(shown) == shown
    assert {unicodedata.category(char) for char in shown} & {"Cc", "Cf", "Cs", "Zl", "Zp"} == set()
    shown.encode("utf-8")


@given(st.text(), st.sampled_from(["ascii", "latin-1", "cp437", "utf-8"]))
def test_a_pen_writes_what_the_output_can_encode(text: str, encoding: str) -> None:
    Pen(encoding)(text).plain.encode(encoding)


def test_ascii_has_words_for_our_signs() -> None:
    assert Pen("ascii")("(1.2 ± 0.1) µA ▁█ü").plain == "(1.2 +/- 0.1) uA .#\\xfc"
    assert Pen("latin-1")("1.2 ± 0.1 µA ü").plain == "1.2 ± 0.1 µA ü"


def test_a_pen_reads_no_markup() -> None:
    text = Pen("utf-8")("[red]x[/] :bee:")
    assert text.plain == "[red]x[/] :bee:"
    assert text.spans == []


@pytest.mark.parametrize(
    ("value", "uncertainty", "shown"),
    [
        (1.20431e-3, 1.23e-6, "(1.2043 ± 0.0012) mA"),
        (612.34e-9, 1.44e-9, "(612.3 ± 1.4) nA"),
        # Rounding carries: the uncertainty to one more place, the value to the next prefix.
        (5.0e-6, 0.0996e-6, "(5.00 ± 0.10) µA"),
        (999.96e-6, 5e-6, "(1.0000 ± 0.0050) mA"),
        (999.999e-6, 0.12e-6, "(1.00000 ± 0.00012) mA"),
        # Smaller than its uncertainty.
        (7e-9, 250e-9, "(0.01 ± 0.25) µA"),
        (-2e-12, 31e-12, "(-2 ± 31) pA"),
        (-1e-15, 31e-12, "(0 ± 31) pA"),
        (0.0, 1e-9, "(0.0 ± 1.0) nA"),
        (20.0e-6, 150e-6, "(0.02 ± 0.15) mA"),
    ],
)
def test_a_current_is_rounded_to_its_uncertainty(
    value: float, uncertainty: float, shown: str
) -> None:
    assert with_uncertainty(value, uncertainty, "A") == shown


@pytest.mark.parametrize(
    ("value", "uncertainty", "shown"),
    [
        (1966.84, 5.12, "1966.8 ± 5.1"),
        (20123.0, 450.0, "20120 ± 450"),
        (0.5, 0.012, "0.500 ± 0.012"),
    ],
)
def test_a_ratio_has_no_prefix(value: float, uncertainty: float, shown: str) -> None:
    assert with_uncertainty(value, uncertainty, "") == shown


@pytest.mark.parametrize("uncertainty", [None, 0.0, -1.0, math.nan, math.inf, 1e-300, 1e300])
def test_a_senseless_uncertainty_is_left_out(uncertainty: float | None) -> None:
    assert with_uncertainty(1.5e-3, uncertainty, "A") == "1.500 mA"


@given(
    st.floats(-1e3, 1e3),
    st.floats(1e-15, 1e3),
)
def test_the_shown_figures_are_close_to_the_true_ones(value: float, uncertainty: float) -> None:
    shown = with_uncertainty(value, uncertainty, "A")
    if "±" not in shown:
        assert abs(value) >= 1e9 * uncertainty
        return
    powers = {"f": -15, "p": -12, "n": -9, "µ": -6, "m": -3, "k": 3}
    pair, _, unit = shown[1:].partition(") ")
    first, second = (float(word) * 10.0 ** powers.get(unit[0], 0) for word in pair.split(" ± "))
    # Two digits: half of the last is 5 % of the uncertainty at most.
    assert second == pytest.approx(uncertainty, rel=0.051)
    assert first == pytest.approx(value, abs=0.051 * uncertainty, rel=1e-9)


@pytest.mark.parametrize(
    ("low", "high", "shown"),
    [
        (0.9e-3, 1.5e-3, "900 µA to 1.5 mA"),
        (None, 32e-6, "max 32 µA"),
        (0.0, None, "min 0 A"),
        (-2e-3, 30.0, "-2 mA to 30 A"),
        (None, None, "none"),
    ],
)
def test_limits(low: float | None, high: float | None, shown: str) -> None:
    assert limits(low, high, "A") == shown


def test_a_bare_limit_has_no_prefix() -> None:
    assert [exactly(value, "") for value in (1000.0, 0.25, 2e6)] == ["1000", "0.25", "2000000"]


@pytest.mark.parametrize(
    ("seconds", "shown"),
    [(0.2, "0 s"), (59.4, "59 s"), (59.6, "1 min 0 s"), (200, "3 min 20 s"), (7500, "2 h 5 min")],
)
def test_durations(seconds: float, shown: str) -> None:
    assert duration(seconds) == shown


def test_a_decay_over_five_decades_falls_over_the_whole_height() -> None:
    marks = trend([10.0 ** -(2 + step * 5 / 7) for step in range(8)], 20)
    assert marks == LEVELS[::-1]


def test_below_five_decades_all_is_the_same() -> None:
    assert trend([1e-2, 1e-9, 0.0, -1e-3], 10) == "█▁▁▁"


@pytest.mark.parametrize("level_A", [0.0, 1e-3, -1e-3])
def test_equal_values_are_flat(level_A: float) -> None:
    assert trend([level_A] * 5, 10) == "▁▁▁▁▁"


def test_small_noise_is_flat() -> None:
    assert trend([1.0, 1.001, 0.999, 1.002], 10) == "▁▁▁▁"


def test_what_is_no_value_is_marked_and_does_not_count() -> None:
    assert trend([math.inf, 2.0, math.nan, 1.0, -math.inf], 10) == "^█?▁^"
    assert trend([math.inf, math.nan], 10) == "^?"
    assert trend([], 10) == ""


def test_only_the_newest_are_shown() -> None:
    assert trend([100.0, 2.0, 1.0], 2) == "█▁"


@given(st.lists(st.floats(allow_nan=True, allow_infinity=True)), st.integers(1, 30))
@example([0.0, 5e-324], 2)
def test_any_trend_can_be_drawn(points: list[float], width: int) -> None:
    marks = trend(points, width)
    assert len(marks) == min(len(points), width)
    assert set(marks) <= set(LEVELS + "^?")
