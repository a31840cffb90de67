"""A stranger's bench in real time: a beehive scale node on a pty, a SCPI ammeter on a TCP port.

Stands alone (standard library only) and shares nothing with the program it tries out. The ammeter
follows SCPI-1999 and IEEE 488.2, from memory; all names, numbers and habits are invented. The
electrical side is one capacitor behind the ammeter's shunt, so the burden voltage is real: a board
that wakes on a low range browns out. Prints one JSON line with the addresses when ready, ends at
EOF on stdin, writes its log (--log) on SIGUSR1 and at the end.
"""

from __future__ import annotations

import argparse
import contextlib
import heapq
import json
import math
import os
import random
import re
import select
import signal
import socket
import struct
import sys
import tempfile
import threading
import time
import tty
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

# Full scale in A and shunt in ohm: 60 mV of burden at full scale on every range.
RANGES = ((3e-6, 20e3), (30e-6, 2e3), (300e-6, 200.0), (3e-3, 20.0), (30e-3, 2.0), (300e-3, 0.2))
BROWN_OUT_V, RELEASE_V = 1.9, 2.1
TAIL_A, TAIL_TAU_S, TAIL_END_S = 3e-6, 0.7, 7.0  # dielectric absorption; 10 tau, then 0.1 nA
BOOT_S, WAKING_S, STOP_DELAY_S, THINK_S = 0.4, 0.030, 2.2, 0.004
BURST_S, BURST_EVERY_S = 0.003, 0.8
BYTE_S = 10 / 9600  # 8N1
OVERRUN_S = 0.002
LINE_MAX = 24
LOAD_A = {
    "reset": 5e-6,  # held below the brown-out threshold
    "boot": 5.5e-3,
    "G0": 0.84e-3,
    "G1": 4.1e-3,
    "waking": 4.1e-3,
    "G2-delay": 4.1e-3,  # answering, no longer listening
    "G2": 61e-6,
    "G2-burst": 4e-3,
    "G3-delay": 4.1e-3,  # housekeeping with the UART already off
    "G3": 1.7e-6,
}
BANNER = b"\x00*** HIVE NODE R2 ***\r"


class Log:
    """Everything that happened, with times in seconds since the start."""

    KINDS = ("range_changes", "wakes", "sleeps", "brown_outs", "commands", "lost_bytes", "readings")

    def __init__(self, clock: Callable[[], float]) -> None:
        self.clock = clock
        self.start = clock()
        self.entries: dict[str, list[dict[str, Any]]] = {kind: [] for kind in self.KINDS}

    def add(self, kind: str, when: float | None = None, **fields: Any) -> None:
        t = (self.clock() if when is None else when) - self.start
        self.entries[kind].append({"t_s": round(t, 6), **fields})

    def write(self, path: Path, board: Board) -> None:
        means = board.means()
        content = {"started_monotonic_s": self.start, **self.entries, "means": means}
        part = path.with_name(path.name + ".part")
        part.write_text(json.dumps(content, indent=1))
        part.replace(path)


