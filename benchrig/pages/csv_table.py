"""Tables of figures for spreadsheets and scripts, after RFC 4180.

Numbers stay bare numbers in base units, their unit is in the head of the column. A spreadsheet
would take a text that begins like a formula for one: such a text gets an apostrophe in front,
which spreadsheets show as text (common practice, no source).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from pydantic import BaseModel

from benchrig.harmless import harmless
from benchrig.pages.measured import Measured
from benchrig.result import SessionResult

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
# Of a row, what is a table of its own.
_NESTED = ("budget", "earlier", "data", "parameters", "residuals")

Rows = Iterator[dict[str, Any]]


def _states(result: SessionResult) -> Rows:
    yield from (_flat(row) for row in result.states)


def _derived(result: SessionResult) -> Rows:
    yield from (_flat(row) for row in result.derived)


def _charges(result: SessionResult) -> Rows:
    yield from (_flat(row) for row in result.charges)


def _budgets(result: SessionResult) -> Rows:
    for state in result.states:
        yield from ({"state": state.name, **_flat(part)} for part in state.budget)
    for charge in result.charges:
        yield from ({"state": charge.name, **_flat(part)} for part in charge.budget)


def _sweeps(result: SessionResult) -> Rows:
    for sweep in result.sweeps:
        for point in sweep.points:
            place = {"voltage_V": point.voltage_V, "frequency_Hz": point.frequency_Hz}
            yield {"sweep": sweep.name, **place, **_flat(point.row)}


def _curves(result: SessionResult) -> Rows:
    for sweep in result.sweeps:
        for fit in sweep.fits:
            about = _flat(fit)
            start = {"sweep": sweep.name, "curve": about.pop("kind")}
            yield from ({**start, **about, **_flat(each)} for each in fit.parameters)


def _deviations(result: SessionResult) -> Rows:
    for sweep in result.sweeps:
        for each in sweep.deviations:
            yield {"sweep": sweep.name, "data_sheet": sweep.data_sheet, **_flat(each)}


def _residuals(result: SessionResult) -> Rows:
    for sweep in result.sweeps:
        for fit in sweep.fits:
            for each in fit.residuals:
                yield {"sweep": sweep.name, "curve": fit.kind, **_flat(each)}


def _events(result: SessionResult) -> Rows:
    yield from (_flat(event) for event in result.events)


TABLES: Mapping[str, Callable[[SessionResult], Rows]] = {
    "states": _states,
    "derived": _derived,
    "charges": _charges,
    "budgets": _budgets,
    "sweeps": _sweeps,
    "curves": _curves,
    "residuals": _residuals,
    "deviations": _deviations,
    "events": _events,
}


def _flat(row: BaseModel) -> dict[str, Any]:
    """Its own values; a fault as its kind and its message, several words as one text."""
    found: dict[str, Any] = {}
    for key, value in row.model_dump(mode="json").items():
        if key == "fault":
            found["fault"] = value["kind"] if value else None
            found["fault_message"] = value["message"] if value else None
        elif isinstance(value, list) and key not in _NESTED:
            found[key] = " ".join(value)
        elif key not in _NESTED:
            found[key] = value
    return found


def to_csv(measured: Sequence[Measured], table: str) -> str:
    """One table of all results, with lines that end in CRLF; the head alone where no result has
    such rows. `table` is one of `TABLES`."""
    rows = [
        {"result": each.name, "serial_number": each.result.serial_number, **row}
        for each in measured
        for row in TABLES[table](each.result)
    ]
    names = list(dict.fromkeys(name for row in rows for name in row))
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\r\n")
    writer.writerow([_head(name) for name in names] if names else ["result"])
    writer.writerows([_cell(row.get(name)) for name in names] for row in rows)
    return file.getvalue()


_UNITS = ("A_per_V", "per_s", "A", "V", "s", "C", "Hz")


def _head(name: str) -> str:
    """``current_A`` as ``current (A)``."""
    for unit in _UNITS:
        if name.endswith(f"_{unit}"):
            told = unit.replace("A_per_V", "A/V").replace("per_s", "1/s")
            return f"{name.removesuffix(f'_{unit}').replace('_', ' ')} ({told})"
    return name.replace("_", " ")


def _cell(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    # Looked at before it is made harmless: that would hide a tab, which some readers drop.
    return f"'{harmless(value)}" if value.startswith(_FORMULA) else harmless(value)
