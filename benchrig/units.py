"""SI quantities, in and out. Inside benchrig a quantity is a float in the base unit, with the
unit in its name (``current_A``); in files and on screens it has an SI prefix."""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache

from quantiphy import Quantity

EXAMPLES = {
    "A": "1.2 uA",
    "V": "3.0 V",
    "s": "500 ms",
    "Hz": "50 Hz",
    "F": "47 uF",
    "Ω": "100 ohm",
    "%": "1 %",
    "A/V": "30 uA/V",
    "°C": "23 °C",
    "C": "12 uC",
}
YEAR_S = 31_557_600
"""A year of 365.25 d (the Julian year; IAU style manual, from memory)."""
_TIME_UNITS = {"min": Decimal(60), "h": Decimal(3600), "d": Decimal(86400)}
_TIME_UNITS |= dict.fromkeys(("a", "year", "years"), Decimal(YEAR_S))
_SPELLINGS = {"Ω": ("Ω", "ohms", "ohm", "Ohm")}
# Both code points for micro: U+00B5, the sign on keyboards, and U+03BC, the Greek letter.
_EXPONENTS = {"a": -18, "f": -15, "p": -12, "n": -9, "u": -6, "\u00b5": -6, "\u03bc": -6, "m": -3}
_EXPONENTS |= {"": 0, "k": 3, "M": 6, "G": 9, "T": 12}
# Strict on purpose: a comma is a decimal mark to one reader and groups digits for the next.
_QUANTITY = re.compile(r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?)\s*(\S*)")


def parse_quantity(text: str, unit: str) -> float:
    """The value of `text` in `unit`: ``parse_quantity("1.2 uA", "A")`` is 1.2e-6.

    `unit` is ``"A"``, ``"V"``, ``"s"``, ``"Hz"``, ``"F"``, ``"Ω"``, ``"A/V"``, ``"C"``, ``"1/s"``,
    or ``"%"`` for a share: ``"5 %"`` is 0.05.
    Durations may also be in min, h, d or years, rates per any of these (``"4 /h"``), and charges
    in Ah; Ω may be spelled ohm.
    Raises `ValueError` with a sentence that says what would be right.
    """
    example = f"write a number with its unit, like {EXAMPLES.get(unit, '1 ' + unit)!r}"
    if isinstance(text, int | float) and not isinstance(text, bool):
        raise ValueError(f"{text} has no unit: {example}, in quotes")
    if not isinstance(text, str):
        raise ValueError(f"must be a quantity: {example}, in quotes")
    # NFC makes the ohm sign U+2126 the Greek letter; U+2212 is the typographic minus.
    found = _QUANTITY.fullmatch(unicodedata.normalize("NFC", text).replace("\u2212", "-").strip())
    if found is None:
        hint = "a decimal point, not a comma; " if "," in text else ""
        raise ValueError(f"{text!r} is not a quantity: {hint}{example}")
    number, symbol = found.groups()
    if not symbol:
        raise ValueError(f"{text!r} has no unit: {example}")
    factor = _factor(symbol, unit)
    if factor is None:
        raise ValueError(f"{text!r} is in {symbol}, not in {unit}: {example}")
    value = float(Decimal(number) * factor)
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is not a finite number: {example}")
    return value


def _factor(symbol: str, unit: str) -> Decimal | None:
    """What one `symbol` is in `unit`; a decimal, so that 0.1 uA is the float nearest to it."""
    if unit == "%":
        return Decimal("0.01") if symbol == "%" else None
    if unit == "1/s":
        return _per_time(symbol)
    if unit == "C" and symbol.endswith("Ah"):
        scale = _factor(symbol.removesuffix("h"), "A")
        return None if scale is None else 3600 * scale
    if unit == "s" and symbol in _TIME_UNITS:
        return _TIME_UNITS[symbol]
    for spelling in _SPELLINGS.get(unit, (unit,)):
        exponent = _EXPONENTS.get(symbol.removesuffix(spelling))
        if symbol.endswith(spelling) and exponent is not None:
            return Decimal(1).scaleb(exponent)
    return None


def _per_time(symbol: str) -> Decimal | None:
    if not symbol.startswith(("/", "1/")):
        return None
    time = _factor(symbol.partition("/")[2], "s")
    return None if time is None else 1 / time


@dataclass(frozen=True)
class Toleranced:
    """A quantity and how far it may be from that, both in one unit; 0 where nothing was said."""

    value: float
    within: float = 0.0


def parse_toleranced(text: str, unit: str) -> Toleranced:
    """``"12 uC +- 1 uC"``, ``"5 s +- 10 %"`` or ``"5 s"``; ``±`` for ``+-``. A tolerance in % is
    one of the value, unless the value itself is a share. Raises `ValueError` as `parse_quantity`
    does, and for a negative tolerance."""
    if not isinstance(text, str):
        return Toleranced(parse_quantity(text, unit))  # raises, and says what would be right
    number, sign, tolerance = text.replace("±", "+-").partition("+-")
    value = parse_quantity(number, unit)
    if not sign:
        return Toleranced(value)
    relative = unit != "%" and tolerance.strip().endswith("%")
    within = parse_quantity(tolerance, "%" if relative else unit)
    if within < 0.0:
        raise ValueError(f"{text!r} has a negative tolerance")
    return Toleranced(value, within * abs(value) if relative else within)


class _Shown(Quantity):
    """Rendered with µ, not u."""

    map_sf = staticmethod(Quantity.map_sf_to_greek)


@lru_cache(maxsize=256)
def format_quantity(value: float, unit: str, digits: int = 4) -> str:
    """`value` with an SI prefix and `digits` significant digits: ``"1.234 µA"``."""
    if not math.isfinite(value):
        return f"{value} {unit}"
    if unit == "%":
        return f"{100 * value:#.{digits}g} %"
    return _Shown(value, unit).render(prec=digits - 1, strip_zeros=False)
