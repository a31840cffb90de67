"""A tape that is asked for something else than was done then."""

from __future__ import annotations

import pytest

from benchrig.errors import ReplayMismatch
from benchrig.wires.recording import Act
from benchrig.wires.replay import Tape


def tape(*acts: Act) -> Tape:
    return Tape(acts, 0.0, complete=True)


def test_a_wait_that_is_none_any_more_is_passed_over() -> None:
    played = tape(Act("read", "board", 0.5), Act("write", "board", 0.5, b"hello\n"))
    played.send("write", "board", b"hello\n")
    assert (played.other_waits, played.left) == (1, 0)


def test_what_was_read_where_nobody_reads_now_is_read_later() -> None:
    played = tape(
        Act("read", "board", 0.5, b"hive ready\n"), Act("write", "board", 0.5, b"hello\n")
    )
    played.send("write", "board", b"hello\n")
    assert played.read("board", 1.0) == b"hive ready\n"


def test_a_mismatch_after_such_a_wait_tells_what_would_be_sent() -> None:
    played = tape(
        Act("read", "board", 0.5, b"hive ready\n"), Act("write", "board", 0.5, b"hello\n")
    )
    with pytest.raises(ReplayMismatch, match=r"now: +write 'stop\\n' to the board"):
        played.send("write", "board", b"stop\n")
