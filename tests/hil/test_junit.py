"""JUnit XML of records, against the published schema.

junit-10.xsd is that of the Jenkins xUnit plugin (MIT; its head says so), as it comes with the source of pytest 9.2.0 at
testing/example_scripts/.
"""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import xmlschema

from airquill_hil.junit import junit_xml
from airquill_hil.limits import Outcome
from airquill_hil.record import CheckRecord
from made_records import made_record

SCHEMA = xmlschema.XMLSchema(str(Path(__file__).with_name("junit-10.xsd")))


def test_every_outcome_is_valid_and_in_its_place() -> None:
    found = made_record(1, 40.0)
    checks = [
        *found.checks,
        *made_record(2, 50.5).checks,
        CheckRecord(name="key", title="Keys", outcome=Outcome.SKIPPED, sentence="Skipped: needs a rig."),
        CheckRecord(name="pedal", title="Pedals", outcome=Outcome.ERROR, sentence="The link is lost."),
    ]
    text = junit_xml(found.model_copy(update={"checks": checks}))
    SCHEMA.validate(text)
    suite = ElementTree.fromstring(text).find("testsuite")
    assert suite is not None
    counts = {name: suite.get(name) for name in ("tests", "failures", "errors", "skipped")}
    assert counts == {"tests": "4", "failures": "1", "errors": "1", "skipped": "1"}
    assert suite.get("time") == "30.000"
    fail, marginal, skipped, error = suite.findall("testcase")
    assert "wanted at least 50 kPa" in fail[0].get("message", "")
    assert marginal.find("failure") is None and "marginal" in marginal.findtext("system-out", "")
    assert skipped[0].tag == "skipped" and error[0].get("message") == "The link is lost."


def test_texts_that_xml_cannot_hold() -> None:
    # XML 1.0 fifth edition, 2.2: most control characters and lone surrogates are no characters of a document.
    text = junit_xml(made_record(1, serial="<&\"'\x00\x1b", operator="A\ud800da", station="\u2026"))
    SCHEMA.validate(text)
    assert "\x00" not in text and "\x1b" not in text
    text.encode("utf-8")
