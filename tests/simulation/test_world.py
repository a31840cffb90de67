"""The world: board, meter and supply on one axis of time, and what is true in it."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.errors import UsageError
from benchrig.session.sheet import MeterSheet
from benchrig.session.toml_file import read_toml
from benchrig.simulation.board_parts import Burst
from benchrig.simulation.files import SimulatedBoardFile, load_board
from benchrig.simulation.world import FarEnd, World

FIXTURES = Path(__file__).parents[2] / "fixtures"
HIVE = load_board(FIXTURES / "boards" / "hive-scale.toml")
SHEET = read_toml(FIXTURES / "meter-6-digit.toml", MeterSheet)
COMMANDS = {
    "idle": b"stop\n",
    "weigh": b"run weigh\n",
    "lamp": b"lamp on\n",
    "report": b"report\n",
    "light_sleep": b"sleep light\n",
    "deep_sleep": b"sleep deep\n",
}


def ask(end: FarEnd, message: bytes, t: float, within_s: float = 5.0) -> tuple[bytes, float]:
    """(reply, when it was complete); waits from one moment of possible output to the next."""
    end.receive(message, t)
    limit_s, reply = t + within_s, end.output(t)
    while not reply.endswith(b"\n"):
        next_s = end.next_output(t)
        assert next_s is not None, f"{message!r} is never answered; so far {reply!r}"
        assert t < next_s <= limit_s, f"{message!r} is not answered in time; so far {reply!r}"
        t = next_s
        reply += end.output(t)
    return reply, t


def quiet(board: SimulatedBoardFile) -> SimulatedBoardFile:
    states = tuple(state.model_copy(update={"noise": 0.0}) for state in board.states)
    return board.model_copy(update={"states": states})


@pytest.mark.parametrize("shunt_ohm", [0.0, 1.0, 20.0])
@pytest.mark.parametrize("state", COMMANDS)
def test_the_true_current_is_what_flows(state: str, shunt_ohm: float) -> None:
    world = World(quiet(HIVE), None, 1)
    world.advance(1.0)
    world.board.receive(COMMANDS[state], 1.0)
    world.circuit.set_shunt(shunt_ohm, 2.0)
    world.advance(60.0)  # deep sleep has a tail of 1.5 s: exp(-38) of it is left
    before_C = world.circuit.charge_C
    world.advance(70.0)
    mean_A = (world.circuit.charge_C - before_C) / 10.0
    assert mean_A == pytest.approx(world.true_current_A(state, shunt_ohm), rel=1e-9)
    assert world.simulated_board.state == state


@given(
    period_s=st.floats(0.01, 2.0),
    share=st.floats(0.01, 0.9),
    current_A=st.floats(1e-6, 5e-4),
    shunt_ohm=st.floats(0.0, 1000.0),
)
@settings(max_examples=40, deadline=None)
def test_the_true_mean_of_bursts(
    period_s: float, share: float, current_A: float, shunt_ohm: float
) -> None:
    """The capacitor smears a burst out, and does not change its charge."""
    burst = Burst.model_construct(period=period_s, duration=period_s * share, current=current_A)
    world = World(_with_burst(burst), None, 1)
    world.board.receive(COMMANDS["light_sleep"], 1.0)
    world.circuit.set_shunt(shunt_ohm, 1.5)
    start_s = 1.5 + 200 * period_s
    world.advance(start_s)
    before_C = world.circuit.charge_C
    world.advance(start_s + 10 * period_s)
    mean_A = (world.circuit.charge_C - before_C) / (10 * period_s)
    assert mean_A == pytest.approx(world.true_current_A("light_sleep", shunt_ohm), rel=1e-6)


def _with_burst(burst: Burst) -> SimulatedBoardFile:
    board = quiet(HIVE)
    states = tuple(
        state.model_copy(update={"burst": burst}) if state.name == "light_sleep" else state
        for state in board.states
    )
    return board.model_copy(update={"states": states})


def test_there_is_no_true_current_of_a_board_that_browns_out() -> None:
    world = World(HIVE, None, 1)
    with pytest.raises(UsageError, match="browns out in 'lamp' at 100"):
        world.true_current_A("lamp", 100.0)
    assert world.true_current_A("idle", 100.0) < 1.2e-3
    # In the mean a light sleep costs 2.5 mV at 100 ohm, but a long burst of 9 mA takes 0.9 V.
    long = Burst(period="1 s", duration="30 ms", current="9 mA")  # type: ignore[arg-type]
    world = World(_with_burst(long), None, 1)
    with pytest.raises(UsageError, match="browns out in 'light_sleep'"):
        world.true_current_A("light_sleep", 100.0)
    # One of 0.5 ms takes 47 uF no further than 9 mA · 0.5 ms / 47 uF = 96 mV.
    short = Burst(period="1 s", duration="500 us", current="9 mA")  # type: ignore[arg-type]
    assert World(_with_burst(short), None, 1).true_current_A("light_sleep", 100.0) > 29e-6


def test_the_supply_voltage_and_the_clock_are_in_the_true_current() -> None:
    world = World(HIVE, None, 1)
    world.advance(1.0)
    slope_S = 30e-6 + 67.5e-12 * 4e6
    at_3, at_25 = (world.true_current_A("idle", 0.0, supply_V=volts) for volts in (3.0, 2.5))
    assert at_3 - at_25 == pytest.approx(0.5 * slope_S, rel=1e-5)
    world.board.receive(b"clock 1\n", 1.0)
    world.advance(2.0)
    assert world.true_current_A("idle", 0.0) == pytest.approx(at_3 - 3.0 * 67.5e-12 * 3e6, rel=1e-5)


def test_without_a_supply_it_is_on_at_once_with_one_it_is_off() -> None:
    world = World(HIVE, None, 1)
    assert world.supply is None
    assert world.board.output(1.0) == b"hive scale boot 1.4.2\r\n"
    world = World(HIVE, None, 1, supply=True)
    assert world.board.output(10.0) == b""
    assert world.board.next_output(10.0) is None
    assert world.simulated_board.state == "off"


def test_a_world_without_a_meter_says_so() -> None:
    with pytest.raises(UsageError, match="no meter"):
        _ = World(HIVE, None, 1).meter


def test_the_supply_powers_the_board() -> None:
    world = World(HIVE, SHEET, 1, supply=True)
    assert world.supply is not None
    reply, t = ask(world.supply, b"VOLT 3.0;CURR 0.1;:OUTP ON;*OPC?\n", 1.0)
    assert reply == b"1\n"
    banner = b""
    while not banner.endswith(b"\n"):
        next_s = world.board.next_output(t)
        assert next_s is not None
        t = next_s
        banner += world.board.output(t)
    assert banner == b"hive scale boot 1.4.2\r\n"
    # 1 ms of held reset, 250 ms of boot, 23 bytes of 10 bits at 9600 baud
    assert t == pytest.approx(1.251 + 23 * 10 / 9600, abs=0.01)
    reply, _ = ask(world.supply, b"MEAS:CURR?\n", 2.0)
    assert float(reply) == pytest.approx(1.2e-3, rel=0.01)


def test_the_meter_reads_the_true_current() -> None:
    """Seed 1, in the range of 10 mA, with the sheet's accuracy: 0.05 % of reading + 2 uA."""
    world = World(HIVE, SHEET, 1)
    world.board.output(1.0)
    ask(world.meter, b"CONF:CURR 0.01;:CURR:NPLC 1;*OPC?\n", 1.0)
    reply, _ = ask(world.meter, b"READ?\n", 1.5)
    true_A = world.true_current_A("idle", 5.0)
    assert float(reply) == pytest.approx(true_A, abs=0.0005 * true_A + 2e-6 + 1e-6)


