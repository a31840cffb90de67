"""How a plot of a page is drawn, and written as SVG or PNG. Text stays text, so that it can be
searched and read aloud; and it is nothing but text, whatever a board calls itself.

A plot is drawn as wide as a small telephone, so that its text can be read there; wider screens
show it larger or several side by side.
"""

from __future__ import annotations

import io
import math
import re
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import matplotlib as mpl
import numpy as np
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, MaxNLocator, NullLocator

from benchrig.figures import exactly
from benchrig.harmless import harmless

WIDTH = 360.0
SMALL, NORMAL = 9.0, 10.0
_POINTS_PER_INCH = 72.0

INK, DIM, GRID, PAPER = "#1f2a36", "#52606d", "#c9d1d9", "#fdfdfc"
HONEY, MOSS, CLAY, SKY = "#a86b00", "#2b6e3f", "#a12b1f", "#1f5f99"
VARIABLES = {
    INK: "ink", DIM: "dim", GRID: "grid", PAPER: "paper",
    HONEY: "honey", MOSS: "moss", CLAY: "clay", SKY: "sky",
}  # fmt: skip
"""On a page each colour is a variable of its style sheet, which is another one in the dark."""
VERDICT_COLOURS = {"pass": MOSS, "fail": CLAY, "undecided": HONEY, "fault": CLAY}

_SETTINGS: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "benchrig",
    "text.parse_math": False,
    "axes.unicode_minus": True,
    "font.family": ["DejaVu Sans"],
    "font.size": SMALL,
    "path.simplify": True,
    "axes.linewidth": 0.8,
    "axes.edgecolor": DIM,
    "text.color": INK,
}


@contextmanager
def drawing() -> Iterator[None]:
    """The settings with which figures are made and written."""
    with mpl.rc_context(_SETTINGS), warnings.catch_warnings():
        # A name may have letters that the font lacks; whoever looks at the page may have them.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        yield


def panel(
    height: float,
    *,
    left: float = 56.0,
    bottom: float = 34.0,
    right: float = 24.0,
    top: float = 10.0,
) -> tuple[Figure, Axes]:
    """A figure of the usual width with one axes; all in points."""
    figure = Figure(figsize=(WIDTH / _POINTS_PER_INCH, height / _POINTS_PER_INCH))
    figure.patch.set_facecolor("none")
    place = (left / WIDTH, bottom / height)
    size = ((WIDTH - left - right) / WIDTH, (height - bottom - top) / height)
    axes = figure.add_axes((*place, *size))
    axes.patch.set_facecolor("none")
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(True, color=GRID, linewidth=0.6)
    axes.set_axisbelow(True)
    return figure, axes


# -- axes -----------------------------------------------------------------------------------


def decades(axis: Axis, low: float, high: float, unit: str) -> None:
    """A logarithmic axis over positive values, with a tick at each decade or every few."""
    first, last = math.floor(math.log10(low) + 1e-9), math.ceil(math.log10(high) - 1e-9)
    last = max(last, first + 1)
    step = math.ceil((last - first) / 7)
    ticks = [10.0**power for power in range(first, last + 1, step)]
    _scale(axis, "log", 10.0**first, 10.0**last)
    _ticks(axis, ticks, [exactly(tick, unit) for tick in ticks])


def linear(axis: Axis, low: float, high: float, unit: str, factor: float = 1.0) -> None:
    """A linear axis with a few round ticks, labelled with `factor` times the value."""
    if not high > low:
        reach = 0.05 * abs(low) or 1.0
        low, high = low - reach, high + reach
    round_ones = MaxNLocator(5, steps=[1, 2, 2.5, 5, 10])
    ticks = [float(tick) for tick in round_ones.tick_values(low, high)]
    _scale(axis, "linear", ticks[0], ticks[-1])
    # What remains of adding floats, 1e-19 A say, is zero.
    span = ticks[-1] - ticks[0]
    labels = [exactly(0.0 if abs(tick) < 1e-9 * span else factor * tick, unit) for tick in ticks]
    _ticks(axis, ticks, labels)


def log_or_linear(axis: Axis, low: float, high: float, unit: str) -> None:
    """Logarithmic where there is more than a factor of ten between positive values."""
    if low > 0.0 and high > 10.0 * low:
        decades(axis, low, high, unit)
    else:
        linear(axis, low, high, unit)


def _scale(axis: Axis, scale: str, low: float, high: float) -> None:
    axes = axis.axes
    if axis is axes.xaxis:
        axes.set_xscale(scale)
        axes.set_xlim(low, high)
    else:
        axes.set_yscale(scale)
        axes.set_ylim(low, high)


