"""Stored readings judged again, with other limits, priors or decision rule.

What was sent stays as it was: where the new session would have sent other commands, or measured
longer, that is said, and no verdict is made up.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import get_args

from benchrig.assembly import load_files
from benchrig.drivers.meter import Zero, nplc_of
from benchrig.drivers.meter_ranges import MeterRange, from_sheet, reported
from benchrig.errors import UsageError
from benchrig.judging import (
    FED,
    NOT_VERIFIED,
    WOKEN_BY,
    DerivedResults,
    decision_rule,
    least_awake_A,
    state_result,
    with_sleep_flags,
)
from benchrig.measurement import Budget, confirmed
from benchrig.measurement.outcome import Kind
from benchrig.measuring import BATCH_S, FIRST_BATCH, Measured, SettlingPlan
from benchrig.pricing import Pricing
from benchrig.records.recording import RECORDING, load_recording
from benchrig.records.replaying import recorded_files
from benchrig.records.sources import Files
from benchrig.records.stored import Stored, Stretch
from benchrig.result import (
    ChargeResult,
    EventRecord,
    FaultRecord,
    SessionResult,
    StateResult,
    SweepResult,
    worst,
)
from benchrig.session import MeterSheet, Session
from benchrig.session.session_file import State, Ticks
from benchrig.verification import RANGE_NOT_VERIFIED
from benchrig.watching import new_watch

# What of a state is done at the bench, and is as it was.
_DONE = ("enter", "wake", "must_not_wake", "quiet")
# Faults that are found in the readings; others were those of the bench or of the board.
_IN_READINGS = {*get_args(Kind), FED} - {"overloaded"}
# A measurement ends with the batch in which its time is up.
_SLACK_S = 2 * BATCH_S


@dataclass(frozen=True)
class Rejudged:
    """`remarks` tell what the stored record cannot say about the new session, a line each."""

    result: SessionResult
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class _StoredMeter:
    sheet: MeterSheet | None
    zeros: dict[float, Zero]
    aperture_s: float
    nplc: float


# -- judging --------------------------------------------------------------------------------


@dataclass(frozen=True)
class JudgeBy:
    """The files to judge by; what the session does otherwise at the bench than the one that was
    run, a line each; and the states that only it has, as far as that is known."""

    files: Files
    remarks: tuple[str, ...] = ()
    new_states: frozenset[str] = frozenset()


def rejudge(stored: Stored, by: JudgeBy) -> Rejudged:
    """The result that another session gives the stored readings. Raises `FileProblems`."""
    return _Judging(stored, by.files, by.new_states, list(by.remarks)).judged()


@dataclass
class _Judging:
    stored: Stored
    files: Files
    new_states: frozenset[str]
    remarks: list[str]
    budgets: dict[str, Budget] = field(default_factory=dict)
    awake_A: float | None = None

    def __post_init__(self) -> None:
        sheet, port = self.files.sheet, self.files.bench.meter
        nplc = nplc_of(port, sheet)
        zeros = {zero.full_scale_A: zero for zero in self.files.zeros}
        self.meter = _StoredMeter(sheet, zeros, nplc / port.line_frequency, nplc)
        self.ranges = () if sheet is None else from_sheet(sheet, nplc)
        self.pricing = Pricing(self.meter, self.files.bench, self.files.session.board)
        self.known = {state.name: state for state in self.files.session.states}

    def judged(self) -> Rejudged:
        old, session = self.stored.result, self.files.session
        rows = []
        for row, stretches in zip(old.states, self.stored.stretches, strict=True):
            if row.name in self.known:
                rows.append(self._row(self.known[row.name], row, stretches))
            else:
                self.remarks.append(f"{row.name}: is measured, and no state of the new session")
        measured = {row.name for row in old.states}
        for name, state in self.known.items():
            if name in self.new_states:
                # Nothing may pass on what nobody has measured.
                rows.append(self._too_short(state, "the session that was run has no such state"))
            elif name not in measured:
                self.remarks.append(f"{name}: was not measured")
        visited = {row.name for row in rows if "verdict_only" not in row.flags}
        derived = DerivedResults(session).of(visited, self.budgets)
        verdicts = [row.verdict for row in rows] + [entry.verdict for entry in derived]
        steps: list[ChargeResult | SweepResult] = [*old.charges, *old.sweeps]
        for step in steps:
            told = f"{step.name}: {step.verdict} as before; charges and sweeps stay as they are"
            self.remarks.append(told)
            verdicts.append(step.verdict)
        demanded = [charge.name for charge in session.charges]
        demanded += [sweep.name for sweep in session.sweeps]
        for name in (name for name in demanded if name not in {step.name for step in steps}):
            self.remarks.append(f"{name}: was not measured")
        if old.fault is not None or not old.complete:
            verdicts.append("fault")
        said = f"judged again by the session {session.name}; nothing was measured anew"
        event = EventRecord(time_s=0.0, kind="judged_again", state=None, text=said, data={})
        update = {
            "session": session.name,
            "verdict": worst(verdicts),
            "states": tuple(rows),
            "derived": derived,
            "events": (*old.events, event),
        }
        return Rejudged(old.model_copy(update=update), tuple(self.remarks))

    def _row(self, state: State, row: StateResult, stretches: Sequence[Stretch]) -> StateResult:
        limit = state.limit
        limits = {
            "limit_min_A": limit.min,
            "limit_max_A": limit.max,
            "limit_typical_A": limit.typical,
        }
        if not stretches or (row.fault is not None and row.fault.kind not in _IN_READINGS):
            # What went wrong at the bench is no matter of limits.
            return row.model_copy(update=limits)
        # A board that never slept has no ticks.
        ticks = None if "stays_awake" in row.flags else state.ticks
        judged = [self._measured(state, stretch, ticks) for stretch in stretches]
        last = judged[-1]
        flags = tuple(flag for flag in row.flags if flag.startswith((WOKEN_BY, NOT_VERIFIED)))
        unverified = tuple(flag for flag in row.flags if flag == RANGE_NOT_VERIFIED)
        verdict = last.verdict
        if len(row.earlier) and len(judged) > 1 and "fault" not in (verdict, judged[-2].verdict):
            first = judged[-2].verdict
            assert first != "fault"
            assert verdict != "fault"
            verdict = verdict if first == "pass" else confirmed(first, verdict)
        elif self.files.session.decision.confirm and verdict in ("fail", "undecided"):
            self.remarks.append(f"{state.name}: {verdict}, and no confirmation was measured")
        return with_sleep_flags(
            last.model_copy(
                update={
                    "verdict": verdict,
                    "flags": (*last.flags, *unverified),
                    "wake_latency_s": row.wake_latency_s,
                    "board_voltage_V": row.board_voltage_V,
                    "earlier": row.earlier,
                }
            ),
            flags,
        )

    def _measured(self, state: State, stretch: Stretch, ticks: Ticks | None) -> StateResult:
        entry = self._range(stretch.full_scale_A)
        measured, reason = self._watched(state, stretch, entry, ticks)
        if reason is not None:
            return self._too_short(state, reason)
        priced = self.pricing.priced(measured.outcome, entry, state)
        lacks = self.pricing.flags(entry, state)
        rule = decision_rule(self.files.session)
        awake_A = least_awake_A(self.files.session, self.awake_A)
        row = state_result(state, measured, priced, lacks, awake_A, None, rule)
        self.budgets.pop(state.name, None)
        if priced is not None and row.fault is None:
            self.budgets[state.name] = priced.budget
        if not state.sleeps and row.current_A is not None:
            self.awake_A = min(row.current_A, self.awake_A or row.current_A)
        return row

    def _range(self, full_scale_A: float) -> MeterRange:
        near = [
            entry
            for entry in self.ranges
            if abs(entry.full_scale_A - full_scale_A) <= 1e-4 * full_scale_A
        ]
        return near[0] if near else reported(full_scale_A, full_scale_A)[0]

    def _watched(
        self, state: State, stretch: Stretch, entry: MeterRange, ticks: Ticks | None
    ) -> tuple[Measured, str | None]:
        """What came of the readings, and why there are too few of them, if so."""
        plan = SettlingPlan.of(self.files.session, state)
        aperture_s, interval_s = self.meter.aperture_s, stretch.interval_s
        dead_share = max(0.0, 1.0 - aperture_s / interval_s) if interval_s > 0.0 else 0.0
        since_s = float(stretch.times_s[0]) - interval_s
        priors = plan.priors_on(entry, stretch.currents_A[:FIRST_BATCH], ticks, dead_share)
        watch = new_watch(state, priors, entry, since_s, plan.risk, self.pricing)
        outcome = watch.add(stretch.times_s, stretch.currents_A)
        if outcome.kind != "waiting":
            return Measured(outcome, entry, watch.decision), None
        last_s = float(stretch.times_s[-1])
        wakes_by_itself = state.wake is not None and state.wake.after is not None
        reason = None
        if plan.time_limit_s > last_s + _SLACK_S and not wakes_by_itself:
            reason = (
                f"the stored record ends {last_s:.3g} s after the entry, and the new session "
                f"would have measured on: {outcome.reason}"
            )
        return Measured(watch.finish(), entry, watch.decision), reason

    def _too_short(self, state: State, reason: str) -> StateResult:
        self.remarks.append(f"{state.name}: {reason}")
        limit = state.limit
        return StateResult(
            name=state.name,
            verdict="fault",
            limit_min_A=limit.min,
            limit_max_A=limit.max,
            limit_typical_A=limit.typical,
            fault=FaultRecord(kind="record_too_short", message=reason),
        )


# -- the files ------------------------------------------------------------------------------


def judge_by(path: Path, session: Path, bench: Path | None) -> JudgeBy:
    """With the bench as the recording in the run folder has it, unless another is named. Raises
    `FileProblems` and `UsageError`."""
    if bench is not None:
        loaded = load_files(bench, session)
        parts = loaded.parts
        return JudgeBy(Files(loaded.session, loaded.bench, parts.sheet, parts.zeros))
    recording = (path if path.is_dir() else path.parent) / RECORDING
    if not recording.exists():
        raise UsageError(f"{recording} is not there: name the bench file with --bench")
    kept = load_recording(recording)
    before, files = recorded_files(kept), recorded_files(kept, session)
    new = {each.name for each in files.session.states}
    new -= {each.name for each in before.session.states}
    return JudgeBy(files, tuple(_done_otherwise(before.session, files.session)), frozenset(new))


def _done_otherwise(before: Session, now: Session) -> Iterator[str]:
    if (before.board, before.protocol) != (now.board, now.protocol):
        yield "board or protocol differ from those of the session that was run"
    known = {state.name: state for state in before.states}
    for state in now.states:
        for key in _DONE:
            if state.name in known and getattr(known[state.name], key) != getattr(state, key):
                yield f"{state.name}: {key} differs from that of the session that was run"
