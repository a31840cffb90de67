"""The meter driver against the simulated meter, and against a scripted one with every oddity that
a meter may have: in what it knows, how it answers, and what it does to a running measurement."""

from __future__ import annotations

import math
import struct
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchrig.clock import VirtualClock
from benchrig.drivers.instrument import ScpiInstrument
from benchrig.drivers.meter import Meter, Readings, Zero
from benchrig.drivers.sampler import ReadingFormat
from benchrig.drivers.scpi import NOT_A_NUMBER, OVERLOAD
from benchrig.errors import Fault, Interrupted, NoReply, WireLost
from benchrig.session import load_sheet
from benchrig.session.bench_file import MeterPort
from benchrig.session.sheet import MeterSheet
from benchrig.simulation.files import load_board
from benchrig.simulation.world import World
from benchrig.wires.simulated import FarEnd, SimulatedWire

FIXTURES = Path(__file__).parents[2] / "fixtures"
TAKEN = datetime(2026, 1, 1, tzinfo=UTC)
SHEET = load_sheet(FIXTURES / "meter-6-digit.toml")
BOARD = load_board(FIXTURES / "boards" / "hive-scale.toml")
APERTURE_S = 0.02
RANGES_A = (1e-5, 1e-4, 1e-3, 1e-2, 1e-1)
BLOCK, ASCII, SINGLE = ReadingFormat


