"""The simulated meter, on a circuit with a given current. Clauses are cited from memory."""

from __future__ import annotations

import math
import statistics
import struct
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.session import load_sheet
from benchrig.session.sheet import MeterSheet
from benchrig.simulation.meter import SimulatedMeter
from benchrig.simulation.scpi import ERRORS

FIXTURES = Path(__file__).parents[2] / "fixtures"
SHEET = load_sheet(FIXTURES / "meter-6-digit.toml")
HANDHELD = load_sheet(FIXTURES / "meter-4-digit.toml")


class Line:
    """A supply line whose charge is known in closed form, and that notes what the meter does."""

    def __init__(self, charge_C: Callable[[float], float]) -> None:
        self._charge = charge_C
        self.now_s = 0.0
        self.charge_C = 0.0
        self.shunts: list[tuple[float, float]] = []
        self.openings: list[tuple[float, float]] = []

    def advance(self, t: float) -> None:
        assert t >= self.now_s, "an aperture edge lies in the past"
        self.now_s = t
        self.charge_C = self._charge(t)

    def set_shunt(self, ohm: float, t: float) -> None:
        self.shunts.append((ohm, t))

    def open_for(self, duration_s: float, t: float) -> None:
        self.openings.append((duration_s, t))


def steady(current_A: float) -> Line:
    return Line(lambda t: current_A * t)


def stepping(before_A: float, after_A: float, at_s: float) -> Line:
    return Line(lambda t: before_A * min(t, at_s) + after_A * max(t - at_s, 0.0))


class Session:
    """Sends messages one after another, and waits for the reply as long as it takes."""

    def __init__(self, meter: SimulatedMeter, t: float = 0.0) -> None:
        self.meter = meter
        self.t = t

    def raw(self, message: str) -> bytes:
        self.meter.receive(message.encode("latin-1") + b"\n", self.t)
        reply = self.meter.output(self.t)
        while (at := self.meter.next_output(self.t)) is not None:
            assert at > self.t
            self.t = at
            reply += self.meter.output(at)
        return reply

    def ask(self, message: str) -> str:
        return self.raw(message).decode().rstrip("\n")

    def readings(self, message: str) -> list[float]:
        return [float(part) for part in self.ask(message).split(",")]

    def wait(self, duration_s: float) -> None:
        self.t += duration_s
        self.meter.advance(self.t)

    def error(self) -> int:
        number, text = self.ask("SYST:ERR?").split(",", 1)
        assert text == f'"{ERRORS[int(number)]}"'
        return int(number)


def quiet(sheet: MeterSheet = SHEET, **changes: object) -> MeterSheet:
    """The sheet without errors and noise, so that what is left can be tested exactly."""
    calm = {"gain_accuracy": 0.0, "offset_accuracy": 0.0, "noise": None, **changes}
    return sheet.model_copy(
        update={"ranges": tuple(entry.model_copy(update=calm) for entry in sheet.ranges)}
    )


def ready(
    line: Line, sheet: MeterSheet = SHEET, seed: int = 1, setup: str = "1E-5", **options: object
) -> Session:
    """A meter of current on the range `setup`, at 1 PLC, with its settling behind it."""
    meter = SimulatedMeter(sheet, line, seed, **options)  # type: ignore[arg-type]
    session = Session(meter)
    session.ask(f"FUNC 'CURR';:CURR:RANG {setup};NPLC 1")
    session.wait(1.0)
    assert session.error() == 0
    return session


# -- physics --------------------------------------------------------------------------------


def test_a_reading_is_the_mean_over_its_aperture() -> None:
    session = ready(stepping(1e-6, 5e-6, 1.005), quiet())
    session.ask("SAMP:COUN 2")
    assert session.readings("READ?") == pytest.approx([4e-6, 5e-6], abs=15e-12)
    assert session.t == pytest.approx(1.04, abs=1e-9)


