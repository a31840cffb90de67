"""Reading in general: what is no TOML file, and that no mistake hides another."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.errors import FileProblems
from benchrig.session import BenchFile, MeterSheet, Session, load_session
from benchrig.session.toml_file import TomlFile, parse_toml, read_toml
from tests.session.good_files import BENCH, SESSION, SHEET
from tests.session.mistakes import only_problem, problems


def told(path: Path, model: type[TomlFile] = Session) -> tuple[int | None, str, str]:
    with pytest.raises(FileProblems) as caught:
        read_toml(path, model)
    (problem,) = caught.value.problems
    assert problem.file == str(path)
    return problem.line, problem.key, problem.message


# Files that cannot be read at all.


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    line, _, message = told(tmp_path / "nothing.toml")
    assert line is None
    assert message == "cannot be read: No such file or directory"


def test_a_folder_in_place_of_a_file(tmp_path: Path) -> None:
    assert "cannot be read: Is a directory" in told(tmp_path)[2]


@pytest.mark.parametrize("encoding", ["latin-1", "utf-16"])
def test_a_file_that_is_not_utf_8(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "hive.toml"
    path.write_bytes('a = 1\nb = "1 µA"\n'.encode(encoding))
    line, _, message = told(path)
    assert line == (2 if encoding == "latin-1" else 1)
    assert "is not UTF-8 text" in message
    assert "save it with the encoding UTF-8" in message


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    path = tmp_path / "hive.toml"
    path.write_text(SESSION, encoding="utf-8-sig", newline="\r\n")
    assert load_session(path) == parse_toml(SESSION, "plain.toml", Session)


def test_windows_line_endings_change_no_line_number() -> None:
    text = SESSION.replace('max = "8 mA"', "max = 8").replace("\n", "\r\n")
    row = 1 + SESSION[: SESSION.index('max = "8 mA"')].count("\n")
    assert only_problem(text, Session)[:2] == (row, "states[2].limit.max")


# Text that is not TOML.


@pytest.mark.parametrize(
    ("row", "key", "reason", "hint"),
    [
        ("max = 1.2 uA", "max", "newline or end of document", 'in quotes: "1.2 uA"'),
        ("limit = { max = 8 mA }", "limit.max", "unclosed inline table", "in quotes"),
        ("tolerance = 1%", "tolerance", "newline or end of document", "in quotes"),
        ('expect = "\\d+"', "expect", "unescaped '\\'", "single quotes: '\\d+'"),
        ('name = "idle', "name", "illegal character '\\n'", "closing quote is missing"),
        ("name = idle", "name", "invalid value", "text stands in quotes"),
        ("echo = yes", "echo", "invalid value", "truth is true or false"),
        ("x = 1\nx = 2", "x", "cannot overwrite", "twice; drop one"),
        ("[a]\n[a]", "a", "cannot declare 'a' twice", "drop one"),
        ("[a.b]\n[a.b]", "a", "cannot declare 'a.b' twice", "drop one"),
        ("x = 1\ry = 2", "x", "expected newline", "lines end in LF or CRLF"),
        ("# x\ry = 2", "", "invalid character '\\r'", "lines end in LF or CRLF"),
        ("name 5", "name", "expected '='", ""),
        ("[states", "", "expected ']'", ""),
        ("when = 2026-13-45", "when", "newline or end of document", ""),
        ("many = " + "9" * 5000, "many", "limit (4300 digits)", ""),
        ('name = "tab\0"', "name", "illegal character", ""),
    ],
)
def test_a_syntax_error_has_its_line_its_key_and_a_hint(
    row: str, key: str, reason: str, hint: str
) -> None:
    text = f'# a remark\ntop = """\n"""\n{row}\nmore = 1\n'
    line, told_key, message = only_problem(text, Session)
    if "4300" not in reason:  # Python's own complaint has no position
        assert line == 4 + row.count("\n")
        assert told_key == key
    assert "is not valid TOML: " in message
    assert reason in message
    assert hint in message


@pytest.mark.parametrize("text", ["a = [1,\n2\n\n", 'a = 1\nb = """x\n\n'])
def test_what_ends_too_early_ends_on_its_last_line(text: str) -> None:
    assert only_problem(text, Session)[0] == 2


def test_nesting_without_end_is_told() -> None:
    assert "nested too deeply" in only_problem("a = " + "[" * 100_000, Session)[2]


# Files of another kind.


@pytest.mark.parametrize("model", [Session, BenchFile, MeterSheet])
def test_an_empty_file_lacks_its_format_first(model: type[TomlFile]) -> None:
    line, key, message = problems("", model)[0]
    assert (line, key, message) == (1, "format", f'is missing: add format = "{model.FORMAT}"')


def test_of_another_kind_only_that_is_told() -> None:
    text = SESSION.replace("benchrig/session/1", "benchrig/bench/1").replace('"idle"', "1")
    line, key, message = only_problem(text, Session)
    assert (line, key) == (1, "format")
    assert message == "is 'benchrig/bench/1'; a file of 'benchrig/session/1' goes here"


