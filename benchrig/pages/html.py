"""A document as one HTML file that needs nothing else: no network, no script, no font."""

from __future__ import annotations

from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from benchrig.harmless import harmless
from benchrig.pages.document import SIGNS, Document, Plot
from benchrig.pages.drawing import drawing, inline_svg


def to_html(document: Document, benchrig: str) -> str:
    """Every text in it is escaped, by the template, and made harmless, on its way there."""
    environment = Environment(
        loader=PackageLoader("benchrig.pages", ""),
        autoescape=True,
        finalize=_harmless,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
    )
    environment.globals.update(signs=SIGNS, svg=_svg, kind=_kind)
    template = environment.get_template("page.html.jinja")
    with drawing():
        return template.render(document=document, benchrig=benchrig)


def _harmless(value: Any) -> Any:
    return harmless(value) if isinstance(value, str) and not hasattr(value, "__html__") else value


def _kind(block: object) -> str:
    return type(block).__name__


def _svg(plot: Plot, path: str) -> Markup:
    """`path`: where on the page it stands; no two plots are at one place."""
    return inline_svg(plot.draw, f"plot{path}", plot.title, plot.words)
