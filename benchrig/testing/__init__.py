"""For the tests of a firmware: what they assert, and the pytest plugin that gives them a bench."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchrig.result import DerivedResult, SessionResult, StateResult


def assert_within_limits(result: StateResult | DerivedResult | SessionResult) -> None:
    """Fails unless the verdict is `pass`; `undecided` is none, and neither is a fault. The message
    tells what was measured with its uncertainty, the limits and the margin, or the reason.

    Of a session all rows count, and that it came to its end without a fault of its own. A single
    row without limits fails as well: nothing would be asserted.
    """
    __tracebackhide__ = True
    problems = _problems(result)
    if problems:
        from benchrig.harmless import harmless_lines

        raise AssertionError(harmless_lines("\n".join(problems)))


def _problems(result: StateResult | DerivedResult | SessionResult) -> list[str]:
    from benchrig.result import SessionResult
    from benchrig.row_text import fault_words, limit_words, row_text, rows_of

    if not isinstance(result, SessionResult):
        if result.verdict == "pass" and limit_words(result) == "none":
            return [f"{result.name}: the session file gives it no limits, so nothing is asserted"]
        return [] if result.verdict == "pass" else [row_text(result)]
    problems = [row_text(row) for row in rows_of(result) if row.verdict != "pass"]
    if result.fault is not None:
        problems.append(f"session: {fault_words(result.fault)}")
    # Whatever else may make a verdict, it counts.
    return problems or ([] if result.verdict == "pass" else [f"session: {result.verdict}"])