def test_errors_are_what_the_meter_says_they_are() -> None:
    for seed in range(20):
        session = ready(steady(8e-6), quiet(noise=None), seed)
        ammeter = session.meter.ammeter
        assert ammeter.gain_errors == (0.0,) * 5
        session = ready(steady(8e-6), SHEET, seed)
        ammeter = session.meter.ammeter
        expected = 8e-6 * (1 + ammeter.gain_errors[0]) + ammeter.offset_errors_A[0]
        mean = statistics.fmean(session.readings("SAMP:COUN 100;:READ?"))
        assert mean == pytest.approx(expected, abs=5 * 60e-12 / 10 + 1e-12), f"seed {seed}"


def test_errors_lie_within_limits_and_fill_them() -> None:
    gains, offsets = [], []
    for seed in range(400):
        ammeter = SimulatedMeter(SHEET, steady(0.0), seed).ammeter
        for index, entry in enumerate(SHEET.ranges):
            gains.append(ammeter.gain_errors[index] / entry.gain_accuracy)
            offsets.append(
                ammeter.offset_errors_A[index] / (entry.offset_accuracy * entry.full_scale)
            )
    for shares in (gains, offsets):
        assert max(map(abs, shares)) <= 1.0
        # rectangular: sd 1/sqrt(3); of 2000 draws the mean has sd 0.013
        assert statistics.pstdev(shares) == pytest.approx(1 / math.sqrt(3), rel=0.05)
        assert abs(statistics.fmean(shares)) < 0.06


def test_expanded_accuracy_means_two_sigma() -> None:
    sheet = SHEET.model_copy(update={"accuracy_is": "expanded"})
    shares = [
        gain / entry.gain_accuracy
        for seed in range(400)
        for gain, entry in zip(
            SimulatedMeter(sheet, steady(0.0), seed).ammeter.gain_errors, sheet.ranges, strict=True
        )
    ]
    assert statistics.pstdev(shares) == pytest.approx(0.5, rel=0.06)
    assert 0.93 < sum(abs(share) <= 1 for share in shares) / len(shares) < 0.975


def test_the_seed_decides() -> None:
    first, again, other = (
        ready(steady(3e-6), SHEET, seed).readings("SAMP:COUN 20;:READ?") for seed in (4, 4, 5)
    )
    assert first == again
    assert first != other


@pytest.mark.parametrize("nplc", [0.2, 1.0, 4.0, 16.0])
def test_noise_falls_with_the_root_of_the_aperture(nplc: float) -> None:
    fine = tuple(entry.model_copy(update={"count": 1e-15}) for entry in SHEET.ranges[0].resolution)
    session = ready(steady(3e-6), quiet(noise=60e-12, resolution=fine))
    readings = session.readings(f"CURR:NPLC {nplc};:SAMP:COUN 2000;:READ?")
    # the sd of 2000 readings is known to 1/sqrt(4000) = 1.6 %
    assert statistics.stdev(readings) == pytest.approx(60e-12 / math.sqrt(nplc), rel=0.07)


@pytest.mark.parametrize("nplc", [1, 2, 10])
def test_hum_is_gone_at_whole_cycles(nplc: int) -> None:
    fine = tuple(entry.model_copy(update={"count": 1e-15}) for entry in SHEET.ranges[0].resolution)
    session = ready(steady(3e-6), quiet(resolution=fine), hum_A=1e-6)
    readings = session.readings(f"CURR:NPLC {nplc};:SAMP:COUN 50;:READ?")
    assert readings == pytest.approx([3e-6] * 50, abs=2e-15)


@pytest.mark.parametrize("line_frequency_Hz", [50.0, 60.0])
def test_hum_is_there_at_half_cycles(line_frequency_Hz: float) -> None:
    session = ready(
        steady(3e-6), quiet(), hum_A=1e-6, line_frequency_Hz=line_frequency_Hz, dead_time_s=0.0037
    )
    readings = session.readings("CURR:NPLC 0.5;:SAMP:COUN 400;:READ?")
    # the mean over half a cycle has an amplitude of 2/pi, in any phase
    assert max(readings) == pytest.approx(3e-6 + 2e-6 / math.pi, rel=2e-3)
    assert min(readings) == pytest.approx(3e-6 - 2e-6 / math.pi, rel=2e-3)


