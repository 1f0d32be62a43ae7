"""Two recorded runs compared: margins and their direction, the correction, what is refused and what is said."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from helpers_runs import CRAFT, HAND, Story

from benchctl import events as ev
from benchctl.cli import main
from benchctl.compare import Comparison, compare
from benchctl.errors import UsageError
from benchctl.runs.folder import RunFolder
from benchctl.runs.log import RunLog
from benchctl.runs.summary import summarise
from benchctl.terms import Interval, Source, Verdict

Events = list[ev.Event]


def one_stage(
    readings: dict[str, float], margins: dict[str, dict[str, Any]], half: float = 1.0, verdict: Verdict = Verdict.PASS
) -> Events:
    """A run whose one stage takes these readings, each known to `half` either way at 95 %, and ends so."""
    story = Story()
    plan = (ev.StagePlan("button", "button_to_led", "Button to LED", (), margins),)
    story.begin(plan=plan)
    story.boards()
    story.start("button")
    for name, value in readings.items():
        about = Interval(value - half, value + half)
        story.read("button", name, value, "us", n=400, interval=about, source=Source.SAMPLING)
    story.end("button", verdict)
    return list(story.finish(verdict))


def run(value: float, half: float = 1.0, **more: Any) -> Events:
    return one_stage({"latency_p50": value}, {"latency_p50": {"margin": 10.0, "relative": False, "better": "lower"}}, half, **more)


def begun(events: Events, **more: Any) -> Events:
    """The same run with other facts at its start."""
    return [replace(e, **more) if isinstance(e, ev.RunStarted) else e for e in events]


def found(before: Events, now: Events) -> Comparison:
    return compare(summarise(before), summarise(now))


def outcome(before: float, now: float, **margin: Any) -> str:
    (row,) = found(*(one_stage({"x": v}, {"x": margin}) for v in (before, now))).rows
    return str(row.outcome)


@pytest.mark.parametrize(
    ("margin", "outcomes"),
    [
        # 1000 against 1004, 1020 and 980; the difference is known to 1.4 either way
        ({"margin": 10.0, "relative": False, "better": "lower"}, ("same", "worse", "better")),
        ({"margin": 10.0, "relative": False, "better": "higher"}, ("same", "better", "worse")),
        ({"margin": 10.0, "relative": False, "better": "same"}, ("same", "worse", "worse")),
        ({"margin": 1.0, "relative": True, "better": "lower"}, ("same", "worse", "better")),
        ({"margin": 3.0, "relative": True, "better": "lower"}, ("same", "same", "same")),
        ({"margin": 4.0, "relative": False, "better": "lower"}, ("undecided", "worse", "better")),
    ],
)
def test_margins_are_absolute_or_relative_and_have_a_direction(margin: dict[str, Any], outcomes: tuple[str, ...]) -> None:
    assert tuple(outcome(1000.0, now, **margin) for now in (1004.0, 1020.0, 980.0)) == outcomes


def test_the_margin_is_what_the_reference_was_taken_with() -> None:
    """Its reading's full name goes before the name without the board; without a margin a reading only informs."""
    margins = {"p50": {"margin": 100.0, "relative": False, "better": "lower"}, "hand.p50": {"margin": 5.0, "relative": False, "better": "lower"}}
    before, now = ({"hand.p50": v, "craft.p50": v, "other": v} for v in (1000.0, 1020.0))
    rows = found(one_stage(before, margins), one_stage(now, {})).rows

    assert {r.new.name: r.outcome and str(r.outcome) for r in rows} == {"hand.p50": "worse", "craft.p50": "same", "other": None}


def test_the_more_readings_the_more_it_takes_for_one_to_be_worse() -> None:
    """Worse by itself, at a chance of 1.6 %; among twenty readings not, where 5 % is for all of them together."""
    margin = {"margin": 10.0, "relative": False, "better": "lower"}
    # the difference is known to a standard error of sqrt(2) / 1.96; 2.15 of them beyond the margin
    moved = 1000.0 + 10.0 + 2.15 * math.sqrt(2.0) / 1.96
    for others, wanted in ((0, "worse"), (19, "undecided")):
        names = {"x": margin, **{f"y{i}": margin for i in range(others)}}
        before, now = (dict.fromkeys(names, 1000.0) for _ in range(2))
        rows = found(one_stage(before, names), one_stage({**now, "x": moved}, names)).rows

        assert len(rows) == 1 + others
        assert str(rows[0].outcome) == wanted
        assert {str(r.outcome) for r in rows[1:]} <= {"same"}


