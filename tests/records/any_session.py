"""Random sessions on random benches with random faults, recorded: what must hold for each."""

from __future__ import annotations

import re
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import pytest
from hypothesis import strategies as st

from benchrig.errors import ReplayEnded
from benchrig.injecting import FaultPlan, error_queue, overload
from benchrig.planning import longest_s
from benchrig.records.recording import load_recording
from benchrig.records.replaying import replay
from benchrig.records.run_folder import to_json
from benchrig.result import SessionResult, StateResult
from benchrig.wires.injections import (
    Act,
    AtMatch,
    AtMessage,
    AtTime,
    Chance,
    Close,
    Cut,
    Delay,
    Drop,
    Duplicate,
    Flip,
    Injection,
    Insert,
    Reset,
    Side,
    Silence,
    When,
)
from tests.benches import Rig, rig
from tests.recordings import Recorded, record
from tests.test_safety import Case, cases, operator_of

# A state may be entered twice, and what is silent costs the time-outs of all that is asked.
TIME_OUTS_S = 120.0
# Of a loop that does not end.
MOST_ACTS = 300_000


@dataclass(frozen=True)
class Trial:
    """`stop` is the act on a wire before which somebody asks the session to end; at `cut`, a share
    of its bytes, the recording ends where the power was lost."""

    case: Case
    knows_sheet: bool
    aim: Literal["value", "verdict"]
    faults: FaultPlan
    stop: int | None
    cut: float


# -- random faults --------------------------------------------------------------------------

SIDES: st.SearchStrategy[Side] = st.sampled_from(["sent", "received"])
PATTERNS = {
    "board": [rb"^go ", rb"^hello", rb"^ok ", rb"hi", rb"\n"],
    "meter": [rb"^INIT", rb"FETC\?", rb"RANG", rb"ERR", rb"^#", rb",", rb"\n"],
    "supply": [rb"OUTP", rb"VOLT", rb"ERR", rb"\n"],
}


def durations(*more: float) -> st.SearchStrategy[float]:
    return st.sampled_from([0.02, 0.3, 1.0, 4.0, *more])


def acts(wire: str) -> st.SearchStrategy[Act]:
    counts = st.integers(1, 4)
    kinds: list[st.SearchStrategy[Any]] = [
        st.builds(Drop, counts),
        st.builds(Duplicate, counts),
        st.builds(Flip, st.sampled_from([0x01, 0x10, 0x40, 0x80])),
        st.builds(Insert, st.sampled_from([b"\xff", b"\n", b"x\r\n", b"here I am\r\n", b"#0"])),
        st.just(Cut()),
        st.builds(Delay, durations()),
        st.builds(Silence, durations(float("inf"))),
        st.builds(Close, durations(0.0, 1e9)),
    ]
    if wire == "board":
        kinds.append(st.just(Reset()))
    else:
        kinds.append(st.builds(error_queue, st.sampled_from(['-310,"System error"', "0", "x"])))
    if wire == "meter":
        kinds.append(st.builds(overload))
    return st.one_of(kinds)


def moments(wire: str) -> st.SearchStrategy[When]:
    patterns = st.sampled_from([re.compile(pattern) for pattern in PATTERNS[wire]])
    return st.one_of(
        st.builds(Chance, st.sampled_from([0.001, 0.01, 0.1])),
        st.builds(AtMessage, st.integers(1, 60), SIDES),
        st.builds(AtTime, st.integers(0, 200).map(lambda tenths: tenths / 10)),
        st.builds(AtMatch, patterns, st.integers(1, 12), SIDES),
    )


def injections(wire: str) -> st.SearchStrategy[Injection]:
    def often(act: Act) -> st.SearchStrategy[int | None]:
        # Delays without end are no fault of the session.
        return st.integers(1, 3) if isinstance(act, Delay) else st.sampled_from([1, 1, 3, None])

    return acts(wire).flatmap(
        lambda act: st.builds(
            Injection, st.just(act), moments(wire), SIDES, st.integers(0, 5), often(act)
        )
    )


