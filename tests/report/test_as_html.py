"""The HTML report: one file, nothing loaded, nothing that a label can break out of; plots for every kind of table."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from helpers_runs import Story, failing_run, healthy_run, small_run
from hypothesis import given
from hypothesis import strategies as st

from benchctl import events as ev
from benchctl.analysis.thinning import thinned
from benchctl.report.as_html import page, render
from benchctl.report.drawings import DRAWERS
from benchctl.report.markup import el
from benchctl.report.plots import INKS, plots
from benchctl.report.readings_table import rows_of
from benchctl.report.words import NOTHING_REAL
from benchctl.runs.log import RunLog, read
from benchctl.runs.summary import Summary, Table, summarise
from benchctl.runs.tables import Tables
from benchctl.safety.cautions import CAUTIONS
from benchctl.terms import Limit, Reading, Verdict

VOID = {"meta", "br", "hr", "col"}


class Reader(HTMLParser):
    """Python's own tokenizer: every element closed in order, identifiers unique, elements and text collected."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: set[str] = set()
        self.attributes: list[tuple[str, str, str]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes += [(tag, k, v or "") for k, v in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes += [(tag, k, v or "") for k, v in attrs]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.text += data.replace("\u00a0", " ")  # what keeps numbers and units together


def parsed(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    reader.close()
    assert reader.open == []
    ids = [v for _, k, v in reader.attributes if k == "id"]
    assert len(ids) == len(set(ids))
    return reader


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("runs") / "run"
    folder.mkdir()
    with RunLog(folder) as log:
        for e in healthy_run():
            log(e)
    return folder


def test_it_is_one_file_that_loads_nothing_and_runs_nothing(recorded: Path) -> None:
    html = render(summarise(read(recorded).events), recorded)
    reader = parsed(html)
    links = [v for _, k, v in reader.attributes if k in ("src", "href", "xlink:href", "action", "data", "srcset")]

    assert not reader.tags & {"script", "link", "img", "iframe", "object", "embed", "form", "base"}
    assert all(v.startswith("#") for v in links)
    assert not re.search(r"url\((?!#)|@import|javascript:", html)
    assert not [k for _, k, _ in reader.attributes if k.startswith("on")]
    assert [v for t, k, v in reader.attributes if t == "meta" and "default-src 'none'" in v]


def test_references_inside_the_plots_lead_somewhere(recorded: Path) -> None:
    html = render(summarise(read(recorded).events), recorded)
    ids = set(re.findall(r'\bid="([^"]+)"', html))
    used = set(re.findall(r'href="#([^"]+)"', html)) | set(re.findall(r"url\(#([^)]+)\)", html))

    assert used
    assert used <= ids


def test_the_verdict_and_summary_come_before_everything_else() -> None:
    text = parsed(page(summarise(failing_run()), None)).text
    places = [
        text.index(part)
        for part in (
            *("fail", "bring-up: mudlark-hand-03 and mudlark-craft-03", NOTHING_REAL, "8 stages: 2 pass, 2 fail"),
            *("Likely causes", "Speaks for it", "Boards", "Stages", "Not tested", "Cautions", "To repeat this run"),
        )
    ]

    assert places == sorted(places)


def test_every_reading_shows_its_interval_samples_source_and_floor() -> None:
    text = parsed(page(summarise(healthy_run()), None)).text
    for part in (
        "round trip p99",
        "755 … 790",
        "2000, counting",
        "400, converter",
        "200, clocks",
        "1996 / 1994, scatter",
    ):
        assert part in text
    assert "physics allows 662 µs, yours is 99 µs / 98.8 µs" in text


def test_no_reading_is_left_out_and_two_boards_share_a_row() -> None:
    for make in (healthy_run, failing_run):
        for stage in summarise(make()).stages.values():
            rows = rows_of(stage.readings.values())
            told = [f"{s}.{row.name}" if s else row.name for row in rows for s in row.cells]
            assert sorted(told) == sorted(stage.readings)
            assert all(len(row.cells) <= 2 for row in rows)
    identity = rows_of(summarise(healthy_run()).stages["identity"].readings.values())
    assert [(r.name, list(r.cells)) for r in identity] == [
        ("clock_error", ["hand", "craft"]), ("free_stack", ["hand", "craft"])
    ]  # fmt: skip


def test_readings_with_different_limits_or_units_never_share_a_row() -> None:
    a = Reading("hand.vcc", 5.0, "V", limit=Limit(max=6))
    for other in (
        Reading("craft.vcc", 5.0, "V", limit=Limit(max=5)),
        Reading("craft.vcc", 5.0, "mV", limit=Limit(max=6)),
        Reading("craft.vdd", 5.0, "V", limit=Limit(max=6)),
        Reading("hand_to_craft.vcc", 5.0, "V", limit=Limit(max=6)),
        Reading("vcc", 5.0, "V", limit=Limit(max=6)),
    ):
        assert len(rows_of([a, other])) == 2


def test_packets_that_all_arrived_need_no_plot() -> None:
    rows = np.column_stack([np.arange(100.0), np.zeros(100)])
    assert drawn("packets", {"at": "s", "lost": ""}, rows) == []
    rows[50, 1] = 1
    assert len(drawn("packets", {"at": "s", "lost": ""}, rows)) == 1


def test_statements_caps_and_cut_off_times_are_in_it() -> None:
    text = parsed(page(summarise(healthy_run()), None)).text
    for part in (
        "The propeller is off the motor.",
        "the word shown",
        "throttle capped at 20 %",
        "Hand unpowered worst: 264 ms (264 … 272) (at most 300 ms): pass.",
    ):
        assert part in text


def test_a_real_run_has_no_rehearsal_line_and_a_modelled_one_has() -> None:
    assert NOTHING_REAL in page(summarise(healthy_run()), None)
    assert NOTHING_REAL not in page(summarise(healthy_run(simulated=False)), None)


def test_all_cautions_are_in_every_report() -> None:
    text = parsed(page(summarise(small_run()), None)).text
    for caution in CAUTIONS:
        assert caution.topic in text
        assert caution.text in text


NASTY = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "' onmouseover='x",
    "</style><b>",
    "<!--",
    "]]>",
    "&lt;b&gt;",
]


@pytest.mark.parametrize(("nasty", "drawers"), [*((text, ()) for text in NASTY), ("".join(NASTY), tuple(DRAWERS))])
def test_labels_and_messages_cannot_break_out(nasty: str, drawers: tuple[str, ...], tmp_path: Path) -> None:
    """Every text of every event is the nasty one; all of them in one are drawn by the plots too."""
    story = Story()
    story.begin(run=nasty, procedure=nasty, bench=nasty, bench_kind=nasty, version=nasty, operator=nasty)
    story.boards(hand=nasty, craft=nasty)
    story.add(ev.BoardLost(1, ev.Role.HAND, nasty))
    story.add(ev.StageStarted(1, nasty, nasty, nasty, nasty, 1))
    story.add(ev.Note(1, nasty, nasty, "warning"))
    story.read(nasty, nasty, 1.0, "V", note=nasty)
    for shows in drawers:
        rows = np.arange(12.0).reshape(4, 3)
        story.table(nasty, nasty + shows, shows, {nasty: "V", nasty + "2": "V", "lost": ""}, rows)
    story.add(ev.Attestation(1, nasty, nasty, nasty, nasty, nasty, True, 5))
    story.add(ev.OutputsLive(1, nasty, True, nasty, 0.2))
    story.add(ev.FindingMade(1, 1, nasty, nasty, 0.5, None, (nasty,), (nasty,), nasty, nasty))
    story.add(ev.StopPressed(1, nasty))
    story.add(ev.StageEnded(2, nasty, nasty, Verdict.FAIL, nasty, 1))
    with RunLog(tmp_path) as log:
        for e in story.finish(Verdict.FAIL, wall=nasty):
            log(e)
    found = read(tmp_path)
    clean, bad = (parsed(render(summarise(e), f)) for e, f in ((small_run(), None), (found.events, tmp_path)))
    known = {"svg", "g", "path", "defs", "clippath", "rect", "use", "text", "figure", "figcaption", "circle", "line"}
    known |= {"details", "summary"}

    assert bad.tags <= clean.tags | known | {"strong", "dl", "dt", "dd", "header"} | {"li", "ul", "style", "title"}
    assert not [k for _, k, _ in bad.attributes if k.startswith("on") or k == "src"]
    assert bad.text.count(nasty) > 15


@given(st.text(), st.text())
def test_any_text_comes_through_as_text(content: str, value: str) -> None:
    reader = Reader()
    reader.feed(el("p", content, title=value))
    reader.close()

    assert reader.tags == {"p"}
    assert [k for _, k, _ in reader.attributes] == ["title"]


def drawn(
    shows: str, columns: dict[str, str], rows: np.ndarray, more: int = 0, picture: ev.Picture | None = None
) -> list[str]:
    """The plots of one stage with that table, or with `more` others like it."""
    story = Story()
    story.begin()
    for i in range(more + 1):
        story.table("supply", f"table {i}", shows, columns, rows, picture)
    stage = summarise(story.events).stages["supply"]
    made = plots(stage, lambda table: rows)
    assert all("#0" not in ink or ink not in p.svg for p in made for ink in INKS)
    return [p.svg for p in made]


@pytest.mark.parametrize("shows", [*DRAWERS, "something new"])
@pytest.mark.parametrize("rows", [1, 2, 50, 5000])
def test_every_kind_of_table_is_drawn_at_any_size(shows: str, rows: int) -> None:
    rng = np.random.default_rng(rows)
    data = np.column_stack([np.arange(rows) / 7, rng.random(rows), rng.integers(0, 2, rows)])
    data[0, 2] = 1
    svg = drawn(shows, {"t": "s", "x": "us", "lost": ""}, data)

    nothing_to_tell = (shows, rows) == ("timeline", 1) or shows == "loads"  # these are no hunt's columns
    assert len(svg) == (0 if nothing_to_tell else 1)
    assert all(one.startswith("<svg") and len(one) < 200_000 for one in svg)


@pytest.mark.parametrize("shows", [s for s in DRAWERS if s not in ("timeline", "loads")])
@pytest.mark.parametrize("value", [np.nan, np.inf, 0.0, 1e12])
def test_values_that_are_missing_or_all_alike_are_drawn_too(shows: str, value: float) -> None:
    data = np.full((8, 2), value)
    data[:, 0] = np.arange(8)
    assert len(drawn(shows, {"t": "s", "x": "us"}, data)) == 1


def test_a_load_hunt_is_drawn_where_there_was_trouble() -> None:
    """A bar with the load and one without, no axis of time."""
    columns = {"led": "", "reset": "", "settings lost": "", "lowest": "V"}
    quiet = np.array([[1, 0, 0, 4.9], [0, 0, 0, 4.9]])

    assert drawn("loads", columns, quiet) == []
    quiet[0, 1] = 1
    (svg,) = drawn("loads", columns, quiet)
    assert {"led", "with it", "without", "trials with trouble in %"} <= set(re.findall(r">([^<>]+)</text>", svg))


def test_limits_are_drawn_and_the_axis_spans_them() -> None:
    """Beside a line for each; far beyond a histogram's edge they are told with an arrow."""
    data = np.column_stack([np.arange(20.0), np.linspace(270.0, 275.0, 20)])
    limits = {"time to idle": Limit(max=300.0)}
    columns = {"cut": "", "time to idle": "ms"}
    (near,) = drawn("points", columns, data, picture=ev.Picture("until idle", "radio", limits))
    (far,) = drawn("latency", columns, data, picture=ev.Picture("until idle", limits={"time to idle": Limit(max=2000.0)}))

    assert ">max 300 ms</text>" in near
    assert "var(--fail)" in near
    assert ">max 2000 ms →</text>" in far


def test_a_timeline_on_which_nothing_happens_is_left_out() -> None:
    data = np.column_stack([np.arange(8.0), np.full(8, 3.3)])

    assert drawn("timeline", {"t": "s", "rail": "V"}, data) == []
    assert drawn("timeline", {"t": "s", "rail": "V"}, data[:1]) == []
    data[5, 1] = 3.2
    assert len(drawn("timeline", {"t": "s", "rail": "V"}, data)) == 1


def test_waveforms_of_two_rails_have_a_plot_each() -> None:
    """On one axis from 3.3 V to 5 V neither would show its droop."""
    at = np.arange(50.0)
    volts = {"logic": 5 - 0.02 * np.sin(at), "radio": 3.3 - 0.02 * np.cos(at), "other_logic": 5 - 0.01 * np.sin(at)}
    story = Story()
    story.begin()
    for name in volts:
        story.table("supply", name, "waveform", {"t": "us", "v": "V"}, np.column_stack([at, volts[name]]))
    made = plots(summarise(story.events).stages["supply"], lambda t: np.column_stack([at, volts[t.name]]))

    assert [p.caption for p in made] == ["logic and other logic", "radio"]


def test_tables_alike_share_a_plot_and_too_many_are_counted() -> None:
    data = np.arange(20.0).reshape(10, 2)
    story = Story()
    story.begin()
    for i in range(6):
        story.table("supply", f"w{i}", "waveform", {"t": "us", "v": "V"}, data)
    story.table("supply", "servo", "waveform", {"t": "us", "v": "V"}, data * 1000)
    made = plots(summarise(story.events).stages["supply"], lambda t: data * 1000 if t.name == "servo" else data)

    assert [p.caption for p in made] == [
        "w0, w1, w2 and w3 (2 more tables of this kind not drawn)",
        "servo",
    ]


def test_empty_and_missing_tables_are_left_out(tmp_path: Path) -> None:
    story = Story()
    story.begin()
    story.start("supply")
    story.table("supply", "burst", "waveform", {"t": "us", "v": "V"}, np.empty((0, 2)))
    story.end("supply")

    assert "<svg" not in render(summarise(story.events), tmp_path)


def test_thinning_keeps_every_extreme() -> None:
    rng = np.random.default_rng(3)
    x, y = np.arange(100_000.0), rng.normal(size=100_000)
    y[77_777] = 50.0
    few_x, few_y = thinned(x, y, 1200)

    assert len(few_x) <= 1300
    assert few_y.max() == 50.0
    assert few_y.min() == y.min()
    assert (np.diff(few_x) > 0).all() or (np.diff(few_x) >= 0).all()


def test_the_same_run_gives_the_same_page(recorded: Path) -> None:
    """A report made again is the same to the byte, so that it can be compared and sealed."""
    s = summarise(read(recorded).events)
    assert render(s, recorded) == render(s, recorded)


def test_a_cut_or_empty_record_has_a_page() -> None:
    for events in ([], healthy_run()[:3], healthy_run()[:25]):
        reader = parsed(page(summarise(events, "something is missing"), None))
        assert "something is missing" in reader.text
    assert parsed(page(Summary(), None)).text


def test_a_table_of_files_that_lie_about_their_columns_is_left_out(tmp_path: Path) -> None:
    np.save(tmp_path / "x.npy", np.zeros(3, [("a", "u1")]))
    table = Table("s", "x", "waveform", ("a", "b"), ("", ""), 3, [("x.npy", 3)])

    assert Tables(tmp_path)(table).shape == (0, 2)