def _ticks(axis: Axis, ticks: Sequence[float], labels: Sequence[str]) -> None:
    # Given ticks take a tenth of the time that finding them anew for each drawing does.
    axis.set_major_locator(FixedLocator(list(ticks)))
    axis.set_major_formatter(FixedFormatter(list(labels)))
    axis.set_minor_locator(NullLocator())
    axis.set_tick_params(colors=DIM, labelcolor=INK, labelsize=SMALL, length=3, width=0.6)


def no_ticks(axis: Axis) -> None:
    axis.set_major_locator(NullLocator())
    axis.set_minor_locator(NullLocator())


def name_axis(axes: Axes, words: str) -> None:
    """The horizontal one; the ticks of the other have their unit."""
    axes.set_xlabel(words, fontsize=SMALL, color=DIM)


def shortened(words: str, most: int) -> str:
    """For where there is no room; the page says the whole beside it."""
    words = harmless(words)
    return words if len(words) <= most else words[: most - 1] + "…"


def thinned(times: np.ndarray, values: np.ndarray, points: int = 240) -> np.ndarray:
    """At most `points` of a curve by the logarithm of its times: middle, lowest, median, highest.
    Shape (4, n)."""
    first = max(float(times[0]), 1e-6 * float(times[-1]), 1e-9)
    limits = np.geomspace(first, max(float(times[-1]), first * 1.001), points)
    edges = np.unique(np.searchsorted(times, limits, side="right"))
    parts = [part for part in np.split(np.arange(times.size), edges) if part.size]
    rows = [
        (times[part].mean(), values[part].min(), np.median(values[part]), values[part].max())
        for part in parts
    ]
    return np.array(rows).T


# -- writing --------------------------------------------------------------------------------

_METADATA = ("Date", "Creator", "Format", "Type")
_HREF = "{http://www.w3.org/1999/xlink}href"
_REFERENCE = re.compile(r"url\(#([^)]+)\)")


def inline_svg(draw: Callable[[], Figure], name: str, title: str, words: str) -> Markup:
    """A plot as an element of a page: in the page's colours, with a title and a description, and
    with ids that no other plot on the page has, `name` being unique there."""
    figure, file = draw(), io.BytesIO()
    FigureCanvasSVG(figure)
    figure.savefig(file, format="svg", metadata=dict.fromkeys(_METADATA))
    drawn = ElementTree.fromstring(file.getvalue())
    about = {"role": "img", "aria-labelledby": f"{name}-t {name}-d"}
    svg = ElementTree.Element("svg", {"viewBox": drawn.attrib["viewBox"], **about})
    ElementTree.SubElement(svg, "title", {"id": f"{name}-t"}).text = harmless(title)
    ElementTree.SubElement(svg, "desc", {"id": f"{name}-d"}).text = harmless(words)
    # What is beside the figure is about the file, and a style that would be the whole page's.
    svg.extend(part for part in drawn if part.tag.endswith("}g"))
    referred = set(_references(svg))
    for element in svg.iter():
        _adapt(element, name, referred)
    return Markup(ElementTree.tostring(svg, encoding="unicode"))  # escaped by its writer


def _references(svg: ElementTree.Element) -> Iterator[str]:
    for element in svg.iter():
        for key, value in element.attrib.items():
            if key == _HREF:
                yield value.removeprefix("#")
            yield from _REFERENCE.findall(value)


def _adapt(element: ElementTree.Element, name: str, referred: set[str]) -> None:
    """Into HTML, which has no namespaces; only what is referred to keeps an id, made unique."""
    element.tag = element.tag.rpartition("}")[2]
    if element.tag in ("title", "desc"):
        return
    if (own := element.attrib.pop("id", None)) in referred:
        element.set("id", f"{name}-{own}")
    if (target := element.attrib.pop(_HREF, None)) is not None:
        element.set("href", f"#{name}-{target[1:]}")
    for key, value in element.attrib.items():
        value = _REFERENCE.sub(rf"url(#{name}-\1)", value)
        if key == "style":
            value = _in_page_colours(value)
        element.set(key, value)


def _in_page_colours(style: str) -> str:
    for colour, variable in VARIABLES.items():
        style = style.replace(colour, f"var(--{variable})")
    return style


def write_plot(draw: Callable[[], Figure], path: Path) -> None:
    """To a file of its own, on paper colour. The suffix says the format. Raises `OSError`."""
    with drawing():
        figure = draw()
        figure.patch.set_facecolor(PAPER)
        if path.suffix == ".svg":
            FigureCanvasSVG(figure)
            figure.savefig(path, metadata=dict.fromkeys(_METADATA))
        else:
            FigureCanvasAgg(figure)
            figure.savefig(path, dpi=200, metadata={"Software": None})
