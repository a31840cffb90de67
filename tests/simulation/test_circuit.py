"""The circuit against elementary circuit theory: V(t) = Vs·(1 - exp(-t/RC)), charge balance."""

from __future__ import annotations

import math
from decimal import Decimal, localcontext

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.simulation.circuit import CONTACT_OHM, Circuit, Demand, _relaxed_integral


class PlainLoad:
    """A load whose demand changes at given times, and that can brown out."""

    def __init__(
        self,
        capacitance_F: float,
        demand: Demand,
        changes: tuple[tuple[float, Demand], ...] = (),
        minimum_V: float = -math.inf,
    ) -> None:
        self.capacitance_F = capacitance_F
        self.demand = demand
        self.falls_below_V = -math.inf
        self.rises_above_V = minimum_V + 0.1 if math.isfinite(minimum_V) else math.inf
        self._changes = list(changes)
        self._minimum_V = minimum_V
        self._running = demand
        self.told: list[tuple[str, float]] = []

    @property
    def next_event_s(self) -> float:
        return self._changes[0][0] if self._changes else math.inf

    def handle_events(self, t: float) -> None:
        while self._changes and self._changes[0][0] <= t:
            self.demand = self._changes.pop(0)[1]

    def brown_out(self, t: float) -> None:
        self.told.append(("brown out", t))
        self.falls_below_V, self.rises_above_V = -math.inf, self._minimum_V + 0.1
        self.demand = Demand(0.0, 1e-6)

    def power_good(self, t: float) -> None:
        self.told.append(("power good", t))
        self.falls_below_V, self.rises_above_V = self._minimum_V, math.inf
        self.demand = self._running


NOTHING = Demand(0.0, 0.0)


def integrate(circuit: Circuit, end_s: float, steps: int) -> float:
    """The charge by Simpson's rule over the momentary current: another way than the circuit's."""
    start_s = circuit.now_s
    width_s = (end_s - start_s) / steps
    currents = [circuit.current_A()]
    for step in range(1, steps + 1):
        circuit.advance(start_s + step * width_s)
        currents.append(circuit.current_A())
    weights = [1 if n in (0, steps) else 4 if n % 2 else 2 for n in range(steps + 1)]
    return math.fsum(w * i for w, i in zip(weights, currents, strict=True)) * width_s / 3


@pytest.mark.parametrize(("taus", "left"), [(1.0, math.exp(-1)), (6.9, 1e-3), (13.8, 1e-6)])
def test_a_capacitor_charges_as_in_the_textbook(taus: float, left: float) -> None:
    # Source: elementary circuit theory; 6.9 tau to 0.1 %, 13.8 tau to 1 ppm (exp(-6.9) = 1.008e-3).
    circuit = Circuit(PlainLoad(47e-6, NOTHING), 3.0)
    circuit.set_shunt(1000.0, 0.0)
    tau_s = (1000.0 + CONTACT_OHM) * 47e-6
    circuit.advance(taus * tau_s)
    assert circuit.voltage_V == pytest.approx(3.0 * (1 - math.exp(-taus)), rel=1e-12)
    assert 1 - circuit.voltage_V / 3.0 == pytest.approx(left, rel=0.02)
    assert circuit.current_A() == pytest.approx((3.0 - circuit.voltage_V) / (1000.0 + CONTACT_OHM))
    assert circuit.charge_C == pytest.approx(47e-6 * circuit.voltage_V, rel=1e-12)


def test_the_way_to_a_time_does_not_matter() -> None:
    far, near = (Circuit(PlainLoad(47e-6, Demand(1e-3, 1e-5)), 3.0) for _ in range(2))
    far.advance(1.0)
    for step in range(1, 1001):
        near.advance(step / 1000)
    assert near.charge_C == pytest.approx(far.charge_C, rel=1e-11)
    assert near.voltage_V == pytest.approx(far.voltage_V, rel=1e-13)


@given(
    ohm=st.floats(0.1, 5e3),
    farad=st.sampled_from([1e-7, 1e-5, 4.7e-5]),
    first_A=st.floats(0, 4e-4),
    second_A=st.floats(-1e-5, 4e-4),
    siemens=st.floats(0, 1e-4),
)
@settings(deadline=None)
def test_meter_charge_is_the_integral_of_the_current(
    ohm: float, farad: float, first_A: float, second_A: float, siemens: float
) -> None:
    tau_s = ohm * farad
    change = (3 * tau_s, Demand(second_A, siemens))
    circuit = Circuit(PlainLoad(farad, Demand(first_A, siemens), (change,)), 3.0)
    circuit.set_shunt(ohm, 0.0)
    # Piece by piece, so that Simpson's rule never straddles the step of the load.
    by_hand_C = integrate(circuit, 3 * tau_s, 600) + integrate(circuit, 6 * tau_s, 600)
    assert circuit.charge_C == pytest.approx(by_hand_C, rel=1e-6, abs=1e-15)