def test_an_aperture_sees_what_happens_in_it_whenever_it_is_asked_for() -> None:
    """200 ms, in which the lamp is on for the last 75 ms or so; fetched long afterwards."""
    world = World(quiet(HIVE), SHEET, 1)
    world.board.output(1.0)
    ask(world.meter, b"CONF:CURR 0.1;:CURR:NPLC 10;*OPC?\n", 1.0)
    world.meter.receive(b"READ?\n", 1.6)
    world.board.receive(b"lamp on\n", 1.7)
    world.board.output(9.0)
    reading_A = float(world.meter.output(9.0))
    low_A, high_A = (world.true_current_A(state, 1.0) for state in ("idle", "lamp"))
    # 8 bytes in, 4 ms of thought, 12 bytes out
    share = (0.2 - 0.1 - 0.004 - 20 * 10 / 9600) / 0.2
    assert reading_A == pytest.approx(low_A + share * (high_A - low_A), abs=100e-6)


def test_the_same_seed_gives_the_same_readings() -> None:
    def readings(seed: int) -> bytes:
        world = World(HIVE, SHEET, seed)
        world.board.output(1.0)
        ask(world.meter, b"CONF:CURR 0.01;:CURR:NPLC 1;*OPC?\n", 1.0)
        return ask(world.meter, b"SAMP:COUN 5;:READ?\n", 1.5)[0]

    assert readings(7) == readings(7)
    assert readings(7) != readings(8)


