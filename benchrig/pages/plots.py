"""The plots of one result, or of several beside each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from benchrig.figures import with_uncertainty
from benchrig.pages.document import SIGNS
from benchrig.pages.drawing import (
    CLAY,
    DIM,
    HONEY,
    INK,
    MOSS,
    NORMAL,
    SKY,
    SMALL,
    VERDICT_COLOURS,
    draw_x,
    draw_y,
    mark_x,
    mark_y,
    panel,
    shade_x,
    shortened,
    thinned,
    write,
)
from benchrig.pages.measured import Curve
from benchrig.pages.panel import Panel
from benchrig.pages.scales import Scale, decades, linear, log_or_linear
from benchrig.result import SessionResult, StateResult
from benchrig.units import format_quantity

ROW = 34.0
LEAST_DECADES = 5
LONGEST_NAME = 40


@dataclass(frozen=True)
class Line:
    """One row of a chart of currents in A: a value with an interval, or only the interval; what
    is allowed, from `low_A` to `high_A`; and, where there is nothing to draw, why."""

    name: str
    verdict: str
    value_A: float | None = None
    uncertainty_A: float | None = None
    bounds_A: tuple[float | None, float | None] = (None, None)
    low_A: float | None = None
    high_A: float | None = None
    words: str = ""


def line_of(row: StateResult, name: str = "") -> Line:
    return Line(
        name or row.name,
        row.verdict,
        row.current_A,
        row.expanded_uncertainty_A,
        (row.lower_bound_A, row.upper_bound_A),
        row.limit_min_A,
        row.limit_max_A,
        "" if row.fault is None else row.fault.kind,
    )


def draw_currents(lines: Sequence[Line], least_decades: int = LEAST_DECADES) -> Figure:
    """Currents over their decades with limits and uncertainty, a row for each. Where fewer than
    one are enough and no more are asked for, the scale is linear."""
    figure, into = panel(ROW * len(lines) + 40.0, left=22.0, top=6.0)
    low_A, high_A = _span(lines)
    if least_decades == 0 and high_A < 10.0 * low_A:
        scale = linear(low_A, high_A, "A")
    else:
        scale = decades(min(low_A, high_A / 10.0**least_decades), high_A, "A")
    draw_x(into, scale, f"supply current ({scale.kind} scale)")
    into.y = Scale("linear", len(lines) - 0.5, -0.5, ())
    for place, line in enumerate(lines):
        _draw_line(into, place, line, scale.low, scale.high)
    return figure


def _span(lines: Sequence[Line]) -> tuple[float, float]:
    """All that is above zero, and some room."""
    known = [
        value
        for line in lines
        for value in (line.value_A, *line.bounds_A, line.low_A, line.high_A)
        if value is not None and value > 0.0
    ] or [1e-6]
    return 0.9 * min(known), 1.1 * max(known)


def _draw_line(into: Panel, place: int, line: Line, low_A: float, high_A: float) -> None:
    colour = VERDICT_COLOURS[line.verdict]
    y = place + 0.22
    _draw_allowed(into, y, line, low_A, high_A)
    sign = f"{SIGNS[line.verdict]} {line.verdict}"
    above: dict[str, Any] = {
        "transform": into.by_y,
        "fontsize": NORMAL,
        "va": "center",
    }
    write(into, 0.0, place - 0.26, shortened(line.name, LONGEST_NAME), color=INK, **above)
    write(into, 1.0, place - 0.26, sign, color=colour, ha="right", **above)
    value, (lower, upper) = line.value_A, line.bounds_A
    if value is not None and value > 0.0:
        reach = line.uncertainty_A or 0.0
        ends = [max(value - reach, low_A), min(value + reach, high_A)]
        into.plot(ends, [y, y], "|-", color=INK, linewidth=2.0, markersize=9, markeredgewidth=1.2)
        into.plot([value], [y], "o", color=colour, markersize=4.5, markeredgecolor=INK)
    elif value is not None:
        shown = with_uncertainty(value, line.uncertainty_A, "A")
        into.plot([low_A], [y], "<", color=colour, markersize=6, clip_on=False)
        write(into, 0.03, y, f"{shown}: not on this scale", color=INK, **_small(into))
    elif upper is not None and upper > 0.0:
        into.plot([max(lower or low_A, low_A), upper], [y, y], color=colour, linewidth=3.0)
    elif lower is not None and lower > 0.0:
        into.plot([lower, high_A], [y, y], color=colour, linewidth=3.0)
        into.plot([high_A], [y], ">", color=colour, markersize=6, clip_on=False)
    else:
        words = shortened(line.words or "no current", LONGEST_NAME)
        write(into, 0.03, y, words, color=DIM, **_small(into))


def _small(into: Panel) -> dict[str, Any]:
    return {"transform": into.by_y, "fontsize": SMALL, "va": "center"}


def _draw_allowed(into: Panel, y: float, line: Line, low_A: float, high_A: float) -> None:
    if line.low_A is None and line.high_A is None:
        return
    start = low_A if line.low_A is None else max(line.low_A, low_A)
    end = high_A if line.high_A is None else max(line.high_A, low_A)
    into.plot([start, end], [y, y], color=SKY, linewidth=9, alpha=0.22, solid_capstyle="butt")
    limits = [limit for limit in (line.low_A, line.high_A) if limit is not None and limit > 0.0]
    into.plot(limits, [y] * len(limits), "|", color=SKY, markersize=14, markeredgewidth=1.6)


def draw_settling(curve: Curve, row: StateResult) -> Figure:
    """All readings over the time since the state was entered; the averaged part is marked."""
    figure, into = panel(190.0, left=60.0, top=20.0)
    middle, low, mean, high = thinned(curve.times_s, curve.currents_A)
    marks = [m for m in (row.current_A, row.limit_max_A, row.limit_min_A) if m is not None]
    near = [m for m in marks if float(np.min(low)) / 3 < m < 3 * float(np.max(high))]
    lowest_A, highest_A = _reach(low, high, near)
    room_A = 0.02 * (highest_A - lowest_A)  # so that a limit is not on the edge
    positive = row.current_A is None or row.current_A > 0.0
    scale = (log_or_linear if positive else linear)(lowest_A, highest_A + room_A, "A")
    draw_y(into, scale)
    if scale.kind == "log":
        low, mean, high = (np.maximum(each, scale.low) for each in (low, mean, high))
    start_s = float(middle[0])
    end_s = max(float(curve.times_s[-1]), 1.01 * start_s)
    draw_x(into, log_or_linear(start_s, end_s, "s", snug=True), "time since the command")
    into.fill(middle, low, high, color=SKY, alpha=0.3)
    into.plot(middle, mean, color=SKY, linewidth=1.2)
    _mark_averaged(into, row)
    for limit in (row.limit_min_A, row.limit_max_A):
        if limit is not None and limit in near:
            mark_y(into, limit, CLAY)
    return figure


def _reach(low: np.ndarray, high: np.ndarray, marks: Sequence[float]) -> tuple[float, float]:
    highest = max([float(np.max(high)), *marks])
    positive = low[low > 0.0]
    # Single readings at or below zero are the noise of a small current, not a reason for a
    # linear scale; half of the readings are.
    if positive.size > low.size / 2:
        return max(min([float(np.min(positive)), *marks]), 1e-7 * highest), highest
    return min([float(np.min(low)), *marks]), highest


def _mark_averaged(into: Panel, row: StateResult) -> None:
    if row.settled_after_s is None or row.averaged_for_s is None:
        return
    start_s = row.settled_after_s
    end_s = min(start_s + row.averaged_for_s, into.x.high)
    shade_x(into, start_s, end_s, HONEY)
    mark_x(into, start_s, HONEY, 1.2)
    if row.current_A is not None:
        into.plot([start_s, end_s], [row.current_A] * 2, color=INK, linewidth=2.0)
    words = f"averaged for {format_quantity(row.averaged_for_s, 's', 3)}"
    place = into.by_panel
    write(into, 1.0, 1.03, words, transform=place, fontsize=SMALL, color=HONEY, ha="right")


def draw_timeline(result: SessionResult, told_s: Sequence[float]) -> Figure:
    """States one below the other over the session's time, and what happened, by its number."""
    spans = _visited(result)
    names = list(dict.fromkeys(name for name, _, _ in spans))
    figure, into = panel(26.0 * max(len(names), 1) + 56.0, left=18.0, top=22.0)
    end_s = max([*(end_s for _, _, end_s in spans), *told_s, 1e-3])
    draw_x(into, linear(0.0, end_s, "s", snug=True), "time since the start of the session")
    into.y = Scale("linear", max(len(names), 1) - 0.4, -0.6, ())
    for name, start_s, stop_s in spans:
        place = [names.index(name) + 0.22] * 2
        into.plot([start_s, stop_s], place, color=MOSS, linewidth=6, solid_capstyle="butt")
    for place_of, name in enumerate(names):
        words = shortened(name, LONGEST_NAME)
        write(into, 0.0, place_of - 0.2, words, color=INK, **_small(into))
    free_from_s = 0.0
    for number, time_s in enumerate(told_s, start=1):
        mark_x(into, time_s, CLAY, 1.0)
        # A number that would cover the one before it is left out; the table has all times.
        if time_s >= free_from_s:
            place_above = into.by_x
            write(into, time_s, 1.03, str(number), transform=place_above, color=CLAY, ha="center")
            free_from_s = time_s + 0.05 * end_s
    return figure


def _visited(result: SessionResult) -> list[tuple[str, float, float]]:
    """From each entry of a state to the next, or to the last event."""
    entered = [event for event in result.events if event.kind == "entered"]
    last_s = max((event.time_s for event in result.events), default=0.0)
    ends_s = [event.time_s for event in entered[1:]] + [last_s]
    return [
        (event.state or "", event.time_s, end_s)
        for event, end_s in zip(entered, ends_s, strict=False)
    ]