def test_charge_is_conserved_at_a_change_of_the_shunt() -> None:
    load = PlainLoad(47e-6, Demand(2e-4, 0.0))
    circuit = Circuit(load, 3.0)
    circuit.advance(1.0)
    before_V, before_C = circuit.voltage_V, circuit.charge_C
    circuit.set_shunt(1000.0, 1.0)
    assert circuit.voltage_V == before_V
    circuit.advance(2.0)
    kept_C = 47e-6 * (circuit.voltage_V - before_V)
    assert kept_C == pytest.approx(-47e-6 * 0.2, rel=1e-3)
    assert circuit.charge_C - before_C == pytest.approx(2e-4 * 1.0 + kept_C, rel=1e-9)


@pytest.mark.parametrize(("minimum_V", "resets"), [(2.19, False), (2.21, True)])
def test_the_burden_of_a_shunt_can_reset_a_board(minimum_V: float, resets: bool) -> None:
    """100 ohm · 8 mA = 0.8 V: of 3.0 V the board sees 2.2 V."""
    load = PlainLoad(47e-6, Demand(8e-3, 0.0), minimum_V=minimum_V)
    circuit = Circuit(load, 3.0)
    circuit.advance(0.1)
    circuit.set_shunt(100.0, 0.1)
    circuit.advance(0.2)
    told = [name for name, _ in load.told]
    if resets:  # and comes back, and resets again, for ever
        assert told[:4] == ["power good", "brown out"] * 2
    else:
        assert told == ["power good"]
        assert circuit.voltage_V == pytest.approx(2.2 - 8e-3 * CONTACT_OHM, rel=1e-9)


def test_the_moment_of_a_brown_out_has_a_closed_form() -> None:
    load = PlainLoad(47e-6, Demand(8e-3, 0.0), minimum_V=2.5)
    circuit = Circuit(load, 3.0)
    circuit.advance(0.1)
    start_V = circuit.voltage_V
    circuit.set_shunt(100.0, 0.1)
    circuit.advance(0.2)
    ohm = 100.0 + CONTACT_OHM
    rest_V = 3.0 - 8e-3 * ohm
    expected_s = 0.1 + ohm * 47e-6 * math.log((start_V - rest_V) / (2.5 - rest_V))
    assert load.told[1] == ("brown out", pytest.approx(expected_s, rel=1e-12))


def test_it_comes_back_when_the_voltage_does() -> None:
    load = PlainLoad(1e-5, Demand(1e-3, 0.0), minimum_V=2.0)
    circuit = Circuit(load, 3.0)
    circuit.set_shunt(10.0, 0.0)
    circuit.set_supply(3.0, math.inf, False, 1.0)
    circuit.advance(2.0)
    circuit.set_supply(3.0, math.inf, True, 2.0)
    expected_s = circuit.next_release_s()
    circuit.advance(3.0)
    assert [name for name, _ in load.told] == ["power good", "brown out", "power good"]
    # Down from 3 V - 10 mV at 1 mA / 10 uF.
    assert load.told[1][1] == pytest.approx(1.0 + (2.99 - 2.0) / 100.0, rel=1e-5)
    assert load.told[2][1] == pytest.approx(expected_s, rel=1e-12)


def test_a_switched_off_supply_leaves_the_capacitor_to_the_load() -> None:
    circuit = Circuit(PlainLoad(1e-5, Demand(0.0, 1e-4)), 3.0)
    circuit.advance(1.0)
    before_C = circuit.charge_C
    circuit.set_supply(3.0, 1.0, False, 1.0)
    circuit.advance(1.1)
    assert circuit.voltage_V == pytest.approx(3.0 * math.exp(-0.1 * 1e-4 / 1e-5), rel=1e-6)
    assert circuit.charge_C == before_C
    assert circuit.current_A() == 0.0
    assert circuit.supply_readback() == (pytest.approx(circuit.voltage_V), 0.0)


def test_an_open_range_change_interrupts_the_current() -> None:
    circuit = Circuit(PlainLoad(1e-5, Demand(1e-3, 0.0)), 3.0)
    circuit.advance(1.0)
    before_V, before_C = circuit.voltage_V, circuit.charge_C
    circuit.open_for(2e-3, 1.0)
    circuit.advance(1.002)
    assert circuit.charge_C == before_C
    assert before_V - circuit.voltage_V == pytest.approx(1e-3 * 2e-3 / 1e-5, rel=1e-9)
    circuit.advance(1.1)
    assert circuit.charge_C - before_C == pytest.approx(1e-3 * 0.1, rel=1e-6)


