"""The JUnit report against the Ant-style schema (JUnit.xsd, 2011), whose rules are written out here, and read by an
independent parser (the junitparser package)."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import junitparser
import pytest
from helpers_runs import SHA, Story, failing_run, healthy_run, small_run

from benchctl import events as ev
from benchctl.report.as_junit import render
from benchctl.runs.summary import Summary, summarise
from benchctl.terms import Verdict

#: element -> required attributes, JUnit.xsd
REQUIRED = {
    "testsuites": set(),
    "testsuite": {"name", "timestamp", "hostname", "tests", "failures", "errors", "time", "package", "id"},
    "testcase": {"name", "classname", "time"},
    "failure": {"type"},
    "error": {"type"},
    "skipped": set(),
    "property": {"name", "value"},
    "properties": set(),
    "system-out": set(),
    "system-err": set(),
}
ALLOWED = {**{k: set(v) for k, v in REQUIRED.items()}}
ALLOWED["testsuite"] |= {"skipped"}
ALLOWED["failure"] |= {"message"}
ALLOWED["error"] |= {"message"}
#: children of a suite in this order, JUnit.xsd (xs:sequence); all but testcase exactly once
ORDER = re.compile(r"^properties (testcase )*system-out system-err $")


def check_schema(text: str) -> ET.Element:
    """Raises AssertionError where the document breaks a rule of the schema."""
    root = ET.fromstring(text)
    assert root.tag == "testsuites"
    for e in root.iter():
        assert REQUIRED[e.tag] <= set(e.attrib) <= ALLOWED[e.tag], e.tag
    for number, suite in enumerate(root):
        assert suite.tag == "testsuite"
        assert ORDER.match("".join(f"{c.tag} " for c in suite))
        assert int(suite.get("id", "")) == number
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d", suite.get("timestamp", ""))
        assert suite.get("name", "").strip()
        assert suite.get("hostname", "").strip()
        check_cases(suite)
    return root


def check_cases(suite: ET.Element) -> None:
    cases = suite.findall("testcase")
    assert int(suite.get("tests", "")) == len(cases)
    for tag, counter in (("failure", "failures"), ("error", "errors"), ("skipped", "skipped")):
        assert int(suite.get(counter, "")) == sum(c.find(tag) is not None for c in cases)
    for c in cases:
        assert len(c) <= 1
        assert float(c.get("time", "")) >= 0
    float(suite.get("time", ""))


def stories() -> dict[str, Summary]:
    return {
        "healthy": summarise(healthy_run()),
        "failing": summarise(failing_run()),
        "undecided": summarise(small_run()),
        "cut": summarise(healthy_run()[:40], "line 41 of events.jsonl is cut off after 7 bytes"),
        "empty": summarise([]),
    }


@pytest.mark.parametrize("name", list(stories()))
def test_it_obeys_the_schema(name: str) -> None:
    check_schema(render(stories()[name]))


def test_the_check_above_notices_what_the_schema_forbids() -> None:
    good = render(stories()["failing"])
    for old, new in (
        (' type="fail"', ""),
        ('hostname="sim"', ""),
        ('failures="2"', 'failures="1"'),
        ("T10:15:30", "T10:15:30Z"),
        ("<skipped />", "<skipped /><skipped />"),
        ("</properties>", "</properties><system-out />"),
        ('classname="', 'file="'),
    ):
        assert old in good
        with pytest.raises(AssertionError):
            check_schema(good.replace(old, new, 1))


def test_an_independent_parser_reads_the_same_verdicts() -> None:
    for name, s in stories().items():
        suites = junitparser.JUnitXml.fromstring(render(s).encode())
        suite = next(iter(suites))
        told = {c.name: type(c.result[0]).__name__ if c.result else "pass" for c in suite}
        words = {Verdict.FAIL: "Failure", Verdict.UNDECIDED: "Error", Verdict.NOT_RUN: "Skipped", None: "Skipped"}

        assert (suite.tests, len(told)) == (len(s.stages), len(s.stages))
        if name != "cut":  # there a running stage has no verdict of its own
            assert told == {n: words.get(x.verdict, "pass") for n, x in s.stages.items()}


def test_a_stage_cut_off_is_an_error_and_one_never_reached_is_skipped() -> None:
    story = Story()
    story.begin()
    story.boards()
    story.identity()
    story.start("supply")
    root = check_schema(render(summarise(story.events)))
    told = {c.get("name"): [x.tag for x in c] for c in root.iter("testcase")}

    assert told["identity"] == []
    assert told["supply"] == ["error"]
    assert told["link"] == ["skipped"]
    assert "cut off before its end" in ET.tostring(root, encoding="unicode")


def test_what_xml_cannot_hold_is_replaced_and_the_rest_is_escaped() -> None:
    """XML 1.0 section 2.2: no control characters but tab and line ends, no U+FFFE, no lone surrogates."""
    nasty = '<script>&"]]>\x00\x1b[31m\ufffe\ud800 ok'
    story = Story()
    story.begin(procedure=nasty, bench=nasty)
    story.boards(hand=nasty)
    story.start("supply")
    story.end("supply", Verdict.FAIL, nasty)
    root = check_schema(render(summarise(story.events)))
    failure = next(root.iter("failure"))

    assert failure.get("message") == '<script>&"]]>\ufffd\ufffd[31m\ufffd\ufffd ok'


def test_versions_and_hashes_are_properties() -> None:
    root = check_schema(render(stories()["healthy"]))
    told = [(p.get("name"), p.get("value")) for p in root.iter("property")]

    assert ("procedure sha256", SHA) in told
    assert ("hand label", "mudlark-hand-03") in told
    assert len({name for name, _ in told}) == len(told)


def test_a_time_that_is_none_still_gives_a_valid_timestamp() -> None:
    events = [e for e in healthy_run(wall="yesterday") if isinstance(e, ev.RunStarted)]
    check_schema(render(summarise(events)))
