"""A result as JUnit XML, for a CI server: a case for each state, each derived value, and the
session itself.

There is no standard; what is written here fits the schema that a widely used CI server publishes
for it (tests/outside/junit-10.xsd). A verdict becomes (common practice, no source):

    pass        a case without more
    fail        a failure: the board was measured
    undecided   a failure: it is not known to be good, and the measurement itself was sound
    fault       an error: there is no valid measurement
    not reached, or not asked for      skipped

Boards and meters may say anything: what XML 1.0 forbids (2.2, from memory) is written out.

The case of the session is an error where the session as a whole has a fault, such as one that kept
it from reaching its states, or was cut off.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from junitparser import Error, Failure, Skipped, TestCase, TestSuite
from junitparser.junitparser import FinalResult

from benchrig.errors import Fault, UsageError
from benchrig.events import (
    Event,
    Happened,
    ReadingsTaken,
    ResultChanged,
    SessionEnded,
    StateEnded,
    StateStarted,
)
from benchrig.files import write_atomically
from benchrig.harmless import harmless_lines
from benchrig.result import SessionResult
from benchrig.row_text import Row, fault_words, reason_words, row_text, rows_of
from benchrig.session import Session


class JunitFile:
    """A listener that writes, after each state anew. Raises `UsageError` where there can be no
    such file, and ``record_failed`` when the disk does not take it."""

    def __init__(self, path: Path, session: Session) -> None:
        if path.is_dir() or not path.parent.is_dir():
            raise UsageError(f"{path}: no file can be written there: name one in a folder that is")
        self._path = path
        self._session = session
        self._took_s: list[float] = []
        self._began_s = self._now_s = 0.0

    def __call__(self, event: Event) -> None:
        match event:
            case Happened():
                self._now_s = event.time_s
            case ReadingsTaken() if len(event.times_s):
                self._now_s = float(event.times_s[-1])
            case StateStarted():
                self._began_s = self._now_s
            case StateEnded():
                # Those that were not reached have not begun either.
                self._took_s.append(self._now_s - self._began_s)
                self._began_s = self._now_s
            case ResultChanged() | SessionEnded():
                self._write(event.result)

    def _write(self, result: SessionResult) -> None:
        try:
            write_atomically(self._path, junit_xml(result, self._session, self._took_s))
        except OSError as error:
            raise Fault("record_failed", f"{self._path} cannot be written: {error}") from error


def junit_xml(result: SessionResult, session: Session, took_s: Sequence[float] = ()) -> str:
    """The whole file. `took_s` holds the time of each row of `result.states`, where it is known;
    states and derived values of `session` that are not in the result were not asked for."""
    suite = TestSuite(harmless_lines(result.session))
    # The schema wants a time of at most milliseconds, and no zone with the date.
    suite.timestamp = result.started.replace(tzinfo=None).isoformat(timespec="seconds")
    for name, value in _properties(result).items():
        if value is not None:
            suite.add_property(name, harmless_lines(value))
    for index, state in enumerate(result.states):
        suite.add_testcase(_case(result, state, took_s[index] if index < len(took_s) else None))
    for row in rows_of(result)[len(result.states) :]:
        suite.add_testcase(_case(result, row, None))
    if result.complete:
        for name in _not_asked_for(result, session):
            suite.add_testcase(_made(result, name, Skipped("not asked for in this run")))
    suite.add_testcase(_of_session(result))
    suite.time = round((result.ended - result.started).total_seconds(), 3)
    xml: bytes = suite.tostring()  # type: ignore[no-untyped-call]
    return f'<?xml version="1.0" encoding="utf-8"?>\n{xml.decode("utf-8")}\n'


def _not_asked_for(result: SessionResult, session: Session) -> list[str]:
    names = [state.name for state in session.states]
    names += [difference.name for difference in session.differences]
    names += [ratio.name for ratio in session.ratios]
    names += [charge.name for charge in session.charges]
    names += [sweep.name for sweep in session.sweeps]
    there = {row.name for row in rows_of(result)} | {sweep.name for sweep in result.sweeps}
    return [name for name in names if name not in there]


def _properties(result: SessionResult) -> dict[str, str | None]:
    seed = result.bench.simulated_seed
    return {
        "serial_number": result.serial_number,
        "firmware": result.firmware,
        "board": result.board.name,
        "meter": result.meter.identity,
        "bench": result.bench.name,
        "simulated_seed": None if seed is None else str(seed),
        "operator": result.operator,
        "note": result.note,
        "verdict": result.verdict,
        "benchrig": result.benchrig,
    }


def _case(result: SessionResult, row: Row, took_s: float | None) -> TestCase:
    case = _made(result, row.name, _outcome(row))
    if took_s is not None:
        case.time = round(took_s, 3)
    case.system_out = harmless_lines(row_text(row))
    return case


def _outcome(row: Row) -> FinalResult | None:
    reason = harmless_lines(reason_words(row))
    if row.verdict == "pass":
        return None
    if row.fault is not None and row.fault.kind == "not_reached":
        return Skipped(reason)
    made = Error if row.verdict == "fault" else Failure
    outcome = made(f"{row.verdict}: {reason}" if reason else row.verdict, row.verdict)
    outcome.text = harmless_lines(row_text(row))
    return outcome


def _of_session(result: SessionResult) -> TestCase:
    reason = None
    if result.fault is not None:
        reason = fault_words(result.fault)
    elif not result.complete:
        reason = "cut_off: the session did not come to its end"
    outcome = None if reason is None else Error(harmless_lines(reason), "fault")
    case = _made(result, "(session)", outcome)
    case.system_out = harmless_lines("\n".join(f"bench left: {line}" for line in result.safe_end))
    return case


def _made(result: SessionResult, name: str, outcome: FinalResult | None) -> TestCase:
    # A dot would make levels of it.
    case = TestCase(
        harmless_lines(name), f"benchrig.{harmless_lines(result.session).replace('.', '_')}"
    )
    if outcome is not None:
        case.append(outcome)  # type: ignore[no-untyped-call]
    return case
