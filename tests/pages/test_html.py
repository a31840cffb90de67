"""What is on a page, and what never is."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from benchrig.pages.document import Document
from benchrig.pages.html import to_html
from benchrig.pages.life_part import Lifetime, NoLifetime, lifetime_of
from benchrig.pages.measured import Measured
from benchrig.pages.report import document
from benchrig.result import FaultRecord
from tests.cli.calls import FIXTURES
from tests.pages import results
from tests.pages.results import faulty, measured, simulated, state, with_states

PROFILE = FIXTURES / "hive-scale.profile.toml"
CELL = FIXTURES / "cells" / "lithium-manganese-dioxide-coin.cell.toml"


class Reader(HTMLParser):
    """Texts, attributes and tags, as a browser would take them apart."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.tags: set[str] = set()
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes += [(name, value or "") for name, value in attrs]

    def handle_data(self, data: str) -> None:
        self.texts.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.texts).split())


def page(*shown: Measured, **about: Any) -> str:
    return to_html(document(shown, **about), "test")


def text_of(*shown: Measured, **about: Any) -> str:
    return Reader(page(*shown, **about)).text


def lifetime(shown: Measured, **about: Any) -> Lifetime | NoLifetime:
    given = {"target_s": 5 * 31_557_600.0, "probability": 0.95, "seed": 1, **about}
    return lifetime_of(PROFILE, CELL, [shown], **given)


def test_the_same_input_gives_the_same_bytes() -> None:
    first, second = (page(measured(results.extremes()), measured(simulated())) for _ in range(2))
    assert first == second


def test_it_needs_nothing_else() -> None:
    read = Reader(page(measured(results.extremes()), lifetime=lifetime(measured(simulated()))))
    assert not read.tags & {"script", "img", "iframe", "object", "embed", "audio", "video", "base"}
    links = [value for name, value in read.attributes if name in ("href", "src", "xlink:href")]
    assert links
    assert all(link.startswith(("#", "data:")) for link in links)
    policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
    assert any(value.startswith(policy) for name, value in read.attributes if name == "content")
    styles = [value for name, value in read.attributes if name == "style"]
    assert not [style for style in styles if re.search(r"url\((?!#)|@import|http", style)]


def test_whatever_was_said_is_text() -> None:
    shown = page(measured(results.nasty()), measured(results.nasty(), "run-2"))
    read = Reader(shown)
    assert "<script>alert(1)</script>" in read.text
    assert "script" not in read.tags
    # No control character, nothing that turns the direction of writing; a dollar is a dollar.
    assert not re.search(
        "[\x00-\x09\x0b-\x1f\x7f-\x9f\u200b-\u200f\u202a-\u202e\u2066-\u2069]", shown
    )
    assert "$x^2$" in read.text
    assert not [name for name, _ in read.attributes if name.startswith("on")]


def test_a_good_result() -> None:
    shown = text_of(measured(simulated()))
    for words in (
        "hive scale (invented), HS-0042",
        "✓ pass",
        "900 µA to 1.5 mA",
        "max 900 nA",
        "lamp minus idle",
        "averaged for",
        "Simulated bench, seed 1: no real board was measured.",
        "generic 6½-digit class (invented values)",
        "share of variance",
        "0" * 64,
        "58 routine events",
    ):
        assert words in shown, words


@pytest.mark.parametrize(
    ("about", "words"),
    [
        ({"complete": False}, "The session was cut off before its end."),
        (
            {"fault": FaultRecord(kind="board_silent", message="heard nothing")},
            "The session has a fault. board_silent: heard nothing",
        ),
        (
            {"states": (faulty("idle"),)},
            "No valid measurement, so no current to rely on: idle.",
        ),
        (
            {"states": (state("idle", 1e-3, verdict="undecided", limit_max_A=1e-3),)},
            "Undecided, since the limit lies inside the uncertainty: idle.",
        ),
    ],
)
def test_doubts_stand_beside_the_verdict(about: dict[str, Any], words: str) -> None:
    result = simulated().model_copy(update=about)
    shown = text_of(measured(result))
    assert words in shown
    assert shown.index(words) < shown.index("awake after")