@pytest.mark.parametrize(
    ("nplc", "count_A"),
    [(0.02, 1e-9), (0.2, 100e-12), (0.5, 100e-12), (1, 30e-12), (10, 10e-12), (20, 10e-12)],
)
def test_readings_are_whole_counts(nplc: float, count_A: float) -> None:
    session = ready(steady(3.21987e-6), quiet(noise=2e-10))
    readings = session.readings(f"CURR:NPLC {nplc};:SAMP:COUN 30;:READ?")
    assert all(abs(r / count_A - round(r / count_A)) < 1e-4 for r in readings)
    assert float(session.ask("CURR:RES?")) == pytest.approx(count_A)


@pytest.mark.parametrize(
    ("current_A", "reading"),
    [(11.9e-6, 11.9e-6), (12.1e-6, 9.9e37), (-12.1e-6, -9.9e37), (-11.9e-6, -11.9e-6)],
)
def test_overload(current_A: float, reading: float) -> None:
    """SCPI-1999 vol.1 7.2.1.4: infinity is 9.9E37, with its sign."""
    assert ready(steady(current_A), quiet()).readings("READ?") == pytest.approx(
        [reading], abs=2e-11
    )


def test_a_forced_overload() -> None:
    session = ready(steady(1e-6))
    session.meter.force_overload = True
    assert session.readings("SAMP:COUN 2;:READ?") == [9.9e37, 9.9e37]
    session.meter.force_overload = False
    assert session.readings("READ?") == pytest.approx([1e-6, 1e-6], rel=0.01)


def test_shunts_follow_the_range() -> None:
    line = steady(0.0)
    session = ready(line, SHEET, setup="1E-3")
    assert line.shunts == [(1.0, 0.0), (100.0, 0.0)]
    session.ask("CURR:RANG 1E-5")
    session.ask("CURR:RANG 9E-6")  # the same range: no relay moves
    assert line.shunts[2:] == [(1000.0, 1.0)]
    session.ask("FUNC 'VOLT'")
    assert line.shunts[3:] == [(1.0, 1.0)]
    assert line.openings == []


def test_a_range_change_interrupts_where_the_sheet_says_so() -> None:
    line = steady(0.0)
    ready(line, HANDHELD, setup="1E-3")
    assert line.openings == [(2e-3, 0.0)]
    assert line.shunts[-1][0] == pytest.approx(100.0)


def test_readings_are_wrong_right_after_a_range_change() -> None:
    session = ready(steady(1e-6), quiet(), setup="1E-4")
    session.ask("CURR:RANG 1E-5;NPLC 0.5;:SAMP:COUN 7")
    errors = [abs(reading - 1e-6) for reading in session.readings("READ?")]
    assert 0.1e-6 < errors[0] < 6e-6
    assert errors == sorted(errors, reverse=True)
    # the sheet says 60 ms for this range: six apertures of 10 ms
    assert errors[6] <= 50e-12
    assert errors[4] > errors[6] or errors[5] > errors[6]


def test_dead_time_and_autozero_lengthen_the_cycle() -> None:
    plain = ready(steady(1e-6))
    plain.readings("SAMP:COUN 10;:READ?")
    assert plain.t == pytest.approx(1.2)
    dead = ready(steady(1e-6), dead_time_s=0.005)
    dead.readings("SAMP:COUN 10;:READ?")
    assert dead.t == pytest.approx(1.0 + 10 * 0.02 + 9 * 0.005)
    doubled = ready(steady(1e-6), autozero=True)
    doubled.readings("SAMP:COUN 10;:READ?")
    assert doubled.t == pytest.approx(1.0 + 19 * 0.02)


def test_what_happens_in_the_dead_time_is_not_seen() -> None:
    pulse = Line(lambda t: 1e-6 * t + 5e-6 * min(max(t - 1.02, 0.0), 0.01))
    session = ready(pulse, quiet(), dead_time_s=0.01)
    assert session.readings("SAMP:COUN 3;:READ?") == pytest.approx([1e-6] * 3, abs=15e-12)


