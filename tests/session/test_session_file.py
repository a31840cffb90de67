from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import ValidationError

from benchrig.errors import FileProblems, UsageError
from benchrig.session import Session, load_session
from benchrig.session.limits import Limit, NumberLimit
from benchrig.session.protocol import Stimulus, Wake
from benchrig.session.toml_file import parse_toml
from tests.session.good_files import SESSION
from tests.session.mistakes import check_marked, only_problem, problems

FIXTURE = Path(__file__).parents[2] / "fixtures" / "hive-scale.session.toml"


def read(text: str = SESSION) -> Session:
    return parse_toml(text, "good.toml", Session)


# What a good file says.


def test_the_example_is_good() -> None:
    session = load_session(FIXTURE)
    assert session.name == "hive-scale"
    assert [state.name for state in session.states if state.sleeps] == ["light_sleep", "deep_sleep"]


def test_values_are_in_base_units() -> None:
    session = read()
    idle, weigh, lamp, light_sleep, deep_sleep = session.states
    assert (session.board.supply_voltage, session.board.decoupling) == (3.0, 47e-6)
    assert (idle.limit.min, idle.limit.max, idle.limit.typical) == (0.9e-3, 1.5e-3, 1.2e-3)
    assert weigh.enter[0].send_hex == b"\xa5\x01"
    assert lamp.enter[1].expect_hex is not None
    assert lamp.enter[1].expect_hex.fullmatch(b"\xa5\n\x01"), "?? stands for any byte, LF too"
    assert lamp.enter[0].expects_reply is False
    assert lamp.enter[1].expects_reply is True
    assert light_sleep.ticks is not None
    assert light_sleep.ticks.duration == 500e-6
    assert light_sleep.settling.tolerance == 0.03
    assert light_sleep.wake is not None
    assert light_sleep.wake.send_hex == b"U"
    assert deep_sleep.must_not_wake[1] == Stimulus(by="dtr")
    assert session.differences[0].of == ("lamp", "idle")
    assert session.ratios[0].limit.min == 1000.0
    assert session.subsets == {"sleeps": ("light_sleep", "deep_sleep")}


def test_what_is_not_said_has_a_default() -> None:
    session = read()
    assert session.protocol.encoding == "utf-8"
    assert (session.protocol.hello.timeout, session.protocol.hello.attempts) == (0.5, 5)
    assert session.states[0].limit.max == 1.5e-3
    assert session.states[3].enter == ()
    assert session.states[0].wake is None


def test_read_twice_it_is_equal() -> None:
    assert load_session(FIXTURE) == load_session(FIXTURE)
    assert read() == read()
    assert read() != read(SESSION.replace('"8 mA"', '"9 mA"', 1))


@pytest.mark.parametrize("table", ["", "board", "protocol", "settling"])
def test_it_is_frozen(table: str) -> None:
    session = read()
    frozen = getattr(session, table) if table else session
    for key in type(frozen).model_fields:
        with pytest.raises(ValidationError, match="frozen"):
            setattr(frozen, key, None)
    assert session == read()


def test_states_are_frozen() -> None:
    state = read().states[0]
    with pytest.raises(ValidationError, match="frozen"):
        state.limit.max = 1.0
    assert isinstance(read().states, tuple)


@pytest.mark.parametrize(
    ("only", "names"),
    [
        ((), ["idle", "weigh", "lamp", "light_sleep", "deep_sleep", "idle"]),
        (("idle",), ["idle", "idle"]),
        (("sleeps",), ["light_sleep", "deep_sleep"]),
        (("deep_sleep", "weigh"), ["weigh", "deep_sleep"]),
    ],
)
def test_states_are_visited_in_their_order(only: tuple[str, ...], names: list[str]) -> None:
    assert [state.name for state in read().selected(only)] == names


def test_a_name_that_is_no_state_and_no_subset_cannot_be_selected() -> None:
    with pytest.raises(UsageError, match=r"'doze'.*deep_sleep, sleeps"):
        read().selected(["idle", "doze"])


def test_the_order_is_that_of_the_file_where_none_is_given() -> None:
    session = read("\n".join(row for row in SESSION.split("\n") if not row.startswith("order")))
    assert session.selected() == session.states


def test_a_model_that_is_made_without_a_file_is_checked_too() -> None:
    with pytest.raises(ValidationError, match=r"min 2\.000 mA is above max 1\.000 mA"):
        Limit.model_validate({"min": "2 mA", "max": "1 mA"})
    with pytest.raises(ValidationError, match="after is missing"):
        Wake.model_validate({"by": "timer", "within": "1 s"})
    assert NumberLimit(min=1, max=1).max == 1


