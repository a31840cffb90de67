"""Pages in a real browser: what only a layout, a style sheet and a printer tell."""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from benchrig.pages.html import to_html
from benchrig.pages.life_part import lifetime_of
from benchrig.pages.report import document
from tests.cli.calls import FIXTURES
from tests.pages import results
from tests.pages.browser import browser, opened
from tests.pages.results import measured, simulated

__all__ = ["browser"]

PROFILE = FIXTURES / "hive-scale.profile.toml"
CELL = FIXTURES / "cells" / "lithium-manganese-dioxide-coin.cell.toml"
# Three centimetres less than A4 is wide, at 96 pixels an inch (CSS Values and Units 4, 5.2).
PRINTED_WIDTH = round((210 - 30) / 25.4 * 96)


def _with_life() -> str:
    one = [measured(simulated())]
    target_s = 5 * 31_557_600.0
    return to_html(document(one, lifetime_of(PROFILE, CELL, one, target_s, 0.95, 1)), "test")


def _lot() -> str:
    each = [simulated("", 1), simulated("late-drift", 1), results.extremes()]
    return to_html(document([measured(r, f"run-{n}") for n, r in enumerate(each)]), "test")


def _page_of(result: Callable[[], object]) -> Callable[[], str]:
    return lambda: to_html(document([measured(result())]), "test")  # type: ignore[arg-type]


PAGES: dict[str, Callable[[], str]] = {
    "life": _with_life,
    "lot": _lot,
    "extremes": _page_of(results.extremes),
    "many": _page_of(results.many),
    "hostile": _page_of(results.nasty),
    "faults": _page_of(lambda: simulated("dead-uart")),
}