@dataclass
class OddMeter:
    """A meter on the virtual clock: reading number n (from 1 on) is n nA. It works through one
    message after the other; what waits for readings holds up what is behind it, if `holds`."""

    blocks: bool = True
    border: bool = True  # knows FORMat:BORDer
    swapped: bool = False  # ... and sends blocks the other way round nevertheless
    batches: bool = True  # knows SAMPle:COUNt
    initiates: bool = True  # knows INITiate
    configures: bool = True  # knows CONFigure
    quoted_function: str = '"CURR:DC"'  # what SENSe:FUNCtion takes
    most_samples: int = 1_000_000
    clamps: bool = False  # makes a count above it the highest one, silently
    refuses_while_running: bool = False  # -221
    setting_aborts: bool = False
    holds: bool = False  # FETCh? holds up the messages behind it
    aborts: bool = True  # knows ABORt
    dead_s: float = 0.0  # after each aperture
    line_Hz: float = 50.0
    format_answer: str = ""  # what FORMat? says, if not the truth
    takes_format: bool = True  # REAL,64 is taken without an error, and ignored if False
    terminates_blocks: bool = True
    number: str = "{:+.9E}"
    autorange_answer: str = ""
    autorange_stays: bool = False
    ranges_A: tuple[float, ...] = RANGES_A
    nplcs: tuple[float, ...] = ()  # if any, the only ones; others are rounded up
    knows_nplc: bool = True
    reset_s: float = 0.0
    continuous: bool = False  # after *RST it measures on its own
    reads_zero: bool = False
    bytes_s: float = 0.0  # time per byte of an answer
    late: dict[str, deque[float]] = field(default_factory=dict)
    special: dict[int, float] = field(default_factory=dict)  # readings by number
    on_line: Callable[[str], None] = lambda line: None

    def __post_init__(self) -> None:
        self.lines: list[str] = []
        self.errors: deque[str] = deque()
        self.out: list[tuple[float, bytes]] = []
        self.waiting: deque[str] = deque()
        self.readings: list[float] = []
        self.count = 0
        self.ends_s = -math.inf
        self.free_s = 0.0
        self.ese = "0"
        self.reset(0.0)

    def reset(self, t: float) -> None:
        self.running = self.continuous
        self.function, self.autorange = "VOLT", True
        self.range_A, self.samples, self.nplc = self.ranges_A[-1], 1, 10.0
        self.format, self.order = "ASC,0", "NORM"
        self.ends_s = math.inf if self.continuous else -math.inf

    # -- the far end ------------------------------------------------------------------------

    def connect(self, t: float) -> None: ...
    def disconnect(self, t: float) -> None: ...
    def set_line(self, line: str, asserted: bool, t: float) -> None: ...

    def receive(self, data: bytes, t: float) -> None:
        for line in data.decode().splitlines():
            self.lines.append(line)
            self.on_line(line)
            self.waiting.append(line)
        self.work(t)

    def output(self, t: float) -> bytes:
        self.work(t)
        data = b""
        while self.out and self.out[0][0] <= t:
            data += self.out.pop(0)[1]
        return data

    def next_output(self, t: float) -> float | None:
        self.work(t)
        due = [at for at, _ in self.out] + ([self.ends_s] if self.running and self.waiting else [])
        return min((at for at in due if at > t), default=None)

    # -- what it does -----------------------------------------------------------------------

    def work(self, t: float) -> None:
        while self.waiting:
            self.settle(t)
            line = self.waiting[0]
            if self.running and self.holds_up(line):
                ahead = next((entry for entry in self.waiting if entry == "ABOR"), None)
                if self.holds or ahead is None:
                    return
                self.waiting.remove(ahead)
                self.do(ahead, t)
                continue
            self.waiting.popleft()
            units = [self.do(unit.removeprefix(":"), t) for unit in line.split(";")]
            answers = [answer for answer in units if answer is not None]
            if answers:
                self.say(b";".join(answers) + b"\n", line, t)

    def holds_up(self, line: str) -> bool:
        return line in ("FETC?", "*OPC?", "READ?..")

    def settle(self, t: float) -> None:
        if self.running and t >= self.ends_s - 1e-9:
            self.running = False

    def say(self, data: bytes, line: str, t: float) -> None:
        at = max(t, self.free_s)
        if self.late.get(line):
            at += self.late[line].popleft()
        if data.startswith(b"#") and not self.terminates_blocks:
            data = data.removesuffix(b"\n")
        if not self.bytes_s:
            self.out.append((at, data))
        for byte in data if self.bytes_s else b"":
            at += self.bytes_s
            self.out.append((at, bytes([byte])))
        self.free_s = at
        self.out.sort(key=lambda entry: entry[0])

    def fail(self, code: int, text: str) -> None:
        self.errors.append(f'{code},"{text}"')

    def set(self, act: Callable[[], None]) -> None:
        if self.running and self.refuses_while_running:
            self.fail(-221, "Settings conflict")
            return
        if self.running and self.setting_aborts:
            self.running, self.readings = False, []
        act()

    def start(self, t: float) -> None:
        if self.running:
            self.fail(-213, "Init ignored")
            return
        cycle_s = self.nplc / self.line_Hz + self.dead_s
        self.running, self.ends_s = True, t + self.samples * cycle_s
        self.readings = []
        for _ in range(self.samples):
            self.count += 1
            value = 0.0 if self.reads_zero else self.count * 1e-9
            self.readings.append(self.special.get(self.count, value))

    def fetched(self) -> bytes | None:
        if not self.readings:
            self.fail(-230, "Data corrupt or stale")
            return None
        if self.format.startswith("REAL"):
            swap = self.swapped or self.order == "SWAP"
            data = struct.pack(f"{'<' if swap else '>'}{len(self.readings)}d", *self.readings)
            return f"#{len(str(len(data)))}{len(data)}".encode() + data
        return ",".join(self.number.format(value) for value in self.readings).encode()

    def do(self, unit: str, t: float) -> bytes | None:
        header, _, value = unit.partition(" ")
        current = header.removeprefix("SENS:CURR:DC:")
        match header:
            case "*IDN?":
                return b"Invented,Odd meter,0,1"
            case "*CLS":
                self.errors.clear()
            case "*ESE":
                self.ese = value
            case "*ESE?":
                return self.ese.encode()
            case "*OPC?":
                return b"1"
            case "*RST":
                self.reset(t)
                self.free_s = t + self.reset_s
            case "SYST:ERR?":
                return (self.errors.popleft() if self.errors else '+0,"No error"').encode()
            case "ABOR" if self.aborts:
                if self.running:
                    self.running, self.readings = False, []
            case "INIT:CONT":
                self.continuous = False
            case "INIT" if self.initiates:
                self.start(t)
            case "FETC?" if self.initiates:
                return self.fetched()
            case "READ?":
                self.running = False
                self.start(t)
                self.waiting.appendleft("READ?..")
            case "READ?..":
                return self.fetched()
            case "CONF:CURR:DC" if self.configures:
                self.running = False
                self.function, self.autorange, self.samples = "CURR", value != "MAX", 1
            case "SENS:FUNC" if value == self.quoted_function:
                self.set(lambda: setattr(self, "function", "CURR"))
            case "SAMP:COUN" if self.batches:
                self.set(lambda: self.set_samples(int(float(value))))
            case "SAMP:COUN?" if self.batches:
                return str(self.samples).encode()
            case "FORM:DATA":
                if value == "REAL,64" and not self.blocks:
                    self.fail(-224, "Illegal parameter value")
                elif self.takes_format:
                    self.format = "ASC,0" if value == "ASC" else value
            case "FORM:DATA?" if self.blocks:
                return (self.format_answer or self.format).encode()
            case "FORM:BORD" if self.border:
                self.order = value
            case _ if current != header:
                return self.setting(current, value)
            case _:
                self.fail(-113, "Undefined header")
        return None

    def set_samples(self, wanted: int) -> None:
        if wanted > self.most_samples and not self.clamps:
            self.fail(-222, "Data out of range")
        else:
            self.samples = min(wanted, self.most_samples)

    def set_range(self, wanted_A: float) -> None:
        fits = [range_A for range_A in self.ranges_A if range_A >= wanted_A * (1 - 1e-9)]
        if fits:
            self.range_A, self.autorange = fits[0], False
        else:
            self.fail(-222, "Data out of range")

    def setting(self, header: str, value: str) -> bytes | None:
        match header:
            case "RANG":
                wanted = self.ranges_A[-1] if value == "MAX" else float(value)
                self.set(lambda: self.set_range(wanted))
            case "RANG?":
                shown = {"MIN": self.ranges_A[0], "MAX": self.ranges_A[-1]}
                return self.number.format(shown.get(value, self.range_A)).encode()
            case "RANG:AUTO":
                self.set(lambda: setattr(self, "autorange", value != "OFF"))
            case "RANG:AUTO?":
                on = self.autorange or self.autorange_stays
                return (self.autorange_answer or str(int(on))).encode()
            case "NPLC" if self.knows_nplc:
                rounded = [nplc for nplc in self.nplcs if nplc >= float(value)]
                self.set(lambda: setattr(self, "nplc", [*rounded, float(value)][0]))
            case "NPLC?" if self.knows_nplc:
                return str(self.nplc).encode()
            case "APER":
                self.set(lambda: setattr(self, "nplc", float(value) * self.line_Hz))
            case "APER?":
                return str(self.nplc / self.line_Hz).encode()
            case _:
                self.fail(-113, "Undefined header")
        return None


