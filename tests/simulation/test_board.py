"""The simulated board: how it talks, sleeps, wakes, and what it draws meanwhile."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

from benchrig.errors import FileProblems
from benchrig.session.toml_file import parse_toml
from benchrig.simulation.files import SimulatedBoardFile, load_board
from benchrig.simulation.uart import LONGEST_MESSAGE, Transmitter
from benchrig.simulation.world import World

BOARDS = Path(__file__).parents[2] / "fixtures" / "boards"
HIVE = load_board(BOARDS / "hive-scale.toml")
DEFECTIVE = sorted(BOARDS.glob("hive-scale-*.toml"))

# A board as plain as possible: every number below is a round one.
PLAIN = """
format = "benchrig/simulated-board/1"
name = "plain board (invented)"
nominal_voltage = "3 V"
minimum_voltage = "2 V"
reset_conductance = "1 uA/V"
decoupling = "1 uF"
clock = "1 MHz"
[uart]
baud_rate = 10000
reply_delay = "10 ms"
{uart}
[loads]
lamp = "5 mA"
[boot]
time = "100 ms"
current = "2 mA"
state = "idle"
banner = "up"
[[feeds]]
line = "tx"
level = "3.5 V"
resistance = "1 Mohm"
[[feeds]]
line = "dtr"
level = "3.5 V"
resistance = "500 kohm"
[[states]]
name = "idle"
static = "1 mA"
switched = "100 pF"
[[states]]
name = "nap"
sleep = true
static = "10 uA"
entry_delay = "500 ms"
{state}
[[commands]]
text = "nap"
reply = "good night"
enters = "nap"
[[commands]]
text = "hello"
reply = "here"
[[commands]]
pattern = 'count (\\d+)'
reply = 'counted \\1'
[[commands]]
text = "fast"
reply = "ok"
clock = "2 MHz"
[[commands]]
text = "on"
reply = "ok"
loads_on = ["lamp"]
[[commands]]
text = "off"
reply = "ok"
loads_off = ["lamp"]
{top}
"""


def plain(uart: str = "", state: str = "", top: str = "") -> SimulatedBoardFile:
    text = PLAIN.format(uart=uart, state=state, top=top)
    return parse_toml(text, "plain.toml", SimulatedBoardFile)


class Bench:
    """A world with a clock that the test moves."""

    def __init__(self, file: SimulatedBoardFile, seed: int = 1) -> None:
        self.world = World(file, None, seed)
        self.board = self.world.simulated_board
        self.t = 0.0

    def wait(self, duration_s: float) -> bytes:
        self.t += duration_s
        return self.world.board.output(self.t)

    def say(self, data: bytes, wait_s: float = 0.5) -> bytes:
        self.world.board.receive(data, self.t)
        return self.wait(wait_s)

    def line(self, line: str, asserted: bool) -> None:
        self.world.board.set_line(line, asserted, self.t)

    def mean_A(self, duration_s: float) -> float:
        before_C = self.world.circuit.charge_C
        self.t += duration_s
        self.world.advance(self.t)
        return (self.world.circuit.charge_C - before_C) / duration_s

    @property
    def now_A(self) -> float:
        return self.world.circuit.current_A()


def ready(file: SimulatedBoardFile, seed: int = 1) -> Bench:
    bench = Bench(file, seed)
    bench.wait(1.0)
    return bench


# -- talking ----------------------------------------------------------------------------------


def test_it_boots_says_its_banner_and_answers() -> None:
    bench = Bench(plain())
    assert bench.wait(0.05) == b""
    assert (bench.board.state, bench.now_A) == ("booting", pytest.approx(2e-3))
    assert bench.wait(0.5) == b"up\n"
    assert bench.board.state == "idle"
    assert bench.say(b"hello\n") == b"here\n"
    assert bench.say(b"count 17\n") == b"counted 17\n"
    assert bench.say(b"nonsense\n") == b""
    assert bench.board.boots == 1


def test_bytes_take_their_time_at_the_baud_rate() -> None:
    bench = ready(plain())
    start_s = bench.t
    bench.world.board.receive(b"hello\n", start_s)
    arrivals = []
    while (next_s := bench.world.board.next_output(bench.t)) is not None:
        bench.t = next_s
        arrivals += [bench.t - start_s] * len(bench.world.board.output(bench.t))
    # 1 ms a byte: six in, 10 ms of thought, five out.
    assert arrivals == pytest.approx([0.016 + 0.001 * n for n in range(1, 6)])


@pytest.mark.parametrize("ending", ["CR", "LF", "CRLF"])
def test_endings_both_ways(ending: str) -> None:
    end = {"CR": b"\r", "LF": b"\n", "CRLF": b"\r\n"}[ending]
    bench = ready(plain(f'receive_ending = "{ending}"\nsend_ending = "{ending}"'))
    assert bench.say(b"hello" + end) == b"here" + end
    assert bench.say(b"hel") + bench.say(b"lo") == b""
    assert bench.say(end) == b"here" + end
    assert bench.say(b"hello" + end + b"hello" + end) == (b"here" + end) * 2


def test_echo_unknown_reply_and_encoding() -> None:
    uart = 'echo = true\nunknown_reply = "wie bitte? ä"\nencoding = "latin-1"'
    bench = ready(plain(uart))
    assert bench.say(b"hello\n") == b"hello\nhere\n"
    assert bench.say(b"\xff\n") == b"\xff\nwie bitte? \xe4\n"
    assert bench.say(b"\n") == b"\n"


BINARY = """
[[commands]]
hex = "A5 01"
reply_hex = "A5 81 0A"
[[commands]]
hex = "A5 02 0A"
reply_hex = "A5 82"
enters = "nap"
"""


def test_a_binary_protocol() -> None:
    bench = ready(plain('receive_ending = "none"\nsend_ending = "none"', top=BINARY))
    assert bench.say(b"\xa5\x01") == b"\xa5\x81\x0a"
    assert bench.say(b"\xa5") == b""  # the other half comes too late
    assert bench.say(b"\x01") == b""
    assert bench.say(b"\xa5\x02\x0a") == b"\xa5\x82"
    assert bench.board.state == "nap"


def test_an_endless_message_is_thrown_away() -> None:
    bench = ready(plain())
    assert bench.say(b"x" * (LONGEST_MESSAGE - 1) + b"hello\n", 3.0) == b""
    assert bench.say(b"x" * LONGEST_MESSAGE + b"hello\n", 3.0) == b"here\n"


def test_a_command_may_arrive_while_the_state_changes() -> None:
    bench = ready(HIVE)
    bench.world.board.receive(b"run weigh\n", bench.t)
    first = bench.wait(0.02)
    assert bench.board.state == "idle"
    assert first + bench.say(b"hello\n") == b"ok weigh\r\nhive ready\r\n"
    assert bench.board.state == "weigh"


WAKES_BY_DTR = 'wake = [{ by = "dtr", into = "idle" }]'


def test_half_a_message_does_not_outlive_a_sleep() -> None:
    bench = ready(plain(state=WAKES_BY_DTR))
    assert bench.say(b"nap\nhel", 1.0) == b"good night\n"
    bench.line("dtr", True)
    bench.wait(0.1)
    assert bench.say(b"lo\n") == b""
    assert bench.say(b"hello\n") == b"here\n"


def test_what_is_said_while_something_is_said_waits() -> None:
    transmitter = Transmitter(0.001)
    assert transmitter.send(b"abc", 1.0) == pytest.approx(1.003)
    assert transmitter.send(b"de", 1.001) == pytest.approx(1.005)
    assert transmitter.fetch(1.0035) == b"abc"
    assert transmitter.next_s(1.0035) == pytest.approx(1.004)
    assert transmitter.fetch(2.0) == b"de"
    assert transmitter.next_s(2.0) == math.inf


def test_what_is_said_before_the_wire_is_opened_is_lost() -> None:
    bench = Bench(plain())
    bench.world.board.connect(1.0)
    assert bench.wait(1.0) == b""
    assert bench.say(b"hello\n") == b"here\n"


def test_silence_while_held() -> None:
    bench = ready(plain())
    bench.board.held = True
    assert bench.say(b"hello\n") == b""
    assert bench.world.board.next_output(bench.t) is None
    bench.board.held = False
    assert bench.wait(0.0) == b"here\n"


# -- currents ---------------------------------------------------------------------------------


def test_current_from_clock_load_and_voltage() -> None:
    bench = ready(plain())
    volts = bench.world.circuit.voltage_V
    assert bench.now_A == pytest.approx(1e-3 + 100e-12 * 1e6 * volts, rel=1e-12)
    bench.say(b"fast\n")
    assert bench.now_A == pytest.approx(1e-3 + 100e-12 * 2e6 * 3, rel=1e-5)
    bench.say(b"on\n")
    assert bench.now_A == pytest.approx(6e-3 + 100e-12 * 2e6 * 3, rel=1e-5)
    bench.say(b"off\n")
    assert bench.now_A == pytest.approx(1e-3 + 100e-12 * 2e6 * 3, rel=1e-5)
    bench.world.circuit.set_supply(2.5, math.inf, True, bench.t)
    bench.wait(0.1)
    assert bench.now_A == pytest.approx(1e-3 + 100e-12 * 2e6 * 2.5, rel=1e-5)


@pytest.mark.parametrize(("celsius", "share"), [(25, 1.0), (35, 2.0), (45, 4.0), (15, 0.5)])
def test_leakage_doubles_every_ten_degrees(celsius: int, share: float) -> None:
    # Source: the brief model of junction leakage that data sheets use (common practice, no source).
    board = plain(state='leakage = "4 uA"').model_copy(update={"temperature": float(celsius)})
    bench = ready(board)
    bench.say(b"nap\n", 2.0)
    assert bench.now_A == pytest.approx(10e-6 + share * 4e-6, rel=1e-9)
    assert bench.world.true_current_A("nap", 0.0) == pytest.approx(bench.now_A)


def test_a_plateau_comes_before_the_sleep_current() -> None:
    bench = ready(plain())
    bench.say(b"nap\n", 0.2)
    assert bench.board.state == "nap"
    assert bench.now_A == pytest.approx(1.3e-3, rel=1e-3)
    bench.wait(0.5)
    assert bench.now_A == pytest.approx(10e-6, rel=1e-6)


def test_a_load_that_is_switched_in_the_plateau() -> None:
    bench = ready(plain(state="listens = true"))
    bench.say(b"nap\n", 0.1)
    bench.say(b"on\n", 0.1)
    assert bench.now_A == pytest.approx(6.3e-3, rel=1e-3)
    bench.wait(1.0)
    assert bench.now_A == pytest.approx(5.01e-3, rel=1e-6)


def test_a_tail_ends_with_its_state() -> None:
    state = f'tail = {{ amplitude = "20 uA", time_constant = "9 s" }}\n{WAKES_BY_DTR}'
    bench = ready(plain(state=state))
    before_A = bench.now_A
    bench.say(b"nap\n", 2.0)
    assert bench.now_A > 25e-6
    bench.line("dtr", True)
    bench.wait(1.0)
    bench.line("dtr", False)
    fed_A = (3.5 - 3.0) / 500e3
    bench.wait(1.0)
    assert bench.now_A == pytest.approx(before_A, abs=fed_A / 1000)


def test_a_tail_decays_and_has_the_charge_of_an_exponential() -> None:
    bench = ready(plain(state='tail = { amplitude = "20 uA", time_constant = "2 s" }'))
    bench.world.board.receive(b"nap\n", bench.t)
    # 4 ms in, 10 ms of thought, 11 ms out, then 500 ms of plateau.
    bench.wait(0.525 + 1e-6)
    assert bench.now_A == pytest.approx(30e-6, rel=0.02)
    over_a_tau = 20e-6 * (1 - math.exp(-1))
    assert bench.mean_A(2.0) == pytest.approx(10e-6 + over_a_tau, rel=1e-4)
    bench.wait(40.0)
    assert bench.now_A == pytest.approx(10e-6, rel=1e-9)


def test_bursts_are_short_periodic_and_in_the_mean() -> None:
    bench = ready(plain(state='burst = { period = "1 s", duration = "2 ms", current = "3 mA" }'))
    bench.world.circuit.set_shunt(100.0, bench.t)
    bench.say(b"nap\n", 10.0)
    assert bench.mean_A(20.0) == pytest.approx(16e-6, rel=1e-9)
    assert bench.world.true_current_A("nap", 100.0) == pytest.approx(16e-6, rel=1e-9)
    step_s, above = 1e-3, 0
    for _ in range(10_000):
        bench.wait(step_s)
        above += bench.now_A > 1e-3
    assert 10 <= above <= 30  # ten bursts of 2 ms, rounded by 0.1 ms of the capacitor


def test_a_driven_line_feeds_the_board() -> None:
    bench = ready(plain(state='burst = { period = "1 s", duration = "1 ms", current = "1 mA" }'))
    board = bench.world.board
    bench.say(b"nap\n", 3.5)
    assert bench.now_A == pytest.approx(10e-6, rel=1e-9)
    board.connect(bench.t)
    bench.wait(0.1)
    assert bench.now_A == pytest.approx(10e-6 - 0.5e-6, rel=1e-6)
    assert bench.world.true_current_A("nap", 0.0, driven=("tx",)) == pytest.approx(
        10e-6 - 0.5e-6 + 1e-6, rel=1e-6
    )
    bench.line("dtr", True)
    bench.wait(0.1)
    assert bench.now_A == pytest.approx(10e-6 - 1.5e-6, rel=1e-6)
    bench.line("brk", True)
    bench.wait(0.1)
    assert bench.now_A == pytest.approx(10e-6 - 1e-6, rel=1e-6)
    board.disconnect(bench.t)
    bench.wait(0.1)
    assert bench.now_A == pytest.approx(10e-6, rel=1e-6)


def test_the_meter_goes_negative_where_a_line_feeds_more_than_the_board_takes() -> None:
    file = plain(state="").model_copy(
        update={"states": tuple(s.model_copy(update={"static": 0.0}) for s in plain().states)}
    )
    bench = ready(file)
    bench.say(b"nap\n", 3.0)
    bench.world.board.connect(bench.t)
    bench.wait(0.1)
    assert bench.now_A == pytest.approx(-0.5e-6, rel=1e-6)


# -- acknowledgements -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("mode", "reply", "asleep_after_s"),
    [
        ("", b"good night\n", 0.025),
        ('acknowledgement = "cut"\ncut_after = 4', b"good", 0.018),
        ('acknowledgement = "lost"', b"", 0.014),
    ],
)
def test_the_acknowledgement(mode: str, reply: bytes, asleep_after_s: float) -> None:
    bench = ready(plain(state=mode))
    bench.world.board.receive(b"nap\n", bench.t)
    before = bench.wait(asleep_after_s - 5e-4)
    assert bench.board.state == "idle"
    after = bench.wait(1e-3)
    assert bench.board.state == "nap"
    assert before + after + bench.wait(1.0) == reply


# -- waking -----------------------------------------------------------------------------------

WAKES: list[tuple[str, str]] = [
    ('by = "byte"', "byte"),
    ('by = "break"', "brk"),
    ('by = "dtr"', "dtr"),
    ('by = "rts"', "rts"),
]


def stimulate(bench: Bench, by: str) -> None:
    if by == "byte":
        bench.say(b"?", 0.0)
    else:
        bench.line(by, True)
        bench.wait(0.01)
        bench.line(by, False)


@pytest.mark.parametrize(("wake", "by"), WAKES)
def test_only_its_own_stimulus_wakes_it(wake: str, by: str) -> None:
    bench = ready(plain(state=f'wake = [{{ {wake}, time = "20 ms", into = "idle" }}]'))
    bench.say(b"nap\n", 2.0)
    for _, other in WAKES:
        if other != by:
            stimulate(bench, other)
            bench.wait(0.1)
            assert bench.board.state == "nap"
    started_s = bench.t
    stimulate(bench, by)
    bench.wait(started_s + 0.015 - bench.t)
    assert bench.board.state == "nap"
    bench.wait(0.01)
    assert bench.board.state == "idle"
    assert bench.say(b"hello\n") == b"here\n"


def test_a_line_that_is_asserted_already_does_not_wake() -> None:
    bench = ready(plain(state=WAKES_BY_DTR))
    bench.line("dtr", True)
    bench.say(b"nap\n", 2.0)
    bench.line("dtr", True)
    bench.wait(1.0)
    assert bench.board.state == "nap"
    bench.line("dtr", False)
    bench.line("dtr", True)
    bench.wait(1.0)
    assert bench.board.state == "idle"


def test_no_wake_source_but_power() -> None:
    bench = ready(plain())
    bench.say(b"nap\n", 2.0)
    for _, by in WAKES:
        stimulate(bench, by)
    assert bench.wait(5.0) == b""
    assert bench.board.state == "nap"
    bench.world.circuit.set_supply(3.0, math.inf, False, bench.t)
    bench.wait(1.0)
    assert bench.board.state == "off"
    bench.world.circuit.set_supply(3.0, math.inf, True, bench.t)
    assert bench.wait(1.0) == b"up\n"


def test_its_own_timer_wakes_it() -> None:
    bench = ready(plain(state='wake = [{ by = "timer", after = "5 s", into = "idle" }]'))
    bench.world.board.receive(b"nap\n", bench.t)
    bench.wait(5.02)
    assert bench.board.state == "nap"
    bench.wait(0.01)
    assert bench.board.state == "idle"


@pytest.mark.parametrize(("lost", "reply"), [("true", b""), ("false", b"here\n")])
def test_the_bytes_that_arrive_while_it_wakes(lost: str, reply: bytes) -> None:
    wake = f'wake = [{{ by = "byte", byte_lost = {lost}, time = "20 ms", into = "idle" }}]'
    bench = ready(plain(state=wake))
    bench.say(b"nap\n", 2.0)
    assert bench.say(b"hello\n") == reply
    assert bench.board.state == "idle"
    assert bench.say(b"hello\n") == b"here\n"


def test_a_wake_that_takes_one_byte_only() -> None:
    bench = ready(plain(state='wake = [{ by = "byte", byte = "00", into = "idle" }]'))
    bench.say(b"nap\n", 2.0)
    bench.say(b"\x01")
    assert bench.board.state == "nap"
    bench.say(b"\x00")
    assert bench.board.state == "idle"


def test_waking_may_mean_a_reboot() -> None:
    bench = ready(plain(state='wake = [{ by = "byte", time = "20 ms", reboots = true }]'))
    bench.say(b"fast\n")
    bench.say(b"nap\n", 2.0)
    assert bench.say(b"?", 0.05) == b""
    assert bench.board.state == "booting"
    assert bench.wait(0.5) == b"up\n"
    assert (bench.board.boots, bench.board.clock_Hz) == (2, 1e6)


def test_a_state_may_listen_in_its_sleep() -> None:
    bench = ready(plain(state="listens = true"))
    bench.say(b"nap\n", 2.0)
    assert bench.say(b"hello\n") == b"here\n"
    assert bench.board.state == "nap"


# -- brown-out --------------------------------------------------------------------------------


def test_the_millivolts_of_a_shunt_reset_it() -> None:
    """100 ohm · 8 mA = 0.8 V: a 3.0 V board that needs 2.3 V resets, one that needs 2.1 V runs."""
    for minimum_V, state in ((2.3, None), (2.1, "lamp")):
        board = HIVE.model_copy(update={"minimum_voltage": minimum_V, "loads": {"lamp": 6.8e-3}})
        bench = ready(board)
        assert bench.say(b"lamp on\n") == b"ok lamp on\r\n"
        boots = bench.board.boots
        bench.world.circuit.set_shunt(100.0, bench.t)
        bench.wait(0.1)
        assert (bench.board.state == state) is (state is not None)
        assert (bench.board.boots > boots) is (state is None)


def test_a_reset_forgets_and_cuts_the_reply() -> None:
    bench = ready(plain())
    bench.say(b"on\n")
    bench.world.board.receive(b"hello\nhel", bench.t)
    assert bench.wait(0.0175) == b"h"
    bench.world.circuit.set_supply(3.0, math.inf, False, bench.t)
    assert bench.wait(0.02) == b""  # from 3 V to 2 V it takes 0.2 ms: 6.3 mA and 1 uF
    assert bench.board.state == "off"
    bench.world.circuit.set_supply(3.0, math.inf, True, bench.t)
    assert bench.wait(0.5) == b"up\n"
    assert bench.board.loads == frozenset()
    assert bench.say(b"lo\n") == b""


# -- defects ----------------------------------------------------------------------------------


def with_defect(**defects: Any) -> SimulatedBoardFile:
    lines = "\n".join(f"{key} = {value}" for key, value in defects.items())
    return plain(state="listens = false", top=f"[defects]\n{lines}")


def test_stuck_awake() -> None:
    bench = ready(with_defect(stuck_awake="true"))
    assert bench.say(b"nap\n", 2.0) == b"good night\n"
    assert bench.board.state == "idle"
    assert bench.now_A == pytest.approx(1.3e-3, rel=1e-5)
    assert bench.world.true_current_A("nap", 0.0) == pytest.approx(bench.now_A, rel=1e-9)


def test_leaky_capacitor() -> None:
    bench = ready(with_defect(leaky_capacitor='"2 uA/V"'))
    bench.say(b"nap\n", 2.0)
    assert bench.now_A == pytest.approx(16e-6, rel=1e-6)
    assert bench.world.true_current_A("nap", 0.0) == pytest.approx(bench.now_A, rel=1e-9)


def test_floating_input() -> None:
    """Seed 1: 2000 dwells; the mean of the random telegraph is half, the levels are two."""
    bench = ready(with_defect(floating_input='{ current = "4 uA", dwell = "50 ms" }'))
    idle_A = bench.now_A
    bench.say(b"nap\n", 2.0)
    seen = set()
    start_C, start_s = bench.world.circuit.charge_C, bench.t
    for _ in range(5000):
        bench.wait(0.02)
        seen.add(round(bench.now_A * 1e6, 1))
    mean_A = (bench.world.circuit.charge_C - start_C) / (bench.t - start_s)
    assert {10.0, 14.0} <= seen
    assert min(seen) >= 10.0
    assert max(seen) <= 14.0
    # Its standard deviation over 100 s: 2 uA · sqrt(dwell / 100 s) = 0.045 uA.
    assert mean_A == pytest.approx(bench.world.true_current_A("nap", 0.0), abs=4 * 0.045e-6)
    assert idle_A == pytest.approx(1.3e-3, rel=1e-5)


def test_late_drift() -> None:
    bench = ready(with_defect(late_drift='{ after = "10 s", rise = "5 uA", over = "20 s" }'))
    bench.say(b"nap\n", 9.0)
    assert bench.now_A == pytest.approx(10e-6, rel=1e-9)
    bench.wait(1.025)
    assert bench.mean_A(20.0) == pytest.approx(12.5e-6, rel=1e-6)
    assert bench.now_A == pytest.approx(15e-6, rel=1e-2)
    bench.wait(100.0)
    assert bench.now_A == pytest.approx(15e-6, rel=1e-9)


def test_dead_uart() -> None:
    bench = Bench(with_defect(dead_uart="true"))
    assert bench.wait(1.0) + bench.say(b"hello\n") + bench.say(b"nap\n") == b""
    assert bench.board.state == "idle"
    assert bench.world.board.next_output(bench.t) is None


def test_spontaneous_reset() -> None:
    bench = ready(with_defect(spontaneous_reset='{ state = "nap", after = "7 s" }'))
    for _ in range(2):
        assert bench.say(b"nap\n", 7.0) == b"good night\n"
        assert bench.board.state == "nap"
        assert bench.wait(1.0) == b"up\n"
        assert bench.board.state == "idle"


def test_late_replies_from_a_number_on() -> None:
    bench = ready(with_defect(late_reply='{ from_reply = 2, extra = "3 s" }'))
    assert bench.say(b"hello\n") == b"here\n"
    assert bench.say(b"hello\n", 2.9) == b""
    assert bench.wait(0.5) == b"here\n"


def test_garbage_replies() -> None:
    bench = ready(with_defect(garbage_reply="true"))
    reply = bench.say(b"hello\n")
    assert len(reply) == 5
    assert reply != b"here\n"


# -- determinism and files --------------------------------------------------------------------


def _story(seed: int) -> tuple[bytes, float]:
    board = load_board(BOARDS / "hive-scale-floating-input.toml")
    bench = ready(board, seed)
    reply = bench.say(b"sleep deep\n", 30.0)
    return reply, bench.world.circuit.charge_C


def test_the_same_seed_gives_the_same_story() -> None:
    assert _story(3) == _story(3)
    assert _story(3)[1] != _story(4)[1]


@pytest.mark.parametrize("path", DEFECTIVE, ids=lambda path: path.stem)
def test_a_defective_board_is_the_hive_scale_but_for_its_defect(path: Path) -> None:
    board = load_board(path)
    assert board.defects != HIVE.defects
    assert board.model_copy(update={"name": HIVE.name, "defects": HIVE.defects}) == HIVE


def test_every_main_defect_has_its_file() -> None:
    assert [path.stem.removeprefix("hive-scale-") for path in DEFECTIVE] == [
        "dead-uart",
        "floating-input",
        "late-drift",
        "leaky-capacitor",
        "spontaneous-reset",
        "stuck-awake",
    ]


def test_the_hive_scale_draws_what_its_file_says() -> None:
    world = World(HIVE, None, 1)
    expected_A = {
        "idle": 1.2e-3,
        "weigh": 6.5e-3,
        "lamp": 9.2e-3,
        "report": 18e-3,
        "light_sleep": 25.5e-6,
        "deep_sleep": 0.6e-6,
    }
    for name, current_A in expected_A.items():
        assert world.true_current_A(name, 0.0) == pytest.approx(current_A, rel=1e-4)


@pytest.mark.parametrize(
    ("state", "top", "key", "message"),
    [
        ('wake = [{ by = "byte", into = "bed" }]', "", "states[2].wake[1].into", "'bed'"),
        ('wake = [{ by = "byte" }]', "", "states[2].wake[1].into", "or reboots = true"),
        (
            'wake = [{ by = "timer", into = "idle" }]',
            "",
            "states[2].wake[1].after",
            "needs the time",
        ),
        (
            'wake = [{ by = "dtr", byte = "00", into = "idle" }]',
            "",
            "wake[1].byte",
            'by = "byte" only',
        ),
        ('acknowledgement = "cut"', "", "states[2].cut_after", "is missing"),
        ('loads = ["heater"]', "", "states[2].loads[1]", "'heater'"),
        ("", '[[commands]]\nhex = "A5"', "commands[7].hex", "receive_ending"),
        ("", '[[commands]]\ntext = "x"\nenters = "bed"', "commands[7].enters", "'bed'"),
        ("", '[[commands]]\nreply = "x"', "commands[7].text", "give one of"),
        ("", '[[states]]\nname = "nap"', "states[3].name", "twice"),
        ("", "[defects]\nstuck = true", "defects.stuck", "stuck_awake"),
        (
            "",
            '[defects]\nspontaneous_reset = { state = "bed", after = "1 s" }',
            "defects.spontaneous_reset.state",
            "'bed'",
        ),
    ],
)
def test_what_is_wrong_in_a_file_is_told_with_its_key(
    state: str, top: str, key: str, message: str
) -> None:
    with pytest.raises(FileProblems) as caught:
        plain(state=state, top=top)
    assert any(key in str(each) and message in str(each) for each in caught.value.problems)


def test_a_board_that_could_never_boot_is_refused() -> None:
    text = PLAIN.format(uart="", state="", top="").replace('"2 V"', '"2.95 V"')
    with pytest.raises(FileProblems, match="never boots"):
        parse_toml(text, "plain.toml", SimulatedBoardFile)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('based_on = "hive-scale.toml"\nname = "x"\n[defects]\nstuck = 1', "stuck_awake"),
        ('based_on = "nothing.toml"\nname = "x"\n[defects]', "cannot be read"),
        ('based_on = "variant.toml"\nname = "x"\n[defects]', "itself based on"),
        (
            'based_on = "hive-scale.toml"\nname = "x"\n[defects]\n'
            'spontaneous_reset = { state = "bed", after = "1 s" }',
            "'bed'",
        ),
    ],
)
def test_what_is_wrong_in_a_variant(tmp_path: Path, text: str, message: str) -> None:
    (tmp_path / "hive-scale.toml").write_bytes((BOARDS / "hive-scale.toml").read_bytes())
    path = tmp_path / "variant.toml"
    path.write_text(f'format = "benchrig/simulated-board/1"\n{text}\n', encoding="utf-8")
    with pytest.raises(FileProblems, match=message):
        load_board(path)
