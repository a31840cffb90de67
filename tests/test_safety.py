"""No board loses its voltage: over random benches, boards and sessions, what happens to a board
from outside happens while the meter is on a range that leaves the board its minimum voltage at its
highest current. Looked at from the far end of the wires, where the simulated meter's shunt is the
one that counts, and with a board that resets when its voltage is too low.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchrig.events import Event, Happened, StateEnded
from benchrig.result import SessionResult
from benchrig.session import BenchFile, MeterSheet, Session
from benchrig.session.sheet import SheetRange
from benchrig.simulation.files import SimulatedBoardFile
from benchrig.simulation.world import World
from benchrig.wires.simulated import FarEnd
from tests.benches import Rig, rig

BANNER = "here I am"
WAKE_BYTE, OTHER_BYTE = "57", "41"


@dataclasses.dataclass(frozen=True)
class Case:
    session: Session
    board: SimulatedBoardFile
    sheet: MeterSheet
    file: BenchFile
    seed: int
    honest: bool
    """Whether the session file tells of all that the board does by itself."""

    def leaves_room(self, entry: SheetRange) -> bool:
        ratings = self.session.board
        burden_V = ratings.highest_current * entry.shunt_ohm
        enough = ratings.supply_voltage - burden_V >= ratings.minimum_voltage
        return enough and entry.overload_A >= ratings.highest_current

    @property
    def has_room(self) -> bool:
        return any(self.leaves_room(entry) for entry in self.sheet.ranges)


# -- random benches -------------------------------------------------------------------------


def powers(low: float, high: float) -> st.SearchStrategy[float]:
    """Numbers from `low` to `high`, ten to a decade."""
    exponents = st.integers(round(10 * math.log10(low)), round(10 * math.log10(high)))
    return exponents.map(lambda tenths: float(f"{10 ** (tenths / 10):.3g}"))


def shares(low: float, high: float) -> st.SearchStrategy[float]:
    return st.integers(round(100 * low), round(100 * high)).map(lambda percent: percent / 100)


def one_in(count: int) -> st.SearchStrategy[bool]:
    return st.integers(1, count).map(lambda number: number == count)


@st.composite
def sheets(draw: st.DrawFn) -> MeterSheet:
    """2 to 7 ranges; the shunts of higher ranges are not larger, as in any meter."""
    scales_A = [draw(st.sampled_from([3e-3, 1e-2, 5e-2, 0.2, 1.0]))]
    for _ in range(draw(st.integers(1, 6))):
        scales_A.append(scales_A[-1] / draw(st.sampled_from([5, 10, 10])))
    ranges: list[dict[str, Any]] = []
    shunt_ohm = math.inf
    for scale_A in reversed(scales_A):
        shunt_ohm = min(shunt_ohm, draw(powers(0.01, 0.5)) / scale_A)
        entry: dict[str, Any] = {
            "full_scale": f"{scale_A:.6g} A",
            "shunt": f"{shunt_ohm:.6g} ohm",
            "gain_accuracy": "0.05 %",
            "offset_accuracy": "0.02 %",
            "noise": f"{3e-6 * scale_A:.3g} A",
            "settling": f"{draw(powers(1e-3, 0.3)):.3g} s",
            "resolution": [{"nplc": 1.0, "count": f"{1e-6 * scale_A:.3g} A"}],
        }
        if draw(st.booleans()):
            entry["measures_to"] = f"{1.2 * scale_A:.6g} A"
        ranges.append(entry)
    sheet = {
        "format": MeterSheet.FORMAT,
        "name": "any",
        "fastest_nplc": 0.02,
        "settling": "20 ms",
        "range_change_interrupts": draw(one_in(3)),
        "interruption": f"{draw(powers(1e-5, 3e-3)):.3g} s",
        "ranges": ranges,
    }
    return MeterSheet.model_validate(sheet)


@dataclasses.dataclass(frozen=True)
class Ratings:
    supply_V: float
    minimum_V: float
    highest_A: float
    decoupling_F: float

    def tables(self) -> dict[str, str]:
        table = {
            "name": "any",
            "supply_voltage": f"{self.supply_V} V",
            "minimum_voltage": f"{self.minimum_V:.6g} V",
            "highest_current": f"{self.highest_A:.6g} A",
            "boot_time": "3 s",
        }
        known = {"decoupling": f"{self.decoupling_F:.6g} F"} if self.decoupling_F else {}
        return table | known


@st.composite
def ratings(draw: st.DrawFn, sheet: MeterSheet) -> Ratings:
    """A board for this meter; for some of its ranges it draws nearly too much."""
    entry = sheet.ranges[-1] if draw(st.booleans()) else draw(st.sampled_from(sheet.ranges))
    highest_A = max(entry.full_scale * draw(shares(0.2, 1.1)), 1e-3)
    supply_V = draw(st.sampled_from([1.8, 2.5, 3.0, 3.3, 5.0]))
    burden_V = draw(st.sampled_from(sheet.ranges)).shunt_ohm * highest_A
    spare_V = min(max(burden_V * draw(shares(0.5, 2.0)), 0.05 * supply_V), 0.5 * supply_V)
    decoupling_F = 0.0 if draw(one_in(4)) else draw(powers(1e-7, 3e-4))
    return Ratings(supply_V, supply_V - spare_V, highest_A, decoupling_F)


@dataclasses.dataclass(frozen=True)
class Part:
    """One state: its table in the session file, and in the file of the simulated board."""

    session: dict[str, Any]
    board: dict[str, Any]


def _entered(name: str) -> list[dict[str, Any]]:
    return [{"send": f"go {name}", "expect": f"^ok {name}$", "timeout": "0.2 s"}]


@st.composite
def awake(draw: st.DrawFn, name: str, rated: Ratings) -> Part:
    current_A = rated.highest_A * draw(shares(0.01, 0.97))
    limit = {"max": f"{0.99 * rated.highest_A:.6g} A"} if draw(st.booleans()) else {}
    settling = {"guard": f"{draw(shares(0.1, 0.6))} s"}
    return Part(
        {"name": name, "enter": _entered(name), "limit": limit, "settling": settling},
        {"name": name, "static": f"{current_A:.6g} A", "noise": f"{1e-4 * current_A:.3g} A"},
    )


@st.composite
def asleep(draw: st.DrawFn, name: str, rated: Ratings, *, has_supply: bool, honest: bool) -> Part:
    ways = ["byte", "break", "dtr", "rts", "timer", "timer", "operator"]
    by = draw(st.sampled_from([*ways, "power_cycle"] if has_supply else ways))
    delay_s = draw(shares(0.0, 0.3))
    current_A = rated.highest_A * draw(powers(1e-5, 3e-3))
    wake, sources, guard_s = draw(wakes(by, delay_s, current_A, rated))
    board: dict[str, Any] = {
        "name": name,
        "sleep": True,
        "static": f"{current_A:.6g} A",
        "noise": f"{1e-3 * current_A:.3g} A",
        "entry_delay": f"{delay_s} s",
        "wake": sources,
        "acknowledgement": draw(st.sampled_from(["whole", "lost"])),
    }
    session: dict[str, Any] = {
        "name": name,
        "enter": _entered(name),
        "quiet": "0.3 s",
        "settling": {"guard": f"{guard_s:.3g} s"},
        "wake": wake,
        "must_not_wake": draw(st.lists(st.sampled_from(_harmless(sources)), max_size=2)),
    }
    if not honest or draw(st.booleans()):
        peak_A = rated.highest_A * draw(shares(0.01, 0.9))
        tick = {
            "period": f"{draw(shares(0.3, 1.0))} s",
            "duration": f"{draw(powers(1e-5, 3e-3))} s",
        }
        board["burst"] = {**tick, "current": f"{peak_A:.6g} A"}
        if honest:
            # The declared peak holds what the board draws between its ticks as well.
            session["ticks"] = {**tick, "peak_current": f"{peak_A + 1.05 * current_A:.6g} A"}
    if draw(st.booleans()):
        board["tail"] = {"amplitude": f"{current_A:.6g} A", "time_constant": "0.1 s"}
    return Part(session, board)


@st.composite
def wakes(
    draw: st.DrawFn, by: str, delay_s: float, current_A: float, rated: Ratings
) -> tuple[dict[str, Any], list[dict[str, Any]], float]:
    """How a state is left, what of it the simulated board knows, and the guard of the state."""
    reboots, guard_s = draw(st.booleans()), delay_s + 0.2
    wake: dict[str, Any] = {"by": by, "within": "1.5 s", "reboots": reboots}
    source: dict[str, Any] = {"by": by, "time": f"{draw(shares(0, 0.2))} s"}
    source |= {"reboots": True} if reboots else {"into": "idle"}
    if by == "byte":
        wake |= {"send_hex": WAKE_BYTE, "byte_lost": draw(st.booleans())}
        source |= {"byte": WAKE_BYTE, "byte_lost": wake["byte_lost"] or reboots}
    elif by == "timer":
        after_s = draw(shares(2.0, 9.0))
        wake["after"] = source["after"] = f"{after_s} s"
        # It may wake long before anything has settled.
        guard_s += after_s * draw(shares(0.0, 1.0))
    elif by == "operator":
        wake["prompt"] = "press the button"
        # The hand of the operator: nothing on the wire does the same.
        source["by"] = "break"
    elif by == "power_cycle":
        # A sleeping board lives on its capacitor for long.
        off_s = 0.1 + rated.decoupling_F * rated.supply_V / current_A
        return wake | {"off_time": f"{off_s:.3g} s"}, [], guard_s
    return wake, [source], guard_s


def _harmless(sources: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Stimuli that leave a board asleep which wakes from these."""
    by = [source["by"] for source in sources]
    lines = [line for line in ("break", "dtr", "rts") if line not in by]
    stimuli: list[dict[str, Any]] = [{"by": line, "pulse": "20 ms"} for line in lines]
    return [*stimuli, {"by": "byte", "send_hex": OTHER_BYTE}]