@dataclass
class Rig:
    meter: Meter
    end: Any
    clock: VirtualClock
    wire: SimulatedWire

    def readings_nA(self, count: int = 3, **more: Any) -> list[int]:
        return [round(value * 1e9) for value in self.meter.acquire(count, **more).currents_A]


@contextmanager
def rig(
    end: FarEnd,
    sheet: MeterSheet | None = SHEET,
    zeros: tuple[Zero, ...] = (),
    *,
    opened: bool = True,
    **port: Any,
) -> Iterator[Rig]:
    clock = VirtualClock()
    wire = SimulatedWire("meter", clock, end)
    instrument = ScpiInstrument(wire, clock)
    it = Rig(Meter(instrument, clock, MeterPort(**port), sheet, zeros), end, clock, wire)
    if opened:
        it.meter.open()
    yield it
    it.meter.close()


def kind_of(call: Callable[[], object], match: str | None = None) -> str:
    with pytest.raises(Fault, match=match) as caught:
        call()
    return caught.value.kind


def in_order(times: np.ndarray) -> bool:
    return bool((np.diff(times) > 0).all())


# -- how readings are fetched ---------------------------------------------------------------

ODDITIES: dict[str, tuple[dict[str, Any], ReadingFormat]] = {
    "plain": ({}, BLOCK),
    "FORM? answers REAL": ({"format_answer": "REAL"}, BLOCK),
    "FORM? answers REAL,64": ({"format_answer": "REAL,64"}, BLOCK),
    "no byte order": ({"border": False}, BLOCK),
    "swapped": ({"swapped": True}, ASCII),
    "swapped, no byte order": ({"swapped": True, "border": False}, ASCII),
    "zeros, no byte order": ({"border": False, "reads_zero": True}, ASCII),
    "zeros": ({"reads_zero": True}, BLOCK),
    "ASCII only": ({"blocks": False}, ASCII),
    "REAL taken and ignored": ({"takes_format": False}, ASCII),
    "blocks without an end": ({"terminates_blocks": False}, ASCII),
    "no SAMP:COUN": ({"batches": False}, SINGLE),
    "no INIT": ({"initiates": False}, SINGLE),
    "no INIT, ASCII only": ({"initiates": False, "blocks": False}, SINGLE),
    "plus as a blank": ({"blocks": False, "number": "{: .6E}"}, ASCII),
    "no plus": ({"blocks": False, "number": "{:.6E}"}, ASCII),
    "blanks in numbers": ({"blocks": False, "number": "+ {:.6E}"}, ASCII),
    "no CONF": ({"configures": False}, BLOCK),
    "no CONF, other function": ({"configures": False, "quoted_function": '"CURR"'}, BLOCK),
    "no NPLC": ({"knows_nplc": False}, BLOCK),
    "autorange answers OFF": ({"autorange_answer": "OFF"}, BLOCK),
    "autorange answers +0": ({"autorange_answer": "+0"}, BLOCK),
    "refuses while running": ({"refuses_while_running": True}, BLOCK),
    "setting aborts": ({"setting_aborts": True}, BLOCK),
    "held up": ({"holds": True, "refuses_while_running": True}, BLOCK),
    "measures on its own": ({"continuous": True, "refuses_while_running": True}, BLOCK),
    "no ABOR": ({"aborts": False}, BLOCK),
    "slow reset": ({"reset_s": 6.0}, BLOCK),
    "dead time": ({"dead_s": 0.03}, BLOCK),
    "60 Hz": ({"line_Hz": 60.0}, BLOCK),
    "slow line": ({"bytes_s": 0.001, "blocks": False}, ASCII),
}