def test_the_source_limits_its_current() -> None:
    circuit = Circuit(PlainLoad(1e-3, Demand(0.0, 1e-3)), 3.0, limit_A=0.01)
    circuit.set_shunt(10.0, 0.0)
    circuit.advance(0.1)
    assert circuit.current_A() == 0.01
    # 10 mA into 1 mF with 1 mS across it: V = 10 V·(1 - exp(-t)).
    assert circuit.voltage_V == pytest.approx(10.0 * -math.expm1(-0.1), rel=1e-9)
    assert circuit.charge_C == pytest.approx(1e-3, rel=1e-9)
    circuit.advance(10.0)
    expected_A = 3.0 * 1e-3 / (1 + 1e-3 * (10 + CONTACT_OHM))
    assert circuit.current_A() == pytest.approx(expected_A, rel=1e-9)
    assert circuit.supply_readback() == (3.0, pytest.approx(expected_A))


def test_the_limit_holds_when_the_load_asks_for_more() -> None:
    circuit = Circuit(PlainLoad(1e-5, Demand(0.0, 0.1)), 3.0, limit_A=0.05)
    circuit.advance(1.0)
    assert circuit.current_A() == 0.05
    assert circuit.supply_readback() == (pytest.approx(0.5, rel=1e-3), 0.05)


@pytest.mark.parametrize("limit_A", [math.inf, 1e-3])
def test_without_a_capacitor_it_is_ohms_law(limit_A: float) -> None:
    change = (1.0, Demand(2e-3, 1e-3))
    load = PlainLoad(0.0, Demand(0.0, 1e-4), (change,))
    circuit = Circuit(load, 3.0, limit_A=limit_A)
    circuit.set_shunt(100.0, 0.0)
    ohm = 100.0 + CONTACT_OHM
    circuit.advance(1.0 - 1e-9)
    small_A = 3.0 * 1e-4 / (1 + 1e-4 * ohm)
    assert circuit.current_A() == pytest.approx(small_A, rel=1e-12)
    circuit.advance(2.0)
    large_A = min((2e-3 + 3.0 * 1e-3) / (1 + 1e-3 * ohm), limit_A)
    assert circuit.current_A() == pytest.approx(large_A, rel=1e-12)
    if math.isinf(limit_A):
        assert circuit.charge_C == pytest.approx(small_A + large_A, rel=1e-6)


def test_without_a_board_the_meter_sees_nothing() -> None:
    circuit = Circuit(PlainLoad(1e-5, Demand(1e-3, 0.0)), 3.0)
    circuit.advance(1.0)
    circuit.disconnect_board(1.0)
    before_C = circuit.charge_C
    circuit.advance(1.001)
    assert (circuit.current_A(), circuit.charge_C) == (0.0, before_C)
    circuit.reconnect_board(1.001)
    circuit.advance(2.0)
    assert circuit.current_A() == pytest.approx(1e-3)


def test_an_earlier_time_changes_nothing() -> None:
    circuit = Circuit(PlainLoad(1e-5, Demand(1e-3, 0.0)), 3.0)
    circuit.advance(1.0)
    before = (circuit.now_s, circuit.charge_C, circuit.voltage_V)
    circuit.advance(0.5)
    assert (circuit.now_s, circuit.charge_C, circuit.voltage_V) == before


def test_noise_has_the_rms_that_the_file_states() -> None:
    """In means over 20 ms; over four times as long it is half as large. Seed 5."""
    circuit = Circuit(PlainLoad(0.0, Demand(1e-6, 0.0, 1e-9)), 3.0, seed=5)

    def rms_A(aperture_s: float, count: int) -> float:
        squares = []
        for _ in range(count):
            before_C = circuit.charge_C
            circuit.advance(circuit.now_s + aperture_s)
            squares.append(((circuit.charge_C - before_C) / aperture_s - 1e-6) ** 2)
        return math.sqrt(math.fsum(squares) / count)

    # 5 % is 4.5 standard deviations of an rms from 4000 values.
    assert rms_A(0.02, 4000) == pytest.approx(1e-9, rel=0.05)
    assert rms_A(0.08, 4000) == pytest.approx(5e-10, rel=0.05)


def test_a_supply_without_resistance_is_refused() -> None:
    with pytest.raises(ValueError, match="above zero"):
        Circuit(PlainLoad(1e-5, NOTHING), 3.0, supply_resistance_ohm=0.0)


@pytest.mark.parametrize("x", ["1e-6", "1e-4", "0.000999", "0.001001", "0.1", "3"])
def test_the_charge_integral_keeps_its_digits(x: str) -> None:
    """(x - 1 + exp(-x)) at unit rate, against arithmetic with 50 digits."""
    with localcontext() as context:
        context.prec = 50
        exact = Decimal(x) - 1 + (-Decimal(x)).exp()
    assert _relaxed_integral(1.0, float(x)) == pytest.approx(float(exact), rel=1e-12)
