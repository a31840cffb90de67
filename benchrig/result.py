"""The result of a session: what is written to ``result.json``, and its JSON Schema.

A verdict is `pass`, `fail`, `undecided` (the limit lies inside the uncertainty) or `fault`
(no valid measurement). A session's verdict is the worst of its rows.
"""

from __future__ import annotations

from datetime import datetime
from enum import IntEnum
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

Verdict = Literal["pass", "fail", "undecided", "fault"]
FORMAT: Literal["benchrig/result/1"] = "benchrig/result/1"

_WORST_FIRST: tuple[Verdict, ...] = ("fault", "fail", "undecided", "pass")


class ExitStatus(IntEnum):
    """The exit status of the process for each verdict, and for a call that could not start."""

    PASS = 0
    FAIL = 1
    USAGE = 2
    UNDECIDED = 3
    FAULT = 4

    @classmethod
    def of(cls, verdict: Verdict) -> ExitStatus:
        return cls[verdict.upper()]


def worst(verdicts: list[Verdict]) -> Verdict:
    """The worst of some verdicts; `fault` for none, since nothing was measured."""
    return next((verdict for verdict in _WORST_FIRST if verdict in verdicts), "fault")


class ResultModel(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class FaultRecord(ResultModel):
    kind: str
    message: str


class ContributionRecord(ResultModel):
    """One line of the uncertainty budget, in the style of GUM table H.1: the quantity in its own
    `unit`, and what it contributes in A. Degrees of freedom are null where they are infinite.
    `shared` names the cause, equal in all budgets that it moves together, with the sign of
    `sensitivity`; `statement` the statement that limits this error and others only together."""

    name: str
    quantity: str
    estimate: float
    half_width: float
    unit: str
    distribution: Literal["normal", "rectangular"]
    divisor: float
    standard_uncertainty: float
    sensitivity: float
    contribution_A: float
    degrees_of_freedom: float | None
    evaluation: Literal["A", "B"]
    shared: str | None = None
    statement: str | None = None


class EarlierResult(ResultModel):
    """A measurement of a state that was measured again to confirm its verdict."""

    verdict: Verdict
    current_A: float | None
    expanded_uncertainty_A: float | None
    flags: tuple[str, ...]


class StateResult(ResultModel):
    """One state. Quantities that were not measured are null. `current_A` is the current at the
    nominal supply voltage with no UART line connected, as far as corrections were declared;
    `reported` is it as a text, rounded from its uncertainty (GUM 7.2.6). `base_A` is the current
    between wake-ups; `events` are those that nobody declared, with their charge and the 95 %
    interval of their rate. Where only the verdict
    was wanted there are bounds, risks and the time of the decision instead."""

    name: str
    verdict: Verdict
    current_A: float | None = None
    expanded_uncertainty_A: float | None = None
    coverage: float | None = None
    standard_uncertainty_A: float | None = None
    coverage_factor: float | None = None
    degrees_of_freedom: float | None = None
    reported: str | None = None
    conformance_probability: float | None = None
    lower_bound_A: float | None = None
    upper_bound_A: float | None = None
    consumers_risk: float | None = None
    producers_risk: float | None = None
    decided_after_s: float | None = None
    limit_min_A: float | None = None
    limit_max_A: float | None = None
    limit_typical_A: float | None = None
    settled_after_s: float | None = None
    averaged_for_s: float | None = None
    readings: int = 0
    range_A: float | None = None
    board_voltage_V: float | None = None
    burden_correction_A: float | None = None
    leakage_correction_A: float | None = None
    wake_latency_s: float | None = None
    base_A: float | None = None
    events: int | None = None
    event_charge_C: float | None = None
    event_rate_per_s: float | None = None
    event_rate_low_per_s: float | None = None
    event_rate_high_per_s: float | None = None
    flags: tuple[str, ...] = ()
    fault: FaultRecord | None = None
    budget: tuple[ContributionRecord, ...] = ()
    earlier: tuple[EarlierResult, ...] = ()


class DerivedResult(ResultModel):
    """A difference (in A) or a ratio (a number) of two states."""

    name: str
    kind: Literal["difference", "ratio"]
    of: tuple[str, str]
    verdict: Verdict
    value: float | None = None
    expanded_uncertainty: float | None = None
    unit: Literal["A", "1"]
    limit_min: float | None = None
    limit_max: float | None = None
    fault: FaultRecord | None = None


class ChargeResult(ResultModel):
    """The charge of one event of a state: the mean current over whole periods, minus what the board
    draws without events, times the period. The base is the state `base`, or where that is null the
    level between the events. Quantities that were not measured are null. `events` is the number
    that was counted in the `periods`, null where nothing tells. The lines of `budget` are in A:
    times `period_s` they are those of the charge."""

    name: str
    state: str
    base: str | None
    verdict: Verdict
    period_s: float
    periods: int | None = None
    events: int | None = None
    mean_current_A: float | None = None
    base_current_A: float | None = None
    charge_C: float | None = None
    expanded_uncertainty_C: float | None = None
    coverage: float | None = None
    standard_uncertainty_C: float | None = None
    coverage_factor: float | None = None
    degrees_of_freedom: float | None = None
    reported: str | None = None
    limit_min_C: float | None = None
    limit_max_C: float | None = None
    limit_typical_C: float | None = None
    readings: int = 0
    range_A: float | None = None
    flags: tuple[str, ...] = ()
    fault: FaultRecord | None = None
    budget: tuple[ContributionRecord, ...] = ()


class SweepPoint(ResultModel):
    """One point of a sweep: what the supply and the board's clock were set to (null where there is
    no such command), and the state as it was measured and judged there."""

    voltage_V: float
    frequency_Hz: float | None
    row: StateResult


class FitParameter(ResultModel):
    """One parameter of a fitted curve, with its expanded uncertainty."""

    name: Literal["static", "per_hertz", "per_volt", "per_volt_hertz"]
    value: float
    expanded_uncertainty: float
    unit: Literal["A", "A/Hz", "A/V", "A/(V Hz)"]


class FitResidual(ResultModel):
    """What a point lies above its curve, in A and in standard uncertainties of the residual.
    `fits` is false for a point that the curve does not explain."""

    voltage_V: float
    frequency_Hz: float | None
    residual_A: float
    in_uncertainties: float
    fits: bool


class SweepFit(ResultModel):
    """A curve through the points of a sweep: the current against frequency at one voltage, against
    voltage at one frequency (null where the sweep has none), or static + k f V over all points.
    `holds` is the test of the residuals by chi-square: null where no degrees of freedom are left
    to tell, false where the model does not describe the board; its uncertainties are then widened
    by the scatter, and say little."""

    kind: Literal["frequency", "voltage", "joint"]
    voltage_V: float | None = None
    frequency_Hz: float | None = None
    parameters: tuple[FitParameter, ...] = ()
    chi_square: float | None = None
    degrees_of_freedom: int | None = None
    probability: float | None = None
    holds: bool | None = None
    residuals: tuple[FitResidual, ...] = ()


class CurveDeviation(ResultModel):
    """How far the board is off a point of its data sheet: as a share of what is stated there, and
    in expanded uncertainties of the measurement. Null where that point was not measured."""

    voltage_V: float
    frequency_Hz: float | None
    kind: Literal["typical", "max"]
    stated_A: float
    measured_A: float | None
    expanded_uncertainty_A: float | None
    share: float | None
    in_uncertainties: float | None


class SweepResult(ResultModel):
    """A state over supply voltages and clock frequencies, in the order that was measured. Fits and
    deviations are of the currents at the supply's voltage: the rows are at that of the board, lower
    by the burden of the meter. The `sensitivity` is dI/dV at the nominal clock, as a state's
    `sensitivity` in the session file takes it, with its expanded uncertainty."""

    name: str
    state: str
    verdict: Verdict
    points: tuple[SweepPoint, ...] = ()
    fits: tuple[SweepFit, ...] = ()
    sensitivity_A_per_V: float | None = None
    sensitivity_expanded_uncertainty_A_per_V: float | None = None
    data_sheet: str | None = None
    deviations: tuple[CurveDeviation, ...] = ()
    fault: FaultRecord | None = None


class EventRecord(ResultModel):
    time_s: float
    kind: str
    state: str | None
    text: str
    data: dict[str, Any]


class BoardRecord(ResultModel):
    name: str
    address: str
    identity: str | None
    supply_voltage_V: float
    minimum_voltage_V: float


class MeterRecord(ResultModel):
    address: str
    identity: str | None
    sheet: str | None
    reading_format: str | None
    aperture_s: float | None


class BenchRecord(ResultModel):
    name: str
    supply: str | None
    simulated_seed: int | None


class SessionResult(ResultModel):
    format: Literal["benchrig/result/1"] = FORMAT
    session: str
    verdict: Verdict
    complete: bool
    started: datetime
    ended: datetime
    serial_number: str | None
    firmware: str | None
    operator: str | None
    note: str | None
    board: BoardRecord
    meter: MeterRecord
    bench: BenchRecord
    states: tuple[StateResult, ...]
    derived: tuple[DerivedResult, ...]
    charges: tuple[ChargeResult, ...] = ()
    sweeps: tuple[SweepResult, ...] = ()
    fault: FaultRecord | None
    safe_end: tuple[str, ...]
    events: tuple[EventRecord, ...]
    benchrig: str

    @property
    def exit_status(self) -> ExitStatus:
        return ExitStatus.of(self.verdict)
