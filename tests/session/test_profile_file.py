"""The profile file: read into a profile, and every mistake named by line and key."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig.measurement.contributions import RECTANGULAR
from benchrig.session.profile_file import ProfileFile
from benchrig.session.toml_file import parse_toml, read_toml
from tests.session.mistakes import check_marked, only_problem, problems

FIXTURE = Path(__file__).parents[2] / "fixtures" / "hive-scale.profile.toml"

GOOD = """format = "benchrig/profile/1"
name = "year"
session = "hive-scale"

[currents]
sleep = "600 nA +- 10 nA"

[charges]
wake_up = "12 uC ± 10 %"

[[modes]]
name = "year"
harvest = "2 uA +- 1 uA"
uses = [
    { state = "weigh", duration = "3 s +- 0.5 s", every = "10 min" },
    { state = "lamp", duration = "2 s", rate = "6 /h +- 1 /h" },
    { state = "idle", share = "1 % +- 0.1 %" },
    { charge = "wake_up", every = "1 s" },
    { state = "sleep", rest = true },
]
"""


def read(text: str = GOOD) -> ProfileFile:
    return parse_toml(text, "p.toml", ProfileFile)


def test_a_profile_is_read() -> None:
    (mode,) = read().profile.modes
    weigh, lamp, idle, wake, sleep = mode.uses
    assert weigh.duration is not None
    assert weigh.duration.value == 3.0
    assert weigh.duration.standard_uncertainty == pytest.approx(0.5 / RECTANGULAR)
    assert weigh.interval is not None
    assert weigh.interval.value == 600.0
    assert lamp.rate is not None
    assert lamp.rate.value == pytest.approx(6 / 3600)
    assert lamp.rate.standard_uncertainty == pytest.approx(1 / 3600 / RECTANGULAR)
    assert idle.share is not None
    assert idle.share.standard_uncertainty == pytest.approx(0.001 / RECTANGULAR)
    assert (wake.what, wake.name) == ("charge", "wake_up")
    assert sleep.is_rest
    assert mode.weight == 1.0
    assert mode.harvest is not None
    assert mode.harvest.value == 2e-6


def test_typed_values() -> None:
    typed = read().typed
    assert typed["state", "sleep"].standard_uncertainty == pytest.approx(10e-9 / RECTANGULAR)
    assert typed["charge", "wake_up"].standard_uncertainty == pytest.approx(1.2e-6 / RECTANGULAR)
    text = GOOD.replace("[currents]", 'tolerances_are = "expanded"\n[currents]')
    assert read(text).typed["state", "sleep"].standard_uncertainty == pytest.approx(5e-9)


def test_one_tolerance_is_one_cause_over_the_seasons() -> None:
    """The same firmware in all of them: what is longer in one is longer in the others."""
    found = read_toml(FIXTURE, ProfileFile).profile.quantities
    summer, winter = found["summer.0.duration"], found["winter.0.duration"]
    assert summer.contributions[0].shared == winter.contributions[0].shared is not None


def test_each_mistake_is_named() -> None:
    check_marked(MANY, ProfileFile)


MANY = """format = "benchrig/profile/1"
name = "year"
session = "hive-scale"
tolerances_are = "limit"        #! tolerances_are: must be 'limits' or 'expanded'
minimum_voltage = "2"           #! minimum_voltage: has no unit

[currents]
sleep = "600 nA +- -10 nA"      #! currents.sleep: has a negative tolerance
lamp = "-1 mA"                  #! currents.lamp: must not be negative
idle = "1 mA +- 1 V"            #! currents.idle: is in V, not in A

[[modes]]
name = "summer"
wieght = "50 %"                 #! modes[1].wieght: did you mean 'weight'?
uses = [
    { duration = "1 s", every = "1 min" },            #! modes[1].uses[1].state: name a state
    { state = "a", charge = "b", every = "1 min" },   #! modes[1].uses[2].charge: does not go with state
    { state = "a", duration = "1 s" },                #! modes[1].uses[3].every: is missing
    { state = "a", every = "1 s" },                   #! modes[1].uses[4].duration: is missing
    { state = "a", duration = "1 s", every = "9 s", rate = "1 /h" }, #! modes[1].uses[5].rate: does not go with every
    { state = "a", share = "5 %", rest = true },      #! modes[1].uses[6]: here are 2 of these
    { state = "a" },                                  #! modes[1].uses[7]: or rest = true
    { charge = "q", share = "5 %", every = "1 s" },   #! modes[1].uses[8].share: does not go with a charge
    { charge = "q" },                                 #! modes[1].uses[9].every: is missing
    { state = "a", duration = "1 s +- 1 s", every = "9 s" }, #! modes[1].uses[10].duration: may be zero or less
    { state = "a", rest = false },                    #! modes[1].uses[11].rest: must be true
    { state = "a", duration = "1 s", rate = "6 Hz" }, #! modes[1].uses[12].rate: is in Hz, not in 1/s
]
"""  # noqa: E501


IMPOSSIBLE = """format = "benchrig/profile/1"
name = "year"
session = "hive-scale"

[[modes]]
name = "summer"
weight = "60 %"

[[modes.uses]]
state = "weigh"
duration = "3 s"                #! modes[1].uses[1].duration: does not end before the next
every = "2 s"

[[modes.uses]]
state = "sleep"
rest = true

[[modes]]
name = "winter"
weight = "50 %"                 #! modes[2].weight: sum to 110 %; they must sum to 100 %
uses = [                        #! modes[2].uses: take 130 % of the time
    { state = "a", share = "60 %" },
    { state = "b", share = "70 %" },
]
"""


def test_what_is_impossible_is_named() -> None:
    check_marked(IMPOSSIBLE, ProfileFile)


def test_several_modes_need_names_and_weights() -> None:
    text = (
        GOOD.replace("[[modes]]", "[[modes]]  #! modes[1].weight: is missing")
        + """
[[modes]]                       #! modes[2].weight: is missing
name = "year"                   #! modes[2].name: is used twice
uses = [{ state = "sleep", rest = true }]
"""
    )
    check_marked(text, ProfileFile)


def test_a_typed_value_that_nothing_uses_is_a_misspelling() -> None:
    line, key, message = only_problem(GOOD.replace("sleep = ", "slepp = "), ProfileFile)
    assert (line, key) == (6, "currents.slepp")
    assert message == "no mode has a use with state = 'slepp'"
    for spoiled in (GOOD.replace("uses = [", "uses = 5 #"), GOOD.partition("[[modes]]")[0]):
        assert all(
            "no mode" not in told for *_, told in problems(spoiled.split("\n    {")[0], ProfileFile)
        )


def test_another_format_is_refused() -> None:
    line, key, message = only_problem(GOOD.replace("profile/1", "profile/2"), ProfileFile)
    assert (line, key) == (1, "format")
    assert "reads 'benchrig/profile/1'" in message
