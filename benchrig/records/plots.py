"""Plots of why: what the proposals of a characterisation rest on. Only this module knows
matplotlib, by its figures and canvases alone: no window is ever opened."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import EngFormatter, FuncFormatter

from benchrig.characterising import Recorded
from benchrig.drivers.scpi import is_valid
from benchrig.measurement import Characteristics, Tail, WakeUps
from benchrig.units import format_quantity

INK, HONEY, MOSS, STONE, CLAY = "#243b53", "#c98a12", "#3f7d4e", "#9aa5b1", "#a63d2f"
BINS = 1200
TAIL_POINTS = 120
SPREADS = 5.0


def draw_record(path: Path, title: str, record: Recorded, found: Characteristics) -> None:
    """All readings over the time since the command, both on logarithmic scales."""
    figure, axes = _figure(f"{title}: the whole record")
    first_s, last_s = float(record.times_s[0]), float(record.times_s[-1])
    axes.set_xscale("log")
    axes.set_yscale("log")
    _draw_readings(axes, record)
    _mark_ranges(axes, record)
    if found.guard.value is not None:
        label = f"guard, {_seconds(found.guard.value)} proposed"
        axes.axvspan(first_s, found.guard.value, color=HONEY, alpha=0.15, linewidth=0)
        axes.axvline(found.guard.value, color=HONEY, linewidth=1.5, label=label)
    for step, name in ((found.fell, "last fall"), (found.rose, "rise")):
        if step is not None:
            label = f"{name}, {_seconds(step.time_s)}"
            axes.axvline(step.time_s, color=CLAY, linewidth=1.2, linestyle="--", label=label)
    if found.tolerance.value is not None:
        reach_A = found.tolerance.value * abs(found.mean_A)
        label = f"mean ± tolerance, {100 * found.tolerance.value:g} % proposed"
        band = (found.mean_A - reach_A, found.mean_A + reach_A)
        axes.axhspan(*band, color=MOSS, alpha=0.3, linewidth=0, label=label)
    axes.set_xlim(first_s, last_s)
    _finish(figure, axes, path)


def _draw_readings(axes: Axes, record: Recorded) -> None:
    """Median and extremes, range by range: between two there are no readings."""
    valid = is_valid(record.currents_A)
    least_A = float(np.min(record.currents_A[valid & (record.currents_A > 0.0)], initial=np.inf))
    limits = [part.first for part in record.stretches] + [record.times_s.size]
    for index, (first, end) in enumerate(pairwise(limits)):
        inside = np.flatnonzero(valid[first:end]) + first
        if inside.size == 0:
            continue
        middles, low, median, high = np.maximum(
            _envelope(record.times_s[inside], record.currents_A[inside]), least_A
        )
        labels = ("smallest to largest reading", "median") if index == 0 else (None, None)
        axes.fill_between(middles, low, high, color=STONE, alpha=0.5, linewidth=0, label=labels[0])
        axes.plot(middles, median, color=INK, linewidth=1.2, label=labels[1])


def draw_tail(
    path: Path, title: str, record: Recorded, tail: Tail, wake_ups: WakeUps | None
) -> None:
    """What is above the level that the fit ends at, beside the fit."""
    figure, axes = _figure(f"{title}: the tail")
    times, currents = _valid(record)
    inside = (times >= tail.since_s) & (times <= tail.until_s)
    if wake_ups is not None and not wake_ups.smeared:
        inside &= ~_in_wake_up(times, wake_ups)
    middles, means, errors = _points(times[inside], currents[inside])
    if tail.shape == "none":
        rest = means - tail.level_A
        axes.errorbar(middles, rest, 2.0 * errors, fmt="o", color=INK, markersize=3, label=_MEANS)
        axes.axhline(0.0, color=HONEY, label="no tail was seen")
        axes.set_xscale("log")
        axes.set_xlim(middles[0], middles[-1])
        axes.set_ylabel(f"difference from {format_quantity(tail.level_A, 'A', 4)}")
    else:
        sign = 1.0 if tail.amplitude_A >= 0.0 else -1.0
        above = sign * (means - tail.level_A)
        seen = above > 2.0 * errors
        axes.errorbar(
            middles[seen],
            above[seen],
            2.0 * errors[seen],
            fmt="o",
            color=INK,
            markersize=3,
            linewidth=0.8,
            label=_MEANS,
        )
        axes.plot(middles, 2.0 * errors, color=STONE, label="what the noise hides (95 %)")
        end_s = tail.until_s
        if tail.shape == "exponential":
            assert tail.time_constant_s is not None
            end_s = min(end_s, tail.since_s + 12.0 * tail.time_constant_s)
        steps = np.geomspace(tail.since_s, end_s, 400)
        fit = sign * (tail.at(steps) - tail.level_A)
        axes.plot(steps, fit, color=HONEY, linewidth=1.8, label=_fitted(tail))
        axes.set_yscale("log")
        if tail.shape == "exponential":
            axes.set_xlim(tail.since_s, end_s)
        else:
            axes.set_xscale("log")
        axes.set_ylim(0.3 * float(np.min(errors)), 2.0 * float(np.max(np.abs(above))))
        level = format_quantity(tail.level_A, "A", 4)
        axes.set_ylabel(f"current {'above' if sign > 0 else 'below'} the level of {level}")
    _finish(figure, axes, path)


_MEANS = "means of readings (± 95 %), wake-ups taken out"


def _fitted(tail: Tail) -> str:
    if tail.shape == "power":
        return f"fit: a power, t^-{tail.exponent:g}"
    if tail.shape == "slower" or tail.low_s is None or tail.high_s is None:
        return "fit: slower than the record can tell"
    many = "one exponential" if len(tail.terms) == 1 else "two exponentials"
    interval = f"{tail.low_s:.4g} s to {tail.high_s:.4g} s at 95 %"
    return f"fit: {many}, slowest {tail.time_constant_s:.4g} s ({interval})"


def draw_wake_ups(path: Path, title: str, record: Recorded, found: WakeUps) -> None:
    """How far apart they come, and what they look like on top of each other."""
    figure, axes = _figure(f"{title}: wake-ups", panels=2)
    onsets = np.array(found.onsets_s)
    apart, shape = axes.inset_axes((0.0, 0.0, 0.46, 1.0)), axes.inset_axes((0.56, 0.0, 0.44, 1.0))
    axes.set_axis_off()
    apart.plot(
        onsets[1:], np.diff(onsets), "o", color=INK, markersize=3, label="from one to the next"
    )
    if found.period_s is not None:
        label = f"period, {found.period_s:.6g} s"
        apart.axhline(found.period_s, color=HONEY, linewidth=1.5, label=label)
    apart.set_ylim(0.0, 1.2 * float(np.max(np.diff(onsets), initial=0.1)))
    apart.set_xlabel("time since the command / s")
    apart.set_ylabel("interval / s")
    times, currents = _valid(record)
    interval_s = float(np.median(np.diff(times)))
    reach_s = 4.0 * found.duration_s + 4.0 * interval_s
    index = np.clip(np.searchsorted(onsets, times + reach_s / 2.0) - 1, 0, onsets.size - 1)
    since = times - interval_s - onsets[index]
    near = (since > -reach_s / 2.0) & (since < reach_s) & (times > onsets[0] - reach_s)
    shape.plot(
        since[near], currents[near], ".", color=INK, markersize=2, label="readings, by their start"
    )
    charge = format_quantity(found.charge_C, "C", 3)
    least = "at least " if found.smeared else ""
    shape.plot([], [], " ", label=f"each {least}{charge} above the base")
    shape.yaxis.set_major_formatter(EngFormatter(unit="A"))
    shape.set_xlabel("time since its onset / s")
    shape.set_ylabel("current")
    for panel in (apart, shape):
        panel.grid(True, color=STONE, alpha=0.3, linewidth=0.5)
        panel.spines[["top", "right"]].set_visible(False)
        panel.legend(loc="upper center", bbox_to_anchor=(0.5, -0.17), frameon=False, fontsize=9)
    figure.savefig(path)


# -- parts ------------------------------------------------------------------------------------


def _figure(title: str, panels: int = 1) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(9.0 if panels == 1 else 10.5, 5.4), dpi=120)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.105, 0.26, 0.87, 0.66))
    axes.set_title(title, color=INK, loc="left", fontsize=12)
    return figure, axes


def _finish(figure: Figure, axes: Axes, path: Path) -> None:
    axes.yaxis.set_major_formatter(EngFormatter(unit="A"))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.set_xlabel("time since the command / s")
    axes.set_ylabel(axes.get_ylabel() or "current")
    axes.grid(True, color=STONE, alpha=0.3, linewidth=0.5)
    axes.spines[["top", "right"]].set_visible(False)
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.15), ncols=2, frameon=False, fontsize=9)
    figure.savefig(path)


def _mark_ranges(axes: Axes, record: Recorded) -> None:
    """Where the meter changed its range; the name of each, where there is room for it."""
    last_s = float(record.times_s[-1])
    starts = [float(record.times_s[part.first]) for part in record.stretches] + [last_s]
    whole = np.log(last_s / starts[0])
    for part, start_s, end_s in zip(record.stretches, starts, starts[1:], strict=False):
        axes.axvline(start_s, color=STONE, linewidth=0.8, linestyle=":")
        if np.log(end_s / start_s) > 0.08 * whole and np.isfinite(part.full_scale_A):
            name = format_quantity(part.full_scale_A, "A", 2)
            place = axes.get_xaxis_transform()
            axes.text(start_s, 0.985, f" {name}", transform=place, fontsize=8, color=INK, va="top")
        if part.offset_A > 0.0:
            axes.hlines(part.offset_A, start_s, end_s, color=STONE, linewidth=0.8, linestyle="-.")
    axes.plot([], [], color=STONE, linewidth=0.8, linestyle=":", label="change of range")
    axes.plot(
        [], [], color=STONE, linewidth=0.8, linestyle="-.", label="offset that the range may have"
    )


def _valid(record: Recorded) -> tuple[np.ndarray, np.ndarray]:
    valid = is_valid(record.currents_A)
    return record.times_s[valid], record.currents_A[valid]


def _envelope(times: np.ndarray, currents: np.ndarray) -> np.ndarray:
    """A point for each pixel or so: the middle, the smallest, the median,
    the largest. Shape (4, points)."""
    edges = np.unique(np.searchsorted(times, np.geomspace(times[0], times[-1], BINS)))
    parts = [part for part in np.split(np.arange(times.size), edges[1:-1]) if part.size]
    columns = [
        (times[part].mean(), *np.quantile(currents[part], (0.0, 0.5, 1.0))) for part in parts
    ]
    return np.array(columns).T


def _points(times: np.ndarray, currents: np.ndarray) -> tuple[np.ndarray, ...]:
    """Means over times that grow, with their standard uncertainties if the noise is white."""
    limits = times[0] * (times[-1] / times[0]) ** np.linspace(0.0, 1.0, TAIL_POINTS)
    edges = np.unique(np.searchsorted(times, limits))
    parts = [part for part in np.split(np.arange(times.size), edges[1:-1]) if part.size]
    noise = 1.4826 * float(np.median(np.abs(np.diff(currents)))) / 2.0**0.5
    middles = np.array([times[part].mean() for part in parts])
    means = np.array([currents[part].mean() for part in parts])
    return middles, means, np.array([noise / part.size**0.5 for part in parts])


def _in_wake_up(times: np.ndarray, wake_ups: WakeUps) -> np.ndarray:
    interval_s = float(np.median(np.diff(times)))
    onsets = np.array(wake_ups.onsets_s)
    after = times - onsets[np.clip(np.searchsorted(onsets, times) - 1, 0, onsets.size - 1)]
    masked: np.ndarray = (after > 0.0) & (after < wake_ups.duration_s + SPREADS * interval_s)
    return masked


def _seconds(duration_s: float) -> str:
    return f"{duration_s:.3g} s"