def test_edges_do_not_drift() -> None:
    session = ready(steady(1e-6), SHEET)
    session.ask("CURR:NPLC 0.02;:SAMP:COUN 20000;:READ?")
    assert session.t == pytest.approx(1.0 + 20000 * 0.02 / 50, abs=1e-9)


# -- autorange ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("current_A", "full_scale_A"),
    [(0.0, 1e-5), (3e-6, 1e-5), (50e-6, 1e-4), (0.5e-3, 1e-3), (-5e-3, 1e-2), (50e-3, 1e-1)],
)
def test_autorange_is_on_after_reset_and_finds_the_range(
    current_A: float, full_scale_A: float
) -> None:
    session = Session(SimulatedMeter(quiet(), steady(current_A), 1))
    session.ask("*RST;:FUNC 'CURR:DC'")
    assert session.ask("CURR:RANG:AUTO?") == "1"
    assert session.readings("READ?") == pytest.approx([current_A], rel=1e-4, abs=1e-11)
    assert float(session.ask("CURR:RANG?")) == full_scale_A


def test_autorange_follows_a_current_and_costs_time() -> None:
    line = stepping(5e-3, 2e-6, 1.5)
    session = ready(line, quiet(), setup="MAX")
    session.ask("CURR:RANG:AUTO ON;:SAMP:COUN 40")
    readings = session.readings("READ?")
    assert readings[0] == pytest.approx(5e-3, rel=1e-3)
    assert readings[-1] == pytest.approx(2e-6, abs=1e-10)
    assert session.t > 1.0 + 40 * 0.02 + 0.060
    assert [ohm for ohm, _ in line.shunts] == [1.0, 5.0, 1000.0]


def test_autorange_gives_up_on_a_current_that_fits_no_range() -> None:
    """Each shunt makes the current one that asks for the other one."""

    class Contrary(Line):
        def advance(self, t: float) -> None:
            current_A = 50e-6 if self.shunts[-1][0] == 1000.0 else 1e-6
            self.charge_C += current_A * (t - self.now_s)
            self.now_s = t

    session = Session(SimulatedMeter(quiet(), Contrary(lambda t: 0.0), 1))
    session.ask("FUNC 'CURR'")
    assert len(session.readings("SAMP:COUN 2;:READ?")) == 2


def test_a_range_switches_autorange_off() -> None:
    session = Session(SimulatedMeter(SHEET, steady(0.0), 1))
    session.ask("CURR:RANG 1E-3")
    assert session.ask("CURR:RANG:AUTO?;:CURR:RANG?") == "0;+1.00000000E-03"


# -- settings -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given_A", "full_scale_A"),
    [("0", 1e-5), ("1UA", 1e-5), ("1E-5", 1e-5), ("10 UA", 1e-5), ("10.1UA", 1e-4),
     ("1MA", 1e-3), ("MIN", 1e-5), ("MAXimum", 1e-1), ("0.1", 1e-1), ("DEF", 1e-1)],
)  # fmt: skip
def test_a_range_is_coerced_upwards(given_A: str, full_scale_A: float) -> None:
    session = ready(steady(0.0), setup=given_A)
    assert float(session.ask("SENS:CURR:DC:RANG:UPP?")) == full_scale_A


