"""The plots of a sweep."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from matplotlib.figure import Figure

from benchrig.figures import exactly
from benchrig.pages.drawing import (
    CLAY,
    DIM,
    HONEY,
    INK,
    MOSS,
    SKY,
    SMALL,
    draw_x,
    draw_y,
    mark_y,
    panel,
)
from benchrig.pages.panel import Panel
from benchrig.pages.scales import linear
from benchrig.result import FitResidual, SweepFit, SweepPoint, SweepResult

_LOOKS = ((SKY, "o"), (CLAY, "s"), (MOSS, "^"), (HONEY, "D"), (INK, "v"), (DIM, "P"))


def draw_sweep(sweep: SweepResult) -> Figure:
    """Current over frequency, a line for each voltage; or over voltage, where no clock was set.
    The lines differ by the marks of their points, and by colour."""
    points = [point for point in sweep.points if point.row.current_A is not None]
    over_frequency = any(point.frequency_Hz is not None for point in points)
    x = _frequency if over_frequency else _voltage
    groups = sorted({point.voltage_V for point in points}) if over_frequency else [None]
    figure, into = _panel(230.0, len(groups))
    places = [x(point) for point in points]
    ends = [_ends(point) for point in points]
    # The static part is where the lines meet no frequency.
    _draw_x(into, places, over_frequency=over_frequency)
    draw_y(into, linear(min(0.0, *(low for low, _ in ends)), max(high for _, high in ends), "A"))
    for number, group in enumerate(groups):
        mine = [point for point in points if group is None or point.voltage_V == group]
        colour, mark = _LOOKS[number % len(_LOOKS)]
        _draw_points(into, x, mine, colour, mark, _label(group))
        for fit in sweep.fits:
            if (curve := _curve(fit, group, over_frequency)) is not None:
                steps = np.linspace(into.x.low, into.x.high, 60)
                style = ":" if fit.kind == "joint" else "-"
                into.plot(steps, curve(steps), style, color=colour, linewidth=1.0)
    into.legend(SMALL)
    return figure


def draw_residuals(fit: SweepFit) -> Figure:
    """What the points lie above a curve: scattered about zero where it describes the board."""
    over_frequency = fit.kind != "voltage"
    x = _frequency if over_frequency else _voltage
    groups = sorted({each.voltage_V for each in fit.residuals}) if over_frequency else [None]
    figure, into = _panel(150.0, len(groups))
    _draw_x(into, list(map(x, fit.residuals)), over_frequency=over_frequency)
    reach_A = max(abs(each.residual_A) for each in fit.residuals)
    draw_y(into, linear(-reach_A, reach_A, "A"))
    mark_y(into, 0.0, DIM)
    for number, group in enumerate(groups):
        mine = [each for each in fit.residuals if group is None or each.voltage_V == group]
        colour, mark = _LOOKS[number % len(_LOOKS)]
        heights = [each.residual_A for each in mine]
        look = {"color": colour, "markersize": 4, "clip_on": False}
        into.plot(list(map(x, mine)), heights, mark, label=_label(group), **look)
    into.legend(SMALL)
    return figure


def _panel(height: float, groups: int) -> tuple[Figure, Panel]:
    """With room for a legend of so many entries above."""
    room = 14.0 * (1 + (groups - 1) // 3)
    return panel(height + room, left=60.0, top=10.0 + room)


def _draw_x(into: Panel, places: Sequence[float], *, over_frequency: bool) -> None:
    first, unit, words = (
        (0.0, "Hz", "clock frequency") if over_frequency else (min(places), "V", "supply voltage")
    )
    draw_x(into, linear(first, max(places), unit), words)


def _label(voltage_V: float | None) -> str:
    return "measured" if voltage_V is None else exactly(voltage_V, "V")


def _frequency(point: SweepPoint | FitResidual) -> float:
    return point.frequency_Hz or 0.0


def _voltage(point: SweepPoint | FitResidual) -> float:
    return point.voltage_V


def _ends(point: SweepPoint) -> tuple[float, float]:
    current_A = point.row.current_A or 0.0
    reach = point.row.expanded_uncertainty_A or 0.0
    return current_A - reach, current_A + reach


def _draw_points(
    into: Panel,
    x: Callable[[SweepPoint], float],
    points: Sequence[SweepPoint],
    colour: str,
    mark: str,
    label: str,
) -> None:
    xs = [x(point) for point in points]
    ends = [end for point in points for end in (*_ends(point), math.nan)]
    bars = [place for place in xs for _ in range(3)]
    into.plot(bars, ends, "_-", color=colour, markersize=4, linewidth=1.0)
    currents_A = [point.row.current_A or 0.0 for point in points]
    # Whole at the edge as well.
    into.plot(xs, currents_A, mark, color=colour, markersize=4, clip_on=False, label=label)


def _curve(
    fit: SweepFit, voltage_V: float | None, over_frequency: bool
) -> Callable[[np.ndarray], np.ndarray] | None:
    """The line of a fit over the axis of the plot, if it is one of this voltage."""
    known = {each.name: each.value for each in fit.parameters}
    static_A = known.get("static", 0.0)
    if over_frequency and fit.kind == "frequency" and fit.voltage_V == voltage_V:
        return lambda frequency_Hz: static_A + known.get("per_hertz", 0.0) * frequency_Hz
    if over_frequency and fit.kind == "joint" and voltage_V is not None:
        slope = known.get("per_volt_hertz", 0.0) * voltage_V
        return lambda frequency_Hz: static_A + slope * frequency_Hz
    if not over_frequency and fit.kind == "voltage":
        return lambda voltage: static_A + known.get("per_volt", 0.0) * voltage
    return None
