"""The two aims of a measurement behind one face."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from benchrig.drivers.meter import Zero
from benchrig.drivers.meter_ranges import MeterRange, from_sheet, reported
from benchrig.measurement import Decision, Outcome, Priors
from benchrig.pricing import Pricing
from benchrig.session import BenchFile, MeterSheet
from benchrig.session.bench_file import AmbientTemperature, Leakage, Parking
from benchrig.session.limits import Limit
from benchrig.session.protocol import Wake
from benchrig.session.session_file import State
from benchrig.watching import ValueWatch, VerdictOnly, Watch, new_watch
from tests.benches import BENCH, SESSION, SHEET, rig

RANGE = from_sheet(SHEET, 1.0)[0]
PRIORS = Priors(guard_s=1.0, slowest_tau_s=0.3, tolerance=0.01)
WAKE = Wake.model_validate({"by": "byte", "send_hex": "55", "within": "1 s"})


def state(minimum_A: float | None = None, maximum_A: float | None = None) -> State:
    limit = Limit.model_construct(min=minimum_A, max=maximum_A, typical=None)
    return State.model_construct(name="any", limit=limit, wake=WAKE)


def watch(
    of: State,
    *,
    risk: float | None = 0.025,
    entry: MeterRange = RANGE,
    since_s: float = 0.0,
    file: BenchFile = BENCH,
    zeros: tuple[Zero, ...] = (),
    sheet: MeterSheet = SHEET,
) -> Watch:
    meter = rig(file=file, sheet=sheet, zeros=zeros).bench.meter
    return new_watch(of, PRIORS, entry, since_s, risk, Pricing(meter, file, SESSION.board))


def fed(
    watch: Watch, current_A: float, *, seed: int, until_s: float = 30.0, noise_A: float = 1e-9
) -> tuple[Outcome, float]:
    """What it says of a steady current with noise, and when; it is finished at `until_s`."""
    rng = np.random.default_rng(seed)
    start_s = 0.0
    while start_s < until_s:
        times_s = start_s + 0.02 * np.arange(1, 21)
        outcome = watch.add(times_s, rng.normal(current_A, noise_A, times_s.size))
        start_s = float(times_s[-1])
        if outcome.kind != "waiting":
            return outcome, start_s
    return watch.finish(), start_s


@pytest.mark.parametrize(
    ("of", "risk"),
    [(state(maximum_A=1e-6), None), (state(), 0.025), (state(), None)],
    ids=["value wanted", "no limit", "neither"],
)
def test_the_value_is_waited_for(of: State, risk: float | None) -> None:
    made = watch(of, risk=risk)
    assert isinstance(made, ValueWatch)
    outcome, _ = fed(made, 6e-7, seed=1)
    assert outcome.kind == "settled"
    assert outcome.current_A == pytest.approx(6e-7, rel=0.01)
    assert made.decision is None


@pytest.mark.parametrize(
    ("minimum_A", "maximum_A", "verdict"),
    [
        (None, 1e-6, "pass"),
        (None, 3e-7, "fail"),
        (3e-7, 1e-6, "pass"),
        (3e-7, None, "pass"),
        (9e-7, None, "fail"),
        (7e-7, 1e-6, "fail"),
    ],
)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_verdict_is_enough(
    minimum_A: float | None, maximum_A: float | None, verdict: str, seed: int
) -> None:
    made = watch(state(minimum_A, maximum_A))
    assert isinstance(made, VerdictOnly)
    assert made.decision is None  # before there is one
    outcome, verdict_s = fed(made, 6e-7, seed=seed)
    assert made.decision is not None
    # To the loop it is settled; no value comes of it.
    assert (outcome.kind, made.decision.kind) == ("settled", verdict), f"seed {seed}"
    assert outcome.current_A is None
    assert outcome.reason == made.decision.reason
    assert made.decision.lower_A <= 6e-7 <= made.decision.upper_A
    assert verdict_s < 10.0


def test_it_waits_where_the_verdict_is_not_certain_and_says_so_at_the_end() -> None:
    made = watch(state(maximum_A=6e-7))
    outcome, end_s = fed(made, 6e-7, seed=1, until_s=20.0)
    assert end_s >= 20.0
    assert made.decision is not None
    assert (outcome.kind, made.decision.kind) == ("settled", "undecided")
    assert made.decision.decided_after_s is None


def test_what_makes_a_verdict_impossible_keeps_its_name() -> None:
    made = watch(state(maximum_A=1e-6))
    made.add(np.array([0.02]), np.array([6e-7]))
    outcome = made.finish()
    assert made.decision is not None
    assert outcome.kind == made.decision.kind == "few_readings"


def decided(limit_A: float, read_A: float = 6e-7, **made_with: Any) -> Decision:
    made = watch(state(maximum_A=limit_A), **made_with)
    fed(made, read_A, seed=1, until_s=20.0)
    assert made.decision is not None
    return made.decision


def test_the_meter_is_a_guard_band() -> None:
    """Offset and gain of the range keep it from a verdict that its readings alone would allow."""
    poor = dataclasses.replace(RANGE, gain=0.01, offset=0.02)
    assert decided(8e-7).kind == "pass"
    assert decided(8e-7, entry=poor).kind == "undecided"


def test_what_is_assumed_of_an_unknown_meter_is_a_guard_band() -> None:
    """Of 10 uA 0.1 %: 10 nA, as limits of error; of the reading 0.5 %: 3 nA."""
    (unknown,) = reported(1e-5, 1e-5)
    assert decided(6.1e-7, entry=unknown).kind == "undecided"
    assert decided(6.5e-7, entry=unknown).kind == "pass"


@pytest.mark.parametrize("fed_A", [3e-7, -3e-7])
def test_what_the_lines_feed_in_is_no_part_of_the_verdict(fed_A: float) -> None:
    leakage = Leakage.model_construct(current=fed_A, within=1e-9)
    port = BENCH.board.model_copy(update={"leakage": leakage, "parking": Parking(tx="idle")})
    file = BENCH.model_copy(update={"board": port})
    for limit_A, verdict in ((6.6e-7, "pass"), (5.4e-7, "fail")):
        decision = decided(limit_A, 6e-7 + fed_A, file=file)
        assert decision.kind == verdict
        assert decision.current_A == pytest.approx(6e-7, abs=3e-9)
        assert decision.lower_A < 6e-7 < decision.upper_A
    wide = port.model_copy(update={"leakage": leakage.model_copy(update={"within": 1e-7})})
    file = BENCH.model_copy(update={"board": wide})
    assert decided(6.6e-7, 6e-7 + fed_A, file=file).kind == "undecided"


def test_a_temperature_outside_the_sheet_widens_the_bounds() -> None:
    """10 K outside, at 1 % of the reading for each."""
    ranges = tuple(
        entry.model_copy(update={"gain_per_kelvin": 0.01, "offset_per_kelvin": 0.0})
        for entry in SHEET.ranges
    )
    sheet = SHEET.model_copy(update={"ranges": ranges})
    entry = from_sheet(sheet, 1.0)[0]
    ambient = AmbientTemperature.model_construct(temperature=38.0, within=0.0)
    hot = BENCH.model_copy(update={"ambient": ambient})
    assert decided(6.6e-7, entry=entry, sheet=sheet).kind == "pass"
    assert decided(6.6e-7, entry=entry, sheet=sheet, file=hot).kind == "undecided"


def test_a_smaller_risk_takes_longer() -> None:
    ends_s = [
        fed(watch(state(maximum_A=6.3e-7), risk=risk), 6e-7, seed=2, until_s=60.0, noise_A=5e-8)[1]
        for risk in (0.2, 1e-6)
    ]
    assert ends_s[0] < ends_s[1]