@pytest.mark.parametrize(
    ("message", "error"),
    [
        ("CURR:RANG 0.11", -222),
        ("CURR:RANG -1", -222),
        ("CURR:RANG 1V", -131),
        ("CURR:RANG", -109),
        ("CURR:RANG 1,2", -108),
        ("CURR:RANG 'A'", -104),
        ("CURR:NPLC 0.001", -222),
        ("CURR:NPLC 1PLC", -138),
        ("CURR:APER 1E-5", -222),
        ("SAMP:COUN 0", -222),
        ("TRIG:SOUR EXT", -224),
        ("FUNC 'RES'", -224),
        ("FUNC CURR", -104),
        ("CURR:AUTO ON", -113),
        ("CURRE:RANG 1", -113),
        ("FORM REAL,16", -224),
        ("FORM HEX", -224),
        ("CONF:CURR 1", -222),
        ("CONF:CURR 1E-5,1E-15", -222),
        ("FETC?", -230),
        ("*TRG", -211),
        ("TRIG:SOUR BUS;:READ?", -214),
        ("TRIG:SOUR BUS;:INIT;:FETC?", -214),
        ("INIT;:INIT", -213),
        ("INIT:CONT ON;:INIT", -213),
        ("INIT:CONT ON;:READ?", -213),
        ("INIT;:CURR:RANG MAX", -221),
        ("INIT;:FUNC 'VOLT'", -221),
        ("INIT;:SAMP:COUN 2", -221),
        ("INIT;:ABOR;:FETC?", -230),
    ],
)
def test_errors(message: str, error: int) -> None:
    session = ready(steady(0.0))
    session.meter.receive(message.encode() + b"\n", session.t)
    session.meter.receive(b"ABOR;*WAI\n", session.t)
    assert session.error() == error
    assert session.error() == 0
    assert session.ask("CURR:RANG?;NPLC?") == "+1.00000000E-05;+1.00000000E+00"


def test_aperture_and_cycles_are_one_setting() -> None:
    session = ready(steady(0.0), line_frequency_Hz=60.0)
    assert session.ask("CURR:NPLC 2;APER?") == "+3.33333333E-02"
    assert session.ask("CURR:APER 100 MS;NPLC?") == "+6.00000000E+00"
    assert session.ask("CURR:APER MIN;NPLC?;NPLC? MIN") == "+2.00000000E-02;+2.00000000E-02"
    assert session.error() == 0


def test_reset_state() -> None:
    """SCPI-1999 vol.2: *RST selects VOLTage, autorange, ASCii, NORMal, one sample, IMMediate."""
    line = steady(1e-3)
    session = ready(line)
    session.ask(
        "FORM REAL,64;:FORM:BORD SWAP;:TRIG:SOUR BUS;COUN 3;DEL 1;:SAMP:COUN 4;:INIT:CONT ON"
    )
    session.ask("*RST")
    assert session.ask("FUNC?;:CURR:RANG:AUTO?;:FORM?;:FORM:BORD?") == '"VOLT";1;ASC,0;NORM'
    assert session.ask("TRIG:SOUR?;COUN?;:SAMP:COUN?;:INIT:CONT?") == "IMM;1;1;0"
    assert float(session.ask("TRIG:DEL?")) == 0.0
    assert line.shunts[-1] == (1.0, 1.0)
    assert session.ask("CONF?") == '"VOLT"'
    assert abs(session.readings("READ?")[0]) < 1e-5  # an open voltage input, no current


def test_function_in_both_forms() -> None:
    session = Session(SimulatedMeter(SHEET, steady(0.0), 1))
    for name in ("CURR", "current:dc", "CURR:DC"):
        session.ask("FUNC 'VOLT:DC'")
        assert session.ask(f'SENSE:FUNCTION:ON "{name}";:FUNC?') == '"CURR"'
    assert session.error() == 0


def test_configure() -> None:
    session = ready(steady(2e-6))
    session.ask("SAMP:COUN 5;:CURR:NPLC 2;:CONF:CURR:DC 5E-5")
    assert session.ask("CONF?") == '"CURR +1.00000000E-04,+1.00000000E-10"'
    assert session.ask("CURR:RANG:AUTO?;NPLC?;:SAMP:COUN?".replace(";NPLC", ";:CURR:NPLC")) == (
        "0;+1.00000000E+01;1"
    )
    session.ask("CONF:CURR 1E-5,1E-10")  # the shortest aperture with that count
    assert float(session.ask("CURR:NPLC?")) == 0.2
    session.ask("CONF:CURR DEF")
    assert session.ask("CURR:RANG:AUTO?") == "1"
    assert session.error() == 0


def test_a_refused_configuration_changes_nothing() -> None:
    session = ready(steady(2e-6))
    session.ask("SAMP:COUN 5;:CONF:CURR 1E-3,1E-12")
    assert session.error() == -222
    assert session.ask("SAMP:COUN?;:CURR:RANG?") == "5;+1.00000000E-05"