# What is wrong in a bad one.


def test_a_session_full_of_mistakes_brings_one_message_for_each() -> None:
    check_marked(MANY, Session)


MANY = r"""format = "benchrig/session/1"
name = "hive scale"             #! name: a letter or digit first
colour = 5                      #! colour: known here: board, charges, data_sheet, decision
order = [
    "idle", "weigh",
    "doze",                     #! order[3]: state 'doze' is not defined; defined: idle
    5,                          #! order[4]: is 5; it must be text in quotes
    "wiegh",                    #! order[5]: did you mean 'weigh'?
]

[board]
name = ""                       #! board.name: must not be empty
supply_voltage = 3              #! board.supply_voltage: 3 has no unit
minimum_voltage = "2.2 A"       #! board.minimum_voltage: is in A, not in V
highest_current = "25 mA"
decoupling = "−1 uF"            #! board.decoupling: must not be negative
boot_time = 07:00:00            #! board.boot_time: is 07:00:00; it must be a quantity
"weird key" = 1                 #! board."weird key": is not a known key

[protocol]
send_ending = "lf"              #! protocol.send_ending: must be 'CR', 'LF', 'CRLF' or 'none'
banner = ""                     #! protocol.banner: must be a regular expression
reject = '(error'               #! protocol.reject: unterminated subpattern
encoding = "utf-99"             #! protocol.encoding: like 'utf-8'
echo = "yes"                    #! protocol.echo: is 'yes'; it must be true or false
byte_pause = -1                 #! protocol.byte_pause: -1 has no unit
identity = { send = "id", expect = '^id' } #! protocol.identity.expect: (?P<firmware>...)
[protocol.hello]                #! protocol.hello.expect: what the board answers
send = '''
hello'''
send_hex = "zz"                 #! protocol.hello.send_hex: is not bytes in hex #! protocol.hello.send_hex: does not go with send
timeout = "0 s"                 #! protocol.hello.timeout: must be above zero
attempts = 101                  #! protocol.hello.attempts: must be 100 or less

[[states]]
name = "idle"
description = '''
two lines
'''
enter = [
    { send = "a", expect = "b", attempts = 1.5 }, #! states[1].enter[1].attempts: a whole number
    "stop",                     #! states[1].enter[2]: must be a table
    { send = "a", send_hex = "01" },  #! states[1].enter[3].send_hex: does not go with send
    { send = "a", expect = "b", expect_hex = "0?" }, #! states[1].enter[4].expect_hex: is not a pattern of bytes #! states[1].enter[4].expect_hex: does not go with expect
]
limit = { min = "2 mA", max = "1 mA", maxx = 1 } #! states[1].limit.min: 2.000 mA is above max 1.000 mA #! states[1].limit.maxx: did you mean 'max'?
quiet = "5"                     #! states[1].quiet: '5' has no unit

[[states]]
name = "weigh"
limit.min = "-1 mA"             #! states[2].limit.min: must not be negative
limit.max = "0 A"               #! states[2].limit.max: must be above zero
limit.typical = "nan A"         #! states[2].limit.typical: is not a quantity
subsets = {}                    #! states[2].subsets: it belongs at the top

[[state]]                       #! state: did you mean 'states'?
name = "report"
limit = { max = "30 mA", typical = "26 mA" } #! states[6].limit.max: 30.00 mA is above board.highest_current, 25.00 mA

[[states]]                      #! states[3].name: add name = "..."
settling = { tolerance = 1, guard = "1 m" } #! states[3].settling.tolerance: 1 has no unit #! states[3].settling.guard: is in m, not in s
wake = "byte"                   #! states[3].wake: must be a table

[[states]]
name = "idle"                   #! states[4].name: 'idle' is used twice
must_not_wake = [{ by = "dtr" }] #! states[4].must_not_wake: a sleep state only
ticks = { period = "1 ms", duration = "1 s", peak_current = "1 A" } #! states[4].ticks.duration: shorter than period, 1.000 ms #! states[4].ticks.peak_current: above board.highest_current

[[states]]
name = "sleep"
must_not_wake = [
    { by = "byte" },            #! states[5].must_not_wake[1].send_hex: by = "byte" needs
    { by = "byte", send = "" }, #! states[5].must_not_wake[2].send: must not be empty
    { by = "timer" },           #! states[5].must_not_wake[3].by: 'byte', 'break', 'dtr' or 'rts'
]
[states.wake]                   #! states[5].wake.within: add within = "500 ms" #! states[5].wake.after: needs the time from entry
by = "timer"
send = "x"                      #! states[5].wake.send: by = "byte" only, not with by = "timer"
prompt = "x"                    #! states[5].wake.prompt: by = "operator" only

[subsets]
sleeps = ["sleep", "slepp"]     #! subsets.sleeps[2]: did you mean 'sleep'?
idle = ["idle"]                 #! subsets.idle: has the name of a state
"a b" = ["idle"]                #! subsets."a b": a letter or digit first
empty = []                      #! subsets.empty: must hold 1 or more
text = "idle"                   #! subsets.text: must be an array

[[differences]]
name = "d"
of = ["idle"]                   #! differences[1].of: must name two states
limit = { min = 5 }             #! differences[1].limit.min: 5 has no unit

[[differences]]
name = "d"                      #! differences[2].name: 'd' is used twice
of = ["idle", "nowhere"]        #! differences[2].of[2]: 'nowhere' is not defined
limit = { max = "-3 mA", min = "-2 mA" } #! differences[2].limit.min: -2.000 mA is above max -3.000 mA

[[ratios]]
name = "r"
of = ["idle", "idle", "idle"]   #! ratios[1].of: must name two states
limit = { min = "10", max = nan, typical = true } #! ratios[1].limit.min: a number, without quotes #! ratios[1].limit.max: a finite number #! ratios[1].limit.typical: is true; it must be a number

[[ratios]]                      #! ratios[2].of: add of = ["...", "..."]
name = "s"
limit = { min = -1, max = 0 }   #! ratios[2].limit.min: must be 0 or more #! ratios[2].limit.max: must be above 0
"""  # noqa: E501


