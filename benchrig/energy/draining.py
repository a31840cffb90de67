"""What a profile draws from a pack, and how long that takes: for a number or for an array of
draws of each quantity, in closed form between the points of a grid over the depth of discharge.

Between two points the drain I is constant and dC/dt = -I - k C, so that from C_1 to C_2
t = ln((I + k C_1) / (I + k C_2)) / k, which is (C_1 - C_2) / I for k = 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from benchrig.energy.cell import Cell, decay_per_s
from benchrig.energy.currents import Currents
from benchrig.energy.drawing import Draws
from benchrig.energy.profile import Mode, Profile, Values
from benchrig.units import YEAR_S

STEPS = 20
CAUSES = ("charge", "voltage", "shelf life")


@dataclass(frozen=True)
class Drain:
    """What a mode takes from the pack, in A of rated capacity: `fixed_A` and, through a switching
    regulator, `power_W` over the voltage. `derating` is that over what really flows, since
    temperature and load make a part unusable. `pulse` is the highest load, in A or W alike."""

    weight: float
    fixed_A: Draws
    power_W: Draws
    derating: Draws
    harvest_A: Draws
    pulse: Draws
    resistance_factor: float

    def net_A(self, voltage_V: Draws | float) -> Draws:
        """Less what is harvested; what is not drawn need not be made up for by derating either."""
        return self.fixed_A + self.power_W / voltage_V - self.harvest_A * self.derating


@dataclass(frozen=True)
class Drained:
    """For each draw when and why the product stops; `times_s` when each of `depths` is reached,
    shape (depths, draws)."""

    life_s: Draws
    cause: np.ndarray
    depths: Draws
    times_s: Draws
    _flows_A: Draws
    _capacity_C: Draws
    _decay: Draws

    @cached_property
    def lost(self) -> Draws:
        """The share of the capacity that self-discharge has taken by the end: what is gone, less
        what was drawn. Found when it is asked for: whoever seeks a life has no need of it."""
        return _lost(
            self.life_s, self.times_s, self._flows_A, self._capacity_C, self._decay, self.depths
        )


def drained(
    profile: Profile,
    currents: Currents,
    cell: Cell,
    values: Values,
    pulse_A: float | None = None,
) -> Drained:
    """How long a pack lasts. `values`: for each quantity an array, all of one shape (draws,).
    `pulse_A`: the highest current of the board, if it is not that of its highest state."""
    capacity_C = np.asarray(cell.pack_capacity_C(values), float)
    decay = np.broadcast_to(decay_per_s(values["self-discharge"], YEAR_S), capacity_C.shape)
    drains = [_drain(mode, cell, values, pulse_A) for mode in profile.modes]
    depths = _grid(cell)
    stop = _voltage_stop(cell, drains, values, depths, _least_V(cell, currents))
    flows_A = _flows(cell, drains, depths)
    left_C = capacity_C * (1.0 - depths[:, None])
    steps_s = _time_s(flows_A, decay, left_C[:-1], left_C[1:])
    times_s = np.concatenate((np.zeros((1, capacity_C.size)), np.cumsum(steps_s, axis=0)))
    charge_s = _reached(stop, depths, times_s, flows_A, capacity_C, decay)
    lean_s = _lean_s(cell, drains, capacity_C * stop)
    ends_s = np.stack(
        (
            np.where(stop < 1.0, np.inf, np.minimum(charge_s, lean_s)),
            np.where(stop < 1.0, np.minimum(charge_s, lean_s), np.inf),
            np.full(capacity_C.shape, cell.shelf_life_s),
        )
    )
    cause = np.argmin(ends_s, axis=0)
    life_s = np.min(ends_s, axis=0)
    return Drained(life_s, cause, depths, times_s, flows_A, capacity_C, decay)


def _grid(cell: Cell) -> Draws:
    """Depths of discharge; voltage and resistance are straight lines between them."""
    own = [point[0] for point in cell.depths]
    return np.unique(np.concatenate((np.linspace(0.0, 1.0, STEPS + 1), own)))


def _least_V(cell: Cell, currents: Currents) -> float:
    """What the pack's terminals must hold under the highest current."""
    if cell.regulator is not None:
        return cell.regulator.minimum_input_V
    return currents.minimum_voltage_V or 0.0


