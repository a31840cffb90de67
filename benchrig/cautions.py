"""What the results of a session on this bench will lack, told before a board moves."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from benchrig.bench import Bench
from benchrig.drivers.meter_ranges import ASSUMED_BURDEN_V, ASSUMED_GAIN, ASSUMED_OFFSET
from benchrig.finding import EMPTY_WITHIN_S
from benchrig.measuring import SettlingPlan
from benchrig.planning import PlannedState
from benchrig.units import format_quantity

FLAGS = {
    "uncertainty_lacks_meter": "without a meter sheet its ranges are taken to be decades until "
    "they are used, so another may come, and its accuracy is unknown: "
    f"±{ASSUMED_GAIN:.1%} of the reading and ±{ASSUMED_OFFSET:.1%} of the range are assumed, and "
    "a burden of "
    f"{ASSUMED_BURDEN_V:g} V at full scale; write a sheet from its data sheet",
    "temperature_not_stated": "the sheet has temperature coefficients, and the bench file no "
    "[ambient]: uncertainties hold within the sheet's reference temperatures only",
    "temperature_outside_sheet": "the [ambient] temperature may lie outside the sheet's reference "
    "temperatures, and the sheet has no coefficients for it: by how much the meter is off there is "
    "unknown, and uncertainties lack it; add gain_per_kelvin and offset_per_kelvin",
    "leakage_not_declared": "the UART lines stay idle while the board sleeps, and an idle TX line "
    "may feed it: the value may be too low by what it feeds in; park the lines ([board.parking]), "
    "or declare it ([board.leakage])",
    "burden_not_corrected": "the shunt takes so much voltage from the board that a current which "
    "goes with the voltage changes by more than its uncertainty; declare the state's sensitivity, "
    "0 where its current does not depend on the voltage",
    "range_not_verified": "the kept verification of the meter has no check on that range; check it "
    "with benchrig verify-meter and a resistor that suits it",
}
"""Of the results that carry these flags, what is to be said."""


def cautions(bench: Bench, plan: Sequence[PlannedState]) -> Iterator[str]:
    """For each flag that results will carry the states, and why; states that the parked lines may
    wake; states that have no time to settle; and power cycles that may be too short."""
    flagged: dict[str, list[str]] = {}
    for entry in plan:
        if entry.range is not None:
            for flag in (*bench.lacking(entry.range, entry.state), *_burdened(bench, entry)):
                flagged.setdefault(flag, []).append(entry.state.name)
    for flag, names in flagged.items():
        yield f"{', '.join(names)}: {flag}: {FLAGS[flag]}"
    woken = [entry.state for entry in plan if entry.state.wake and entry.state.wake.by == "byte"]
    if woken and bench.file.board.parking.tx == "low":
        yield (
            f"{', '.join(state.name for state in woken)}: a byte wakes it, and parking.tx = 'low' "
            "is a break, which begins like a byte: if the board is found awake, use 'closed'"
        )
    for entry in plan:
        yield from _never_settled(bench, entry)
        yield from _short_cycle(bench, entry)


def _burdened(bench: Bench, entry: PlannedState) -> tuple[str, ...]:
    """As far as the uncertainty is known beforehand."""
    current_A, at, worth = entry.expected_A, entry.range, entry.worth
    if current_A is None or at is None or worth is None or worth.settling_A is None:
        return ()
    expanded_A = math.hypot(worth.meter_A, worth.settling_A)
    return bench.pricing.burden_flags(at, entry.state, current_A, expanded_A)


def _never_settled(bench: Bench, entry: PlannedState) -> Iterator[str]:
    known = SettlingPlan.of(bench.session, entry.state)
    if known.risk is None and known.priors.sight_s > known.time_limit_s:
        noise, sight, limit = (
            format_quantity(time_s, "s", 2)
            for time_s in (known.priors.noise_s, known.priors.sight_s, known.time_limit_s)
        )
        yield (
            f"{entry.state.name}: noise as slow as {noise} shows itself in {sight}, and time_limit "
            f"is {limit}: no current will be called settled, but given with a wider interval; "
            "declare slowest_noise as a long record shows it (benchrig characterise), or allow "
            "more time"
        )


def _short_cycle(bench: Bench, entry: PlannedState) -> Iterator[str]:
    wake, ratings = entry.state.wake, bench.session.board
    if wake is None or wake.by != "power_cycle" or not (ratings.decoupling and entry.expected_A):
        return
    # I = C · dV/dt, down to where the board resets.
    charge_C = ratings.decoupling * (ratings.supply_voltage - ratings.minimum_voltage)
    holds_s = charge_C / entry.expected_A
    if holds_s > wake.off_time:
        decoupling = format_quantity(ratings.decoupling, "F", 3)
        drawn = format_quantity(entry.expected_A, "A", 3)
        holds, off = (format_quantity(time_s, "s", 2) for time_s in (holds_s, wake.off_time))
        yield (
            f"{entry.state.name}: its decoupling of {decoupling} keeps it above its "
            f"minimum_voltage for about {holds} at {drawn}, and off_time is {off}: the supply is "
            f"left off until it reads empty, {EMPTY_WITHIN_S:g} s longer at the most; if that is "
            "too short, the board does not lose its power"
        )
