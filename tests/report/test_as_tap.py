"""The TAP report against rules written out from the TAP version 14 specification, and read by an independent parser
(the tap.py package, YAML blocks by PyYAML)."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

import pytest
import yaml
from helpers_runs import Story, failing_run, healthy_run, small_run
from hypothesis import given
from hypothesis import strategies as st
from tap.parser import Parser

from benchctl import events as ev
from benchctl.report.as_tap import escaped, render
from benchctl.runs.summary import Summary, summarise
from benchctl.terms import Reading, Verdict


@dataclass
class Stream:
    """A stream as the specification reads it."""

    plan: int
    points: list[tuple[bool, int, str, str]] = field(default_factory=list)  # ok, number, description, skip reason
    blocks: dict[int, Any] = field(default_factory=dict)
    bail: str | None = None

    @property
    def passed(self) -> bool:
        """TAP 14, "Producing and consuming": all planned points there and ok, or skipped; no bail-out."""
        numbers = sorted(p[1] for p in self.points)
        good = all(p[0] or p[3] for p in self.points)
        return self.bail is None and numbers == list(range(1, self.plan + 1)) and good


POINT = re.compile(r"(ok|not ok) (\d+) - ((?:[^#\\]|\\[#\\])*?)(?: # SKIP(?: ((?:[^#\\]|\\[#\\])*))?)?")


def unescaped(text: str) -> str:
    return re.sub(r"\\([#\\])", r"\1", text)


def parse(text: str) -> Stream:
    """Strict reader of what we write: any line that is none of the specification's forms is an AssertionError."""
    lines = text.split("\n")
    assert lines.pop() == ""
    assert lines[0] == "TAP version 14"
    plan = re.fullmatch(r"1\.\.(\d+)( # SKIP .*)?", lines[1])
    assert plan is not None
    stream, block = Stream(int(plan[1])), None
    for line in lines[2:]:
        if block is not None:
            if line == "  ...":
                stream.blocks[stream.points[-1][1]] = yaml.safe_load("\n".join(block))
                block = None
            else:
                assert line.startswith("  ")
                block.append(line[2:])
        elif line == "  ---":
            assert stream.points
            block = []
        elif line.startswith("Bail out! "):
            stream.bail = line[10:]
        elif not line.startswith("#"):
            assert stream.bail is None
            point = POINT.fullmatch(line)
            assert point is not None, line
            stream.points.append((point[1] == "ok", int(point[2]), unescaped(point[3]), unescaped(point[4] or "")))
    assert block is None
    return stream


@pytest.mark.parametrize(
    ("text", "passes"),
    [
        # the three examples are those of the specification, "Plan"
        ("1..6\nok 1 - a\nok 2 - b\nok 3 - c\nok 4 - d\nok 5 - e\n", False),
        ("1..3\nok 2 - a\nok 3 - b\nok 1 - c\n", True),
        ("1..3\nok 2 - a\nok 4 - b\nok 1 - c\n", False),
    ],
)
def test_the_reader_used_here_judges_as_the_specification_does(text: str, passes: bool) -> None:
    assert parse(f"TAP version 14\n{text}").passed is passes


def test_a_healthy_run_passes() -> None:
    stream = parse(render(summarise(healthy_run())))

    assert stream.passed
    assert [p[2] for p in stream.points] == [
        "identity",
        "supply",
        "transceiver",
        "link",
        "button",
        "servo",
        "ramp",
        "cut",
    ]
    readings = stream.blocks[2]["readings"]
    assert readings[1] == {
        "name": "craft.droop", "value": 0.08, "unit": "V", "n": 400, "low": 0.08 * 0.9, "high": 0.08 * 1.1,
        "limit_max": 0.3, "verdict": "pass",
    }  # fmt: skip


def test_a_failing_run_fails_and_what_was_not_run_is_skipped_with_its_reason() -> None:
    stream = parse(render(summarise(failing_run())))

    assert not stream.passed
    assert [(p[0], p[3]) for p in stream.points[4:]] == [(True, "needs Radio link, which failed")] * 4
    assert stream.blocks[2]["verdict"] == "fail"
    assert stream.blocks[2]["reason"] == "craft.droop is 0.9 V, at most 0.3 V is allowed"


def test_an_undecided_stage_is_not_ok() -> None:
    stream = parse(render(summarise(small_run())))

    assert [(p[0], p[2]) for p in stream.points[:2]] == [(True, "identity"), (False, "supply")]


def test_a_stopped_and_a_cut_run_bail_out_after_the_stages_that_had_ended() -> None:
    events = healthy_run()
    ended = [i for i, e in enumerate(events) if isinstance(e, ev.StageEnded)][2] + 1
    cut = parse(render(summarise(events[: ended + 2])))
    stop = [ev.StopPressed(99, "key"), ev.RunEnded(99, Verdict.UNDECIDED, 99, "2026-03-14T10:17:00Z")]
    stopped = parse(render(summarise(events[: ended + 2] + stop)))

    assert cut.bail is not None
    assert "cut off" in cut.bail
    assert stopped.bail == "The run was stopped at +01:39.0 (stop key)."
    assert len(cut.points) == len(stopped.points) == 3
    assert not cut.passed
    assert not stopped.passed


def test_a_run_without_stages_is_a_stream_of_nothing() -> None:
    assert parse(render(summarise([]))).plan == 0


def read_by_other(text: str) -> tuple[list[tuple[bool, int, bool]], list[Any]]:
    lines = list(Parser().parse_text(text))
    assert not [x for x in lines if x.category == "unknown"]
    results = [x for x in lines if x.category == "test"]
    return [(x.ok, int(x.number), x.skip) for x in results], [x.yaml_block for x in results]


@pytest.mark.parametrize("make", [healthy_run, failing_run, small_run])
def test_an_independent_parser_reads_the_same(make: Any) -> None:
    text = render(summarise(make()))
    points, blocks = read_by_other(text)
    stream = parse(text)

    assert points == [(ok, n, bool(skip)) for ok, n, _, skip in stream.points]
    for number, block in enumerate(blocks, 1):
        assert repr(block) == repr(stream.blocks.get(number))


@given(st.text(max_size=30).filter(str.strip), st.text(max_size=30))
def test_any_name_and_reason_stay_in_their_line(name: str, reason: str) -> None:
    """Hashes, backslashes, line ends and control characters in what boards and people wrote."""
    told = Summary()
    told.fold(ev.StageEnded(1, name, "soak", Verdict.NOT_RUN, reason, 0))
    told.fold(ev.StageEnded(2, name + "x", "soak", Verdict.FAIL, reason, 0))
    told.close()
    stream = parse(render(told))

    assert len(stream.points) == 2
    assert stream.points[0][0]
    assert not stream.points[1][0]


@given(st.text(alphabet="a#\\ ", max_size=20))
def test_escapes_are_those_of_the_specification(text: str) -> None:
    assert unescaped(escaped(text)) == " ".join(text.split())


@given(st.floats())
def test_any_value_is_a_number_of_yaml(value: float) -> None:
    story = Story()
    story.begin()
    story.start("supply")
    story.add(ev.ReadingTaken(1, "supply", Reading("x", value)))
    story.end("supply")
    stream = parse(render(summarise(story.events)))
    found = stream.blocks[2]["readings"][0]["value"]

    assert isinstance(found, float)
    assert found == value or (found != found and value != value)
