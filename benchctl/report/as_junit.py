"""The report as JUnit XML, in the order and with the attributes of the Ant-style schema (JUnit.xsd, 2011).

One suite a run, one case a stage. failure: the stage judged something to be wrong; error: it could not be decided;
skipped: it was not run. Readings and findings are in the suite's output.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from datetime import UTC, datetime

from benchctl.report import as_text, words
from benchctl.runs.summary import StageSummary, Summary
from benchctl.terms import Verdict

#: what XML 1.0 allows (section 2.2, production 2); the rest cannot even be escaped
_FORBIDDEN = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

_KINDS = {Verdict.FAIL: "failure", Verdict.UNDECIDED: "error", Verdict.NOT_RUN: "skipped"}


def render(s: Summary) -> str:
    """The XML document as text, UTF-8 declared."""
    root = ET.Element("testsuites")
    root.append(_suite(s))
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _suite(s: Summary) -> ET.Element:
    verdicts = [words.stage_verdict(stage) for stage in s.stages.values()]
    suite = ET.Element(
        "testsuite",
        name=allowed(s.procedure or "run"),
        package="benchctl",
        id="0",
        timestamp=moment(s.wall),
        hostname=allowed(s.bench or "unknown"),
        tests=str(len(verdicts)),
        failures=str(verdicts.count(Verdict.FAIL)),
        errors=str(verdicts.count(Verdict.UNDECIDED)),
        skipped=str(verdicts.count(Verdict.NOT_RUN)),
        time=_seconds(s.seconds),
    )
    properties = ET.SubElement(suite, "properties")
    facts = [("run", s.run), *words.origin(s)]
    facts += [(f"{b.role} label", b.label) for b in s.boards.values() if b.seen]
    for name, value in facts:
        ET.SubElement(properties, "property", name=allowed(name), value=allowed(value))
    for stage in s.stages.values():
        suite.append(_case(stage, s))
    ET.SubElement(suite, "system-out").text = allowed(as_text.render(s))
    ET.SubElement(suite, "system-err").text = allowed("\n".join(words.interruptions(s)))
    return suite


def _case(stage: StageSummary, s: Summary) -> ET.Element:
    verdict = words.stage_verdict(stage)
    case = ET.Element(
        "testcase",
        name=allowed(stage.name),
        classname=allowed(f"{s.procedure or 'run'}.{stage.kind or stage.name}"),
        time=_seconds(stage.seconds),
    )
    kind = _KINDS.get(verdict)
    if kind == "skipped":
        ET.SubElement(case, kind)
    elif kind is not None:
        reason = words.stage_reason(stage, s)
        told = ET.SubElement(case, kind, type=str(verdict), message=allowed(reason))
        told.text = allowed("\n".join([reason, *_failed(stage)]))
    return case


def _failed(stage: StageSummary) -> list[str]:
    return [
        f"{r.name}: {r.text()}, {r.limit.text(r.unit) if r.limit else 'no limit'}: {r.verdict}"
        for r in stage.readings.values()
        if r.verdict in (Verdict.FAIL, Verdict.UNDECIDED)
    ]


def allowed(text: str) -> str:
    """The text with what XML cannot hold replaced."""
    return _FORBIDDEN.sub("\ufffd", text)


def _seconds(value: float) -> str:
    return f"{value:.3f}" if 0 <= value < float("inf") else "0.000"


def moment(wall: str) -> str:
    """UTC as the schema wants it: no zone, no fraction."""
    try:
        found = datetime.fromisoformat(wall)
    except ValueError:
        found = datetime(1970, 1, 1)  # the schema insists on one
    if found.tzinfo is not None:
        found = found.astimezone(UTC)
    return f"{found:%Y-%m-%dT%H:%M:%S}"
