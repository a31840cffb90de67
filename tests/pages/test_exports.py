"""CSV, JSON, Markdown, and plots as files."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path
from typing import Literal
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.pages.csv_table import TABLES, to_csv
from benchrig.pages.exports import to_json, write_plots
from benchrig.pages.markdown import escaped, to_markdown
from benchrig.pages.report import document
from benchrig.result import SessionResult
from tests.pages import results
from tests.pages.results import measured, simulated, state, with_states


def read(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


@pytest.mark.parametrize("table", TABLES)
def test_csv_has_one_row_for_each_row(table: str) -> None:
    text = to_csv([measured(results.extremes(), "a"), measured(simulated(), "b")], table)
    assert text.count("\r\n") == text.count("\n")  # RFC 4180, 2.1
    assert text.endswith("\r\n")
    rows = read(text)
    assert rows
    assert len({len(row) for row in rows}) == 1
    assert all(None not in row.values() for row in rows)


def test_numbers_in_csv_are_numbers_with_their_unit_in_the_head() -> None:
    rows = read(to_csv([measured(results.extremes())], "states"))
    by_name = {row["name"]: row for row in rows}
    negative = by_name["negative"]["current (A)"]
    assert float(negative) == -12e-9  # and not defused
    assert by_name["drifting"]["current (A)"] == ""
    assert by_name["drifting"]["fault"] == "drifting"
    assert float(by_name["smallest"]["limit max (A)"]) == 0.9e-6
    # What is read back is what was written, to the last bit.
    for row, told in zip(results.extremes().states, rows, strict=True):
        if row.current_A is not None:
            assert float(told["current (A)"]) == row.current_A


@pytest.mark.parametrize("lead", ["=", "+", "-", "@", "\t", "\r", "\n"])
def test_no_text_in_csv_is_a_formula(lead: str) -> None:
    bad = f'{lead}HYPERLINK("http://x","y")'
    result = with_states(state(bad, 1e-3), serial_number=bad)
    (row,) = read(to_csv([measured(result, bad)], "states"))
    for name in ("result", "serial number", "name"):
        assert row[name][0] == "'"
    assert float(row["current (A)"]) == 1e-3


@given(st.text(min_size=1))
def test_csv_survives_any_text(text: str) -> None:
    result = with_states(state(text, 1e-3), state("second", 2e-3))
    rows = read(to_csv([measured(result, curves=False)], "states"))
    assert len(rows) == 2
    assert rows[0]["name"]
    assert rows[0]["name"][0] not in "=+-@\t\r\n"
    assert [float(row["current (A)"]) for row in rows] == [1e-3, 2e-3]


def test_csv_without_such_rows_is_a_head() -> None:
    assert to_csv([measured(simulated())], "sweeps") == "result\r\n"


def test_json_holds_the_results_whole() -> None:
    text = to_json([measured(results.extremes(), "a")], {"median_years": 3.0})
    assert text.isascii()
    found = json.loads(text)
    assert found["life"] == {"median_years": 3.0}
    (one,) = found["results"]
    assert one["name"] == "a"
    assert SessionResult.model_validate(one["result"]) == results.extremes()


@pytest.mark.parametrize("make", [results.extremes, results.nasty, simulated])
def test_markdown_tables_have_as_many_cells_as_heads(make: object) -> None:
    text = to_markdown(document([measured(make())]))  # type: ignore[operator]
    heads = 0
    for line in text.splitlines():
        if not line.startswith("|"):
            heads = 0
            continue
        bars = len(re.findall(r"(?<!\\)(?:\\\\)*\|", line))
        heads = heads or bars
        assert bars == heads, line
    assert "\x1b" not in text
    assert not re.search(r"(?<!\\)<script", text)


@given(st.text())
def test_escaped_markdown_has_no_meaning(text: str) -> None:
    shown = escaped(text)
    assert "\n" not in shown
    bare = re.sub(r"\\[!-/:-@\[-`{-~]", "", shown)
    assert not re.search(r"[`*_\[\]<>|~$&#!\\]", bare)


@pytest.mark.parametrize("kind", ["png", "svg"])
def test_each_plot_is_a_file(tmp_path: Path, kind: Literal["png", "svg"]) -> None:
    shown = [measured(results.extremes(), "a/../b"), measured(results.nasty(), "a/../b")]
    folder = tmp_path / "new" / "plots"
    written = write_plots(document(shown), folder, kind)
    assert len(set(written)) == len(written) > 10
    assert all(path.parent == folder for path in written)
    again = write_plots(document(shown), tmp_path / "again", kind)
    for path, other in zip(written, again, strict=True):
        content = path.read_bytes()
        assert content == other.read_bytes()  # no date, no chance
        if kind == "png":
            assert content.startswith(b"\x89PNG\r\n\x1a\n")
        else:
            assert ElementTree.fromstring(content).tag == "{http://www.w3.org/2000/svg}svg"


def test_text_of_a_plot_is_text(tmp_path: Path) -> None:
    (path, *_) = write_plots(document([measured(results.nasty())]), tmp_path, "svg")
    words = "".join(ElementTree.fromstring(path.read_bytes()).itertext())
    assert "<script>alert(1)</script>&\"'$x^2$" in words