class Board:
    """The node, its capacitor and the shunt it is fed through; no I/O, time is passed in.

    `advance` follows the supply voltage exactly from event to event: between two events the load
    is constant, so the capacitor follows one exponential whose crossing of a threshold is known.
    """

    def __init__(
        self,
        opt: argparse.Namespace,
        log: Log,
        rng: random.Random,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.opt, self.log, self.rng, self.clock = opt, log, rng, clock
        self.lock = threading.RLock()
        self.t = clock()
        self.volts = opt.supply
        self.range = len(RANGES) - 1
        self.charge_C = 0.0  # through the shunt
        self.peak_A = 0.0  # through the shunt, since the last look
        self.totals: dict[tuple[str, float], list[float]] = {}
        self.events: list[tuple[float, int, Callable[[], None]]] = []
        self.count = self.replies = 0
        self.tx: deque[tuple[float, int]] = deque()
        self.line = bytearray()
        self.last_rx = self.asleep_since = -math.inf
        self.mode = "boot"
        self._boot()

    # -- electrical side --------------------------------------------------------------------

    def advance(self, now: float) -> None:
        while self.t < now:
            end = min(now, self.events[0][0]) if self.events else now
            if self._tail():
                end = min(end, self.t + 0.01)
            if end > self.t:
                self._segment(end)
            while self.events and self.events[0][0] <= self.t:
                heapq.heappop(self.events)[2]()

    def _tail(self) -> bool:
        return self.mode == "G3" and self.t - self.asleep_since < TAIL_END_S

    def load(self, end: float) -> float:
        """Mean current in A the board draws from now to `end`, its mode unchanged."""
        amps = LOAD_A[self.mode]
        if self._tail() and end > self.t:
            a, b = (math.exp((self.asleep_since - t) / TAIL_TAU_S) for t in (self.t, end))
            amps += TAIL_A * TAIL_TAU_S * (a - b) / (end - self.t)
        return amps

    def _segment(self, end: float) -> None:
        full_scale, ohm = RANGES[self.range]
        tau = ohm * self.opt.capacitor
        amps = self.load(end)
        final = self.opt.supply - amps * ohm
        before = self.volts
        after = final + (before - final) * math.exp((self.t - end) / tau)
        held = self.mode == "reset"
        threshold = RELEASE_V if held else BROWN_OUT_V
        crossed = after >= threshold if held else after < threshold
        if crossed:
            end = self.t + tau * math.log((before - final) / (threshold - final))
            after = threshold
        name = {"G2-burst": "G2"}.get(self.mode, "G3-tail" if self._tail() else self.mode)
        duration = end - self.t
        through = amps * duration + self.opt.capacitor * (after - before)  # charge is conserved
        total = self.totals.setdefault((name, full_scale), [0.0, 0.0, 0.0])
        for i, amount in enumerate((duration, amps * duration, through)):
            total[i] += amount
        self.charge_C += through
        self.peak_A = max(self.peak_A, *((self.opt.supply - v) / ohm for v in (before, after)))
        self.t, self.volts = end, after
        if crossed and held:
            self._boot()
        elif crossed:
            self._brown_out()

    def look(self) -> tuple[float, float, float]:
        """Time, charge through the shunt so far, and its peak current since the last look."""
        with self.lock:
            self.advance(self.clock())
            peak, self.peak_A = self.peak_A, 0.0
            return self.t, self.charge_C, peak

    def set_range(self, index: int, by: str) -> None:
        with self.lock:
            self.advance(self.clock())
            if index != self.range:
                fields = self._surroundings() | {"to_A": RANGES[index][0], "by": by}
                self.log.add("range_changes", self.t, **fields)
            self.range = index

    def means(self) -> list[dict[str, Any]]:
        with self.lock:
            self.advance(self.clock())
            return [
                {"state": state, "range_A": full_scale, "seconds": s}
                | {"mean_board_A": board / s, "mean_shunt_A": shunt / s}
                for (state, full_scale), (s, board, shunt) in sorted(self.totals.items())
            ]

    def _surroundings(self) -> dict[str, Any]:
        ohm = RANGES[self.range][1]
        return {
            "range_A": RANGES[self.range][0],
            "state": self.mode,
            "board_A": self.load(self.t + 1e-6),
            "shunt_A": (self.opt.supply - self.volts) / ohm,
            "board_V": self.volts,
        }

    # -- firmware ---------------------------------------------------------------------------

    def _at(self, delay: float, action: Callable[[], None]) -> None:
        self.count += 1  # keeps the heap from comparing actions
        heapq.heappush(self.events, (self.t + delay, self.count, action))

    def _enter(self, mode: str) -> None:
        """A new mode in which whatever was planned no longer happens."""
        self.mode = mode
        self.events.clear()
        self.line.clear()

    def _brown_out(self) -> None:
        self.log.add("brown_outs", self.t, **self._surroundings())
        self.tx.clear()
        self._enter("reset")

    def _boot(self) -> None:
        self.tx.clear()
        self._enter("boot")
        self._at(BOOT_S, self._booted)

    def _booted(self) -> None:
        self.mode = "G1"
        self.send(BANNER)

    def _fall_asleep(self, mode: str) -> None:
        self._enter(mode)
        self.asleep_since = self.t
        self.log.add("sleeps", self.t, **self._surroundings())
        if mode == "G2" and self.opt.doze_wakeups:
            self._at(BURST_EVERY_S, self._burst)
        if mode == "G3" and self.opt.wake_timer is not None:
            self._at(self.opt.wake_timer, lambda: self._wake("timer", b""))
        if self.opt.board_resets_in_sleep is not None:
            self._at(self.opt.board_resets_in_sleep, self._watchdog)

    def _burst(self) -> None:
        self.mode = "G2-burst"
        self._at(BURST_S, self._burst_over)

    def _burst_over(self) -> None:
        self.mode = "G2"
        self._at(BURST_EVERY_S - BURST_S, self._burst)

    def _watchdog(self) -> None:
        self.log.add("wakes", self.t, by="watchdog", **self._surroundings())
        self._boot()

    def _wake(self, by: str, kept: bytes) -> None:
        if self.opt.board_silent_after_sleep:
            return
        self.log.add("wakes", self.t, by=by, **self._surroundings())
        self._enter("waking")
        self._at(WAKING_S, lambda: self._listen(kept))

    def _listen(self, kept: bytes) -> None:
        self.mode = "G1"
        self.send(bytes(self.rng.choices(b"\xff\x00", k=self.rng.randint(1, 3))) + kept)
        self.line[:] = kept

    def send(self, data: bytes, delay: float = 0.0) -> float:
        """Queue bytes at the line's own pace; seconds until the last one is out."""
        due = max(self.t + delay, self.tx[-1][0] if self.tx else 0.0)
        for byte in data:
            due += BYTE_S
            self.tx.append((due, byte))
        return due - self.t

    def receive(self, data: bytes, now: float) -> None:
        self.advance(now)
        for byte in data:
            early = now - self.last_rx < OVERRUN_S and self.opt.no_buffer
            self.last_rx = now
            if not early and self.mode in ("G0", "G1"):
                self._take(byte)
            elif not early and self.mode == "G3" and byte == ord("W"):
                self._wake("W", b"W")
            else:
                self.log.add("lost_bytes", now, byte=byte, state=self.mode)
                if self.mode in ("G2", "G2-burst"):
                    self._wake("any byte", b"")

    def _take(self, byte: int) -> None:
        self.send(bytes([byte]))
        if byte != ord("\r"):
            if len(self.line) < LINE_MAX:
                self.line.append(byte)
            return
        text = self.line.decode("latin-1")
        self.line.clear()
        if text:
            self.log.add("commands", self.t, to="board", text=text)
            self._command(text)

    def _command(self, text: str) -> None:
        fixed = {"?": "RDY", "V": "V 2.07 #00981", "W": "OK W", "S": f"S {self.mode}"}
        if text == "R":
            self._boot()
        elif text in fixed:
            self._reply(fixed[text])
        elif re.fullmatch("G[0-3]", text):
            self._change_state(text)
        else:
            self._reply(f"?? {text}")

    def _change_state(self, state: str) -> None:
        out = self._reply(f"OK {state}", half=state == "G3")
        if state in ("G0", "G1"):
            self.mode = state
        elif not self.opt.board_stuck_awake:
            self._enter(f"{state}-delay")
            wait = STOP_DELAY_S if state == "G3" else out
            self._at(wait, lambda: self._fall_asleep(state))

    def _reply(self, text: str, half: bool = False) -> float:
        data = f"> {text}\r".encode("latin-1")
        self.replies += 1
        if self.opt.garbage and self.replies % self.opt.garbage == 0:
            data = self.rng.randbytes(len(data))
        return self.send(data[: len(data) // 2] if half else data, THINK_S)


def run_board(board: Board, master: int) -> None:
    """Move bytes between the pty and the board; bytes nobody collects are lost, as on a wire."""
    os.set_blocking(master, False)
    while True:
        with board.lock:
            due = [board.tx[0][0]] if board.tx else []
            due += [board.events[0][0]] if board.events else []
        wait = min([0.05, *(max(0.0, t - board.clock()) for t in due)])
        ready = select.select([master], [], [], wait)[0]
        data = os.read(master, 4095) if ready else b""
        with board.lock:
            now = board.clock()
            board.receive(data, now)
            out = bytearray()
            while board.tx and board.tx[0][0] <= now:
                out.append(board.tx.popleft()[1])
        if out:
            try:
                os.write(master, out)
            except BlockingIOError:
                continue


# SCPI-1999 volume 2, section 21.8, from memory
ERRORS = {
    -101: "Invalid character",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -131: "Invalid suffix",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -214: "Trigger deadlock",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -440: "Query UNTERMINATED after indefinite response",
}
IDENTITY = "NOBODY IN PARTICULAR,AMMETER 6R,X0417,2.1.0-r3"
MAINS_HZ, OVERHEAD_S, SETTLING_S, SETTLING_TAU_S = 60.0, 0.003, 0.080, 0.016
NOISE_OF_RANGE = {0.1: 3e-4, 1.0: 3e-5, 10.0: 1e-5}  # rms
OVERLOAD = 9.9e37
QUEUE_MAX = 16
UNITS = {"A": {"A": 1.0, "MA": 1e-3, "UA": 1e-6, "NA": 1e-9}, "S": {"S": 1.0, "MS": 1e-3}, "": {}}

Setter = Callable[[list[str]], None]
Getter = Callable[[list[str]], str | bytes]


class ScpiError(Exception):
    def __init__(self, code: int) -> None:
        super().__init__(code)
        self.code = code


def is_word(text: str, spec: str) -> bool:
    """Short or long form of a word given as `MINimum`, in either case."""
    short = "".join(c for c in spec if not c.islower())
    return text.upper() in (short, spec.upper())


def header_pattern(spec: str) -> re.Pattern[str]:
    """Pattern for `NODE:NODE:` from `[SENSe:]CURRent[:DC]`; the numeric suffix 1 may be given."""
    pattern = ""
    for optional, word in re.findall(r"(\[?):?([*A-Za-z]+)", spec):
        short = "".join(c for c in word if not c.islower())
        pattern += f"(?:(?:{re.escape(short)}|{re.escape(word)})1?:){'?' if optional else ''}"
    return re.compile(pattern, re.IGNORECASE)


def split(text: str, mark: str) -> list[str]:
    """Split at `mark` outside quotes."""
    pieces = re.findall(rf"""(?:"[^"]*"|'[^']*'|[^{mark}])+""", text)
    return [piece.strip() for piece in pieces if piece.strip()]


def only(args: Sequence[str], most: int = 1) -> str:
    if not args:
        raise ScpiError(-109)
    if len(args) > most:
        raise ScpiError(-108)
    return args[0]


def choice(text: str, specs: Sequence[str]) -> str:
    for spec in specs:
        if is_word(text, spec):
            return "".join(c for c in spec if not c.islower())
    raise ScpiError(-224)


def number(text: str, lowest: float, highest: float, default: float, unit: str) -> float:
    for word, value in (("MINimum", lowest), ("MAXimum", highest), ("DEFault", default)):
        if is_word(text, word):
            return value
    found = re.fullmatch(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:E[+-]?\d+)?)\s*([A-Z]*)", text.upper())
    if not found:
        raise ScpiError(-104)
    if found[2] and found[2] not in UNITS[unit]:
        raise ScpiError(-131)
    return float(found[1]) * UNITS[unit].get(found[2], 1.0)


def nr3(value: float) -> str:
    return f"{value:+.5E}"


class Acquisition(threading.Thread):
    """One INITiate: waits for its triggers and fills `values`; `stop` ends it early."""

    def __init__(self, meter: Meter) -> None:
        super().__init__(daemon=True)
        self.meter = meter
        self.values: list[float] = []
        self.stop, self.trigger = threading.Event(), threading.Event()
        self.waiting = meter.set["source"] == "BUS"

    def run(self) -> None:
        settings = dict(self.meter.set)
        for _ in range(settings["triggers"]):
            self.waiting = settings["source"] == "BUS"
            while self.waiting and not self.trigger.wait(0.02):
                if self.stop.is_set():
                    return
            self.waiting = False
            self.trigger.clear()
            self.stop.wait(settings["delay"])
            for _ in range(settings["samples"]):
                value = self.meter.measure(self.stop)
                if self.stop.is_set():
                    return
                self.values.append(value)
        self.meter.operation_complete()


class Meter:
    """The ammeter: settings, readings and the SCPI parser; `handle` makes a reply of a message."""

    def __init__(self, board: Board, opt: argparse.Namespace, log: Log, rng: random.Random) -> None:
        self.board, self.opt, self.log, self.rng = board, opt, log, rng
        self.gain = [1 + rng.uniform(-2e-4, 2e-4) for _ in RANGES]
        self.offset = [scale * rng.uniform(-2e-5, 2e-5) for scale, _ in RANGES]
        self.set: dict[str, Any] = {}
        self.enable = {"ese": 0, "sre": 0, "oper": 0, "ques": 0}
        self.esr, self.opc_wanted = 128, False
        self.errors: deque[int] = deque()
        self.lies = 0
        self.run: Acquisition | None = None
        self.ranged_at = self.first_reading_at = -math.inf
        self.gone: Callable[[], bool] = lambda: False
        self.commands = [(header_pattern(s), *pair) for s, pair in self._commands().items()]
        self.reset()

    # -- readings ---------------------------------------------------------------------------

    def reset(self) -> None:
        self.abort()
        self.set = {"function": "VOLT:DC", "auto": True, "nplc": 10.0, "samples": 1}
        self.set |= {"triggers": 1, "source": "IMM", "delay": 0.0}
        self.set |= {"format": "ASC", "border": "NORM"}
        self.opc_wanted = False
        self._select(len(RANGES) - 1, "*RST")

    def abort(self) -> None:
        if self.run:
            self.run.stop.set()
            self.run.join()
        self.run = None

    def change(self, **settings: Any) -> None:
        """Any new setting ends a running acquisition and forgets its readings."""
        self.abort()
        self.set.update(settings)

    def _select(self, index: int, by: str) -> None:
        if index != self.board.range:
            self.board.set_range(index, by)
            self.ranged_at = self.board.clock()

    def measure(self, stop: threading.Event) -> float:
        """One reading in A, or OVERLOAD; autorange first changes the range as often as it takes."""
        went_up = False
        while True:
            value = self._convert(stop)
            step = 0
            if value == OVERLOAD:
                step, went_up = 1, True
            elif abs(value) < 0.09 * RANGES[self.board.range][0] and not went_up:
                step = -1
            index = self.board.range + step
            if not (self.set["auto"] and step and 0 <= index < len(RANGES)) or stop.is_set():
                return value
            self._select(index, "auto")
            stop.wait(SETTLING_S)

    def _convert(self, stop: threading.Event) -> float:
        i, nplc = self.board.range, self.set["nplc"]
        scale = RANGES[i][0]
        start, charge, _ = self.board.look()
        stop.wait(nplc / MAINS_HZ)
        end, charge_after, peak = self.board.look()
        stop.wait(OVERHEAD_S)
        true = (charge_after - charge) / (end - start)
        a, b = (math.exp((self.ranged_at - t) / SETTLING_TAU_S) for t in (start, end))
        unsettled = 0.05 * scale * SETTLING_TAU_S * (a - b) / (end - start)
        value = true * self.gain[i] + self.offset[i] + unsettled
        value += self.rng.gauss(0.0, NOISE_OF_RANGE[nplc] * scale)
        if self.first_reading_at == -math.inf:
            self.first_reading_at = start
        forced = start - self.first_reading_at < self.opt.overload_for
        if forced or abs(true) > 1.05 * scale or peak > 2 * scale:
            value = OVERLOAD
        state = self.board.mode
        self.log.add("readings", end, range_A=scale, state=state, value_A=value, true_shunt_A=true)
        return value

    def initiate(self) -> None:
        if self.run and self.run.is_alive():
            raise ScpiError(-213)
        if self.set["function"] != "CURR:DC":
            raise ScpiError(-221)
        self.run = Acquisition(self)
        self.run.start()

    def trigger(self) -> None:
        if not (self.run and self.run.is_alive() and self.run.waiting):
            raise ScpiError(-211)
        self.run.trigger.set()

    def wait(self) -> None:
        """Until the acquisition is over; a client that hangs up ends it."""
        while self.run and self.run.is_alive():
            if self.run.waiting and not self.run.trigger.is_set():
                raise ScpiError(-214)
            self.run.join(0.05)
            if self.gone():
                self.abort()

    def fetch(self) -> str | bytes:
        self.wait()
        if self.run is None:
            raise ScpiError(-230)
        values = self.run.values
        if self.set["format"] == "ASC":
            return ",".join(nr3(value) for value in values)
        order = ">" if self.set["border"] == "NORM" else "<"
        data = struct.pack(f"{order}{len(values)}d", *values)
        return f"#{len(str(len(data)))}{len(data)}".encode() + data  # IEEE 488.2, 8.7.9

    def read(self) -> str | bytes:
        self.abort()
        self.initiate()
        return self.fetch()

    def configure(self, args: list[str]) -> None:
        self.change(function="CURR:DC", auto=True)
        if args and not is_word(args[0], "AUTO") and not is_word(args[0], "DEFault"):
            self._set_range(args[:1])
        if len(args) > 2:
            raise ScpiError(-108)

    def measure_once(self, args: list[str]) -> str | bytes:
        self.configure(args)
        return self.read()

    # -- status -----------------------------------------------------------------------------

    def error(self, code: int) -> None:
        self.esr |= {1: 32, 2: 16, 3: 8, 4: 4}[-code // 100]
        if len(self.errors) == QUEUE_MAX:
            self.errors[-1] = -350
        else:
            self.errors.append(code)

    def next_error(self) -> str:
        code = self.errors.popleft() if self.errors else 0
        self.lies += 1
        if self.opt.error_queue_lies == "hides":
            code = 0
        elif self.opt.error_queue_lies == "invents" and not code and self.lies % 3 == 0:
            code = -222
        return f'{code:+d},"{ERRORS.get(code, "No error")}"'

    def operation_complete(self) -> None:
        self.esr |= self.opc_wanted
        self.opc_wanted = False

    def operation_complete_command(self) -> None:
        self.opc_wanted = True
        if not (self.run and self.run.is_alive()):
            self.operation_complete()

    def complete(self) -> str:
        self.wait()
        return "1"

    def clear(self) -> None:
        self.errors.clear()
        self.esr, self.opc_wanted = 0, False

    def event_status(self) -> str:
        value, self.esr = self.esr, 0
        return str(int(value))

    def status_byte(self) -> str:
        byte = 4 * bool(self.errors) + 32 * bool(self.esr & self.enable["ese"])
        return str(byte + 64 * bool(byte & self.enable["sre"]))

    def condition(self) -> str:
        busy = self.run is not None and self.run.is_alive()
        waiting = busy and self.run is not None and self.run.waiting
        return str(32 if waiting else 16 if busy else 0)

    # -- parser -----------------------------------------------------------------------------

    def _commands(self) -> dict[str, tuple[Setter | None, Getter | None]]:
        def act(action: Callable[[], Any]) -> Setter:
            def setter(args: list[str]) -> None:
                if args:
                    raise ScpiError(-108)
                action()

            return setter

        def ask(action: Callable[[], str | bytes]) -> Getter:
            def getter(args: list[str]) -> str | bytes:
                if args:
                    raise ScpiError(-108)
                return action()

            return getter

        def boolean(args: list[str]) -> None:
            word = only(args).upper()
            if word not in ("ON", "OFF"):
                word = "ON" if round(number(word, 0, 1, 0, "")) else "OFF"
            self.change(auto=word == "ON")

        def words(name: str, *specs: str) -> tuple[Setter, Getter]:
            return (
                lambda args: self.change(**{name: choice(only(args), specs)}),
                ask(lambda: str(self.set[name])),
            )

        def numeric(
            name: str, low: float, high: float, default: float, unit: str = ""
        ) -> tuple[Setter, Getter]:
            kind = int if isinstance(low, int) else float

            def setter(args: list[str]) -> None:
                value = number(only(args), low, high, default, unit)
                if not low <= value <= high:
                    raise ScpiError(-222)
                self.change(**{name: kind(value)})

            def getter(args: list[str]) -> str:
                value = number(only(args), low, high, default, "") if args else self.set[name]
                return str(value) if kind is int else nr3(value)

            return setter, getter

        def mask(name: str) -> tuple[Setter, Getter]:
            def setter(args: list[str]) -> None:
                value = round(number(only(args), 0, 0, 0, ""))
                if not 0 <= value <= (255 if len(name) == 3 else 32767):
                    raise ScpiError(-222)
                self.enable[name] = value

            return setter, ask(lambda: str(self.enable[name]))

        current = "[SENSe:]CURRent[:DC]"
        status: dict[str, tuple[Setter | None, Getter | None]] = {
            "STATus:OPERation[:EVENt]": (None, ask(lambda: "0")),
            "STATus:OPERation:CONDition": (None, ask(self.condition)),
            "STATus:OPERation:ENABle": mask("oper"),
            "STATus:QUEStionable[:EVENt]": (None, ask(lambda: "0")),
            "STATus:QUEStionable:CONDition": (None, ask(lambda: "0")),
            "STATus:QUEStionable:ENABle": mask("ques"),
            "STATus:PRESet": (act(lambda: self.enable.update(oper=0, ques=0)), None),
        }
        return status | {
            "*IDN": (None, ask(lambda: IDENTITY)),
            "*RST": (act(self.reset), None),
            "*CLS": (act(self.clear), None),
            "*ESE": mask("ese"),
            "*SRE": mask("sre"),
            "*ESR": (None, ask(self.event_status)),
            "*STB": (None, ask(self.status_byte)),
            "*OPC": (act(self.operation_complete_command), ask(self.complete)),
            "*WAI": (act(self.wait), None),
            "*TST": (None, ask(lambda: "0")),
            "*TRG": (act(self.trigger), None),
            "SYSTem:ERRor[:NEXT]": (None, ask(self.next_error)),
            "SYSTem:ERRor:COUNt": (None, ask(lambda: str(len(self.errors)))),
            "SYSTem:VERSion": (None, ask(lambda: "1999.0")),
            "SYSTem:LFRequency": (None, ask(lambda: f"{MAINS_HZ:.0f}")),
            "[SENSe:]FUNCtion[:ON]": (self._set_function, ask(lambda: f'"{self.set["function"]}"')),
            f"{current}:RANGe[:UPPer]": (self._set_range, self._get_range),
            f"{current}:RANGe:AUTO": (boolean, ask(lambda: str(int(self.set["auto"])))),
            f"{current}:NPLCycles": (self._set_nplc, self._get_nplc),
            f"{current}:APERture": (None, ask(lambda: nr3(self.set["nplc"] / MAINS_HZ))),
            "CONFigure[:SCALar]:CURRent[:DC]": (self.configure, None),
            "CONFigure": (None, ask(lambda: f'"{self.set["function"]}"')),
            "MEASure[:SCALar]:CURRent[:DC]": (None, self.measure_once),
            "INITiate[:IMMediate][:ALL]": (act(self.initiate), None),
            "ABORt": (act(self.abort), None),
            "FETCh[:SCALar][:CURRent][:DC]": (None, ask(self.fetch)),
            "READ[:SCALar][:CURRent][:DC]": (None, ask(self.read)),
            "TRIGger[:SEQuence][:IMMediate]": (act(self.trigger), None),
            "TRIGger[:SEQuence]:SOURce": words("source", "IMMediate", "BUS"),
            "TRIGger[:SEQuence]:COUNt": numeric("triggers", 1, 512, 1),
            "TRIGger[:SEQuence]:DELay": numeric("delay", 0.0, 10.0, 0.0, "S"),
            "SAMPle:COUNt": numeric("samples", 1, 512, 1),
            "FORMat[:DATA]": (self._set_format, ask(lambda: self.set["format"])),
            "FORMat:BORDer": words("border", "NORMal", "SWAPped"),
        }

    def _set_function(self, args: list[str]) -> None:
        text = only(args)
        if text[0] not in "\"'" or text[-1] != text[0]:
            raise ScpiError(-104)
        for name, spec in (("CURR:DC", "CURRent[:DC]"), ("VOLT:DC", "VOLTage[:DC]")):
            if header_pattern(spec).fullmatch(text[1:-1] + ":"):
                return self.change(function=name)
        raise ScpiError(-224)

    def _set_range(self, args: list[str]) -> None:
        lowest, highest = RANGES[0][0], RANGES[-1][0]
        value = number(only(args), lowest, highest, highest, "A")
        if not 0 <= value <= highest:
            raise ScpiError(-222)
        self.change(auto=False)
        self._select(next(i for i, (scale, _) in enumerate(RANGES) if scale >= value), "command")

    def _get_range(self, args: list[str]) -> str:
        lowest, highest = RANGES[0][0], RANGES[-1][0]
        present = RANGES[self.board.range][0]
        return nr3(number(only(args), lowest, highest, highest, "") if args else present)

    def _set_nplc(self, args: list[str]) -> None:
        value = number(only(args), 0.1, 10.0, 10.0, "")
        if value <= 0:
            raise ScpiError(-222)
        self.change(nplc=next((n for n in NOISE_OF_RANGE if n >= value), 10.0))

    def _get_nplc(self, args: list[str]) -> str:
        return nr3(number(only(args), 0.1, 10.0, 10.0, "") if args else self.set["nplc"])

    def _set_format(self, args: list[str]) -> None:
        kind = choice(only(args, 2), ("ASCii", "REAL"))
        if kind == "REAL" and not (self.opt.real64 and args[1:] in ([], ["64"])):
            raise ScpiError(-224)
        self.change(format="REAL,64" if kind == "REAL" else "ASC")

    def handle(self, message: str) -> bytes | None:
        """Carry out one program message; its replies joined by `;`, or None when it has none.

        A command error (-1xx) drops the rest of the message; other errors only their own unit.
        """
        replies: list[bytes] = []
        path, indefinite = "", False
        for unit in split(message, ";"):
            try:
                header, rest = [*unit.split(None, 1), ""][:2]
                path, header = self._resolve(path, header)
                handler = self._find(header)
                if header.endswith("?") and indefinite:
                    raise ScpiError(-440)  # IEEE 488.2, 10.14: *IDN? comes last
                reply = handler(split(rest, ","))
                if reply is not None:
                    replies.append(reply.encode() if isinstance(reply, str) else reply)
                indefinite |= header.upper() == "*IDN?"
            except ScpiError as error:
                self.error(error.code)
                if error.code > -200:
                    break
        return b";".join(replies) if replies else None

    def _resolve(self, path: str, header: str) -> tuple[str, str]:
        """Path left behind and full header, by the path rule of SCPI-1999 volume 1, 6.2.4."""
        if not header.isascii():
            raise ScpiError(-101)
        if re.fullmatch(r"\*[A-Za-z]+\??", header):
            return path, header  # common commands leave the path alone
        if not re.fullmatch(r":?[A-Za-z]\w*(:[A-Za-z]\w*)*\??", header):
            raise ScpiError(-102)
        full = header[1:] if header.startswith(":") else path + header
        return full[: full.rfind(":") + 1], full

    def _find(self, header: str) -> Callable[[list[str]], str | bytes | None]:
        for pattern, setter, getter in self.commands:
            if pattern.fullmatch(header.removesuffix("?") + ":"):
                handler = getter if header.endswith("?") else setter
                if handler:
                    return handler
        raise ScpiError(-113)


class Server:
    """One client at a time; a second one waits in the backlog or, by option, is refused."""

    def __init__(self, meter: Meter, opt: argparse.Namespace, log: Log) -> None:
        self.meter, self.opt, self.log = meter, opt, log
        self.received = self.replied = 0
        self.listener = self._listen(opt.port)
        self.port: int = self.listener.getsockname()[1]

    def _listen(self, port: int) -> socket.socket:
        return socket.create_server(("127.0.0.1", port), backlog=128)

    def serve(self) -> None:
        while True:
            client, _ = self.listener.accept()
            if self.opt.refuse_second:
                self.listener.close()
            with client, contextlib.suppress(OSError):  # it went away; the next one is welcome
                self._session(client)
            if self.opt.refuse_second:
                self.listener = self._listen(self.port)

    def _session(self, client: socket.socket) -> None:
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, not self.opt.no_nodelay)
        hangup = select.poll()
        hangup.register(client, select.POLLRDHUP)
        self.meter.gone = lambda: bool(hangup.poll(0))
        pending = bytearray()
        while data := client.recv(4096):
            pending += data
            while (end := pending.find(b"\n")) >= 0:
                message = pending[:end].decode("latin-1").strip()
                del pending[: end + 1]
                if not self._message(client, message):
                    return
            if len(pending) > 4096:
                self.meter.error(-363)
                pending.clear()

    def _message(self, client: socket.socket, message: str) -> bool:
        """Carry out a message; False when the connection is to be closed."""
        self.received += 1
        self.log.add("commands", to="meter", text=message)
        if self.received == self.opt.close_socket_after:
            return False
        if self.opt.dead_socket_after and self.received >= self.opt.dead_socket_after:
            return True
        reply = self.meter.handle(message)
        if reply is not None:
            self.replied += 1
            if self.opt.late_replies and self.replied % self.opt.late_every == 0:
                time.sleep(self.opt.late_replies)
            ending = b"\r\n" if self.opt.crlf else b"\n"
            for part in (reply, ending) if self.opt.no_nodelay else (reply + ending,):
                client.sendall(part)
        return True


def parse_options(argv: Sequence[str] | None = None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    add = parser.add_argument
    add("--link", type=Path, help="where to publish the pty (default: in a new directory)")
    add("--port", type=int, default=0, help="TCP port (default: any free one)")
    add("--log", type=Path, help="JSON log, written on SIGUSR1 and at the end")
    add("--seed", type=int, default=1)
    add("--supply", type=float, default=2.5, metavar="V")
    add("--capacitor", type=float, default=10e-6, metavar="F")
    board = parser.add_argument_group("board habits").add_argument
    board("--no-buffer", action="store_true", help="loses bytes less than 2 ms after the last one")
    board("--doze-wakeups", action="store_true", help="3 ms of 4 mA every 0.8 s in G2")
    board("--wake-timer", type=float, metavar="S", help="leaves G3 by itself")
    meter = parser.add_argument_group("meter habits").add_argument
    meter("--crlf", action="store_true", help="replies end in CR LF")
    meter("--real64", action="store_true", help="knows FORMat:DATA REAL,64")
    meter("--refuse-second", action="store_true", help="refuse a second client, not queue it")
    bad = parser.add_argument_group("misbehaviour").add_argument
    bad("--late-replies", type=float, default=0.0, metavar="S", help="some replies are S late")
    bad("--late-every", type=int, default=7, metavar="N", help="... namely every N-th")
    bad("--dead-socket-after", type=int, metavar="N", help="mute from the N-th message on")
    bad("--close-socket-after", type=int, metavar="N", help="hangs up, once, at the N-th message")
    bad("--no-nodelay", action="store_true", help="Nagle on, reply and ending sent apart")
    bad("--overload-for", type=float, default=0.0, metavar="S", help="from the first reading on")
    bad("--error-queue-lies", nargs="?", choices=("hides", "invents"), const="hides")
    bad("--board-silent-after-sleep", action="store_true", help="never wakes")
    bad("--board-resets-in-sleep", type=float, metavar="S", help="watchdog, S after falling asleep")
    bad("--board-stuck-awake", action="store_true", help="acknowledges G2 and G3, stays in G1")
    bad("--garbage", type=int, nargs="?", const=3, metavar="N", help="every N-th board reply")
    return parser.parse_args(argv)


def main() -> None:
    opt = parse_options()
    log = Log(time.monotonic)
    board = Board(opt, log, random.Random(opt.seed))
    server = Server(Meter(board, opt, log, random.Random(opt.seed + 1)), opt, log)
    master, slave = os.openpty()
    tty.setraw(slave)  # else the kernel echoes the board's own output; kept open against EIO
    link = opt.link or Path(tempfile.mkdtemp(prefix="stranger-")) / "board"
    if link.is_symlink():
        link.unlink()  # left by a run that was killed
    link.symlink_to(os.ttyname(slave))

    def write_log(*_: object) -> None:
        if opt.log:
            with board.lock:
                log.write(opt.log, board)

    signal.signal(signal.SIGUSR1, write_log)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    threading.Thread(target=run_board, args=(board, master), daemon=True).start()
    threading.Thread(target=server.serve, daemon=True).start()
    try:
        meter = f"TCPIP::127.0.0.1::{server.port}::SOCKET"
        print(json.dumps({"board": str(link), "meter": meter}), flush=True)
        while os.read(0, 4096):
            pass
    finally:
        link.unlink(missing_ok=True)
        if not opt.link:
            link.parent.rmdir()
        write_log()


if __name__ == "__main__":
    main()
