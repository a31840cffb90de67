from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import ValidationError

from benchrig.session import BenchFile, load_bench
from benchrig.session.toml_file import parse_toml
from tests.session.good_files import BENCH
from tests.session.mistakes import check_marked, only_problem, problems

FIXTURES = Path(__file__).parents[2] / "fixtures"

SIMULATED = """format = "benchrig/bench/1"
name = "simulated"

[meter]
sheet = "meter.toml"

[simulation]
board = "board.toml"
seed = 7
"""


def read(text: str = BENCH) -> BenchFile:
    return parse_toml(text, "good.toml", BenchFile)


def spoilt(old: str, new: str, text: str = BENCH) -> str:
    assert text.count(old) == 1
    return text.replace(old, new)


def test_the_example_is_good() -> None:
    bench = load_bench(FIXTURES / "simulated.bench.toml")
    assert bench.simulation is not None
    assert bench.board.parking.tx == "closed"


def test_values_are_in_base_units() -> None:
    bench = read()
    assert (bench.board.baud_rate, bench.board.stop_bits) == (115200, 1.5)
    assert (bench.board.dtr, bench.board.rts) == (False, None)
    assert bench.board.parking.needed
    assert (bench.meter.timeout, bench.meter.line_frequency, bench.meter.nplc) == (3.0, 60.0, 0.2)
    assert bench.supply is not None
    assert (bench.supply.current_limit, bench.supply.highest_voltage) == (0.1, 3.6)


def test_what_is_not_said_has_a_default() -> None:
    bench = read(SIMULATED)
    assert (bench.board.baud_rate, bench.board.parity, bench.board.stop_bits) == (9600, "none", 1)
    assert not bench.board.parking.needed
    assert bench.supply is None
    assert bench.meter.nplc is None


@pytest.mark.parametrize("written", ["1", "1.0", "1.5", "2"])
def test_stop_bits_that_there_are(written: str) -> None:
    assert read(spoilt("stop_bits = 1.5", f"stop_bits = {written}")).board.stop_bits == float(
        written
    )


def test_it_is_frozen() -> None:
    bench = read()
    for table in (bench, bench.board, bench.board.parking, bench.meter, bench.supply):
        for key in type(table).model_fields:
            with pytest.raises(ValidationError, match="frozen"):
                setattr(table, key, None)


def test_read_twice_it_is_equal() -> None:
    path = FIXTURES / "simulated.bench.toml"
    assert load_bench(path) == load_bench(str(path))