@pytest.mark.parametrize("given", ["benchrig/session/2", "benchrig/session/0"])
def test_of_another_version_everything_else_is_told_too(given: str) -> None:
    text = SESSION.replace("benchrig/session/1", given).replace("'^error'", "'('")
    told = problems(text, Session)
    assert [key for _, key, _ in told] == ["format", "protocol.reject"]
    assert told[0][2] == f"is '{given}'; benchrig reads 'benchrig/session/1'"


@pytest.mark.parametrize("given", ['"benchrig/sesion/1"', '"session"', "1", "true", "[]", "{}"])
def test_a_garbled_format_hides_nothing(given: str) -> None:
    text = SESSION.replace('"benchrig/session/1"', given).replace("'^error'", "'('")
    keys = [key for _, key, _ in problems(text, Session)]
    assert keys == ["format", "protocol.reject"]


# Every mistake is told, whatever else is wrong.

MISTAKES = [
    ('"hive-scale"', '"hive scale"', "name", "a letter or digit first"),
    ("\ndescription", "\ndesription", "desription", "did you mean 'description'?"),
    ('"3.0 V"', "3.0", "board.supply_voltage", "3.0 has no unit"),
    ('"2.2 V"', '"2.2"', "board.minimum_voltage", "'2.2' has no unit"),
    ('"47 uF"', '"-47 uF"', "board.decoupling", "must not be negative"),
    ("boot_time", "boot_times", "board.boot_times", "did you mean 'boot_time'?"),
    ('send_ending = "LF"', 'send_ending = "NL"', "protocol.send_ending", "'CRLF'"),
    ("'^hive scale boot'", "'^hive (scale'", "protocol.banner", "is not a regular expression"),
    ('send = "hello"', "attempts = 2", "protocol.hello.send", "send (text) or send_hex (bytes)"),
    ("(?P<firmware>", "(?P<version>", "protocol.identity.expect", "(?P<firmware>...)"),
    ('"1.5 s"', '"1,5 s"', "settling.guard", "a decimal point, not a comma"),
    ('"1 %"', '"1 A"', "settling.tolerance", "is in A, not in %"),
    ('"60 s"', '"0 s"', "settling.time_limit", "must be above zero"),
    ('"0.9 mA"', '"1.9 mA"', "states[1].limit.min", "is above max 1.500 mA"),
    ("'^ok weigh$'", "'^ok', tries = 2", "states[2].enter[1].tries", "known here: attempts"),
    ('"8 mA"', '"800 mA"', "states[2].limit.max", "is above board.highest_current, 25.00 mA"),
    ('"11 mA"', '"-11 mA"', "states[3].limit.max", "must be above zero"),
    ('"500 us"', '"5 s"', "states[4].ticks.duration", "must be shorter than period, 1.000 s"),
    ('"90 s", tolerance', '"90 s", tolerence', "states[4].settling.tolerence", "'tolerance'"),
    (', within = "300 ms"', "", "states[4].wake.within", 'add within = "500 ms"'),
    ('name = "deep_sleep"', 'nmae = "deep_sleep"', "states[5].nmae", "did you mean 'name'?"),
    ('"200 ms"', "0.2", "states[5].enter[1].timeout", "0.2 has no unit"),
    ('"0.9 uA"', '"0.9 uV"', "states[5].limit.max", "is in uV, not in A"),
    ('"byte", send = "x"', '"byte"', "states[5].must_not_wake[1].send_hex", 'send = "x"'),
    ('by = "dtr"', 'by = "dtx"', "states[5].must_not_wake[2].by", "'break', 'dtr' or 'rts'"),
    ("pulse = ", "after = ", "states[5].wake.after", 'goes with by = "timer" only'),
    ('"light_sleep",  #', '"light_slep",  #', "subsets.sleeps[1]", "did you mean 'light_sleep'?"),
    ('["lamp", "idle"]', '["lamp"]', "differences[1].of", "must name two states"),
    ('"9 mA"', '"5 mA"', "differences[1].limit.min", "7.000 mA is above max 5.000 mA"),
    ('"idle", "deep_sleep"', '"idle", "doze"', "ratios[1].of[2]", "'doze' is not defined"),
    ("= 1000", '= "1000"', "ratios[1].limit.min", "must be a number, without quotes"),
]


def with_mistakes(made: set[int]) -> tuple[str, dict[tuple[int | None, str], str]]:
    """The good session file with mistakes in it, and what must be told about which place."""
    text, expected = SESSION, {}
    for old, new, key, part in (MISTAKES[number] for number in sorted(made)):
        assert text.count(old) == 1, f"{old} is not in one place"
        expected[text[: text.index(old)].count("\n") + old.count("\n") + 1, key] = part
        text = text.replace(old, new)
    return text, expected