@pytest.mark.parametrize("oddity", ODDITIES)
def test_every_meter_gives_its_readings(oddity: str) -> None:
    options, way = ODDITIES[oddity]
    end = OddMeter(**options)
    with rig(end) as it:
        assert it.meter.format is way
        assert end.function == "CURR"
        assert not end.autorange
        assert end.nplc == pytest.approx(1.0)
        assert it.meter.range == it.meter.ranges[-1]
        taken = []
        for entry in reversed(it.meter.ranges):
            it.meter.set_range(entry)
            assert end.range_A == entry.full_scale_A
            before = end.count
            taken.append(it.meter.acquire(4))
            expected = [0 if end.reads_zero else before + number for number in (1, 2, 3, 4)]
            assert [round(value * 1e9) for value in taken[-1].currents_A] == expected
        assert in_order(np.concatenate([readings.times_s for readings in taken]))
        # What works is remembered, not tried again.
        assert end.lines.count("FORM:DATA REAL,64") <= 1
        assert list(end.errors) == []
        it.meter.make_safe()
        assert end.range_A == 0.1


def test_blocks_of_a_little_endian_meter_are_no_readings() -> None:
    """In the other byte order nearly half of all currents read as more than an overload."""
    rng = np.random.default_rng(7)
    taken = 0
    for currents in rng.integers(2000, 3000, (200, 8)) * 1e-6:
        special = {number: float(value) for number, value in enumerate(currents, start=1)}
        with rig(OddMeter(swapped=True, border=False, special=special)) as it:
            taken += it.meter.format is BLOCK
    assert taken <= 6


def test_the_simulated_meter() -> None:
    world = World(BOARD, SHEET, seed=1)
    with rig(world.meter) as it:
        assert it.meter.format is BLOCK
        it.clock.sleep(1.0)
        readings = it.meter.acquire(20)
        assert readings.currents_A == pytest.approx(np.full(20, 1.2e-3), abs=2e-5)
        assert not readings.overloaded
        it.meter.set_range(it.meter.ranges[0])
        readings = it.meter.acquire(5)
        assert readings.overloaded
        assert (np.abs(readings.currents_A) == OVERLOAD).all()
        it.meter.make_safe()
        assert it.meter.range == it.meter.ranges[-1]