def spoilt(old: str, new: str, count: int = 1) -> str:
    assert old in SESSION
    return SESSION.replace(old, new, count)


@pytest.mark.parametrize(
    ("old", "new", "key", "part"),
    [
        ('by = "break"\npulse', 'by = "byte"\npulse', "wake.send_hex", "needs send_hex ="),
        ('by = "break"\npulse = "20 ms"', 'by = "timer"', "wake.after", 'after = "10 s"'),
        ('by = "break"\npulse = "20 ms"', 'by = "operator"', "wake.prompt", "what the operator"),
        ('by = "break"', 'by = "break"\nsend_hex = "00"', "wake.send_hex", 'by = "byte" only'),
        ('by = "break"', 'by = "break"\nprompt = "x"', "wake.prompt", 'by = "operator" only'),
        ('by = "break"', 'by = "brake"', "wake.by", "'break', 'dtr', 'rts', 'timer'"),
        ('by = "break"\n', "", "wake.by", 'add by = "byte" or "break" or'),
    ],
)
def test_a_wake_is_complete(old: str, new: str, key: str, part: str) -> None:
    _, told_key, message = only_problem(spoilt(old, new), Session)
    assert told_key == f"states[5].{key}"
    assert part in message


@pytest.mark.parametrize("value", ["25 mA", "24.9 mA"])
def test_a_limit_up_to_the_highest_current_is_good(value: str) -> None:
    assert read(spoilt('"8 mA"', f'"{value}"')).states[1].limit.max == float(value[:-3] + "e-3")


@pytest.mark.parametrize(
    ("limit", "key"),
    [
        ('max = "1 A"', "max"),
        ('min = "30 mA"', "min"),
        ('typical = "30 mA"', "typical"),
        ('min = "26 mA", typical = "27 mA", max = "28 mA"', "max"),
        ('max = "25.1 mA", typical = "1 mA"', "max"),
    ],
)
def test_a_limit_above_the_highest_current_is_told_once(limit: str, key: str) -> None:
    text = spoilt('{ min = "0.9 mA", max = "1.5 mA", typical = "1.2 mA" }', f"{{ {limit} }}")
    line, told_key, message = only_problem(text, Session)
    assert (line, told_key) == (34, f"states[1].limit.{key}")
    assert "is above board.highest_current, 25.00 mA" in message


@pytest.mark.parametrize("typical", ["0.8 mA", "1.6 mA"])
def test_a_typical_value_lies_within_its_limits(typical: str) -> None:
    _, key, message = only_problem(spoilt('"1.2 mA"', f'"{typical}"'), Session)
    assert key == "states[1].limit.typical"
    assert "must lie within" in message


