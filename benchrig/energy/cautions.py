"""What must be said wherever the figures of a cell are shown (common practice, no source)."""

from __future__ import annotations

from benchrig.energy.cell import Cell

LITHIUM = (
    "A lithium cell can vent, burn or explode when it is shorted, crushed, heated or charged in a "
    "way that it is not made for. Keep a fuse or a current limit next to it."
)
PRIMARY = (
    "A primary cell must never be charged, also not through the board, a meter or a supply that is "
    "connected beside it: put a diode or a switch between them."
)
RECHARGEABLE = (
    "Charge it only with a charger made for its chemistry, within its limits of current and "
    "temperature; lithium-ion never below 0 °C."
)
PACK = (
    "Cells in series or parallel must be of one type, age and charge: a weaker one is reversed or "
    "charged by the others. Packs of lithium cells need protection for each."
)
LAW = (
    "Shipping of lithium cells is regulated. Follow the maker's data sheet and local codes, and "
    "leave to licensed people what they reserve for them."
)
OTHER = (
    "A cell leaks or bursts when it is shorted, reversed or overcharged. Keep a fuse or a current "
    "limit next to it, and follow the maker's data sheet and local codes."
)
ESTIMATE = (
    "An estimate from stated values, not a promise: typical public values of a chemistry are not "
    "those of your cell. Ask its maker for capacity, self-discharge and resistance at your load, "
    "temperature and age."
)


def cautions(cell: Cell) -> tuple[str, ...]:
    """The ones that hold for a cell, the most dangerous first."""
    lithium = cell.chemistry.startswith("lithium")
    found = [LITHIUM if lithium else OTHER]
    found.append(RECHARGEABLE if cell.rechargeable else PRIMARY)
    if cell.series > 1 or cell.parallel > 1:
        found.append(PACK)
    if lithium:
        found.append(LAW)
    return (*found, ESTIMATE)
