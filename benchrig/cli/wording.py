"""Words and figures for the screen: made harmless, rounded to their uncertainty, with SI prefixes.

All text that goes to a terminal passes through a `Pen`. Serial numbers, replies and messages come
from boards and meters, and could hold anything.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence

from rich.text import Text

from benchrig.harmless import harmless

VERDICT_STYLES = {
    "pass": "green",
    "fail": "bold red",
    "undecided": "yellow",
    "fault": "bold magenta",
}

LEVELS = "▁▂▃▄▅▆▇█"
OVERLOAD_MARK, NO_NUMBER_MARK = "^", "?"
# A trend covers no more decades than this below its highest point ...
_DECADES = 5.0
# ... and stays flat while its points differ by less than this share: else noise looks unsettled.
_FLAT = 0.05

_IN_ASCII = str.maketrans(
    dict(zip(LEVELS, ".:-=+*%#", strict=True))
    | {"±": "+/-", "µ": "u", "Ω": "ohm", "░": "."}
    | {"✓": "+", "✗": "x", "∞": "inf"}
)


class Pen:
    """Writes texts for an output in `encoding`: harmless, and without what it cannot encode."""

    def __init__(self, encoding: str) -> None:
        self._encoding = encoding

    def __call__(self, words: str, style: str = "") -> Text:
        return Text(self._fitting(harmless(words)), style)

    def _fitting(self, words: str) -> str:
        try:
            words.encode(self._encoding)
        except UnicodeEncodeError:
            plain = words.translate(_IN_ASCII)
            return plain.encode(self._encoding, "backslashreplace").decode(self._encoding)
        return words


def duration(seconds: float) -> str:
    """A time for people, in whole seconds or minutes: ``"3 min 20 s"``."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{whole // 3600} h {whole % 3600 // 60} min"


def trend(points: Sequence[float], width: int) -> str:
    """The last `width` of some points as a row of bars, the newest on the right.

    Logarithmic over five decades; where no point is positive, linear. Infinity is an overload,
    NaN no number; both are marked and don't count for the scale.
    """
    shown = points[max(len(points) - width, 0) :]
    finite = [point for point in shown if math.isfinite(point)]
    if not finite:
        return "".join(_mark(point, 0.0, 1.0) for point in shown)
    top = max(finite)
    if top > 0:
        least = max(top * 10.0**-_DECADES, sys.float_info.min)
        heights = [
            math.log(max(point, least)) if math.isfinite(point) else point for point in shown
        ]
        flat = math.log1p(_FLAT)
    else:
        heights, flat = list(shown), _FLAT * abs(min(finite))
    lowest = min(height for height in heights if math.isfinite(height))
    highest = max(height for height in heights if math.isfinite(height))
    return "".join(_mark(height, lowest, max(highest - lowest, flat)) for height in heights)


def _mark(height: float, lowest: float, span: float) -> str:
    if math.isnan(height):
        return NO_NUMBER_MARK
    if math.isinf(height):
        return OVERLOAD_MARK
    share = (height - lowest) / span if span > 0 else 0.0
    return LEVELS[round(share * (len(LEVELS) - 1))]
