"""Names that rows of a result are told apart by."""

from __future__ import annotations

import copy

import pytest

from benchrig.session import Session
from benchrig.session.toml_file import parse_toml
from tests.session.good_files import SESSION
from tests.session.mistakes import problems

WITHOUT_DERIVED = SESSION[: SESSION.index("[[differences]]")]
TWO = """[[differences]]
name = "d"
of = ["lamp", "idle"]
[[ratios]]
name = "r"
of = ["lamp", "idle"]
"""


@pytest.mark.parametrize(
    ("old", "new", "key", "message"),
    [
        ('"r"', '"d"', "ratios[1].name", "'d' is used twice, by differences[1] as well"),
        ('"d"', '"idle"', "differences[1].name", "'idle' is the name of a state"),
        ('"r"', '"lamp"', "ratios[1].name", "'lamp' is the name of a state"),
    ],
)
def test_a_derived_row_has_a_name_of_its_own(old: str, new: str, key: str, message: str) -> None:
    text = f"{WITHOUT_DERIVED}{TWO.replace(f'name = {old}', f'name = {new}')}"
    row = text[: text.rindex(f"name = {new}")].count("\n") + 1
    ((line, told_key, told),) = problems(text, Session)
    assert (line, told_key) == (row, key)
    assert message in told


@pytest.mark.parametrize("table", ["differences", "ratios"])
def test_a_state_with_itself_is_no_pair(table: str) -> None:
    text = f'{WITHOUT_DERIVED}[[{table}]]\nname = "d"\nof = ["idle", "idle"]\n'
    ((line, key, message),) = problems(text, Session)
    assert (line, key) == (text.count("\n"), f"{table}[1].of")
    assert message == "names 'idle' twice; name two different states"


def test_subsets_cannot_be_changed() -> None:
    session = parse_toml(SESSION, "file.toml", Session)
    with pytest.raises(TypeError):
        session.subsets["more"] = ("idle",)  # type: ignore[index]
    assert copy.copy(session) == session