def test_the_files_it_names_lie_beside_it(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(BENCH, encoding="utf-8")
    bench = load_bench(path)
    assert bench.meter.sheet == str(tmp_path / "sheets" / "meter.toml")
    assert bench.meter.zeros == str(tmp_path / "zeros.json")
    path.write_text(SIMULATED.replace("meter.toml", "/sheets/meter.toml"), encoding="utf-8")
    bench = load_bench(path)
    assert bench.meter.sheet == "/sheets/meter.toml"  # one from the root stays as it is
    assert bench.meter.zeros is None
    assert bench.simulation is not None
    assert bench.simulation.board == str(tmp_path / "board.toml")


MANY = """format = "benchrig/bench/1"
name = "my bench"               #! name: a letter or digit first

[board]
prot = "/dev/ttyUSB0"           #! board.prot: did you mean 'port'?
baud_rate = "9600"              #! board.baud_rate: a whole number, without quotes
data_bits = 9                   #! board.data_bits: must be 5, 6, 7 or 8
parity = "None"                 #! board.parity: must be 'none', 'even', 'odd', 'mark' or 'space'
stop_bits = 3                   #! board.stop_bits: is 3; it must be 1, 1.5 or 2
flow_control = "rts"            #! board.flow_control: 'rtscts'
exclusive = 1                   #! board.exclusive: true or false, without quotes
parking.tx = "high"             #! board.parking.tx: 'idle', 'low' or 'closed'
parking.cts = true              #! board.parking.cts: known here: dtr, rts, tx

[meter]                         #! meter.address: add address = "TCPIP
read_termination = "\\n"         #! meter.read_termination: 'CR', 'LF' or 'CRLF'
timeout = 2                     #! meter.timeout: 2 has no unit
nplc = "1"                      #! meter.nplc: a number, without quotes
line_frequency = "50"           #! meter.line_frequency: '50' has no unit
stop_bits = "1"                 #! meter.stop_bits: a number, without quotes
states = []                     #! meter.states: is not a known key

[suply]                         #! suply: did you mean 'supply'? #! supply.address: is missing
current_limit = "100 mW"        #! supply.current_limit: is in mW, not in A
highest_voltage = "-3.6 V"      #! supply.highest_voltage: must not be negative
at_end = "of"                   #! supply.at_end: 'off', 'on' or 'unchanged'
settling = "1 d d"              #! supply.settling: is not a quantity
"""


def test_a_bench_full_of_mistakes_brings_one_message_for_each() -> None:
    check_marked(MANY, BenchFile)


@pytest.mark.parametrize(
    ("old", "key", "example"),
    [
        ('port = "/dev/ttyUSB0"\n', "board.port", "/dev/ttyUSB0"),
        ('address = "TCPIP::192.0.2.7::5025::SOCKET"\n', "meter.address", "TCPIP::"),
        ('address = "ASRL/dev/ttyUSB1::INSTR"\n', "supply.address", "ASRL"),
    ],
)
def test_a_real_bench_needs_its_ports(old: str, key: str, example: str) -> None:
    line, told_key, message = only_problem(spoilt(old, ""), BenchFile)
    assert told_key == key
    assert BENCH.split("\n")[(line or 0) - 1] == f"[{key.split('.')[0]}]"
    assert message.startswith("is missing: add ")
    assert example in message


def test_a_real_bench_without_its_tables_needs_them() -> None:
    text = 'format = "benchrig/bench/1"\nname = "x"\n'
    assert [key for _, key, _ in problems(text, BenchFile)] == ["board.port", "meter.address"]


def test_a_simulated_bench_has_no_ports() -> None:
    text = BENCH + '[simulation]\nboard = "board.toml"\n'
    found = problems(text, BenchFile)
    assert [(line, key) for line, key, _ in found] == [
        (5, "board.port"),
        (16, "meter.address"),
        (26, "supply.address"),
    ]
    assert all("does not go with [simulation]" in message for _, _, message in found)


def test_a_simulated_meter_needs_its_sheet() -> None:
    line, key, message = only_problem(spoilt('sheet = "meter.toml"', "", SIMULATED), BenchFile)
    assert (line, key) == (4, "meter.sheet")
    assert "is made from a meter sheet" in message


def test_a_misspelt_simulation_is_still_one() -> None:
    _, key, message = only_problem(spoilt("[simulation]", "[simulatoin]", SIMULATED), BenchFile)
    assert (key, message) == (
        "simulatoin",
        "is not a known key; did you mean 'simulation'?",
    )


@pytest.mark.parametrize("seed", ["-1", "1.5", '"1"', "true"])
def test_a_seed_is_a_whole_number(seed: str) -> None:
    _, key, message = only_problem(spoilt("seed = 7", f"seed = {seed}", SIMULATED), BenchFile)
    assert key == "simulation.seed"
    assert "must be a whole number" in message or "must be 0 or more" in message


@pytest.mark.parametrize("key", ["current_limit", "highest_voltage"])
def test_a_supply_is_never_without_its_limits(key: str) -> None:
    rows = [row for row in BENCH.split("\n") if not row.startswith(key)]
    _, told_key, message = only_problem("\n".join(rows), BenchFile)
    assert told_key == f"supply.{key}"
    assert message.startswith(f"is missing: add {key} = ")