@pytest.mark.parametrize(
    ("failing", "way"),
    [
        (set(), BLOCK), ({"FORM:DATA"}, ASCII), ({"FORM:BORD"}, BLOCK), ({"FORM:DATA?"}, BLOCK),
        ({"SAMP:COUN"}, SINGLE), ({"SAMP:COUN?"}, SINGLE), ({"INIT"}, SINGLE), ({"FETC?"}, SINGLE),
        ({"FETC?", "FORM:DATA"}, SINGLE), ({"CONF:CURR:DC"}, BLOCK), ({"ABOR"}, BLOCK),
        ({"SENS:CURR:DC:NPLC"}, BLOCK), ({"INIT:CONT"}, BLOCK),
    ],
)  # fmt: skip
def test_the_simulated_meter_without_some_commands(failing: set[str], way: ReadingFormat) -> None:
    """Queries that fail give no reply at all."""
    world = World(BOARD, SHEET, seed=1)
    assert world.simulated_meter is not None
    world.simulated_meter.fail_headers = failing
    with rig(world.meter) as it:
        assert it.meter.format is way
        it.clock.sleep(1.0)
        assert it.meter.acquire(5).currents_A == pytest.approx(np.full(5, 1.2e-3), abs=2e-5)


def test_a_meter_that_gives_no_readings_at_all() -> None:
    world = World(BOARD, SHEET, seed=1)
    assert world.simulated_meter is not None
    world.simulated_meter.fail_headers = {"FETC?", "READ?"}
    with rig(world.meter, opened=False) as it:
        assert kind_of(it.meter.open, r"no readings to 'READ\?': -113") == "meter_error"


# -- setting up -----------------------------------------------------------------------------


def test_autorange_that_stays_on() -> None:
    with rig(OddMeter(autorange_stays=True), opened=False) as it:
        assert kind_of(it.meter.open, "autorange is still on") == "meter_error"
        assert it.meter.range is None


def test_an_aperture_that_the_meter_rounds() -> None:
    with rig(OddMeter(nplcs=(0.02, 1, 10)), nplc=1) as it:
        assert it.meter.aperture_s == APERTURE_S

    class Rounds(OddMeter):
        def setting(self, header: str, value: str) -> bytes | None:
            if header == "APER":
                value = "0.2"
            return super().setting(header, value)

    with rig(Rounds(nplcs=(0.02, 1, 10)), nplc=5, opened=False) as it:
        assert kind_of(it.meter.open, "no aperture of 5 power-line cycles") == "meter_error"


def test_a_refused_setting_is_named() -> None:
    with rig(OddMeter(ranges_A=RANGES_A[:-1]), opened=False) as it:
        assert kind_of(it.meter.open, r"refuses 'SENS:CURR:DC:RANG 0.1': -222") == "meter_error"
        assert it.meter.range is None
        assert kind_of(lambda: it.meter.acquire(1), "range is not known") == "meter_error"


def test_a_range_that_reads_back_other_than_asked() -> None:
    with rig(OddMeter(ranges_A=(1e-5, 1e-4, 3e-3, 1e-2, 1e-1))) as it:
        it.meter.set_range(it.meter.ranges[1])
        kind = kind_of(lambda: it.meter.set_range(it.meter.ranges[2]), "reads back 0.003 A")
        assert kind == "meter_error"
        assert it.meter.range is None
        it.meter.make_safe()
        assert it.meter.range == it.meter.ranges[-1]


# -- without a sheet ------------------------------------------------------------------------


def test_ranges_that_the_meter_reports() -> None:
    with rig(OddMeter(), None) as it:
        scales = [entry.full_scale_A for entry in it.meter.ranges]
        assert scales == pytest.approx(RANGES_A)
        assert all(entry.assumed and entry.gain > 0.0 < entry.offset for entry in it.meter.ranges)
        for entry in it.meter.ranges:
            it.meter.set_range(entry)
        assert len(it.meter.ranges) == 5


