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
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.transforms import ScaledTranslation, Transform

from benchrig.harmless import harmless
from benchrig.pages.panel import Panel
from benchrig.pages.scales import Scale

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
) -> tuple[Figure, Panel]:
    """A figure of the usual width with one panel; all in points."""
    figure = Figure(figsize=(WIDTH / _POINTS_PER_INCH, height / _POINTS_PER_INCH))
    figure.patch.set_facecolor("none")
    place = (left / WIDTH, bottom / height)
    size = ((WIDTH - left - right) / WIDTH, (height - bottom - top) / height)
    return figure, Panel(figure, (*place, *size))


# -- scales ---------------------------------------------------------------------------------


def draw_x(panel: Panel, scale: Scale, words: str) -> None:
    """The horizontal scale with its grid, and what it is a scale of."""
    panel.x = scale
    places, ends = _broken([value for value, _ in scale.ticks])
    panel.line(places, ends, panel.by_x, **_GRID)
    panel.line([0.0, 1.0], [0.0, 0.0], panel.by_panel, **_BASE)
    below = _moved(panel.by_x, panel, 0.0, -4.0)
    for value, label in scale.ticks:
        write(panel, value, 0.0, label, below, ha="center", va="top")
    middle = _moved(panel.by_panel, panel, 0.0, -17.0)
    write(panel, 0.5, 0.0, words, middle, ha="center", va="top", color=DIM)


def draw_y(panel: Panel, scale: Scale) -> None:
    """The upright scale with its grid; its ticks have their unit."""
    panel.y = scale
    places, ends = _broken([value for value, _ in scale.ticks])
    panel.line(ends, places, panel.by_y, **_GRID)
    panel.line([0.0, 0.0], [0.0, 1.0], panel.by_panel, **_BASE)
    beside = _moved(panel.by_y, panel, -5.0, 0.0)
    for value, label in scale.ticks:
        write(panel, 0.0, value, label, beside, ha="right", va="center")


_GRID: dict[str, Any] = {"color": GRID, "linewidth": 0.6, "zorder": -1}
_BASE: dict[str, Any] = {"color": DIM, "linewidth": 0.8}


def write(panel: Panel, x: float, y: float, words: str, transform: Transform, **look: Any) -> None:
    """Words at a place that `transform` takes to the figure."""
    panel.figure.text(x, y, words, transform=transform, **look)


def mark_x(panel: Panel, at: float, colour: str, width: float, style: str = "-") -> None:
    """An upright line from end to end."""
    panel.line([at, at], [0.0, 1.0], panel.by_x, color=colour, linewidth=width, linestyle=style)


def mark_y(panel: Panel, at: float, colour: str) -> None:
    """A dashed line across."""
    panel.line([0.0, 1.0], [at, at], panel.by_y, color=colour, linewidth=1.0, linestyle="--")


def shade_x(panel: Panel, start: float, end: float, colour: str) -> None:
    """From top to bottom, behind everything."""
    panel.block((start, end), (0.0, 1.0), panel.by_x, facecolor=colour, alpha=0.22, zorder=-0.5)


def _moved(transform: Transform, panel: Panel, x: float, y: float) -> Transform:
    """By so many points."""
    step = (x / _POINTS_PER_INCH, y / _POINTS_PER_INCH)
    return transform + ScaledTranslation(*step, panel.figure.dpi_scale_trans)


def _broken(values: Sequence[float]) -> tuple[list[float], list[float]]:
    """All lines of a grid as one: where each is, and from end to end of the panel."""
    places = [each for value in values for each in (value, value, math.nan)]
    return places, [0.0, 1.0, math.nan] * len(values)


def shortened(words: str, most: int) -> str:
    """For where there is no room; the page says the whole beside it."""
    words = harmless(words)
    return words if len(words) <= most else words[: most - 1] + "…"


def thinned(times: np.ndarray, values: np.ndarray, points: int = 240) -> np.ndarray:
    """At most `points` of a curve by the logarithm of its times: middle, lowest, mean, highest.
    Shape (4, n)."""
    first = max(float(times[0]), 1e-6 * float(times[-1]), 1e-9)
    limits = np.geomspace(first, max(float(times[-1]), first * 1.001), points)
    # From the first reading on, though it may be at the moment of the command itself.
    found = np.searchsorted(times, limits[1:-1])
    starts = np.unique([0, *found[found < times.size]])
    counts = np.diff([*starts, times.size])
    middle, mean = (np.add.reduceat(each, starts) / counts for each in (times, values))
    extremes = (np.minimum.reduceat(values, starts), np.maximum.reduceat(values, starts))
    return np.array([middle, extremes[0], mean, extremes[1]])


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
