from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchrig.session import Session
from benchrig.session.fault_plan import FaultPlanFile, load_fault_plan
from benchrig.session.toml_file import TomlFile, parse_toml
from tests.session.good_files import SESSION
from tests.session.mistakes import check_marked, only_problem, problems

FIXTURES = Path(__file__).parents[2] / "fixtures"
HEAD = 'format = "benchrig/fault-plan/1"\n'


def one(fault: str) -> str:
    return f"{HEAD}[[faults]]\n{fault}\n"


def test_the_example_is_good() -> None:
    plan = load_fault_plan(FIXTURES / "faults" / "lost-byte.faults.toml")
    first, second = plan.faults
    assert (first.wire, first.do, first.after, first.times) == ("board", "drop", 3, None)
    assert first.when.sent is not None
    assert first.when.sent.search(b"lamp on\n")
    assert (second.bit, second.side) == (6, "received")


def test_a_plan_without_faults() -> None:
    assert parse_toml(HEAD, "plan.toml", FaultPlanFile).faults == ()


def test_values() -> None:
    text = one(
        'wire = "meter"\ndo = "silence"\nside = "sent"\nduration = "1.5 s"\ntimes = 2\n'
        "when = { received = '\\xff|µ', match = 3 }"
    )
    (fault,) = parse_toml(text, "plan.toml", FaultPlanFile).faults
    assert (fault.side, fault.duration, fault.times, fault.when.match) == ("sent", 1.5, 2, 3)
    assert fault.when.received == re.compile("\\xff|µ".encode())
    assert fault.model_dump(mode="json")["when"]["received"] == "\\xff|µ"


def test_mistakes() -> None:
    check_marked(
        """format = "benchrig/fault-plan/1"
seed = -1 #! seed: 0 or more

[[faults]]
wire = "bord" #! faults[1].wire: must be 'board', 'meter' or 'supply'
do = "drop"
when = { mesage = 3 } #! faults[1].when.mesage: did you mean 'message'?

[[faults]]
wire = "board"
do = "dorp" #! faults[2].do: must be 'drop', 'duplicate'
when = { time = 3 } #! faults[2].when.time: has no unit

[[faults]]
wire = "board"
do = "insert"
when = { time = "1 s", sent = "x" } #! faults[3].when.sent: does not go with time
data_hex = "5" #! faults[3].data_hex: not bytes in hex

[[faults]]
wire = "board" #! faults[4].wire: must be 'meter'
do = "overload"
when = { probability = 1.5 } #! faults[4].when.probability: must be 1 or less

[[faults]]
wire = "meter"
do = "cut"
when = { sent = "(" } #! faults[5].when.sent: is not a regular expression
""",
        FaultPlanFile,
    )


@pytest.mark.parametrize(
    ("fault", "key", "words"),
    [
        ('do = "drop"\nwhen = {}', "when", "is empty: give one of probability, message, time"),
        ('do = "drop"\nwhen = { message = 1, match = 2 }', "when.match", "sent or received only"),
        ('do = "insert"\nwhen = { message = 1 }', "data_hex", 'is missing: add data_hex = "FF"'),
        ('do = "delay"\nwhen = { message = 1 }', "duration", 'is missing: add duration = "1 s"'),
        ('do = "drop"\nbit = 3\nwhen = { message = 1 }', "bit", "goes with do = 'flip' only"),
        ('do = "flip"\nbit = 8\nwhen = { message = 1 }', "bit", "must be 7 or less"),
        ('do = "drop"\ncount = 0\nwhen = { message = 1 }', "count", "must be 1 or more"),
        ('do = "reset"\nsays = "x"\nwhen = { message = 1 }', "says", "'error_queue' only"),
        ('do = "overload"\nwhen = { message = 1 }', "wire", "must be 'meter'"),
        ('do = "error_queue"\nwhen = { message = 1 }', "wire", "a board has no error queue"),
        ('do = "drop"', "when", "is missing"),
        ("do = \"drop\"\nwhen = { sent = '' }", "when.sent", "must be a regular expression"),
        ("do = \"drop\"\nwhen = { sent = '\\u0041' }", "when.sent", "bad escape"),
    ],
)
def test_a_mistake(fault: str, key: str, words: str) -> None:
    _, where, message = only_problem(one(f'wire = "board"\n{fault}'), FaultPlanFile)
    assert where == f"faults[1].{key}"
    assert words in message


def test_what_is_reset_is_a_board() -> None:
    text = one('wire = "meter"\ndo = "reset"\nwhen = { message = 1 }')
    assert only_problem(text, FaultPlanFile)[1:] == (
        "faults[1].wire",
        "must be 'board': nothing else is reset",
    )


@pytest.mark.parametrize("pattern", ["(", "[[a]", "a{99999999999}", "(?P<a>x)(?P<a>y)"])
@pytest.mark.parametrize("kind", [Session, FaultPlanFile])
def test_what_is_no_regular_expression(kind: type[TomlFile], pattern: str) -> None:
    """Nor what Python takes with a warning: a later one may read it otherwise."""
    text = one(f'wire = "board"\ndo = "drop"\nwhen = {{ sent = \'{pattern}\' }}')
    if kind is Session:
        text = SESSION.replace("'^hive ready$'", f"'{pattern}'", 1)
        assert text != SESSION
    assert any("is not a regular expression" in message for _, _, message in problems(text, kind))
