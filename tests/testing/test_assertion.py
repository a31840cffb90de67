"""What the assertion lets pass, and what it says of the rest."""

from __future__ import annotations

from typing import Any

import pytest

from benchrig.result import DerivedResult, EarlierResult, FaultRecord, SessionResult, StateResult
from benchrig.testing import assert_within_limits
from tests.benches import HASTY, rig


def state(**changes: Any) -> StateResult:
    row = StateResult(
        name="deep_sleep",
        verdict="pass",
        current_A=598.83e-9,
        expanded_uncertainty_A=8.41e-9,
        limit_max_A=900e-9,
    )
    return row.model_copy(update=changes)


def derived(**changes: Any) -> DerivedResult:
    row = DerivedResult(
        name="lamp_alone",
        kind="difference",
        of=("lamp", "idle"),
        verdict="fail",
        value=6.91e-3,
        expanded_uncertainty=57e-6,
        unit="A",
        limit_min=7e-3,
        limit_max=9e-3,
    )
    return row.model_copy(update=changes)


def message(result: StateResult | DerivedResult | SessionResult) -> str:
    with pytest.raises(AssertionError) as raised:
        assert_within_limits(result)
    return str(raised.value)


def test_a_pass_passes() -> None:
    assert_within_limits(state())
    assert_within_limits(derived(verdict="pass"))


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (
            state(verdict="fail", current_A=1.52342e-6, flags=("above_limit",)),
            """\
deep_sleep: fail
  measured  (1.5234 ± 0.0084) µA
  limits    max 900 nA
  margin    (-623.4 ± 8.4) nA
  reason    above_limit""",
        ),
        (
            state(verdict="undecided", current_A=898.9e-9, limit_min_A=1e-9),
            """\
deep_sleep: undecided
  measured  (898.9 ± 8.4) nA
  limits    1 nA to 900 nA
  margin    (1.1 ± 8.4) nA
  reason    the value is too uncertain to tell on which side of its limit it lies""",
        ),
        (
            state(
                verdict="fault",
                current_A=None,
                fault=FaultRecord(kind="drifting", message="it drifts by 2 % a second"),
            ),
            """\
deep_sleep: fault
  measured  -
  limits    max 900 nA
  reason    drifting: it drifts by 2 % a second""",
        ),
        (
            derived(),
            """\
lamp_alone: fail
  measured  (6.910 ± 0.057) mA
  limits    7 mA to 9 mA
  margin    (-90 ± 57) µA""",
        ),
        (
            derived(kind="ratio", unit="1", value=980.0, expanded_uncertainty=37.0, limit_min=1e3,
                    limit_max=None),
            """\
lamp_alone: fail
  measured  980 ± 37
  limits    min 1000
  margin    -20 ± 37""",
        ),
        (
            state(verdict="fail", current_A=None, expanded_uncertainty_A=None,
                  lower_bound_A=1.5e-6, upper_bound_A=None, flags=("verdict_only", "above_limit")),
            """\
deep_sleep: fail
  measured  above 1.50 µA
  limits    max 900 nA
  reason    verdict_only, above_limit""",
        ),
    ],
)  # fmt: skip
def test_what_it_says(row: StateResult | DerivedResult, said: str) -> None:
    assert message(row) == said


def test_what_a_board_says_moves_no_cursor() -> None:
    fault = FaultRecord(kind="board_refused", message="it says \x1b[2Jpass")
    assert "it says \\x1b[2Jpass" in message(state(verdict="fault", fault=fault))


def test_a_fail_that_was_not_confirmed() -> None:
    earlier = EarlierResult(verdict="fail", current_A=1e-6, expanded_uncertainty_A=1e-9, flags=())
    assert "fail at first; not confirmed" in message(state(verdict="undecided", earlier=(earlier,)))


def test_a_row_without_limits_asserts_nothing() -> None:
    assert "no limits" in message(state(limit_max_A=None))


RESULT = rig(session=HASTY).run()


def test_of_a_session_all_rows_count() -> None:
    assert_within_limits(RESULT)
    *good, last = RESULT.states
    states = (*good, last.model_copy(update={"verdict": "undecided"}))
    said = message(RESULT.model_copy(update={"states": states, "verdict": "undecided"}))
    assert said.startswith("deep_sleep: undecided\n")
    assert "idle" not in said


def test_a_fault_of_the_session_counts_where_every_row_passes() -> None:
    fault = FaultRecord(kind="faults_injected", message="on purpose")
    changes: dict[str, Any] = {"verdict": "fault", "fault": fault}
    assert message(RESULT.model_copy(update=changes)) == "session: faults_injected: on purpose"
    assert message(RESULT.model_copy(update={"verdict": "fault"})) == "session: fault"