def test_measure_is_configure_and_read() -> None:
    session = Session(SimulatedMeter(SHEET, steady(2e-6), 1))
    assert session.readings("MEAS:CURR:DC?") == pytest.approx([2e-6], rel=0.01)
    assert session.ask("FUNC?") == '"CURR"'
    assert len(session.readings("MEAS:CURR? 1E-3")) == 1
    assert float(session.ask("CURR:RANG?")) == 1e-3
    assert session.readings("READ?") == pytest.approx([2e-6], abs=2e-7)


# -- acquiring ------------------------------------------------------------------------------


def test_fetch_waits_for_the_end_of_the_last_aperture() -> None:
    session = ready(steady(1e-6))
    meter = session.meter
    meter.receive(b"SAMP:COUN 5;:INIT\n", 1.0)
    meter.receive(b"FETC?\n*IDN?\n", 1.01)
    assert meter.next_output(1.01) == pytest.approx(1.1)
    assert meter.output(1.0999) == b""
    reply = meter.output(1.1001).decode().splitlines()
    assert len(reply[0].split(",")) == 5
    assert reply[1].startswith("Invented")


def test_fetch_repeats_itself_and_init_forgets() -> None:
    session = ready(steady(1e-6))
    first = session.ask("SAMP:COUN 3;:READ?")
    assert session.ask("FETC?") == session.ask("FETCH?") == first
    assert session.ask("INIT;:FETC?") != first


def test_triggers_and_delays_multiply_and_add() -> None:
    session = ready(steady(1e-6))
    readings = session.readings("TRIG:COUN 3;DEL 0.1;:SAMP:COUN 4;:READ?")
    assert len(readings) == 12
    assert session.t == pytest.approx(1.0 + 3 * (0.1 + 4 * 0.02))


def test_the_end_is_foreseen() -> None:
    session = ready(steady(1e-6), dead_time_s=0.003)
    session.meter.receive(b"TRIG:COUN 3;DEL 0.1;:SAMP:COUN 4;:READ?\n", session.t)
    foreseen = session.meter.next_output(session.t)
    assert foreseen is not None
    assert session.meter.output(foreseen - 1e-6) == b""
    assert session.meter.output(foreseen + 1e-6) != b""


def test_bus_triggers() -> None:
    session = ready(steady(1e-6))
    session.ask("TRIG:SOUR BUS;COUN 2;:SAMP:COUN 2;:INIT")
    session.wait(1.0)
    session.ask("*TRG")
    session.wait(1.0)
    assert session.ask("FETC?") == ""
    assert session.error() == -214  # one trigger is still missing
    session.ask("*TRG")
    assert len(session.readings("FETC?")) == 4
    session.ask("*TRG")
    assert session.error() == -211


def test_continuous_acquisition() -> None:
    session = ready(stepping(1e-6, 5e-6, 2.0), quiet())
    session.readings("SAMP:COUN 2;:READ?")
    session.ask("SAMP:COUN 1;:INIT:CONT ON")
    assert session.readings("FETC?") == pytest.approx([1e-6], abs=2e-11)  # waits for a new one
    session.wait(3.0)
    assert session.readings("FETC?") == pytest.approx([5e-6], abs=2e-11)
    session.ask("INIT:CONT OFF;*WAI;:CURR:RANG MAX")
    assert session.error() == 0


def test_abort_ends_what_is_pending() -> None:
    session = ready(steady(1e-6))
    session.ask("*CLS;:SAMP:COUN 1000;:INIT;*OPC")
    assert session.ask("*ESR?") == "0"
    assert session.ask("ABOR;*ESR?") == "1"
    session.ask("CURR:RANG MAX")
    assert session.error() == 0


def test_disconnecting_frees_a_meter_that_waits() -> None:
    session = ready(steady(1e-6))
    session.meter.receive(b"SAMP:COUN 100000;:READ?\n", session.t)
    session.meter.disconnect(2.0)
    session.meter.connect(2.0)
    session.t = 2.0
    assert session.ask("ABOR;*OPC?") == "1"


