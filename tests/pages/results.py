"""Results that a page must cope with: real ones of simulated sessions, and invented extremes."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import Any

import numpy as np

from benchrig.pages.measured import Curve, Measured
from benchrig.result import (
    ChargeResult,
    ContributionRecord,
    CurveDeviation,
    DerivedResult,
    EventRecord,
    FaultRecord,
    FitParameter,
    FitResidual,
    SessionResult,
    StateResult,
    SweepFit,
    SweepPoint,
    SweepResult,
)
from tests.benches import rig

NASTY = "<script>alert(1)</script>&\"'$x^2$ =1+1|`x`\x1b[31m\u202eliaf\x00]]>"
LONG = "a_state_with_a_name_of_forty_characters_"


@functools.cache
def simulated(defect: str = "", seed: int = 1) -> SessionResult:
    return rig(defect, seed=seed).run()


def measured(result: SessionResult, name: str = "run-1", *, curves: bool = True) -> Measured:
    """With a made-up settling curve for each state that has a current."""
    found = tuple(_curve(row) if curves else None for row in result.states)
    return Measured(name, result, "0" * 64, found, "" if curves else "readings.csv: not there")


def _curve(row: StateResult) -> Curve | None:
    if row.current_A is None:
        return None
    times = np.arange(0.02, 12.0, 0.02)
    start_A = 20.0 * max(abs(row.current_A), 1e-9)
    noise = 0.02 * abs(row.current_A) * np.sin(37.0 * times)
    return Curve(times, row.current_A + start_A * np.exp(-times / 0.4) + noise)


def state(name: str, current_A: float | None = None, **about: Any) -> StateResult:
    given: dict[str, Any] = {"name": name, "verdict": "pass", "current_A": current_A}
    if current_A is not None:
        uncertainty_A = 0.01 * abs(current_A) + 1e-9
        given |= {
            "expanded_uncertainty_A": uncertainty_A,
            "coverage": 0.95,
            "standard_uncertainty_A": uncertainty_A / 2.0,
            "settled_after_s": 3.0,
            "averaged_for_s": 5.0,
            "readings": 250,
            "range_A": 0.1,
            "budget": (contribution("averaging", uncertainty_A / 2.0),),
        }
    return StateResult.model_validate({**given, **about})


def contribution(name: str, amount_A: float) -> ContributionRecord:
    return ContributionRecord(
        name=name, quantity="mean of the readings", estimate=0.0, half_width=amount_A, unit="A",
        distribution="normal", divisor=1.0, standard_uncertainty=amount_A, sensitivity=1.0,
        contribution_A=amount_A, degrees_of_freedom=None, evaluation="A",
    )  # fmt: skip


def faulty(name: str, **about: Any) -> StateResult:
    fault = FaultRecord(kind="drifting", message="still drifting: +7.7 % of the mean")
    return state(name, verdict="fault", fault=fault, **about)


def with_states(*states: StateResult, **about: Any) -> SessionResult:
    verdicts = [row.verdict for row in states]
    verdict = next((v for v in ("fault", "fail", "undecided") if v in verdicts), "pass")
    update = {"states": states, "derived": (), "verdict": verdict, **about}
    return simulated().model_copy(update=update)


def extremes() -> SessionResult:
    """Every kind of row, over all decades, with names as long as they come."""
    states = (
        state("smallest", 0.6e-6, limit_max_A=0.9e-6, limit_typical_A=0.6e-6),
        state("largest", 25e-3, limit_min_A=20e-3, limit_max_A=30e-3),
        state(LONG, 1.2e-3),
        state("negative", -12e-9, limit_max_A=1e-6),
        state("zero", 0.0),
        faulty("drifting", limit_max_A=1e-3),
        state("verdict_only", lower_bound_A=1e-5, upper_bound_A=3e-5, limit_max_A=1e-4),
        state("half_a_verdict", lower_bound_A=2e-3, limit_max_A=1e-3, verdict="fail"),
        state("close", 99e-6, limit_max_A=100e-6, verdict="undecided", flags=("unsure",)),
        state("ticking", 5e-6, events=3, event_charge_C=2e-6),
    )
    derived = (
        DerivedResult(
            name="difference", kind="difference", of=("largest", "smallest"), verdict="pass",
            value=0.025, expanded_uncertainty=1e-5, unit="A", limit_max=0.03,
        ),
        DerivedResult(
            name="ratio", kind="ratio", of=("largest", "drifting"), verdict="fault", unit="1",
            fault=FaultRecord(kind="not_measured", message="no value for drifting"),
        ),
    )  # fmt: skip
    return with_states(*states, derived=derived, charges=(charge(),), sweeps=(sweep(),))


def many() -> SessionResult:
    return with_states(*(state(f"{LONG[:36]}_{n:03}", 10.0 ** (-2 - n / 6)) for n in range(30)))


def charge() -> ChargeResult:
    return ChargeResult(
        name="weighing", state="sleep", base=None, verdict="pass", period_s=10.0, periods=6,
        charge_C=4.2e-6, expanded_uncertainty_C=0.1e-6, limit_max_C=5e-6, coverage=0.95,
        budget=(contribution("averaging", 5e-9),),
    )  # fmt: skip


def sweep() -> SweepResult:
    """Over three voltages and three clocks; one point has no current, one curve does not hold."""
    points = tuple(
        SweepPoint(
            voltage_V=voltage_V,
            frequency_Hz=frequency_Hz,
            row=faulty("run")
            if (voltage_V, frequency_Hz) == (1.8, 8e6)
            else state("run", 50e-6 + 30e-12 * frequency_Hz * voltage_V),
        )
        for voltage_V in (1.8, 2.4, 3.0)
        for frequency_Hz in (1e6, 4e6, 8e6)
    )
    fits = (_fit("frequency", 1.8, holds=None), _fit("frequency", 2.4, holds=False))
    joint = (
        FitParameter(name="static", value=50e-6, expanded_uncertainty=1e-6, unit="A"),
        FitParameter(
            name="per_volt_hertz", value=30e-12, expanded_uncertainty=1e-12, unit="A/(V Hz)"
        ),
    )
    deviation = CurveDeviation(
        voltage_V=3.0, frequency_Hz=8e6, kind="typical", stated_A=0.7e-3, measured_A=0.77e-3,
        expanded_uncertainty_A=8e-6, share=0.1, in_uncertainties=8.75,
    )  # fmt: skip
    return SweepResult(
        name="clocks",
        state="run",
        verdict="fault",
        points=points,
        fits=(*fits, SweepFit(kind="joint", parameters=joint, holds=True, probability=0.4)),
        sensitivity_A_per_V=80e-6,
        sensitivity_expanded_uncertainty_A_per_V=2e-6,
        data_sheet="typical characteristics (invented)",
        deviations=(deviation,),
    )


def _fit(kind: Any, voltage_V: float, *, holds: bool | None) -> SweepFit:
    slope = FitParameter(
        name="per_hertz", value=30e-12 * voltage_V, expanded_uncertainty=1e-12, unit="A/Hz"
    )
    static = FitParameter(name="static", value=50e-6, expanded_uncertainty=1e-6, unit="A")
    residual = FitResidual(
        voltage_V=voltage_V, frequency_Hz=1e6, residual_A=2e-6, in_uncertainties=4.5, fits=False
    )
    return SweepFit(
        kind=kind, voltage_V=voltage_V, parameters=(static, slope), chi_square=21.0,
        degrees_of_freedom=1, probability=1e-5, holds=holds, residuals=(residual,),
    )  # fmt: skip


def nasty() -> SessionResult:
    """Everything that a board, a meter or an operator may have said is hostile."""
    result = simulated()
    said = {"identity": NASTY, "address": NASTY}
    events = tuple(
        EventRecord(time_s=float(n), kind="repeating", state="idle", text=NASTY, data={})
        for n in range(3)
    )
    return result.model_copy(
        update={
            "verdict": "fault",
            "session": NASTY,
            "serial_number": NASTY,
            "firmware": NASTY,
            "operator": NASTY,
            "note": NASTY,
            "board": result.board.model_copy(update={**said, "name": NASTY}),
            "meter": result.meter.model_copy(update={**said, "sheet": NASTY}),
            "bench": result.bench.model_copy(update={"name": NASTY, "supply": NASTY}),
            "states": (state(NASTY, 1e-6), faulty(f"{NASTY} again")),
            "fault": FaultRecord(kind="board_silent", message=NASTY),
            "events": (*result.events, *events),
            "safe_end": (NASTY,),
        }
    )


def run_folder(folder: Path, result: SessionResult) -> Path:
    """A folder with this result and without readings."""
    folder.mkdir(parents=True)
    folder.joinpath("result.json").write_text(result.model_dump_json(), encoding="utf-8")
    return folder
