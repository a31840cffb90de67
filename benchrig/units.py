"""SI quantities, in and out. Inside benchrig a quantity is a float in the base unit, with the
unit in its name (``current_A``); in files and on screens it has an SI prefix."""

from __future__ import annotations

import math

from quantiphy import QuantiPhyError, Quantity

_TIME_UNITS = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}
_EXAMPLES = {
    "A": "1.2 uA",
    "V": "3.0 V",
    "s": "500 ms",
    "Hz": "50 Hz",
    "F": "47 uF",
    "Ω": "100 ohm",
    "%": "1 %",
}
_SPELLED = {"ohm": "Ω", "Ohm": "Ω", "ohms": "Ω"}


def parse_quantity(text: str, unit: str) -> float:
    """The value of `text` in `unit`: ``parse_quantity("1.2 uA", "A")`` is 1.2e-6.

    `unit` is ``"A"``, ``"V"``, ``"s"``, ``"Hz"``, ``"F"``, ``"Ω"``, or ``"%"`` for a share:
    ``"5 %"`` is 0.05.
    Durations may also be in min, h or d; Ω may be spelled ohm.
    Raises `ValueError` with a sentence that says what would be right.
    """
    example = f"write a number with its unit, like {_EXAMPLES.get(unit, '1 ' + unit)!r}"
    if not isinstance(text, str):
        raise ValueError(f"has no unit: {example}")
    words = text.replace("\u2009", " ").strip()
    number, _, last = words.rpartition(" ")
    if unit == "s" and last in _TIME_UNITS and number:
        words, factor = number + " s", _TIME_UNITS[last]
    else:
        factor = 1.0
    for spelled, sign in _SPELLED.items():
        if words.endswith(spelled):
            words = words[: -len(spelled)] + sign
            break
    try:
        quantity = Quantity(words)
    except QuantiPhyError:
        raise ValueError(f"{text!r} is not a quantity: {example}") from None
    if not quantity.units:
        raise ValueError(f"{text!r} has no unit: {example}")
    if quantity.units != unit:
        raise ValueError(f"{text!r} is in {quantity.units}, not in {unit}: {example}")
    value = float(quantity) * factor
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is not a finite number: {example}")
    return value / 100.0 if unit == "%" else value


class _Shown(Quantity):
    """Rendered with µ, not u."""

    map_sf = staticmethod(Quantity.map_sf_to_greek)


def format_quantity(value: float, unit: str, digits: int = 4) -> str:
    """`value` with an SI prefix and `digits` significant digits: ``"1.234 µA"``."""
    if not math.isfinite(value):
        return f"{value} {unit}"
    return _Shown(value, unit).render(prec=digits - 1, strip_zeros=False)