def _drain(mode: Mode, cell: Cell, values: Values, pulse_A: float | None) -> Drain:
    size = np.shape(values["capacity"])
    fixed, power, rated = np.zeros(size), np.zeros(size), np.zeros(size)
    highest = np.zeros(size)
    share, resistance = cell.at(mode.temperature_C)
    switching = cell.switching
    for use, amount in zip(mode.uses, mode.times(values), strict=True):
        each = values[Currents.key(use.what, use.name)]
        if use.what == "state":
            highest = np.maximum(highest, each)
            load = _input(cell, each)
            pack_A = load / cell.mean_voltage_V if switching else load
            usable = share * cell.load_share(pack_A)
        else:
            # A charge is drawn at a current that nobody stated.
            load, usable = _input(cell, each, pulse=True), share
        flow = np.maximum(amount, 0.0) * load
        if switching:
            power = power + flow
        else:
            fixed = fixed + flow
        rated = rated + flow / usable
    if cell.regulator is not None:
        quiescent = values["quiescent current"]
        fixed = fixed + quiescent
        rated = rated + (quiescent * cell.mean_voltage_V if switching else quiescent) / share
    raw = power + fixed * cell.mean_voltage_V if switching else fixed
    derating = np.divide(rated, raw, out=np.full(size, 1.0 / share), where=raw > 0.0)
    harvest = values.get(f"{mode.name}.harvest", 0.0) + np.zeros(size)
    pulse = _input(cell, highest)
    if pulse_A is not None:
        pulse = np.maximum(pulse, _input(cell, pulse_A, pulse=True))
    return Drain(
        mode.weight,
        fixed * derating,
        power * derating,
        derating,
        harvest,
        pulse,
        resistance,
    )


def _input(cell: Cell, board: Any, *, pulse: bool = False) -> Any:
    """What the board's current or charge is in front of the regulator: in A or C, or through a
    switching one in W or J. A `pulse` is turned with the efficiency at the highest load given."""
    regulator = cell.regulator
    if regulator is None or regulator.kind == "linear":
        return board
    share = regulator.efficiency[-1][1] if pulse else cell.efficiency(board)
    return board * regulator.output_V / share


def _flows(cell: Cell, drains: list[Drain], depths: Draws) -> Draws:
    """The net drain in A as a mean over the year, shape (steps of the grid, draws); one step where
    it does not depend on the voltage. A primary cell takes no charge: what a season harvests
    beyond its own need is lost."""
    middles_V = cell.voltage_V((depths[:-1] + depths[1:]) / 2.0)[:, None]
    each = [drain.weight * drain.net_A(middles_V if cell.switching else 1.0) for drain in drains]
    if not cell.rechargeable:
        each = [np.maximum(net, 0.0) for net in each]
    return np.atleast_2d(np.add.reduce(each))


def _time_s(flow_A: Draws, decay: Draws, from_C: Draws, to_C: Draws) -> Draws:
    """From one charge to a lower one; infinite where it is never reached."""
    with np.errstate(divide="ignore", invalid="ignore"):
        rate_A = flow_A + decay * to_C
        seconds = (from_C - to_C) / rate_A
        relative = decay * seconds
        # ln(1 + x)/x, whose limit is 1.
        bent = np.where(relative > 1e-9, np.log1p(relative) / relative, 1.0 - relative / 2.0)
        return np.where(rate_A > 0.0, seconds * bent, np.inf)


def _voltage_stop(
    cell: Cell, drains: list[Drain], values: Values, depths: Draws, least_V: float
) -> Draws:
    """The depth at which the terminals first fall too low, 1 where they never do: under the
    highest current below `least_V`, or under the mean one below the cell's end of life. A cold
    season counts however short it is: the product stops when it comes."""
    open_V = cell.voltage_V(depths)[:, None]
    fresh_ohm = cell.resistance_ohm(depths)[:, None] * values["internal resistance"]
    end_V = cell.series * cell.end_voltage_V
    spare_V = np.full(fresh_ohm.shape, np.inf)
    for drain in drains:
        ohm = drain.resistance_factor * fresh_ohm
        terminal_V = _terminal_V(open_V, ohm, drain.pulse, switching=cell.switching)
        mean_A = np.maximum(drain.net_A(open_V), 0.0)
        np.minimum(spare_V, terminal_V - least_V, out=spare_V)
        np.minimum(spare_V, open_V - ohm * mean_A - end_V, out=spare_V)
    return _first_below(spare_V, depths)


