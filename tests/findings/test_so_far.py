"""Causes while the run goes on: after each stage what the record points to by then, void when the next one has ended."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from benchctl import benches, shipped
from benchctl import events as ev
from benchctl.findings import find
from benchctl.headless import Lines
from benchctl.operate import Operation, Result
from benchctl.procedure.file import load
from benchctl.runs.log import read
from benchctl.runs.summary import Summary, summarise
from benchctl.terms import Role, Verdict


def perform(bench: str, root: Path, *readers) -> Result:
    procedure = load(shipped.procedure("bring-up")).only(["supply", "controls"])
    opened = benches.open_bench(bench, seed=5)
    try:
        return Operation(procedure, opened, root, readers=readers).perform()
    finally:
        opened.close()


@pytest.fixture(scope="module")
def failed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, str]:
    told = io.StringIO()
    return perform("weak-capacitor", tmp_path_factory.mktemp("runs"), Lines(told)), told.getvalue()


def test_after_each_stage_the_record_tells_what_it_points_to_by_then(failed: tuple[Result, str]) -> None:
    """Each provisional list is what the findings say of the record up to there, cut off before it."""
    events = read(failed[0].folder).events
    first = [n for n, e in enumerate(events) if isinstance(e, ev.FindingMade) and not e.final and e.rank == 1]

    assert first
    for n in first:
        assert isinstance(events[n - 1], ev.StageEnded)
        until = [e for e in events[:n] if not isinstance(e, ev.FindingMade)]
        expected = find(summarise(until, live=True))
        assert [f.cause for f in expected] == [
            e.cause for e in events[n : n + len(expected)] if isinstance(e, ev.FindingMade)
        ]


def test_final_findings_stand_alone_at_the_end(failed: tuple[Result, str]) -> None:
    result, _ = failed

    assert result.summary.findings
    assert all(f.final for f in result.summary.findings)
    assert result.summary.so_far == []


def test_the_printer_marks_them_as_provisional_and_repeats_nothing(failed: tuple[Result, str]) -> None:
    lines = [one for one in failed[1].splitlines() if one.startswith("~ so far")]

    assert lines
    assert all("later stages may change this" in one for one in lines)
    assert len(lines) == len(set(lines))


def test_a_healthy_pair_has_none(tmp_path: Path) -> None:
    result = perform("mudlark", tmp_path)

    assert result.verdict is Verdict.PASS
    assert not [e for e in read(result.folder).events if isinstance(e, ev.FindingMade)]


def finding(cause: str, rank: int = 1, *, final: bool = True) -> ev.FindingMade:
    return ev.FindingMade(1, rank, cause, cause, 0.5, Role.CRAFT, (), (), "", "", final)


def test_the_next_stage_that_ends_makes_them_void() -> None:
    s = Summary()
    for event in (finding("a", final=False), finding("b", 2, final=False)):
        s.fold(event)
    assert ([f.cause for f in s.so_far], s.findings) == (["a", "b"], [])

    s.fold(ev.StageEnded(2, "link", "radio_link", Verdict.NOT_RUN, "needs supply", 0))
    assert [f.cause for f in s.so_far] == ["a", "b"]
    s.fold(ev.StageEnded(3, "controls", "controls", Verdict.PASS, "", 1))
    assert s.so_far == []


def test_a_cut_record_keeps_the_last_ones() -> None:
    s = summarise([finding("a", final=False)])

    assert [f.cause for f in s.findings] == ["a"]


def test_causes_that_cannot_be_weighed_end_no_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(summary: Summary) -> list[ev.FindingMade]:
        if not summary.ended and any(s.verdict is None for s in summary.stages.values()):
            raise ValueError("no such table")
        return []

    monkeypatch.setattr("benchctl.findings.find", broken)
    result = perform("mudlark", tmp_path)

    assert result.verdict is Verdict.PASS
    assert [n.text for n in result.summary.notes if "could not be weighed" in n.text]
