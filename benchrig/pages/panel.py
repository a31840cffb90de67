"""A rectangle of a figure to draw in. The library's own axes do much that no plot here asks for,
and took a third of the time of a page."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon, Rectangle
from matplotlib.scale import LogTransform
from matplotlib.transforms import (
    Affine2D,
    Bbox,
    BboxTransformTo,
    IdentityTransform,
    Transform,
    TransformedBbox,
    blended_transform_factory,
)

from benchrig.pages.scales import Scale

Bounds = tuple[float, float, float, float]
Ends = tuple[float, float]
Values = Sequence[float] | np.ndarray


class Panel:
    """`bounds`: left, bottom, width and height in shares of the figure. Both scales are linear
    from 0 to 1 until they are set, which is before anything is drawn on them."""

    def __init__(self, figure: Figure, bounds: Bounds) -> None:
        self.figure = figure
        self.x = self.y = Scale("linear", 0.0, 1.0, ())
        self._box = TransformedBbox(Bbox.from_bounds(*bounds), figure.transFigure)
        self._unit = BboxTransformTo(self._box)
        self._named: list[Line2D] = []

    @property
    def by_panel(self) -> Transform:
        """Both places in shares of the panel."""
        return self._unit

    @property
    def by_scales(self) -> Transform:
        """Both places in values of the scales."""
        bent = blended_transform_factory(_bent(self.x), _bent(self.y))
        (left, right), (bottom, top) = _ends(self.x), _ends(self.y)
        start, sides = (-left, -bottom), (1.0 / (right - left), 1.0 / (top - bottom))
        return bent + Affine2D().translate(*start).scale(*sides) + self._unit

    @property
    def by_x(self) -> Transform:
        """Across in values, upwards in shares."""
        return blended_transform_factory(self.by_scales, self._unit)

    @property
    def by_y(self) -> Transform:
        """Upwards in values, across in shares."""
        return blended_transform_factory(self._unit, self.by_scales)

    def line(self, xs: Values, ys: Values, transform: Transform, **look: Any) -> Line2D:
        """Without an end at the edge of the panel."""
        line = Line2D(xs, ys, transform=transform, **look)
        self.figure.add_artist(line)
        return line

    def plot(self, xs: Values, ys: Values, style: str = "-", **look: Any) -> None:
        """By values, cut off at the edge. `style`: a mark, and after it a kind of line."""
        mark = style.rstrip("-:")
        look |= {"marker": mark or "none", "linestyle": style[len(mark) :] or "none"}
        line = self.line(xs, ys, self.by_scales, **look)
        line.set_clip_box(self._box)
        if "label" in look:
            self._named.append(line)

    def fill(self, xs: np.ndarray, low: np.ndarray, high: np.ndarray, **look: Any) -> None:
        """Between two curves."""
        edge = np.concatenate((np.column_stack((xs, low)), np.column_stack((xs, high))[::-1]))
        area = Polygon(edge, transform=self.by_scales, linewidth=0.0, **look)
        area.set_clip_box(self._box)
        self.figure.add_artist(area)

    def block(self, xs: Ends, ys: Ends, transform: Transform, **look: Any) -> None:
        """A rectangle without a rim."""
        sides = (xs[1] - xs[0], ys[1] - ys[0])
        block = Rectangle((xs[0], ys[0]), *sides, transform=transform, linewidth=0.0, **look)
        self.figure.add_artist(block)

    def legend(self, font_size: float) -> None:
        """Above the panel, of all that was plotted with a label."""
        self.figure.legend(
            handles=self._named, loc="lower left", bbox_to_anchor=(-0.02, 1.0),
            bbox_transform=self._unit, ncols=3, frameon=False, fontsize=font_size,
            borderaxespad=0.0, handletextpad=0.2,
        )  # fmt: skip


def _bent(scale: Scale) -> Transform:
    return LogTransform(10) if scale.kind == "log" else IdentityTransform()


def _ends(scale: Scale) -> Ends:
    if scale.kind == "log":
        return math.log10(scale.low), math.log10(scale.high)
    return scale.low, scale.high