@st.composite
def trials(draw: st.DrawFn) -> Trial:
    case = draw(cases())
    names = ["board", "meter", *(["supply"] if case.file.supply is not None else [])]
    faults: dict[str, tuple[Injection, ...]] = {}
    for _ in range(draw(st.integers(0, 3))):
        wire = draw(st.sampled_from(names))
        faults[wire] = (*faults.get(wire, ()), draw(injections(wire)))
    return Trial(
        case,
        draw(st.booleans()),
        draw(st.sampled_from(["value", "value", "verdict"])),
        FaultPlan(**faults, seed=case.seed),
        draw(st.none() | st.integers(1, 400)),
        draw(st.floats(0.0, 1.0)),
    )


# -- what must hold -------------------------------------------------------------------------


def check(trial: Trial) -> SessionResult:
    """Returns what came of it. Raises `AssertionError`, and whatever gets out of a session."""
    case = trial.case
    made = rig(
        session=case.session.aiming_at(trial.aim),
        file=case.file,
        board=case.board,
        sheet=case.sheet,
        knows_sheet=trial.knows_sheet,
        seed=case.seed,
    )
    _interfere(made, trial.stop)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "r.jsonl"
        recorded = record(
            path, made, file=case.file, listeners=[operator_of(made)], faults=trial.faults
        )
        result = recorded.result
        states = made.session.selected()
        assert made.clock.monotonic() <= 2 * longest_s(made.session, states) + TIME_OUTS_S
        assert result.complete
        assert len(result.states) == len(states)
        check_verdicts(result)
        check_safe_end(result, made, trial.faults)
        check_replayed(recorded)
        check_torn(recorded, trial.cut)
    return result


def _interfere(made: Rig, stop: int | None) -> None:
    count = 0

    def before(what: str) -> None:
        nonlocal count
        count += 1
        assert count < MOST_ACTS, f"{what} without end"
        if count == stop:
            made.clock.stop.make("SIGINT")

    for wire in made.wires.values():
        wire.before = before


def check_verdicts(result: SessionResult) -> None:
    injected = any(event.kind == "injected" for event in result.events)
    whole = all(row.verdict == "pass" for row in result.states) and not injected
    assert result.verdict != "pass" or whole
    for row in result.states:
        assert (row.verdict == "fault") == (row.fault is not None), row
        if row.verdict == "pass":
            check_pass(row)


def check_pass(row: StateResult) -> None:
    """Never without a settled reading within the limits, or bounds of it that are."""
    low, high = row.current_A, row.current_A
    if "verdict_only" in row.flags:
        low, high = row.lower_bound_A, row.upper_bound_A
        assert row.decided_after_s is not None, row
    else:
        assert row.settled_after_s is not None, row
        assert low is not None, row
        assert row.expanded_uncertainty_A is not None, row
    assert row.readings > 0, row
    assert row.limit_min_A is None or (low is not None and low >= row.limit_min_A), row
    assert row.limit_max_A is None or (high is not None and high <= row.limit_max_A), row


def check_safe_end(result: SessionResult, made: Rig, faults: FaultPlan) -> None:
    """Tried for each instrument, whatever happened, and reached where nothing goes wrong."""
    meter, *others = result.safe_end
    assert meter.startswith("meter: ")
    assert (made.bench.supply is None) or others[-1].startswith("supply: ")
    if meter == "meter: on its highest range":
        assert made.on_highest_range
    elif not faults.meter:
        assert meter == "meter: was never reached"


def check_replayed(recorded: Recorded) -> None:
    """In every figure, and with every act of the recording used."""
    replayed = replay(recorded.recording, recorded.files)
    assert replayed.differences == ()
    assert to_json(replayed.result) == to_json(recorded.result)
    assert (replayed.other_waits, replayed.unused_acts) == (0, 0)


def check_torn(recorded: Recorded, share: float) -> None:
    """A recording that ends at any byte holds all before its last line, and a replay gets so far
    and no farther."""
    data, whole = recorded.path.read_bytes(), recorded.recording
    first = data.index(b"\n") + 1
    torn = data[: first + round(share * (len(data) - first))]
    path = recorded.path.with_name("torn.jsonl")
    path.write_bytes(torn)
    left = load_recording(path)
    assert left.entries == whole.entries[: torn.count(b"\n") - 1]
    assert (left.torn is None) == torn.endswith(b"\n")
    if left.result is None:
        with pytest.raises(ReplayEnded):
            replay(left, recorded.files)
    else:
        assert to_json(replay(left, recorded.files).result) == to_json(recorded.result)