def test_ranges_that_are_no_decades_are_found_in_use() -> None:
    real = (2e-4, 2e-3, 2e-2, 1.0, 3.0)
    with rig(OddMeter(ranges_A=real), None) as it:
        for _ in range(3):
            for entry in it.meter.ranges:
                it.meter.set_range(entry)
                present = it.meter.range
                assert present is not None
                assert present in it.meter.ranges
                assert present.full_scale_A == pytest.approx(it.end.range_A)
                assert present.full_scale_A >= entry.full_scale_A * 0.99
        # What was never used is still supposed; of what was, nothing is left out or twice there.
        scales = [entry.full_scale_A for entry in it.meter.ranges]
        assert scales == pytest.approx(real[-len(scales) :])
        assert len(scales) >= 4


@pytest.mark.parametrize("ranges_A", [(0.0, 0.1), (1e-3, 9.9e37)])
def test_ranges_that_make_no_sense(ranges_A: tuple[float, ...]) -> None:
    with rig(OddMeter(ranges_A=ranges_A), None, opened=False) as it:
        assert kind_of(it.meter.open, "reports ranges from") == "meter_error"
        # Left safe all the same, as far as it goes.
        it.meter.make_safe()
        assert it.end.lines[-2] == "SENS:CURR:DC:RANG MAX"


# -- readings -------------------------------------------------------------------------------


@pytest.mark.parametrize("clamps", [False, True])
@pytest.mark.parametrize("most", [1, 2, 300, 512])
def test_more_readings_than_the_meter_takes_at_once(most: int, clamps: bool) -> None:
    end = OddMeter(most_samples=most, clamps=clamps)
    with rig(end, nplc=0.02) as it:
        before = end.count
        readings = it.meter.acquire(1000)
        values = np.round(readings.currents_A * 1e9).astype(int)
        assert values.tolist() == list(range(before + 1, before + 1001))
        assert in_order(readings.times_s)
        refused = len(end.lines)
        it.meter.acquire(1000)
        assert "SAMP:COUN 1000" not in end.lines[refused:]
        # The limit does not come back as an error, to whatever is configured next.
        it.meter.set_range(it.meter.ranges[0])


def test_zeros_of_another_meter_are_not_used() -> None:
    zero = Zero("Invented,Odd meter,0,2", 0.1, 0.5e-9, 1e-12, TAKEN, 50)
    with rig(OddMeter(), zeros=(zero,), opened=False) as it:
        assert kind_of(it.meter.open, "take them again") == "zeros_of_another_meter"


@pytest.mark.parametrize("options", [{}, {"blocks": False}, {"batches": False}])
def test_sentinels_are_kept_and_zeros_are_not_taken_from_them(options: dict[str, Any]) -> None:
    zero = Zero("Invented,Odd meter,0,1", 0.1, 0.5e-9, 1e-12, TAKEN, 50)
    with rig(OddMeter(**options), zeros=(zero,)) as it:
        at = it.end.count
        it.end.special = {at + 2: OVERLOAD, at + 3: -OVERLOAD, at + 4: NOT_A_NUMBER}
        readings = it.meter.acquire(5)
        assert readings.currents_A[1:4].tolist() == [OVERLOAD, -OVERLOAD, NOT_A_NUMBER]
        assert readings.currents_A[0] == pytest.approx((at + 1) * 1e-9 - 0.5e-9)
        assert readings.currents_A[4] == pytest.approx((at + 5) * 1e-9 - 0.5e-9)
        assert readings.overloaded
        it.end.special = {it.end.count + 1: NOT_A_NUMBER}
        assert not it.meter.acquire(2).overloaded
        it.meter.set_range(it.meter.ranges[0])
        at = it.end.count
        assert it.meter.acquire(1).currents_A[0] == pytest.approx((at + 1) * 1e-9)


