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
    mark_x,
    panel,
    shortened,
    write,
)
from benchrig.pages.scales import Scale, linear

BAR = 32.0


def draw_life(life: Life, target_years: float | None) -> Figure:
    """The capacity left over the years, with the band that holds the middle of the products."""
    figure, into = panel(230.0, left=46.0, top=24.0)
    curve = life.curve
    last = max(float(curve.times_years[-1]), 1.05 * (target_years or 0.0))
    draw_x(into, linear(0.0, last, "years", snug=True), "time in use; upright: capacity left")
    draw_y(into, linear(0.0, 100.0, "%"))
    low, median, high = (100.0 * each for each in (curve.low, curve.median, curve.high))
    into.fill(curve.times_years, low, high, color=SKY, alpha=0.25)
    into.plot(curve.times_years, median, color=SKY, linewidth=1.8)
    interval = (life.low_years, life.high_years)
    into.block(interval, (0.0, 0.05), into.by_x, color=HONEY, alpha=0.5)
    into.plot([life.median_years], [0.0], "^", color=INK, markersize=7, clip_on=False)
    if target_years is not None:
        mark_x(into, target_years, CLAY, 1.4, "--")
        right = target_years > last / 2
        place = into.by_x
        write(into,
            target_years, 1.03, "target", transform=place, color=CLAY, fontsize=SMALL,
            ha="right" if right else "left",
        )  # fmt: skip
    return figure


def draw_shares(rows: Sequence[tuple[str, float, float]]) -> Figure:
    """Bars of shares of 1 with their expanded uncertainties, the name above each."""
    figure, into = panel(BAR * len(rows) + 38.0, left=18.0, top=4.0)
    draw_x(into, linear(0.0, 100.0, "%"), "share")
    into.y = Scale("linear", len(rows) - 0.5, -0.5, ())
    for place, (name, share, uncertainty) in enumerate(rows):
        across, upright = (0.0, 100.0 * share), (place + 0.03, place + 0.37)
        into.block(across, upright, into.by_scales, color=SKY, alpha=0.7)
        ends = [100.0 * max(share - uncertainty, 0.0), min(100.0 * (share + uncertainty), 100.0)]
        into.plot(ends, [place + 0.2] * 2, "|-", color=INK, linewidth=1.2, markersize=7)
        side = into.by_y
        words = shortened(name, 40)
        write(into, 0.0, place - 0.22, words, transform=side, fontsize=NORMAL, va="center")
        told = f"{100.0 * share:.3g} %"
        write(
            into, 1.0, place - 0.22, told, transform=side, fontsize=NORMAL, va="center", ha="right"
        )
    return figure
