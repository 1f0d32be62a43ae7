"""The report on paper: what would fill sheet after sheet is told once there, and nothing is missing from the file."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest
from helpers_runs import Story, failing_run, healthy_run

from benchctl import events as ev
from benchctl.report import words
from benchctl.report.as_html import page
from benchctl.report.style import STYLE
from benchctl.runs.summary import Summary, summarise

#: A4 is 297 mm high (ISO 216); points in a millimetre: 72 / 25.4
_SHEET_PT = 297 * 72 / 25.4


def print_rules() -> str:
    return STYLE[STYLE.index("@media print") :]


def hidden() -> set[str]:
    """Selectors that paper does not show."""
    found = re.findall(r"([^{}]+)\{display:none\}", print_rules())
    return {s.strip() for group in found for s in group.split(",")}


class Folded(HTMLParser):
    """Text that paper shows and text that is folded away (HTML standard, 4.11.1: all but the summary)."""

    def __init__(self) -> None:
        super().__init__()
        self.paper: list[str] = []
        self.folded: list[str] = []
        self._depth = 0
        self._summary = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "details":
            assert "open" not in dict(attrs)
            self._depth += 1
        self._summary |= tag == "summary"

    def handle_endtag(self, tag: str) -> None:
        self._depth -= tag == "details"
        self._summary &= tag != "summary"

    def handle_data(self, data: str) -> None:
        (self.folded if self._depth and not self._summary else self.paper).append(data.replace("\u00a0", " "))


def read_page(s: Summary) -> Folded:
    reader = Folded()
    reader.feed(page(s, None))
    return reader


def many_times(count: int) -> Summary:
    """Statements made, outputs live and a note taken, again and again."""
    story = Story()
    story.begin()
    story.boards()
    story.start("cut")
    for n in range(count):
        story.t = 10.0 * n
        word = f"word{n}"
        story.add(ev.Attestation(story.t, "cut", "props_off", "Propellers are off.", word, word, True, story.t + 600))
        story.add(ev.OutputsLive(story.t + 1, "cut", True, "motor may turn", 0.2))
        story.add(ev.OutputsLive(story.t + 2, "cut", False, "idle"))
        story.add(ev.Note(story.t + 2, "cut", "cut by silence"))
    story.end("cut")
    return summarise(story.events)


def test_what_happens_forty_times_is_told_once() -> None:
    reader = read_page(many_times(40))
    paper = " ".join(reader.paper)

    assert paper.count("Propellers are off.") == 1
    assert paper.count("cut by silence") == 1
    assert "cut by silence (40 times)" in paper
    assert paper.count("outputs live") == 1
    assert "outputs live 40 times, for 40 s, throttle capped at 20 %" in paper


def test_each_time_is_in_the_file() -> None:
    reader = read_page(many_times(40))
    text, folded = " ".join(reader.paper), " ".join(reader.folded)

    assert all(re.search(rf"\bword{n}\b", text) for n in range(40))
    assert folded.count("motor may turn") == 40


def test_a_statement_that_was_not_accepted_says_so() -> None:
    story = Story()
    story.begin()
    for answer, accepted in (("fern", True), ("no", False)):
        story.add(ev.Attestation(1.0, "cut", "off", "Propellers are off.", "fern", answer, accepted, 601.0))
    paper = " ".join(read_page(summarise(story.events)).paper)

    assert "✗ Propellers are off." in paper
    assert "not accepted: asked for fern, answered no" in paper


def test_paper_has_single_readings_in_two_columns_without_remarks() -> None:
    rules = print_rules()

    assert ".single tbody{columns:2" in rules
    assert {"td.remark", "col.remark", "td.gauge", "col.gauge"} <= hidden()
    assert {"td", "td.name", "td.limit", ".finding", "figure", ".plots", ".cautions"}.isdisjoint(hidden())


@pytest.mark.parametrize("make", [healthy_run, failing_run])
def test_values_intervals_and_limits_stay_on_paper(make) -> None:
    s = summarise(make())
    reader = Folded()
    reader.feed(re.sub(r'<td class="(?:remark|gauge)">.*?</td>', "", page(s, None)))
    paper = " ".join(reader.paper)
    readings = [r for stage in s.stages.values() for r in stage.readings.values()]

    assert len(readings) > 5
    for r in readings:
        assert all(part in paper for part in (words.value(r), words.interval(r), words.limit(r))), r.name


def test_letters_on_paper_can_be_read() -> None:
    """No text below 6 points, about the smallest of printed directories (common practice, no source)."""
    sizes = [float(s) for s in re.findall(r"font-size:([\d.]+)pt", print_rules())]

    assert sizes
    assert min(sizes) >= 6
    assert max(sizes) < _SHEET_PT / 20