@st.composite
def cases(draw: st.DrawFn) -> Case:
    sheet = draw(sheets())
    rated = draw(ratings(sheet))
    supply = None
    if not draw(one_in(4)):
        supply = {"current_limit": "3 A", "highest_voltage": "6 V"}
        supply["at_end"] = draw(st.sampled_from(["off", "on", "unchanged"]))
    honest = not draw(one_in(4))
    parts = [draw(awake("idle", rated)), draw(awake("busy", rated))]
    parts += [
        draw(asleep(f"sleep{number}", rated, has_supply=supply is not None, honest=honest))
        for number in range(draw(st.integers(1, 2)))
    ]
    names = [part.session["name"] for part in parts]
    order = draw(st.lists(st.sampled_from(names), min_size=1, max_size=4))
    parking = draw(st.sampled_from(["idle", "low", "closed"]))
    if parking == "low" and any(_wakes_by_break(part) for part in parts):
        parking = "idle"  # nobody parks such a board with a break
    file = {
        "format": BenchFile.FORMAT,
        "name": "any",
        "board": {"dtr": False, "rts": False, "parking": {"tx": parking}},
        "meter": {"sheet": "none is read"},
        "supply": supply,
        "simulation": {"board": "none is read"},
    }
    time_limit_s = draw(shares(1.0, 10.0))
    return Case(
        Session.model_validate(session_of(rated, parts, [*order, names[-1]], time_limit_s)),
        SimulatedBoardFile.model_validate(board_of(rated, parts)),
        sheet,
        BenchFile.model_validate(file),
        draw(st.integers(0, 1000)),
        honest,
    )


