"""A record as JUnit XML, for those whose CI collects test reports.

The form is that of the Jenkins xUnit plugin's junit-10.xsd, which most readers take: a suite a run, a case a check.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from datetime import datetime

from airquill_hil.limits import Outcome
from airquill_hil.record import CheckRecord, Record
from airquill_hil.run import failure_line

# XML 1.0, 2.2: what a document may not hold, not even escaped.
_FORBIDDEN = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def junit_xml(record: Record) -> str:
    """The XML document. A check that passed with marginal figures passes, and its output says so."""
    outcomes = [check.outcome for check in record.checks]
    counts = {
        "tests": str(len(outcomes)),
        "failures": str(outcomes.count(Outcome.FAIL)),
        "errors": str(outcomes.count(Outcome.ERROR)),
    }
    seconds = (datetime.fromisoformat(record.ended) - datetime.fromisoformat(record.started)).total_seconds()
    root = ElementTree.Element("testsuites", {"name": "airquill", **counts})
    suite = ElementTree.SubElement(
        root,
        "testsuite",
        {
            "name": _clean(f"acceptance of {record.serial or record.unit.chip}"),
            **counts,
            "skipped": str(outcomes.count(Outcome.SKIPPED)),
            "timestamp": record.started.removesuffix("Z"),
            "time": f"{seconds:.3f}",
            "hostname": _clean(record.station),
        },
    )
    properties = ElementTree.SubElement(suite, "properties")
    for name, value in _properties(record):
        ElementTree.SubElement(properties, "property", {"name": name, "value": _clean(value)})
    for check in record.checks:
        _case(suite, check)
    ElementTree.SubElement(suite, "system-out").text = _clean(f"{record.verdict}: {record.sentence}")
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="unicode", xml_declaration=True) + "\n"


def _properties(record: Record) -> list[tuple[str, str]]:
    return [
        ("record", record.id),
        ("verdict", record.verdict),
        ("serial", record.serial),
        ("chip", record.unit.chip),
        ("firmware", record.unit.firmware),
        ("settings_hash", record.settings_hash),
        ("limits_hash", record.limits_hash),
        ("operator", record.operator),
    ]


def _case(suite: ElementTree.Element, check: CheckRecord) -> None:
    case = ElementTree.SubElement(suite, "testcase", {"classname": "airquill_hil", "name": check.name})
    wrong = [failure_line(figure) for figure in check.figures if figure.outcome is Outcome.FAIL]
    if check.outcome is Outcome.FAIL:
        made = ElementTree.SubElement(case, "failure", {"type": "limit", "message": _clean(wrong[0])})
        made.text = _clean("\n".join(wrong))
    elif check.outcome is Outcome.ERROR:
        ElementTree.SubElement(case, "error", {"type": "bench", "message": _clean(check.sentence)})
    elif check.outcome is Outcome.SKIPPED:
        notes = [figure.note for figure in check.figures if figure.outcome is Outcome.SKIPPED]
        ElementTree.SubElement(case, "skipped", {"message": _clean(check.sentence or " ".join(notes))})
    lines = [
        failure_line(figure) if figure.outcome is Outcome.MARGINAL else f"{figure.name} {figure.shown}"
        for figure in check.figures
        if figure.outcome in (Outcome.PASS, Outcome.MARGINAL)
    ]
    if lines:
        ElementTree.SubElement(case, "system-out").text = _clean("\n".join(lines))


def _clean(text: str) -> str:
    return _FORBIDDEN.sub("\ufffd", text)