# -- formats --------------------------------------------------------------------------------


@pytest.mark.parametrize("border", ["NORM", "SWAP"])
@pytest.mark.parametrize(("length", "letter"), [(64, "d"), (32, "f")])
def test_binary_readings(border: str, length: int, letter: str) -> None:
    """IEEE 488.2 8.7.9 and 8.7.10; SCPI-1999 vol.2 9.1 and 9.2: NORMal is big-endian."""
    session = ready(steady(1e-6))
    expected = session.readings("SAMP:COUN 20;:READ?")
    reply = session.raw(f"FORM REAL,{length};:FORM:BORD {border};:FETC?")
    size = 20 * length // 8
    header = f"#{len(str(size))}{size}".encode()
    assert reply.startswith(header)
    assert reply.endswith(b"\n")
    assert len(reply) == len(header) + size + 1
    values = struct.unpack(f"{'<' if border == 'SWAP' else '>'}20{letter}", reply[len(header) : -1])
    assert list(values) == pytest.approx(expected, rel=1e-6)
    assert session.ask("FORM?;:FORM:BORD?") == f"REAL,{length};{border}"


def test_an_overload_survives_every_format() -> None:
    session = ready(steady(1.0))
    assert session.ask("READ?") == "+9.90000000E+37"
    assert struct.unpack(">d", session.raw("FORM REAL;:FETC?")[3:-1]) == (9.9e37,)
    assert struct.unpack(">f", session.raw("FORM REAL,32;:FETC?")[3:-1])[0] == pytest.approx(9.9e37)


def test_a_meter_without_binary_formats() -> None:
    session = ready(steady(1e-6), formats=("ASC",))
    session.ask("FORM REAL,64")
    assert session.error() == -224
    assert session.ask("FORM?") == "ASC,0"


@pytest.mark.parametrize(
    ("header", "message"),
    [("SAMP:COUN", "SAMP:COUN 5"), ("CURR:NPLC", "SENS:CURR:DC:NPLC 1"), ("FETC?", "INIT;:FETC?")],
)
def test_meters_that_lack_a_header(header: str, message: str) -> None:
    session = ready(steady(1e-6))
    session.meter.fail_headers = {header}
    assert session.ask(message) == ""
    assert session.error() == -113


def test_a_late_reading() -> None:
    session = ready(steady(1e-6))
    session.meter.reply_delay_s = 0.5
    session.readings("READ?")
    assert session.t == pytest.approx(1.52)


# -- whatever comes -------------------------------------------------------------------------

PIECES = st.sampled_from(
    ["INIT", "FETC?", "READ?", "ABOR", "*RST", "*TRG", "*WAI", "*OPC?", "INIT:CONT ON",
     "INIT:CONT OFF", "TRIG:SOUR BUS", "TRIG:SOUR IMM", "TRIG:COUN 2", "SAMP:COUN 3", "FUNC 'CURR'",
     "FUNC 'VOLT'", "CURR:RANG 1E-3", "CURR:RANG MIN", "CURR:RANG:AUTO ON", "CURR:NPLC MIN",
     "CONF:CURR", "MEAS:CURR?", "FORM REAL,32", "FORM ASC", "FETC", "TRIG:DEL 0.1"]
)  # fmt: skip


@settings(derandomize=True, max_examples=200, deadline=None)
@given(st.lists(st.tuples(PIECES, st.floats(0.0, 0.3)), max_size=12))
def test_no_order_of_commands_breaks_it(steps: list[tuple[str, float]]) -> None:
    meter = SimulatedMeter(HANDHELD, steady(3e-4), 1)
    t = 0.0
    for message, wait_s in steps:
        meter.receive(message.encode() + b"\n", t)
        at = meter.next_output(t)
        assert at is None or at > t
        t += wait_s
        meter.output(t)
    meter.disconnect(t)
    session = Session(meter, t)
    session.ask("*RST;*CLS")
    assert session.ask("*OPC?;:SYST:ERR?") == '1;0,"No error"'
    assert session.readings("MEAS:CURR?") == pytest.approx([3e-4], rel=0.01)