def test_a_stage_that_passed_and_fails_now_is_worse() -> None:
    """Whatever its readings say; one that failed before and passes now is not."""
    passed, failed = run(1000.0), run(1000.0, verdict=Verdict.FAIL)

    assert found(passed, failed).verdict is Verdict.FAIL
    assert found(failed, passed).verdict is Verdict.PASS


def test_a_reading_that_is_missing_leaves_it_open() -> None:
    margin = {"margin": 10.0, "relative": False, "better": "lower"}
    both = {"x": 1000.0, "y": 1000.0}
    one = found(one_stage(both, dict.fromkeys(both, margin)), one_stage({"x": 1000.0}, {"x": margin}))

    assert one.missing == ("button.y",)
    assert one.verdict is Verdict.UNDECIDED


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"procedure": "soak"}, "only runs of one procedure"),
        ({"bench_kind": "avr"}, "only runs of one kind of bench"),
    ],
)
def test_unlike_runs_are_refused(more: dict[str, str], says: str) -> None:
    with pytest.raises(UsageError, match=says):
        found(run(1000.0), begun(run(1000.0), **more))


def other_boards(change: Callable[[ev.BoardSeen], ev.BoardSeen | None]) -> Events:
    changed = ((change(e) if isinstance(e, ev.BoardSeen) else e) for e in run(1000.0))
    return [e for e in changed if e is not None]


@pytest.mark.parametrize(
    ("now", "says"),
    [
        (begun(run(1000.0), procedure_sha256="0" * 64), "procedure bring-up was changed between the two runs"),
        (begun(run(1000.0), bench_sha256="0" * 64), "the bench description was changed between the two runs"),
        (begun(run(1000.0), bench="other", bench_sha256="0" * 64), "it was sim, now it is other"),
        (other_boards(lambda b: replace(b, label="mudlark-hand-04") if b.role is HAND else b),
         "the hand board was mudlark-hand-03, now it is mudlark-hand-04"),
        (other_boards(lambda b: replace(b, image_crc="00000001") if b.role is CRAFT else b),
         "the craft board's firmware was probe 0.1.0 (8c41f07a), now it is probe 0.1.0 (00000001)"),
    ],
    ids=["procedure", "bench", "bench's name", "label", "firmware"],
)  # fmt: skip
def test_other_differences_are_said(now: Events, says: str) -> None:
    """Compared all the same, never silently."""
    (said,) = found(run(1000.0), now).differences

    assert says in said


def test_equal_runs_differ_in_nothing() -> None:
    assert found(run(1000.0), run(1000.0)).differences == ()


def kept(root: Path, name: str, events: Events) -> str:
    with RunFolder.create(root / name) as folder:
        log = RunLog(folder.path)
        for event in begun(events, run=name):
            log(event)
        log.close()
        folder.seal()
    return name


@pytest.mark.parametrize(
    ("now", "code", "word"),
    [
        (run(1001.0), 0, "same"),
        (run(1030.0), 1, "worse"),
        (run(970.0), 0, "better"),
        (run(1009.0), 3, "undecided"),
        (begun(run(1000.0), bench_kind="avr"), 2, ""),
        (begun(run(1000.0), procedure="soak"), 2, ""),
    ],
    ids=["same", "worse", "better", "undecided", "another kind of bench", "another procedure"],
)
def test_exit_codes_of_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str], now: Events, code: int, word: str) -> None:
    """As for a run: 0 nothing worse, 1 something is, 3 open, 2 refused with one sentence."""
    before, after = kept(tmp_path, "before", run(1000.0)), kept(tmp_path, "after", now)
    given = main(["compare", before, after, "--runs", str(tmp_path), "--json"])
    out, err = capsys.readouterr()

    assert given == code
    if code == 2:
        assert json.loads(out)["exit_code"] == 2
        assert len(err.strip().splitlines()) == 1
        assert "can be compared" in err
    else:
        told = json.loads(out)
        assert [r["outcome"] for r in told["readings"]] == [word]
        assert told["counts"][word] == 1


def test_a_reference_from_another_kind_of_bench_is_refused_before_anything_runs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = kept(tmp_path, "before", begun(run(1000.0), procedure="regression", bench_kind="avr"))
    asked = ["run", "regression", "--bench", "sim", "--quiet", "--out", str(tmp_path), "--reference", before]

    assert main(asked) == 2
    assert "only runs of one kind of bench" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir() if p.is_dir()] == ["before"]
