"""JUnit XML: each state is a case, by its verdict, whatever ended the session and whatever a board
says. Read by xml.etree; tests/outside/test_junit_schema.py holds it against a schema."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.errors import Fault, UsageError
from benchrig.events import Event, SessionEnded, StateStarted
from benchrig.harmless import harmless
from benchrig.records.junit import JunitFile, junit_xml
from benchrig.result import FaultRecord, SessionResult
from tests.benches import HASTY, SESSION, rig

RESULT = rig(session=HASTY).run()


def cases(xml: str) -> dict[str, str]:
    """What each case is: the tag of its outcome and the message."""
    root = ElementTree.fromstring(xml)
    found = {}
    for case in root.iter("testcase"):
        outcomes = [child for child in case if child.tag in ("failure", "error", "skipped")]
        assert len(outcomes) < 2
        name = case.get("name")
        assert name is not None
        assert name not in found
        words = [f"{outcome.tag}: {outcome.get('message')}" for outcome in outcomes]
        found[name] = words[0] if words else "passed"
    count = {tag: sum(word.startswith(tag) for word in found.values()) for tag in COUNTS.values()}
    assert {tag: int(root.get(key, "-1")) for key, tag in COUNTS.items()} == count
    assert int(root.get("tests", "-1")) == len(found)
    return found


COUNTS = {"failures": "failure", "errors": "error", "skipped": "skipped"}


def with_rows(*rows: dict[str, Any], **changes: Any) -> SessionResult:
    """The states of a good result with changes."""
    states = [
        row.model_copy(update=update) for row, update in zip(RESULT.states, rows, strict=True)
    ]
    return RESULT.model_copy(update={"states": tuple(states), **changes})


def test_a_good_board() -> None:
    result = rig(session=SESSION).run()
    names = ["idle", "weigh", "lamp", "light_sleep", "deep_sleep"]
    names += ["lamp_alone", "idle_to_deep_sleep", "(session)"]
    assert cases(junit_xml(result, SESSION)) == dict.fromkeys(names, "passed")


def test_each_verdict() -> None:
    fault = FaultRecord(kind="drifting", message="it drifts by 2 % a second")
    not_reached = FaultRecord(kind="not_reached", message="the session ended before: drifting")
    xml = junit_xml(
        with_rows(
            {"verdict": "undecided"},
            {"verdict": "fault", "current_A": None, "fault": fault},
            {"verdict": "fault", "current_A": None, "fault": not_reached},
            verdict="fault",
            fault=fault,
        ),
        HASTY,
    )
    told = cases(xml)
    assert told["idle"].startswith("failure: undecided: the value is too uncertain")
    assert told["light_sleep"] == "error: fault: drifting: it drifts by 2 % a second"
    assert told["deep_sleep"].startswith("skipped: not_reached: the session ended before")
    assert told["(session)"] == "error: drifting: it drifts by 2 % a second"


def test_a_failed_state_tells_value_limit_and_margin() -> None:
    xml = junit_xml(rig("leaky-capacitor", session=HASTY).run(only=["deep_sleep"]), HASTY)
    assert cases(xml)["deep_sleep"].startswith("failure: fail: ")
    failure = ElementTree.fromstring(xml).find(".//failure")
    assert failure is not None
    assert "above_limit" in (failure.text or "")
    assert "max 900 nA" in (failure.text or "")
    assert " ± " in (failure.text or "")
    assert "margin    (-" in (failure.text or "")


def test_what_was_not_asked_for_is_skipped() -> None:
    told = cases(junit_xml(rig(session=SESSION).run(only=["idle", "deep_sleep"]), SESSION))
    skipped = {name for name, words in told.items() if words.startswith("skipped: not asked")}
    assert skipped == {"weigh", "lamp", "light_sleep", "lamp_alone"}
    assert told["idle_to_deep_sleep"] == "passed"


def test_who_was_measured_by_what() -> None:
    root = ElementTree.fromstring(junit_xml(RESULT, HASTY))
    told = {entry.get("name"): entry.get("value") for entry in root.iter("property")}
    assert told["serial_number"] == "HS-0042"
    assert told["firmware"] == "1.4.2"
    assert told["meter"] == RESULT.meter.identity
    assert told["simulated_seed"] == "1"


@given(st.text(st.characters()))
def test_a_board_may_say_anything(words: str) -> None:
    result = with_rows(*[{}] * 3, serial_number=words, fault=FaultRecord(kind="x", message=words))
    xml = junit_xml(result, HASTY)
    xml.encode("utf-8")
    root = ElementTree.fromstring(xml)
    (said,) = [e.get("value") for e in root.iter("property") if e.get("name") == "serial_number"]
    assert said == "\n".join(harmless(line) for line in words.split("\n"))


@pytest.mark.parametrize("nasty", ["\x00", "\x1b[31m", "\ufffe", "\ud800", "]]>", "\x85\u2028"])
def test_what_xml_forbids_is_written_out(nasty: str) -> None:
    xml = junit_xml(with_rows(*[{}] * 3, firmware=nasty), HASTY)
    said = [entry.get("value") for entry in ElementTree.fromstring(xml).iter("property")]
    assert harmless(nasty) in said


# -- as it is written ------------------------------------------------------------------------


def test_times_are_those_of_the_session(tmp_path: Path) -> None:
    path = tmp_path / "junit.xml"
    session = SESSION.model_copy(update={"ratios": (), "differences": ()})
    result = rig(session=session).run(JunitFile(path, session), only=["idle", "deep_sleep"])
    root = ElementTree.fromstring(path.read_text("utf-8"))
    took = {
        case.get("name"): float(case.get("time", "nan"))
        for case in root.iter("testcase")
        if case.get("time")
    }
    assert took.keys() == {"idle", "deep_sleep"}
    for row in result.states:
        assert row.averaged_for_s is not None
        assert took[row.name] > row.averaged_for_s
    whole_s = float(root.get("time", "nan"))
    assert whole_s == round((result.ended - result.started).total_seconds(), 3)
    assert sum(took.values()) < whole_s


def test_it_is_there_after_each_state_and_after_ctrl_c(tmp_path: Path) -> None:
    path = tmp_path / "junit.xml"
    seen: list[dict[str, str]] = []

    def stop(event: Event) -> None:
        if event == StateStarted("light_sleep"):
            seen.append(cases(path.read_text("utf-8")))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        rig(session=HASTY).run(JunitFile(path, HASTY), stop)
    assert seen == [
        {"idle": "passed", "(session)": "error: cut_off: the session did not come to its end"}
    ]
    told = cases(path.read_text("utf-8"))
    assert told.pop("(session)") == "error: interrupted: stopped by Ctrl-C"
    assert told == {
        "idle": "passed",
        "light_sleep": "skipped: not_reached: the session ended before: interrupted",
        "deep_sleep": "skipped: not_reached: the session ended before: interrupted",
    }
    assert [entry.name for entry in tmp_path.iterdir()] == ["junit.xml"]


def test_a_disk_that_takes_no_more_is_a_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: Path, text: str) -> None:
        raise OSError(28, "No space left on device")

    made = JunitFile(tmp_path / "junit.xml", HASTY)
    monkeypatch.setattr("benchrig.records.junit.write_atomically", full)
    with pytest.raises(Fault, match="record_failed"):
        made(SessionEnded(RESULT))


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    for path in (tmp_path / "nowhere" / "junit.xml", tmp_path):
        with pytest.raises(UsageError):
            JunitFile(path, HASTY)
