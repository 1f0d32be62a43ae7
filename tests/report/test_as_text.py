"""The text report: 80 columns, verdict first, nothing that steers a terminal."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers_runs import Story, failing_run, healthy_run, small_run
from hypothesis import given
from hypothesis import strategies as st

from benchctl import benches, shipped
from benchctl import events as ev
from benchctl.operate import Operation
from benchctl.procedure.file import load
from benchctl.report.as_html import page
from benchctl.report.as_text import WIDTH, fit, render, width
from benchctl.report.words import NOTHING_REAL, clock, duration, moment, names
from benchctl.runs.summary import summarise
from benchctl.terms import Reading, Verdict


@pytest.mark.parametrize("make", [healthy_run, failing_run, small_run, list])
def test_no_line_is_wider_than_the_terminal(make) -> None:
    assert all(width(line) <= WIDTH for line in render(summarise(make())).splitlines())


def test_the_verdict_is_the_first_word_and_rehearsals_say_so() -> None:
    text = render(summarise(failing_run()))

    assert text.startswith("✗ FAIL  bring-up")
    assert NOTHING_REAL.split(":")[0] in text
    assert NOTHING_REAL.split(":")[0] not in render(summarise(failing_run(simulated=False)))


def test_it_tells_the_whole_story() -> None:
    text = render(summarise(failing_run()))
    for part in (
        "mudlark-craft-03",
        "1 unexpected restart (brown-out)",
        "droop, craft",
        "0.81 … 0.99",
        "max 0.3 V",
        "solder 10 µF or more",
        "NOT TESTED",
        "6d1c6d1c",
    ):
        assert part in text


def test_attestations_caps_and_cut_off_times_are_told() -> None:
    text = render(summarise(healthy_run()))

    assert "The propeller is off the motor." in text
    assert "throttle capped at 20 %" in " ".join(text.split())
    assert "hand unpowered worst" in text


def test_a_cut_run_says_so_at_the_top() -> None:
    head = render(summarise(healthy_run()[:20], "line 21 of events.jsonl is cut off after 3 bytes"))[:700]

    assert "! The run was cut off before its end" in head
    assert "line 21 of events.jsonl" in head


@given(st.text(max_size=60), st.text(max_size=60))
def test_any_label_and_reason_keep_the_columns_and_steer_nothing(label: str, reason: str) -> None:
    story = Story()
    story.begin(procedure=label)
    story.boards(hand=label)
    story.start("supply")
    story.add(ev.ReadingTaken(1, "supply", Reading(label or "x", 1.5, "V", note=reason)))
    story.end("supply", Verdict.FAIL, reason)
    text = render(summarise(story.events))

    assert all(width(line) <= WIDTH for line in text.split("\n"))
    assert not any((ord(c) < 32 and c != "\n") or 0x7F <= ord(c) < 0xA0 for c in text)


@given(st.text(max_size=30), st.integers(2, 30))
def test_fitting_gives_exactly_the_columns(text: str, columns: int) -> None:
    assert width(fit(text, columns)) == columns


def test_values_in_words() -> None:
    assert [duration(x) for x in (0.04, 9.94, 42.4, 185.0, 7800.0)] == [
        "0.0 s",
        "9.9 s",
        "42 s",
        "3 min 05 s",
        "2 h 10 min",
    ]
    assert [duration(x) for x in (float("nan"), float("inf"), 59.7)] == ["–", "–", "1 min 00 s"]
    assert [clock(x) for x in (0.0, 59.96, 754.5, 3661.0)] == ["+00:00.0", "+01:00.0", "+12:34.5", "+1:01:01.0"]
    assert moment("2026-03-14T10:15:30+02:00") == "14 March 2026, 08:15 UTC"
    assert [moment(x) for x in ("", "never")] == ["time unknown", "never"]
    assert [names(x) for x in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == ["", "a", "a and b", "a, b and c"]


def test_what_is_noted_of_the_whole_run_is_told(tmp_path: Path) -> None:
    """A USB-serial chip's timer, a list that ends: notes of no stage are in text and page alike."""
    story = Story()
    story.begin()
    story.add(ev.Note(0.0, "", "ttyUSB0: its USB-serial chip holds bytes back for up to 16 ms"))
    s = summarise(story.events)

    assert "holds bytes back for up to 16 ms" in " ".join(render(s).split())
    assert "holds bytes back for up to 16 ms" in page(s, None).replace("\u00a0", " ")


def test_a_bench_that_has_found_something_out_says_it_in_the_record(tmp_path: Path) -> None:
    bench = benches.open_bench("sim")
    bench.notes = ["ttyUSB0: slow"]
    try:
        result = Operation(load(shipped.procedure("radio-link")).only(["identity"]), bench, tmp_path).perform()
    finally:
        bench.close()

    assert [n.text for n in result.summary.notes] == ["ttyUSB0: slow"]
