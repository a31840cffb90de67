"""The cell file, and the generic cells that are shipped."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchrig.session.cell_file import CellFile
from benchrig.session.toml_file import parse_toml, read_toml
from tests.session.mistakes import check_marked, only_problem

CELLS = sorted((Path(__file__).parents[2] / "fixtures" / "cells").glob("*.cell.toml"))

GOOD = """format = "benchrig/cell/1"
name = "coin"
chemistry = "lithium manganese dioxide"
capacity = "220 mAh +- 5 %"
at_load = "200 uA"
self_discharge = "1 % +- 0.5 %"
shelf_life = "10 years"
end_voltage = "2.0 V"
discharge = [
    { depth = "0 %", voltage = "3.2 V", resistance = "15 ohm" },
    { depth = "100 %", voltage = "2.2 V", resistance = "60 ohm" },
]
"""


def read(text: str = GOOD) -> CellFile:
    return parse_toml(text, "c.toml", CellFile)


def test_a_cell_is_read() -> None:
    cell = read().cell
    assert cell.capacity.value == pytest.approx(792.0)
    assert cell.capacity.standard_uncertainty == pytest.approx(39.6 / 3**0.5)
    assert cell.self_discharge.value == pytest.approx(0.01)
    assert not cell.rechargeable
    assert cell.shelf_life_s == pytest.approx(10 * 365.25 * 86400)
    assert float(cell.voltage_V(np.array(0.5))) == pytest.approx(2.7)
    assert float(cell.resistance_ohm(np.array(0.5))) == pytest.approx(37.5)
    assert read(GOOD.replace("manganese dioxide", "iron phosphate")).cell.rechargeable


def test_a_pack() -> None:
    cell = read(GOOD.replace("discharge = [", "series = 3\nparallel = 2\ndischarge = [")).cell
    assert float(cell.voltage_V(0.0)) == pytest.approx(9.6)
    assert float(cell.resistance_ohm(0.0)) == pytest.approx(22.5)
    assert float(cell.pack_capacity_C({"capacity": 792.0})) == pytest.approx(1584.0)


@pytest.mark.parametrize("path", CELLS, ids=lambda path: path.stem)
def test_the_shipped_cells_say_where_their_values_are_from(path: Path) -> None:
    cell = read_toml(path, CellFile).cell
    assert "generic" in cell.name
    plain = ("format", "name", "chemistry", "series", "kind", "#", " ", "]", "[")
    for line in path.read_text(encoding="utf-8").splitlines():
        if line and not line.startswith(plain):
            assert "common practice, no source" in line, line


def test_there_are_a_few_chemistries() -> None:
    assert len({read_toml(path, CellFile).chemistry for path in CELLS}) >= 6


def test_each_mistake_is_named() -> None:
    check_marked(MANY, CellFile)


MANY = """format = "benchrig/cell/1"
name = "coin"
chemistry = "lithium"           #! chemistry: must be 'lithium thionyl chloride'
capacity = "220 mA"             #! capacity: is in mA, not in C
at_load = "0 A"                 #! at_load: must be above zero
self_discharge = "1"            #! self_discharge: has no unit
shelf_life = "ten years"        #! shelf_life: is not a quantity
end_voltage = "2.0 V"
resistance_tolerance = "100 %"  #! resistance_tolerance: must be below 100 %
peukert = 0.9                   #! peukert: must be 1 or more
series = 0                      #! series: must be 1 or more
discharge = [
    { depth = "5 %", voltage = "3.0 V", resistance = "15 ohm" },  #! discharge[1].depth: the fresh cell
    { depth = "5 %", voltage = "3.1 V", resistance = "15 ohm" },  #! discharge[2].depth: above that of the entry before #! discharge[2].voltage: rises
    { depth = "90 %", voltage = "3.0 V", resistance = "-1 ohm" }, #! discharge[3].depth: the empty cell #! discharge[3].resistance: must not be negative
]
temperatures = [
    { temperature = "20 °C", capacity = "100 %" },
    { temperature = "0 °C", capacity = "80 %" },                  #! temperatures[2].temperature: above that of the entry before
]

[regulator]
kind = "linear"
quiescent = "1 uA"
output = "3.0 V"
minimum_input = "2.0 V"         #! regulator.minimum_input: must not be below output
efficiency = [{ load = "1 mA", efficiency = "110 %" }]  #! regulator.efficiency: switching regulator only #! regulator.efficiency[1].efficiency: must not be above 100 %
"""  # noqa: E501


@pytest.mark.parametrize(
    ("line", "key", "part"),
    [
        ('peukert = 1.1\nloads = [{ load = "200 uA", capacity = "100 %" }]', "peukert", "loads"),
        ('loads = [{ load = "1 A", capacity = "90 %" }]', "loads", "100 % at at_load"),
        (
            'temperatures = [{ temperature = "0 °C", capacity = "90 %" }]',
            "temperatures",
            "the factor 1 at 20 °C",
        ),
        ('self_discharge = "90 % +- 10 %"', "self_discharge", "below 100 % per year"),
        ('self_discharge = "1 % +- 2 %"', "self_discharge", "may be negative"),
        ('end_voltage = "3.7 V"', "end_voltage", "below the voltage of the fresh cell"),
        ('capacity = "1e300 Ah"', "capacity", "look at its prefix"),
    ],
)
def test_what_does_not_go_together(line: str, key: str, part: str) -> None:
    kept = [row for row in GOOD.split("\n") if row.split(" ")[0] != line.split(" ")[0]]
    text = "\n".join(kept).replace("discharge = [", f"{line}\ndischarge = [")
    _, where, message = only_problem(text, CellFile)
    assert where == key
    assert part in message


def test_a_switching_regulator_needs_its_efficiency() -> None:
    table = """
[regulator]
kind = "switching"
quiescent = "0 A"
output = "1 V"
minimum_input = "1 V"
"""
    _, key, message = only_problem(GOOD + table, CellFile)
    assert key == "regulator.efficiency"
    assert "a switching regulator needs it" in message
