"""JUnit XML against a schema that is not ours.

junit-10.xsd: copyright (c) 2014 Gregory Boissinot, MIT licence; of the xunit plugin of the Jenkins
CI server, as it stands in the sources of pytest 9.2.0 (testing/example_scripts/junit-10.xsd), which
checks its own output with it.
"""

from __future__ import annotations

from pathlib import Path

import pytest
import xmlschema

from benchrig.records.junit import junit_xml
from benchrig.result import FaultRecord, SessionResult
from tests.benches import HASTY, rig

SCHEMA = xmlschema.XMLSchema(Path(__file__).with_name("junit-10.xsd"))


def check(xml: str) -> None:
    SCHEMA.validate(xml)


def test_the_schema_tells() -> None:
    with pytest.raises(xmlschema.XMLSchemaValidationError):
        check('<testsuite name="a" tests="1" errors="0" failures="0" time="0.12345"/>')


@pytest.mark.parametrize("defect", ["", "leaky-capacitor", "dead-uart"])
def test_what_a_session_leaves(defect: str) -> None:
    result = rig(defect, session=HASTY).run()
    assert result.verdict == {"": "pass", "leaky-capacitor": "fail", "dead-uart": "fault"}[defect]
    check(junit_xml(result, HASTY, [1.23456] * len(result.states)))


def test_a_session_of_which_only_a_part_was_wanted() -> None:
    result = rig(session=HASTY).run(only=["idle"])
    check(junit_xml(result, HASTY))


def test_a_session_that_was_cut_off() -> None:
    result: SessionResult = rig(session=HASTY).run()
    fault = FaultRecord(kind="interrupted", message="stopped by \x1b & <Ctrl-C>")
    check(junit_xml(result.model_copy(update={"complete": False, "states": ()}), HASTY))
    check(junit_xml(result.model_copy(update={"fault": fault}), HASTY))