@pytest.mark.parametrize("dead_s", [0.0, 0.02, 0.1])
@pytest.mark.parametrize("options", [{}, {"blocks": False, "bytes_s": 0.0005}, {"batches": False}])
def test_times_are_the_ends_of_apertures(options: dict[str, Any], dead_s: float) -> None:
    with rig(OddMeter(dead_s=dead_s, **options)) as it:
        taken: list[Readings] = []
        for count in (1, 5, 20, 20, 200):
            start_s = it.clock.monotonic()
            readings = it.meter.acquire(count)
            cycle_s = APERTURE_S + dead_s
            ends = start_s + cycle_s * np.arange(1, count + 1)
            # Setting another count takes its time, as does every answer on a slow line.
            assert np.abs(readings.times_s - ends).max() < 0.1
            assert readings.times_s[-1] <= it.clock.monotonic() + 1e-9
            taken.append(readings)
        assert in_order(np.concatenate([readings.times_s for readings in taken]))
        assert it.meter.interval_s == pytest.approx(APERTURE_S + dead_s, rel=0.1)
        assert it.meter.dead_share == pytest.approx(dead_s / (APERTURE_S + dead_s), abs=0.1)


def test_readings_that_were_there_at_once_have_times_in_order() -> None:
    """As where an answer to an earlier question comes twice: it takes no time at all."""
    with rig(OddMeter()) as it:
        sampler, start_s = it.meter._sampler, it.clock.monotonic()
        it.meter.instrument.answered_s = start_s
        times_s = np.concatenate([sampler._timed(start_s, 5) for _ in range(3)])
        assert in_order(times_s)


def test_a_late_answer_is_no_slower_meter() -> None:
    end = OddMeter()
    with rig(end) as it:
        it.meter.acquire(20)
        end.late["FETC?"] = deque([1.5])
        start_s = it.clock.monotonic()
        readings = it.meter.acquire(20)
        assert readings.times_s == pytest.approx(start_s + 0.02 * np.arange(1, 21), abs=0.005)
        start_s = it.clock.monotonic()
        it.meter.acquire(20)
        assert it.clock.monotonic() - start_s == pytest.approx(0.4, abs=0.01)


@pytest.mark.parametrize("options", [{}, {"batches": False}])
def test_meanwhile_is_called_while_the_meter_is_at_work(options: dict[str, Any]) -> None:
    with rig(OddMeter(**options)) as it:
        waits: list[float] = []

        def meanwhile(duration_s: float) -> None:
            waits.append(duration_s)
            it.clock.sleep(duration_s)

        it.meter.acquire(50, meanwhile)
        assert len(waits) >= 8
        assert max(waits) <= 0.1


def test_the_same_readings_again_are_others() -> None:
    """INITiate was not obeyed, and FETCh? gives once more what is there."""

    class Stuck(OddMeter):
        stuck = False

        def start(self, t: float) -> None:
            if not self.stuck:
                super().start(t)

    end = Stuck()
    with rig(end) as it:
        it.meter.acquire(20)
        end.stuck = True
        assert kind_of(lambda: it.meter.acquire(20), "the same 20 readings twice") == "meter_error"


def test_a_refusal_to_measure_is_named() -> None:
    class Refuses(OddMeter):
        refuses = False

        def start(self, t: float) -> None:
            if self.refuses:
                self.readings = []
                self.fail(-200, "Execution error")
            else:
                super().start(t)

    end = Refuses()
    with rig(end) as it:
        end.refuses = True
        kind = kind_of(lambda: it.meter.acquire(3), r'-200,"Execution error"; -230')
        assert kind == "meter_error"
        end.refuses = False
        before = end.count
        assert it.readings_nA() == [before + 1, before + 2, before + 3]


# -- no reading is taken for a later one ----------------------------------------------------


@pytest.mark.parametrize("holds", [False, True])
@pytest.mark.parametrize("late_s", [2.3, 3.0, 4.0, 5.0])
@pytest.mark.parametrize(
    ("options", "question"),
    [({}, "FETC?"), ({"blocks": False}, "FETC?"), ({"batches": False}, "READ?..")],
)
def test_late_readings(options: dict[str, Any], question: str, late_s: float, holds: bool) -> None:
    end = OddMeter(holds=holds, **options)
    with rig(end) as it:
        end.late[question] = deque([late_s])
        assert kind_of(lambda: it.meter.acquire(2)) == "no_reply"
        for _ in range(3):
            before = end.count
            assert it.readings_nA() == [before + 1, before + 2, before + 3]
        end.late[question] = deque([late_s])
        assert kind_of(lambda: it.meter.acquire(2)) == "no_reply"
        start_s = it.clock.monotonic()
        it.meter.set_range(it.meter.ranges[0])
        assert end.range_A == 1e-5
        assert it.clock.monotonic() - start_s < late_s + 0.2