def _terminal_V(open_V: Draws, ohm: Draws, pulse: Draws, *, switching: bool) -> Draws:
    """Under a load in A, or one in W behind a switching regulator: V (V_open - V)/R = P. Where a
    pack can't give the power at all it is zero."""
    if not switching:
        return open_V - ohm * pulse
    under = open_V**2 - 4.0 * ohm * pulse
    return np.where(under > 0.0, (open_V + np.sqrt(np.maximum(under, 0.0))) / 2.0, 0.0)


def _first_below(spare: Draws, depths: Draws) -> Draws:
    """Where `spare`, a straight line between the depths, first goes below zero; 1 if nowhere."""
    below = spare < -1e-12
    first = np.argmax(below, axis=0)
    column = np.arange(spare.shape[1])
    before = np.maximum(first - 1, 0)
    high, low = spare[before, column], spare[first, column]
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.where(first > 0, high / (high - low), 0.0)
    at = depths[before] + np.clip(part, 0.0, 1.0) * (depths[first] - depths[before])
    return np.where(below.any(axis=0), at, 1.0)


def _reached(
    stop: Draws,
    depths: Draws,
    times_s: Draws,
    flows_A: Draws,
    capacity_C: Draws,
    decay: Draws,
) -> Draws:
    """When the depth `stop` is reached."""
    step = np.clip(np.searchsorted(depths, stop, side="left") - 1, 0, len(depths) - 2)
    column = np.arange(stop.size)
    flow_A = _chosen(flows_A, step)
    from_C, to_C = capacity_C * (1.0 - depths[step]), capacity_C * (1.0 - stop)
    return times_s[step, column] + _time_s(flow_A, decay, from_C, to_C)


def _chosen(flows_A: Draws, step: np.ndarray) -> Draws:
    chosen: Draws = flows_A[step, np.arange(step.size)] if len(flows_A) > 1 else flows_A[0]
    return chosen


def _lean_s(cell: Cell, drains: list[Drain], usable_C: Draws) -> Draws:
    """When a rechargeable pack is empty that does not last through the lean seasons of one year,
    counted from their start and taken as one: what comes before and after is of no help then."""
    if not cell.rechargeable or all(np.all(drain.harvest_A == 0.0) for drain in drains):
        return np.full(usable_C.shape, np.inf)
    nets = [drain.net_A(cell.mean_voltage_V) for drain in drains]
    pairs = list(zip(drains, nets, strict=True))
    needed_C = np.add.reduce([drain.weight * YEAR_S * np.maximum(net, 0.0) for drain, net in pairs])
    lasts_s = np.add.reduce(
        [np.where(net > 0.0, drain.weight * YEAR_S, 0.0) for drain, net in pairs]
    )
    ends_s = np.full(usable_C.shape, np.inf)
    np.divide(lasts_s * usable_C, needed_C, out=ends_s, where=needed_C > usable_C)
    return ends_s


def _lost(
    life_s: Draws,
    times_s: Draws,
    flows_A: Draws,
    capacity_C: Draws,
    decay: Draws,
    depths: Draws,
) -> Draws:
    column = np.arange(life_s.size)
    step = np.clip((times_s[1:] <= life_s).sum(axis=0), 0, len(depths) - 2)
    flow_A = _chosen(flows_A, step)
    before_s = times_s[step, column]
    spans_s = np.diff(np.minimum(np.where(np.isfinite(times_s), times_s, life_s), life_s), axis=0)
    whole = np.arange(len(depths) - 1)[:, None] < step
    drawn_C = (flows_A * np.where(whole, spans_s, 0.0)).sum(axis=0)
    rest_s = np.maximum(life_s - before_s, 0.0)
    from_C = capacity_C * (1.0 - depths[step])
    gone = -np.expm1(-decay * rest_s)
    with np.errstate(divide="ignore", invalid="ignore"):
        drift_C = np.where(decay > 0.0, flow_A * gone / decay, flow_A * rest_s)
    # A pack that is full and gains takes no more.
    left_C = np.clip(from_C * (1.0 - gone) - drift_C, 0.0, capacity_C)
    drawn_C = drawn_C + flow_A * rest_s
    lost: Draws = np.clip((capacity_C - left_C - drawn_C) / capacity_C, 0.0, 1.0)
    return lost