def session_of(
    rated: Ratings, parts: list[Part], order: list[str], time_limit_s: float
) -> dict[str, Any]:
    return {
        "format": Session.FORMAT,
        "name": "any",
        "board": rated.tables(),
        "protocol": {
            "hello": {"send": "hello", "expect": "^hi$", "timeout": "0.3 s", "attempts": 5},
            "banner": BANNER,
            "reject": "^what",
        },
        "settling": {
            "slowest_time_constant": "0.1 s",
            "tolerance": "20 %",
            "time_limit": f"{time_limit_s} s",
        },
        "states": [part.session for part in parts],
        "order": order,
    }


def board_of(rated: Ratings, parts: list[Part]) -> dict[str, Any]:
    names = [part.session["name"] for part in parts]
    return {
        "format": SimulatedBoardFile.FORMAT,
        "name": "any",
        "nominal_voltage": f"{rated.supply_V} V",
        "minimum_voltage": f"{rated.minimum_V:.6g} V",
        "release_hysteresis": f"{0.1 * (rated.supply_V - rated.minimum_V):.6g} V",
        "reset_conductance": "1 nA/V",
        "decoupling": f"{rated.decoupling_F:.6g} F",
        "uart": {"reply_delay": "2 ms", "unknown_reply": "what?"},
        "boot": {
            "time": "0.2 s",
            "current": f"{0.97 * rated.highest_A:.6g} A",
            "state": "idle",
            "banner": BANNER,
        },
        "states": [part.board for part in parts],
        "commands": [
            {"text": "hello", "reply": "hi"},
            *({"text": f"go {name}", "reply": f"ok {name}", "enters": name} for name in names),
        ],
    }