@pytest.fixture(scope="module", params=PAGES)
def page(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("pages") / f"{request.param}.html"
    path.write_text(PAGES[request.param](), encoding="utf-8")
    return path


@pytest.mark.parametrize("width", [320, 390, 768, 1200])
def test_nothing_is_wider_than_the_screen(browser: Browser, page: Path, width: int) -> None:
    with opened(browser, page, width) as shown:
        assert shown.evaluate("document.documentElement.scrollWidth") == width
        # What is wider, a table, can be reached: with fingers and with the keyboard.
        wide = (
            "[...document.querySelectorAll('.scroll')].filter(e => e.scrollWidth > e.clientWidth)"
        )
        reached = shown.evaluate(
            f"{wide}.every(e => e.tabIndex === 0 && getComputedStyle(e).overflowX === 'auto'"
            " && document.getElementById(e.getAttribute('aria-labelledby')).textContent)"
        )
        assert reached


def test_tables_and_figures_say_what_they_are(browser: Browser, page: Path) -> None:
    with opened(browser, page) as shown:
        tables = shown.evaluate(
            "[...document.querySelectorAll('table')].map(t => [t.caption?.textContent.trim() ?? '',"
            " [...t.tHead.rows[0].cells].every(c => c.scope === 'col' && c.textContent.trim()),"
            " [...t.tBodies[0].rows].every(r => r.cells[0].scope === 'row' &&"
            " r.cells.length === t.tHead.rows[0].cells.length)])"
        )
        assert all(caption and heads and rows for caption, heads, rows in tables), tables
        figures = shown.evaluate(
            "[...document.querySelectorAll('figure')].map(f => { const s = f.querySelector('svg');"
            " const named = s.getAttribute('aria-labelledby').split(' ');"
            " return [s.getAttribute('role'), f.querySelector('figcaption').textContent.trim(),"
            " ...named.map(id => s.querySelector(':scope > #' + id).textContent.trim())] })"
        )
        assert all(role == "img" and all(words) for role, *words in figures), figures
        assert len(figures) + len(tables) > 0


def test_its_outline(browser: Browser, page: Path) -> None:
    with opened(browser, page) as shown:
        levels = shown.evaluate(
            "[...document.querySelectorAll('h1,h2,h3,h4')].map(h => +h.tagName[1])"
        )
        assert levels.count(1) == 1
        assert levels[0] == 1
        assert all(after <= before + 1 for before, after in pairwise(levels))
        assert shown.evaluate("document.documentElement.lang") == "en"
        ids = shown.evaluate("[...document.querySelectorAll('[id]')].map(e => e.id)")
        assert len(ids) == len(set(ids))
        broken = "[...document.querySelectorAll('a')].filter(a => !document.querySelector(a.hash))"
        assert shown.evaluate(f"{broken}.length") == 0
        # Whatever a board calls itself, the page has no more elements for it.
        assert shown.evaluate("document.scripts.length + document.images.length") == 0


# Relative luminance and contrast: WCAG 2.2, definitions, from memory. Every text against what is
# painted behind it; `currentColor` and variables are resolved by the browser.
CONTRASTS = """() => {
  const parse = c => (c.match(/[\\d.]+/g) || []).map(Number);
  const lum = ([r, g, b]) => [r, g, b].map(v => v / 255)
    .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const behind = e => { for (; e; e = e.parentElement) {
    const c = parse(getComputedStyle(e).backgroundColor);
    if (c.length && c[3] !== 0) return c; } return [255, 255, 255]; };
  const found = new Map();
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let n; n = walk.nextNode();) {
    const e = n.parentElement;
    if (!n.data.trim() || ['TITLE', 'DESC'].includes(e.tagName.toUpperCase())) continue;
    const style = getComputedStyle(e);
    const ink = parse(e.tagName === 'text' ? style.fill : style.color);
    const [a, b] = [lum(ink), lum(behind(e))];
    found.set(`${ink} on ${behind(e)}`, (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05));
  }
  return [...found];
}"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_everything_can_be_read(browser: Browser, page: Path, scheme: str) -> None:
    with opened(browser, page, color_scheme=scheme) as shown:
        paper = shown.evaluate("getComputedStyle(document.body).backgroundColor")
        bright = sum(map(float, re.findall(r"[\d.]+", paper)[:3])) > 3 * 128
        assert bright == (scheme == "light")
        contrasts = shown.evaluate(CONTRASTS)
        # 4.5 to 1 for text (WCAG 2.2, 1.4.3, from memory).
        assert contrasts
        assert [each for each in contrasts if each[1] < 4.5] == []


OVERLAPS = """() => [...document.querySelectorAll('figure svg')].flatMap(svg => {
  const frame = svg.getBoundingClientRect();
  const texts = [...svg.querySelectorAll('text')].filter(t => t.textContent.trim());
  const boxes = texts.map(t => [t.textContent, t.getBoundingClientRect()]);
  const out = boxes.filter(([, b]) => b.left < frame.left - 1 || b.right > frame.right + 1
    || b.top < frame.top - 1 || b.bottom > frame.bottom + 1).map(([t]) => [t, 'outside']);
  // A line of text is a little higher than its letters.
  const low = ([, b]) => [b.top + 0.2 * b.height, b.bottom - 0.2 * b.height];
  boxes.forEach((one, i) => boxes.slice(i + 1).forEach(two => {
    const [[a, b], [c, d]] = [low(one), low(two)];
    if (a < d && c < b && one[1].left < two[1].right - 0.5 && two[1].left < one[1].right - 0.5)
      out.push([one[0], two[0]]);
  }));
  return out;
})"""


@pytest.mark.parametrize("width", [390, 1200])
def test_no_words_of_a_plot_cover_others(browser: Browser, page: Path, width: int) -> None:
    with opened(browser, page, width) as shown:
        assert shown.evaluate(OVERLAPS) == []


def test_it_prints_on_a4_in_light_colours(browser: Browser, page: Path) -> None:
    with opened(browser, page, PRINTED_WIDTH, color_scheme="dark") as shown:
        shown.emulate_media(media="print")
        assert shown.evaluate("getComputedStyle(document.body).color") == "rgb(31, 42, 54)"
        # Nothing is cut at the right edge of the paper, not even a wide table.
        assert (
            shown.evaluate(
                "Math.max(...[...document.querySelectorAll('main *, header *')]"
                ".map(e => e.getBoundingClientRect().right))"
            )
            <= PRINTED_WIDTH + 1
        )
        shown.emulate_media(media="screen")
        pdf = shown.pdf(prefer_css_page_size=True)
    boxes = set(re.findall(rb"/MediaBox ?\[([^\]]*)\]", pdf))
    assert boxes
    for box in boxes:
        _, _, width, height = map(float, box.split())
        assert (round(width), round(height)) == (595, 842)  # A4 in points