def test_doubts_of_a_lot_come_first() -> None:
    bad = measured(with_states(faulty("idle")), "run-bad")
    shown = text_of(measured(simulated(), "run-good"), bad)
    assert "1 of 2 have a fault somewhere: run-bad." in shown
    assert "All are from a simulated bench, where no real board was measured." in shown
    assert shown.index("run-bad") < shown.index("All results")
    assert "2 results of hive-scale ! fault" in shown


def test_a_faulty_state_has_no_figure_in_a_lot() -> None:
    shown = text_of(
        measured(with_states(state("idle", 1e-3)), "a"),
        measured(with_states(state("idle", 9e-3, verdict="fault")), "b"),
    )
    assert "idle 1 of 2 1.000 mA" in shown


def test_missing_readings_are_told() -> None:
    shown = text_of(measured(simulated(), curves=False))
    assert "The readings are missing, and with them all curves. readings.csv: not there" in shown
    assert "averaged for" not in shown


def test_a_session_of_nothing_but_faults() -> None:
    shown = text_of(measured(simulated("dead-uart")))
    assert "! fault" in shown
    assert "The session has a fault. board_silent" in shown
    assert "No state has a budget." in shown


def test_sweeps_with_what_their_curves_do_not_explain() -> None:
    shown = text_of(measured(results.extremes()))
    for words in (
        "Sweep clocks",
        "The curve against frequency at 2.4 V does not describe the board",
        "(30.0 ± 1.0) µA/(V MHz)",
        "+4.50",
        "cannot be told",
        "+10.00 %",
        "+8.75",
        "typical characteristics (invented)",
        "Sensitivity at the nominal clock: (80.0 ± 2.0) µA/V.",
    ):
        assert words in shown, words


def test_a_sweep_over_voltage_alone() -> None:
    sweep = results.sweep()
    points = tuple(point.model_copy(update={"frequency_Hz": None}) for point in sweep.points[:3])
    only = sweep.model_copy(update={"points": points, "fits": (), "deviations": ()})
    result = simulated().model_copy(update={"sweeps": (only,)})
    assert "clocks: run over supply voltage" in text_of(measured(result))


def test_a_battery_life_with_its_cautions() -> None:
    one = measured(simulated())
    found = lifetime(one)
    assert isinstance(found, Lifetime)
    shown = text_of(one, lifetime=found)
    for words in (
        "A lithium cell can vent",
        "must never be charged",
        "An estimate from stated values, not a promise",
        f"{found.life.median_years:.3g} years in the median",
        "Target 5 years: missed",
        "Charge budget by state",
        "one board was measured",
        "What ends it first",
        "seed 1",
    ):
        assert words in shown, words


def test_a_fault_leaves_no_battery_life() -> None:
    one = measured(simulated("late-drift"))
    found = lifetime(one)
    assert isinstance(found, NoLifetime)
    shown = text_of(one, lifetime=found)
    assert "No battery life can be told" in shown
    assert "deep_sleep is a fault (drifting" in shown
    assert "in the median" not in shown


def test_boards_that_were_measured_twice_are_told_apart() -> None:
    shown = document([measured(simulated(), "a"), measured(simulated("", 2), "b")])
    titles = [section.title for section in shown.sections[1:]]
    assert titles == ["HS-0042, a", "HS-0042, b"]  # begun at one moment of the virtual clock


def test_events_beyond_some_are_counted() -> None:
    result = results.nasty()
    event = next(each for each in result.events if each.kind == "repeating")
    flood = result.model_copy(update={"events": (event,) * 500})
    assert "300 more are in the result file." in text_of(measured(flood))


def test_a_result_without_any_state() -> None:
    empty = with_states(verdict="fault", events=())
    assert isinstance(document([measured(empty)]), Document)
    assert "! fault" in text_of(measured(empty))


def test_every_text_may_be_missing() -> None:
    nothing = {"serial_number": None, "firmware": None, "operator": None, "note": None}
    board = simulated().board.model_copy(update={"identity": None})
    result = simulated().model_copy(update={**nothing, "board": board})
    assert "None" not in text_of(measured(result))


def test_templates_are_installed_beside_their_module() -> None:
    import benchrig.pages

    folder = Path(benchrig.pages.__file__).parent
    names = ("page.html.jinja", "blocks.html.jinja", "page.css")
    assert [name for name in names if not (folder / name).is_file()] == []