def _wakes_by_break(part: Part) -> bool:
    return any(source["by"] == "break" for source in part.board.get("wake", []))


# -- what the far ends see ------------------------------------------------------------------


class Watch:
    """Stands between the wires and the far ends, and notes what happens to the board on a range
    without room, and each change to one upwards."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self.acts: list[str] = []
        self.wrong: list[str] = []

    def wrapped(self, name: str, world: World, end: FarEnd) -> FarEnd:
        return _WatchedEnd(self, name, world, end)

    def note(self, what: str, world: World) -> None:
        assert world.simulated_meter is not None
        self.acts.append(what)
        present = world.simulated_meter.ammeter.range
        if not self.case.leaves_room(present):
            self.wrong.append(f"{what} on the {present.full_scale:g} A range")


class _WatchedEnd:
    def __init__(self, watch: Watch, name: str, world: World, end: FarEnd) -> None:
        self._watch, self._name, self._world, self._end = watch, name, world, end

    def connect(self, t: float) -> None:
        if self._name == "board":
            self._watch.note("opening the port", self._world)
        self._end.connect(t)

    def disconnect(self, t: float) -> None:
        if self._name == "board":
            self._watch.note("closing the port", self._world)
        self._end.disconnect(t)

    def receive(self, data: bytes, t: float) -> None:
        if self._name == "board":
            self._watch.note(f"sending {data!r}", self._world)
        if self._name == "supply" and b"OUTP ON" in data:
            self._watch.note("supply on", self._world)
        meter = self._world.simulated_meter
        assert meter is not None
        before = meter.ammeter.index
        self._end.receive(data, t)
        if meter.ammeter.index > before and self._watch.case.has_room:
            self._watch.note(f"{data!r}, upwards", self._world)

    def output(self, t: float) -> bytes:
        return self._end.output(t)

    def next_output(self, t: float) -> float | None:
        return self._end.next_output(t)

    def set_line(self, line: str, asserted: bool, t: float) -> None:
        self._watch.note(f"{line} to {asserted}", self._world)
        self._end.set_line(line, asserted, t)


def operator_of(made: Rig) -> Any:
    """A listener that presses the button when it is told to."""

    def listen(happened: Event) -> None:
        if isinstance(happened, Happened) and happened.kind == "prompt":
            for pressed in (True, False):
                made.world.board.set_line("brk", pressed, made.clock.monotonic())

    return listen


MEASURED = {None, "drifting", "disturbed", "wakeups_not_seen", "period_not_as_declared"}
MEASURED |= {"few_readings", "invalid_readings"}


def check_walk(case: Case, boots: int, result: SessionResult) -> None:
    """A healthy board on a bench with room gets through the session, and boots when it should."""
    assert result.fault is None, result.fault
    for row in result.states:
        assert (row.fault.kind if row.fault else None) in MEASURED, row
        assert row.verdict != "fail", row
    wakes = [state.wake for state in case.session.selected() if state.wake is not None]
    reboots = sum(wake.reboots or wake.by == "power_cycle" for wake in wakes)
    assert boots == 1 + reboots


@settings(
    max_examples=250,
    derandomize=True,
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
)
@given(case=cases(), knows_sheet=st.sampled_from([True, True, True, False]))
def test_nothing_reaches_the_board_on_a_range_without_room(case: Case, knows_sheet: bool) -> None:
    if not knows_sheet:  # nor whether a change of range opens the circuit
        sheet = case.sheet.model_copy(update={"range_change_interrupts": False})
        case = dataclasses.replace(case, sheet=sheet)
    watch = Watch(case)
    made = rig(
        session=case.session,
        file=case.file,
        board=case.board,
        sheet=case.sheet,
        knows_sheet=knows_sheet,
        seed=case.seed,
        wrapped=watch.wrapped,
    )
    boots = []

    def count(happened: Event) -> None:
        if isinstance(happened, StateEnded):
            boots.append(made.world.simulated_board.boots)

    result = made.run(operator_of(made), count)
    assert not watch.wrong
    assert made.on_highest_range
    if not case.has_room:
        assert result.fault is not None
        assert result.fault.kind == "burden_too_high"
        assert not watch.acts
    elif knows_sheet and case.honest:
        check_walk(case, boots[-1], result)