def check_mistakes(made: set[int]) -> None:
    text, expected = with_mistakes(made)
    found = problems(text, Session)
    assert sorted((line, key) for line, key, _ in found) == sorted(expected), found
    for line, key, message in found:
        assert expected[line, key] in message
    lines = [line for line, _, _ in found]
    assert lines == sorted(lines)


@pytest.mark.parametrize("number", range(len(MISTAKES)))
def test_a_mistake_alone_brings_one_message(number: int) -> None:
    check_mistakes({number})


def test_all_mistakes_at_once_bring_one_message_each() -> None:
    check_mistakes(set(range(len(MISTAKES))))


@settings(deadline=None)
@given(st.sets(st.integers(0, len(MISTAKES) - 1), min_size=2))
def test_whichever_mistakes_are_made_none_hides_another(made: set[int]) -> None:
    check_mistakes(made)


# No file of any content brings anything but a model or messages.

WORDS = sorted(set(re.findall(r"\w+", SESSION + BENCH + SHEET)))
VALUES = st.recursive(
    st.sampled_from(["1", "-1.5", "true", "nan", "1979-05-27", '"1 mA"', '"1 s"', '"5"', '""'])
    | st.sampled_from(["idle", "byte", "timer", "LF", "(", "A5", "utf-16"]).map(json.dumps),
    lambda inner: (
        st.lists(inner, max_size=3).map(lambda values: f"[{', '.join(values)}]")
        | st.dictionaries(st.sampled_from(WORDS), inner, max_size=4).map(
            lambda table: "{ " + ", ".join(f'"{k}" = {v}' for k, v in table.items()) + " }"
        )
    ),
    max_leaves=8,
)
ROWS = SESSION.split("\n")


@settings(deadline=None)
@given(st.data(), st.sampled_from([Session, BenchFile, MeterSheet]))
def test_any_values_at_any_keys_bring_a_model_or_messages(
    data: st.DataObject, model: type[TomlFile]
) -> None:
    keys = st.sampled_from(sorted(model.model_fields))
    table = data.draw(st.dictionaries(keys, VALUES))
    text = "\n".join(f"{key} = {value}" for key, value in table.items())
    check_messages(text, model)


@settings(deadline=None)
@given(st.data())
def test_any_values_in_an_otherwise_good_file_bring_a_model_or_messages(
    data: st.DataObject,
) -> None:
    rows = list(ROWS)
    for index in data.draw(st.sets(st.integers(0, len(rows) - 1), max_size=4)):
        key, equals, _ = rows[index].partition(" = ")
        if equals:
            rows[index] = f"{key} = {data.draw(VALUES)}"
    check_messages("\n".join(rows), Session)


@settings(deadline=None)
@given(st.data())
def test_rows_may_be_missing_or_stand_twice(data: st.DataObject) -> None:
    rows = list(ROWS)
    for index in sorted(data.draw(st.sets(st.integers(0, len(rows) - 1), max_size=4)))[::-1]:
        rows[index : index + 1] = [rows[index]] * data.draw(st.sampled_from([0, 2]))
    check_messages("\n".join(rows), Session)


def check_messages(text: str, model: type[TomlFile]) -> None:
    try:
        assert isinstance(parse_toml(text, "any.toml", model), model)
        return
    except FileProblems as problems:
        found = problems.problems
    assert found
    assert len(set(found)) == len(found)
    for each in found:
        assert each.line is not None
        assert each.line <= text.count("\n") + 1
        # A message in words of our own, in which no stand-in and no library shows.
        assert not re.search(r"Unknown object|Input|pydantic|instance|NoneType", each.message)


@pytest.mark.parametrize("given", ["1e300 V", "1e-300 V", "1e13 V", "1e-19 V"])
def test_what_no_bench_has_is_a_mistake(given: str) -> None:
    key, message = only_problem(SESSION.replace('"3.0 V"', f'"{given}"'), Session)[1:]
    assert key == "board.supply_voltage"
    assert message == f"'{given}' is beyond all that is measured here; look at its prefix"


@pytest.mark.parametrize("given", ["2e9 s", "1e300 s", "40000 d"])
def test_so_long_lasts_nothing(given: str) -> None:
    text = SESSION.replace('boot_time = "1 s"', f'boot_time = "{given}"')
    assert only_problem(text, Session)[1] == "board.boot_time"


@pytest.mark.parametrize(
    ("given", "part"),
    [
        ('"3 kg"', "is in kg, not in V"),
        ("true", "is true; it must be a quantity"),
        ("2026-01-01", "is 2026-01-01; it must be a quantity"),
        ("12:30:00", "is 12:30:00; it must be a quantity"),
        ("nan", "has no unit"),
        ('"nan V"', "is not a quantity"),
        ("-inf", "has no unit"),
        ('"1e999 V"', "is not a finite number"),
        ("[]", "must be a quantity"),
    ],
)
def test_what_is_no_voltage(given: str, part: str) -> None:
    key, message = only_problem(SESSION.replace('"3.0 V"', given), Session)[1:]
    assert key == "board.supply_voltage"
    assert part in message