def test_equal_limits_do_not_exclude_each_other() -> None:
    limit = read(spoilt('"0.9 mA"', '"1.5 mA"').replace(', typical = "1.2 mA"', "")).states[0].limit
    assert limit.min == limit.max


def test_limits_in_a_table_of_their_own_are_told_where_they_stand() -> None:
    text = spoilt('[states.limit]\nmax = "11 mA"', '[states.limit]\nmax = "1 mA"\nmin = "2 mA"')
    line, key, _ = only_problem(text, Session)
    assert text.split("\n")[(line or 0) - 1] == 'min = "2 mA"'
    assert key == "states[3].limit.min"


@pytest.mark.parametrize("voltage", ["3.0 V", "3.3 V"])
def test_the_board_must_live_at_its_supply_voltage(voltage: str) -> None:
    _, key, message = only_problem(spoilt('"2.2 V"', f'"{voltage}"'), Session)
    assert (key, message) == ("board.minimum_voltage", "must be below supply_voltage, 3.000 V")


@pytest.mark.parametrize(
    "encoding", ["utf-16", "cp037", "punycode", "undefined", "rot13", "x\\u0000"]
)
def test_an_encoding_in_which_a_line_ending_is_not_itself_is_refused(encoding: str) -> None:
    _, key, message = only_problem(
        spoilt("[protocol]", f'[protocol]\nencoding = "{encoding}"'), Session
    )
    assert key == "protocol.encoding"
    assert "must be an encoding that holds ASCII" in message


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('send = "hello"', 'send = "grüß"', "protocol.hello.send"),
        ('send = "id"', 'send = "µ"', "protocol.identity.send"),
        ('send = "stop"', 'send = "µ"', "states[1].enter[1].send"),
        ('send = "x"', 'send = "µ"', "states[5].must_not_wake[1].send"),
        ('by = "break"', 'by = "byte"\nsend = "µ"', "states[5].wake.send"),
    ],
)
def test_text_that_the_encoding_cannot_hold_is_told(old: str, new: str, key: str) -> None:
    text = spoilt(old, new)
    assert read(text.replace("[protocol]", '[protocol]\nencoding = "latin-1"'))
    with_ascii = text.replace("[protocol]", '[protocol]\nencoding = "ascii"')
    _, told_key, message = only_problem(with_ascii, Session)
    assert told_key == key
    assert "cannot be written in protocol.encoding, 'ascii'" in message


def test_in_a_misspelt_table_mistakes_are_found_all_the_same() -> None:
    text = SESSION.replace("[protocol", "[protocoll").replace("[board]", "[bord]")
    text = text.replace('"3.0 V"', '"3.0"').replace("'^hive ready$'", "'('")
    assert [(line, key) for line, key, _ in problems(text, Session)] == [
        (6, "bord"),
        (8, "board.supply_voltage"),
        (14, "protocoll"),
        (19, "protocol.hello.expect"),
    ]


def test_a_required_table_that_is_missing_is_told_with_its_name() -> None:
    found = problems('format = "benchrig/session/1"\nname = "x"\n', Session)
    assert found == [
        (1, "board", "is missing: add the table [board]"),
        (1, "protocol", "is missing: add the table [protocol]"),
        (1, "states", "is missing: add a table [[states]]"),
    ]


def test_where_every_state_has_a_mistake_the_limits_are_compared_all_the_same() -> None:
    text = SESSION.replace("[[states]]\n", "[[states]]\nquiet = 1\n").replace('"0.9 mA"', '"2 mA"')
    found = problems(text, Session)
    assert [key for _, key, _ in found if key.endswith("quiet")] == [
        f"states[{number}].quiet" for number in range(1, 6)
    ]
    assert [key for _, key, _ in found if not key.endswith("quiet")] == ["states[1].limit.min"]


def test_no_states_are_told() -> None:
    text = SESSION[: SESSION.index("[[states]]")].replace("order", "states = []\n#")
    assert only_problem(text, Session)[1:] == ("states", "is an array of 0; it must hold 1 or more")


def test_a_file_is_named_as_it_was_given(tmp_path: Path) -> None:
    path = tmp_path / "hive.toml"
    path.write_text(spoilt('"8 mA"', '"8"'), encoding="utf-8")
    with pytest.raises(FileProblems) as caught:
        load_session(path)
    assert str(caught.value) == (
        f"{path}:39: states[2].limit.max: '8' has no unit: "
        "write a number with its unit, like '1.2 uA'"
    )
