"""Charges and sweeps in a session file: what is refused, and which points are measured."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.session import Session, load_session
from benchrig.session.protocol import ClockCommand
from benchrig.session.session_file import BoardRatings
from benchrig.session.steps import OperatingLimit, Sweep, grid
from benchrig.session.toml_file import parse_toml
from tests.benches import FIXTURES
from tests.session.mistakes import check_marked

SWEEP_FILE = FIXTURES / "hive-scale-sweep.session.toml"

WRONG = r"""format = "benchrig/session/1"
name = "wrong"

[board]
name = "a board"
supply_voltage = "3.0 V"
minimum_voltage = "2.2 V"
highest_voltage = "3.2 V"
highest_current = "25 mA"
clock = "2 MHz"
operating_limits = [
    { minimum_voltage = "2.3 V", highest_frequency = "1 MHz" },
    { minimum_voltage = "2.9 V", highest_frequency = "2 MHz" },
]

[protocol]
hello = { send = "hello", expect = "^hi$" }
set_clock = { send = "clock", expect = "^ok$" }   #! protocol.set_clock.send: {Hz}, {kHz}, {MHz}

[[states]]
name = "idle"

[[states]]
name = "dozing"
ticks = { period = "1 s", duration = "1 ms", peak_current = "1 mA" }
wake = { by = "byte", send_hex = "55", within = "300 ms" }

[[states]]
name = "asleep"
wake = { by = "break", within = "1 s", reboots = true }

[[charges]]
name = "no_ticks"
state = "idle"             #! charges[1].state: idle has no ticks

[[charges]]
name = "asleep"            #! charges[2].name: the name of a state
state = "dozing"
period = "1 s"             #! charges[2].period: that of the ticks of dozing
base = "dozing"            #! charges[2].base: the state itself

[[charges]]
name = "loose"
state = "dozing"
periods = 100
period_within = "1 %"      #! charges[3].period_within: at most 0.25 %

[[charges]]
name = "made"
state = "dozing"           #! charges[4].state: ticks by itself
stimulus = { by = "byte", send = "x" }
exchanges = [{ send = "go", expect = "^done$", timeout = "2 s" }]
base = "idle"              #! charges[4].base: own timer only
period = "1 s"             #! charges[4].period: may take to be answered, 2.00 s

[[charges]]                #! charges[5].period: how often the event is made
name = "endless"
state = "idle"
pause = "1 ms"             #! charges[5].pause: goes with a stimulus
exchanges = [{ send = "go" }]
limit = { min = "2 uC", max = "1 uC" }   #! charges[5].limit.min: nothing can pass

[[charges]]
name = "loose"             #! charges[6].name: used twice
state = "doze"             #! charges[6].state: is not defined

[[sweeps]]                 #! sweeps[1].voltages: give voltages, or frequencies
name = "nothing"
state = "idle"

[[sweeps]]
name = "beyond"
state = "idle"
voltages = [
    "2.2 V",               #! sweeps[2].voltages[1]: not above board.minimum_voltage
    "3.0 V",
    "3.0 V",               #! sweeps[2].voltages[3]: listed twice
    "3.3 V",               #! sweeps[2].voltages[4]: above board.highest_voltage
]
[[sweeps.limits]]
voltage = "2.8 V"          #! sweeps[2].limits[1].voltage: no point
limit.max = "1 mA"

