"""People read labels and sentences; identifiers stay in JSON, procedures and `-v`."""

from __future__ import annotations

import html
import io
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from helpers_runs import failing_run, healthy_run

from benchctl import benches, events, shipped
from benchctl.headless import Lines, closing
from benchctl.operate import Operation
from benchctl.procedure.file import load
from benchctl.report import as_text
from benchctl.report.as_html import page, render
from benchctl.runs.log import read
from benchctl.runs.summary import Summary, summarise
from benchctl.stages.kinds import KINDS
from benchctl.terms import Reading
from benchctl.tui.screens.help import about_readings
from benchctl.tui.screens.verdict import verdict_lines
from benchctl.tui.widgets.lines import plain
from benchctl.tui.widgets.readings import all_lines, stage_head
from benchctl.tui.widgets.stages import stage_line

BENCH_FILES = Path(benches.__file__).parent / "data" / "benches"
SNAPSHOTS = Path(__file__).parents[1] / "tui" / "snapshots"
#: words with an underscore; registers of the data sheets are all capitals and keep their names
IDENTIFIER = re.compile(r"(?<![\w./-])[A-Za-z][A-Za-z0-9.]*_\w[\w.]*")


def identifiers(text: str) -> set[str]:
    """Identifiers in a text that people read, with the words before them."""
    found = {m for m in IDENTIFIER.finditer(text) if m.group().upper() != m.group()}
    return {text[max(0, m.start() - 60) : m.end()] for m in found}


def renderings(told: list[events.Event]) -> Iterator[tuple[str, str]]:
    """Everything that people see of a run: headless lines, report, all screens."""
    s = summarise(told)
    out = io.StringIO()
    lines = Lines(out)
    for event in told:
        lines(event)
    lines.close()
    yield "headless", out.getvalue() + "\n".join(closing(s, Path("run")))
    yield "text", as_text.render(s)
    yield "page", _read(page(s, None))
    for width in (46, 100):
        yield f"screens at {width}", "\n".join(_screens(s, width))


def _read(made: str) -> str:
    """What a page says."""
    return html.unescape(re.sub(r"<[^>]*>", " ", re.sub(r"<(style|script).*?</\1>|<!--.*?-->", "", made, flags=re.S)))


def _screens(s: Summary, width: int) -> Iterator[str]:
    yield from map(plain, verdict_lines(s, None, width))
    for stage in s.stages.values():
        yield plain(stage_line(stage, width))
        for lines in (stage_head(stage, 0.0, width), all_lines(stage, width), about_readings(stage, width)):
            yield from map(plain, lines)


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_reading_has_a_label_and_a_sentence(kind: str) -> None:
    """The label is short, stands alone and is no other reading's of its stage; the sentence says more than the label."""
    measures = KINDS[kind].measures
    for m in measures:
        assert m.label, m.name
        assert len(m.label) <= 50, m.label
        assert not identifiers(m.label), m.label
        assert "the same" not in m.label, m.label
        assert m.about.endswith((".", ")")), m.name
        assert len(m.about) > 30, m.name
        assert not identifiers(m.about), m.about
    labels = [m.label for m in measures]
    assert len(set(labels)) == len(labels)


def test_a_reading_without_a_declaration_is_named_in_words() -> None:
    assert Reading("hand_to_craft.longest_burst", 3).called == "longest burst, hand→craft"
    assert Reading("output2.sag", 0.1, "V", label="sag").called == "sag, output 2"


def test_the_detector_detects() -> None:
    """It sees names of readings, and neither registers nor numbers."""
    assert identifiers("craft.brown_out_margin is low")
    assert not identifiers("RF_CH 4C, 0.3 V, pass")


@pytest.mark.parametrize("make", [healthy_run, failing_run])
def test_no_identifier_in_a_made_up_run(make) -> None:
    for name, text in renderings(make()):
        assert not identifiers(text), name


@pytest.mark.parametrize("stored", sorted(SNAPSHOTS.glob("*-80x24.txt")), ids=lambda p: p.stem)
def test_no_identifier_on_a_stored_screen(stored: Path) -> None:
    assert not identifiers(stored.read_text("utf-8"))


#: the gauge has a bench and a procedure of its own
SHIPPED = sorted(p.stem for p in BENCH_FILES.glob("*.toml") if p.stem != "black-box")


@pytest.mark.long
@pytest.mark.parametrize("bench", SHIPPED)
def test_no_identifier_reaches_a_screen_or_report_of_any_shipped_bench(bench: str, tmp_path: Path) -> None:
    opened = benches.open_bench(bench, seed=5)
    try:
        done = Operation(load(shipped.procedure("bring-up")), opened, tmp_path, reports=False).perform()
    finally:
        opened.close()
    told = list(read(done.folder).events)
    for name, text in renderings(told):
        assert not identifiers(text), (bench, name)
    assert not identifiers(_read(render(summarise(told), done.folder))), "plots"
