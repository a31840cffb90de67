"""The supply, simulated in a circuit with a board, and scripted with what that one never does."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from benchrig.clock import VirtualClock
from benchrig.drivers.instrument import ScpiInstrument
from benchrig.drivers.supply import Supply
from benchrig.errors import Fault
from benchrig.session.bench_file import SupplyPort
from benchrig.simulation.files import load_board
from benchrig.simulation.world import World
from benchrig.wires.simulated import FarEnd, SimulatedWire
from tests.wires.far_ends import Script, ScriptedFarEnd

BOARD = Path(__file__).parents[2] / "fixtures" / "boards" / "hive-scale.toml"


class OddSupply(Script):
    """A supply without a circuit; `odd` and the switches below are what is wrong with it."""

    def __init__(self, **state: str) -> None:
        super().__init__()
        self.state = {"VOLT": "0", "CURR": "3", "OUTP": "0", **state}
        self.stuck: set[str] = set()
        self.measured = {"MEAS:VOLT?": "3.0", "MEAS:CURR?": "1.2E-3"}

    def _reply(self, unit: str) -> str | None:
        header, _, value = unit.partition(" ")
        name = header.removesuffix("?")
        if header in self.measured:
            return self.measured[header]
        if name not in self.state:
            return None if header == "*CLS" else super()._reply(unit)
        if header.endswith("?"):
            return self.state[name]
        if name not in self.stuck:
            self.state[name] = {"ON": "1", "OFF": "0"}.get(value, value)
        return None


@dataclass
class Rig:
    supply: Supply
    clock: VirtualClock
    gates: list[str] = field(default_factory=list)


@contextmanager
def opened(end: FarEnd, **more: Any) -> Iterator[Rig]:
    clock = VirtualClock()
    settings = {"current_limit": "100 mA", "highest_voltage": "3.6 V", **more}
    port = SupplyPort.model_validate(settings)
    instrument = ScpiInstrument(SimulatedWire("supply", clock, end), clock)
    gates: list[str] = []
    rig = Rig(Supply(instrument, clock, port, gates.append), clock, gates)
    assert rig.supply.open()
    yield rig
    rig.supply.close()


def simulated() -> World:
    return World(load_board(BOARD), None, seed=1, supply=True)


@contextmanager
def in_circuit(**more: Any) -> Iterator[tuple[Rig, World]]:
    world = simulated()
    assert world.supply is not None
    with opened(world.supply, **more) as rig:
        yield rig, world


def kind_of(call: Callable[[], object], match: str | None = None) -> str:
    with pytest.raises(Fault, match=match) as caught:
        call()
    return caught.value.kind


def test_a_board_gets_its_voltage() -> None:
    with in_circuit() as (it, world):
        it.supply.set_up(3.0)
        assert world.simulated_board.state == "off"
        it.supply.switch(True)
        assert it.gates == ["setting the supply's voltage", "switching the supply on"]
        assert it.clock.monotonic() == pytest.approx(0.2)
        delivered = it.supply.check_voltage(3.0)
        assert delivered.voltage_V == pytest.approx(3.0, abs=0.01)
        assert 1e-3 < delivered.current_A < 5e-3  # it boots at 3 mA
        it.supply.switch(False)
        it.clock.sleep(10.0)  # the board's capacitor empties itself through the board
        assert it.supply.read_back().voltage_V == pytest.approx(0.0, abs=0.01)
        assert kind_of(lambda: it.supply.check_voltage(3.0)) == "supply_voltage"


@pytest.mark.parametrize("voltage_V", [3.61, 30.0, -1.0, float("nan"), float("inf")])
def test_never_above_the_highest_voltage(voltage_V: float) -> None:
    script = OddSupply()
    with opened(ScriptedFarEnd(script)) as it:
        sent = len(script.lines)
        assert kind_of(lambda: it.supply.set_up(voltage_V), "3.6 V") == "supply_voltage"
        assert script.lines[sent:] == []


def test_the_highest_voltage_itself() -> None:
    with in_circuit() as (it, _):
        it.supply.set_up(3.6)
        it.supply.switch(True)
        it.supply.check_voltage(3.6)


def test_the_limit_comes_before_the_voltage() -> None:
    script = OddSupply()
    with opened(ScriptedFarEnd(script)) as it:
        it.supply.set_up(3.0)
        sent = [line for line in script.lines if line.startswith(("VOLT ", "CURR "))]
        assert sent == ["CURR 0.1", "VOLT 3"]


def test_the_current_limit_is_told_when_it_is_too_low() -> None:
    with in_circuit(current_limit="1 mA") as (it, _):
        it.supply.set_up(3.0)
        it.supply.switch(True)
        kind = kind_of(lambda: it.supply.check_voltage(3.0), "current limit is too low")
        assert kind == "supply_voltage"


@pytest.mark.parametrize("at_end", ["on", "off"])
def test_a_shut_gate_keeps_the_output_off(at_end: str) -> None:
    def shut(why: str) -> None:
        raise Fault("burden_too_high", why)

    script = OddSupply(VOLT="3.0")
    with opened(ScriptedFarEnd(script), at_end=at_end) as it:
        it.supply._gate = shut
        assert kind_of(lambda: it.supply.switch(True)) == "burden_too_high"
        assert kind_of(lambda: it.supply.set_up(3.0)) == "burden_too_high"
        assert not [line for line in script.lines if line.startswith(("OUTP ON", "VOLT ", "CURR "))]
        if at_end == "on":
            assert kind_of(it.supply.make_safe) == "burden_too_high"
        else:
            it.supply.make_safe()
        assert script.state["OUTP"] == "0"


def test_a_voltage_that_somebody_else_has_set_is_not_switched_on() -> None:
    script = OddSupply(VOLT="12.0")
    with opened(ScriptedFarEnd(script), at_end="on") as it:
        for act in (lambda: it.supply.switch(True), it.supply.make_safe):
            assert kind_of(act, "set to 12 V") == "supply_voltage"
        assert script.state["OUTP"] == "0"


@pytest.mark.parametrize("before", ["0", "1"])
@pytest.mark.parametrize(("at_end", "after"), [("off", "0"), ("on", "1"), ("unchanged", None)])
def test_what_it_is_left_at(at_end: str, after: str | None, before: str) -> None:
    script = OddSupply(VOLT="3.0", OUTP=before)
    with opened(ScriptedFarEnd(script), at_end=at_end) as it:
        it.supply.make_safe()
        assert script.state["OUTP"] == (before if after is None else after)


@pytest.mark.parametrize("name", ["VOLT", "CURR"])
def test_what_is_not_taken_over_is_told(name: str) -> None:
    script = OddSupply()
    script.stuck = {name}
    with opened(ScriptedFarEnd(script)) as it:
        assert kind_of(lambda: it.supply.set_up(3.0), f"was told {name}") == "supply_error"


@pytest.mark.parametrize(("stuck_at", "on"), [("0", True), ("1", False)])
def test_an_output_that_does_not_switch(stuck_at: str, on: bool) -> None:
    script = OddSupply(VOLT="3.0", OUTP=stuck_at)
    script.stuck = {"OUTP"}
    with opened(ScriptedFarEnd(script)) as it:
        assert kind_of(lambda: it.supply.switch(on), "was told OUTP") == "supply_error"


@pytest.mark.parametrize("answer", ["1", "ON", "+1"])
def test_the_ways_to_say_on(answer: str) -> None:
    script = OddSupply(VOLT="3.0", OUTP=answer)
    script.stuck = {"OUTP"}
    with opened(ScriptedFarEnd(script)) as it:
        it.supply.switch(True)


@pytest.mark.parametrize("volts", ["3.7", "2.8", "0.0", "9.9E37", "-3.0"])
def test_what_it_delivers_is_looked_at(volts: str) -> None:
    script = OddSupply(VOLT="3.0", OUTP="1")
    script.measured["MEAS:VOLT?"] = volts
    with opened(ScriptedFarEnd(script)) as it:
        wanted_V = 3.55 if volts == "3.7" else 3.0
        assert kind_of(lambda: it.supply.check_voltage(wanted_V)) == "supply_voltage"


def test_a_refused_command_is_named() -> None:
    class Refusing(OddSupply):
        def _reply(self, unit: str) -> str | None:
            if unit.startswith("VOLT "):
                self.errors.append('-222,"Data out of range"')
                return None
            return super()._reply(unit)

    with opened(ScriptedFarEnd(Refusing())) as it:
        assert kind_of(lambda: it.supply.set_up(3.0), "refuses 'VOLT 3'") == "supply_error"