@pytest.mark.parametrize("cause", ["stop", "lost", "late"])
@pytest.mark.parametrize(
    "options",
    [
        {}, {"holds": True}, {"refuses_while_running": True}, {"setting_aborts": True},
        {"holds": True, "refuses_while_running": True}, {"batches": False},
        {"batches": False, "holds": True, "refuses_while_running": True}, {"aborts": False},
    ],
)  # fmt: skip
def test_an_interrupted_acquisition_leaves_the_meter_usable(
    options: dict[str, Any], cause: str
) -> None:
    """Whatever ends it: a stop or a fault while waiting, or a stop while FETCh? waits."""
    end = OddMeter(**options)
    with rig(end) as it:
        calls: list[float] = []

        def meanwhile(duration_s: float) -> None:
            calls.append(duration_s)
            if len(calls) == 2 and cause == "lost":
                raise WireLost("board", "the cable was pulled")
            if len(calls) == 2 and cause == "stop":
                it.clock.stop.make("test")
            it.clock.sleep(duration_s)

        def heard(line: str) -> None:
            if cause == "late" and line in ("FETC?", "READ?"):
                it.clock.stop.make("test")

        end.on_line = heard
        with pytest.raises((Interrupted, WireLost)):
            it.meter.acquire(20, meanwhile)
        with it.clock.shielded():
            for use in (it.meter.make_safe, lambda: it.meter.set_range(it.meter.ranges[1])):
                use()
                before = end.count
                assert it.readings_nA() == [before + 1, before + 2, before + 3]
            assert end.range_A == 1e-4
        assert list(end.errors) == []


def test_an_acquisition_after_an_interrupted_one_gives_its_own_readings() -> None:
    end = OddMeter()
    with rig(end) as it:
        it.meter.acquire(20)

        def lost(duration_s: float) -> None:
            raise WireLost("board", "the cable was pulled")

        with pytest.raises(WireLost):
            it.meter.acquire(20, lost)
        before, start_s = end.count, it.clock.monotonic()
        readings = it.meter.acquire(20)
        assert round(readings.currents_A[0] * 1e9) == before + 1
        assert readings.times_s[0] == pytest.approx(start_s + 0.02, abs=0.005)


def test_the_simulated_meter_after_an_interruption() -> None:
    """It refuses settings while it measures, and holds what comes behind a waiting FETCh?."""
    for when in (1, 2, 3, 4):
        world = World(BOARD, SHEET, seed=1)
        with rig(world.meter) as it:
            it.clock.sleep(1.0)
            calls: list[float] = []

            def meanwhile(
                duration_s: float, it: Rig = it, calls: list[float] = calls, when: int = when
            ) -> None:
                it.clock.sleep(duration_s)
                calls.append(duration_s)
                if len(calls) == when:
                    it.clock.stop.make("test")

            with pytest.raises(Interrupted):
                it.meter.acquire(20, meanwhile)
            with it.clock.shielded():
                it.meter.set_range(it.meter.ranges[3])
                readings = it.meter.acquire(5)
            assert readings.currents_A == pytest.approx(np.full(5, 1.2e-3), abs=2e-5)


def test_a_meter_that_is_gone_is_told_as_gone() -> None:
    with rig(OddMeter()) as it:
        it.wire.unplug()
        for call in (lambda: it.meter.acquire(2), it.meter.make_safe, it.meter.open):
            with pytest.raises(Fault) as caught:
                call()
            assert caught.value.kind in ("wire_lost", "port_missing")


def test_a_meter_that_falls_silent() -> None:
    world = World(BOARD, SHEET, seed=1)
    assert world.simulated_meter is not None
    with rig(world.meter) as it:
        world.simulated_meter.silent = True
        start_s = it.clock.monotonic()
        with pytest.raises(NoReply, match="does not answer any more"):
            it.meter.acquire(2)
        assert it.clock.monotonic() - start_s < 15.0
        world.simulated_meter.silent = False
        it.clock.sleep(1.0)
        it.meter.set_range(it.meter.ranges[3])
        assert it.meter.acquire(2).currents_A == pytest.approx(np.full(2, 1.2e-3), abs=2e-5)