[[sweeps]]
name = "too_fast"
state = "asleep"
voltages = ["2.8 V"]       #! sweeps[3].voltages: no point #! sweeps[3].voltages[1]: too low
"""


WRONG_BOARD = r"""format = "benchrig/session/1"
name = "wrong"
[board]
name = "a board"
supply_voltage = "3.0 V"
minimum_voltage = "2.2 V"
highest_voltage = "2.9 V"   #! board.highest_voltage: must not be below supply_voltage, 3.000 V
highest_current = "25 mA"
clock = "4 MHz"             #! board.clock: beyond operating_limits
[[board.operating_limits]]
minimum_voltage = "2.7 V"
highest_frequency = "2 MHz"
[[board.operating_limits]]
minimum_voltage = "2.5 V"     #! board.operating_limits[2].minimum_voltage: not above the one
highest_frequency = "3 MHz"
[[board.operating_limits]]
minimum_voltage = "2.9 V"
highest_frequency = "1 MHz"   #! board.operating_limits[3].highest_frequency: more volts
[protocol]
hello = { send = "hello", expect = "^hi$" }
[[states]]
name = "idle"
"""


@pytest.mark.parametrize("text", [WRONG, WRONG_BOARD], ids=["steps", "board"])
def test_each_mistake_is_told_with_its_place(text: str) -> None:
    check_marked(text, Session)


WITHOUT_CLOCK = r"""format = "benchrig/session/1"
name = "without"
[board]
name = "a board"
supply_voltage = "3.0 V"
minimum_voltage = "2.2 V"
highest_current = "25 mA"
[protocol]
hello = { send = "hello", expect = "^hi$" }
[[states]]
name = "idle"
[[sweeps]]
name = "fast"
state = "idle"
voltages = ["3.3 V"]         #! sweeps[1].voltages[1]: needs board.highest_voltage
frequencies = ["1 MHz"]  #! sweeps[1].frequencies: set_clock #! sweeps[1].frequencies: board.clock
"""


def test_a_sweep_needs_to_know_how_high_and_how_the_clock_is_told() -> None:
    check_marked(WITHOUT_CLOCK, Session)


def test_the_fixture_has_its_grid_without_the_point_beyond_the_limits() -> None:
    session = load_session(SWEEP_FILE)
    (sweep,) = session.sweeps
    points = list(grid(session.board, sweep))
    assert len(points) == 15
    assert (2.4, 8e6) not in points
    assert points[:2] == [(3.3, 1e6), (3.3, 2e6)]
    assert sweep.limit_at(3.0, 4e6).max == 1.5e-3
    assert sweep.limit_at(3.3, 8e6).max == 2.8e-3
    assert sweep.limit_at(3.3, 4e6).max is None


@pytest.mark.parametrize(
    ("unit", "frequency_Hz", "number"),
    [("MHz", 4e6, "4"), ("MHz", 2.5e6, "2.5"), ("kHz", 32768.0, "32.768"), ("Hz", 1e6, "1000000")],
)
def test_a_clock_command(unit: str, frequency_Hz: float, number: str) -> None:
    command = ClockCommand.model_validate(
        {"send": f"clock {{{unit}}}", "expect": rf"^ok {{{unit}}} \d{{1,3}}$"}
    )
    exchange = command.at(frequency_Hz)
    assert exchange.send == f"clock {number}"
    assert exchange.expect is not None
    assert exchange.expect.fullmatch(f"ok {number} 12")
    assert not exchange.expect.fullmatch(f"ok {number.replace('.', 'x')}0 12")


def test_a_clock_command_in_bytes_is_refused() -> None:
    with pytest.raises(ValueError, match="sent as text"):
        ClockCommand.model_validate({"send_hex": "A5"})


def test_the_same_file_reads_the_same() -> None:
    text = SWEEP_FILE.read_text("utf-8")
    assert parse_toml(text, "a", Session) == parse_toml(text, "b", Session)


VOLTS = st.integers(22, 36).map(lambda tenths: tenths / 10)
MEGAHERTZ = st.integers(1, 16).map(lambda number: number * 1e6)


@st.composite
def boards(draw: st.DrawFn) -> BoardRatings:
    volts = sorted(draw(st.sets(VOLTS, min_size=1, max_size=4)))
    fastest = sorted(draw(st.lists(MEGAHERTZ, min_size=len(volts), max_size=len(volts))))
    limits = tuple(
        OperatingLimit.model_construct(minimum_voltage=volt, highest_frequency=fast)
        for volt, fast in zip(volts, fastest, strict=True)
    )
    return BoardRatings.model_construct(
        supply_voltage=3.0, clock=min(fastest), operating_limits=limits
    )


@given(boards(), st.sets(VOLTS, min_size=1), st.sets(MEGAHERTZ, min_size=1))
def test_a_grid_has_every_legal_point_once(
    board: BoardRatings, volts: set[float], clocks: set[float]
) -> None:
    sweep = Sweep.model_construct(voltages=tuple(volts), frequencies=tuple(clocks))
    points = list(grid(board, sweep))
    assert len(set(points)) == len(points)
    legal = {(v, f) for v in volts for f in clocks if board.may_run(v, f)}
    assert set(points) == legal
