"""The plots of a battery life."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.figure import Figure

from benchrig.energy.life import Life
from benchrig.pages.drawing import (
    CLAY,
    HONEY,
    INK,
    NORMAL,
    SKY,
    SMALL,
    draw_x,
    draw_y,
    panel,
    shortened,
    write,
)
from benchrig.pages.scales import linear

BAR = 32.0


def draw_life(life: Life, target_years: float | None) -> Figure:
    """The capacity left over the years, with the band that holds the middle of the products."""
    figure, axes = panel(230.0, left=46.0, top=24.0)
    curve = life.curve
    last = max(float(curve.times_years[-1]), 1.05 * (target_years or 0.0))
    draw_x(axes, linear(0.0, last, "years", snug=True), "time in use; upright: capacity left")
    draw_y(axes, linear(0.0, 100.0, "%"))
    low, median, high = (100.0 * each for each in (curve.low, curve.median, curve.high))
    axes.fill_between(curve.times_years, low, high, color=SKY, alpha=0.25, linewidth=0)
    axes.plot(curve.times_years, median, color=SKY, linewidth=1.8)
    axes.axvspan(life.low_years, life.high_years, ymax=0.05, color=HONEY, alpha=0.5, linewidth=0)
    axes.plot([life.median_years], [0.0], "^", color=INK, markersize=7, clip_on=False)
    if target_years is not None:
        axes.axvline(target_years, color=CLAY, linewidth=1.4, linestyle="--")
        right = target_years > last / 2
        place = axes.get_xaxis_transform()
        write(axes,
            target_years, 1.03, "target", transform=place, color=CLAY, fontsize=SMALL,
            ha="right" if right else "left",
        )  # fmt: skip
    return figure


def draw_shares(rows: Sequence[tuple[str, float, float]]) -> Figure:
    """Bars of shares of 1 with their expanded uncertainties, the name above each."""
    figure, axes = panel(BAR * len(rows) + 38.0, left=18.0, top=4.0)
    draw_x(axes, linear(0.0, 100.0, "%"), "share")
    axes.set_ylim(len(rows) - 0.5, -0.5)
    for place, (name, share, uncertainty) in enumerate(rows):
        axes.barh([place + 0.2], [100.0 * share], height=0.34, color=SKY, alpha=0.7, linewidth=0)
        ends = [100.0 * max(share - uncertainty, 0.0), min(100.0 * (share + uncertainty), 100.0)]
        axes.plot(ends, [place + 0.2] * 2, "|-", color=INK, linewidth=1.2, markersize=7)
        side = axes.get_yaxis_transform()
        words = shortened(name, 40)
        write(axes, 0.0, place - 0.22, words, transform=side, fontsize=NORMAL, va="center")
        told = f"{100.0 * share:.3g} %"
        write(
            axes, 1.0, place - 0.22, told, transform=side, fontsize=NORMAL, va="center", ha="right"
        )
    return figure