def test_time_may_stand_still() -> None:
    world = World(HIVE, SHEET, 1)
    world.advance(1.0)
    before = (world.circuit.charge_C, world.simulated_board.state)
    world.board.receive(b"", 1.0)
    world.meter.receive(b"", 1.0)
    assert world.board.output(1.0) == b"hive scale boot 1.4.2\r\n"
    assert (world.circuit.charge_C, world.simulated_board.state) == before
    assert math.isfinite(before[0])


STEPS = st.lists(
    st.tuples(
        st.sampled_from(
            ["wait", "say", "byte", "brk", "dtr", "shunt", "open", "off", "on", "weak", "unplug"]
        ),
        st.floats(0.0, 0.3),
    ),
    max_size=40,
)


@given(steps=STEPS, decoupling_F=st.sampled_from([0.0, 1e-8, 47e-6]), seed=st.integers(0, 9))
@settings(max_examples=150, deadline=None)
def test_whatever_is_done_to_it_time_goes_on(
    steps: list[tuple[str, float]], decoupling_F: float, seed: int
) -> None:
    """No order of events holds the world up, and no voltage leaves its bounds."""
    board = load_board(FIXTURES / "boards" / "hive-scale-floating-input.toml")
    world = World(board.model_copy(update={"decoupling": decoupling_F}), None, seed)
    circuit, t = world.circuit, 0.0
    orders = list(COMMANDS.values())
    for number, (action, amount) in enumerate(steps):
        t += amount
        match action:
            case "say":
                world.board.receive(orders[number % len(orders)], t)
            case "byte":
                world.board.receive(b"\x00", t)
            case "brk" | "dtr":
                world.board.set_line(action, number % 2 == 0, t)
            case "shunt":
                circuit.set_shunt(amount * 1000.0, t)
            case "open":
                circuit.open_for(amount / 10.0, t)
            case "off" | "on":
                circuit.set_supply(3.0, 0.1, action == "on", t)
            case "weak":
                circuit.set_supply(3.0, amount / 20.0, True, t)
            case "unplug":
                circuit.disconnect_board(t)
                circuit.reconnect_board(t + amount / 100.0)
        world.board.output(t)
        next_s = world.board.next_output(t)
        assert next_s is None or next_s > t
        assert circuit.now_s >= t
        assert -1e-12 <= circuit.voltage_V <= 3.0 + 1e-9
        assert math.isfinite(circuit.charge_C)
        assert math.isfinite(circuit.current_A())
