"""Stages whose arithmetic meets absurd numbers: one clear sentence that says what cannot be, and no pass."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from absurd import absurd_bench
from helpers import Collected
from hostile import alone

from benchctl import cli
from benchctl.events import StageEnded
from benchctl.procedure.runner import Runner
from benchctl.stages.kinds import KINDS
from benchctl.terms import Verdict
from benchctl.units import HUGE, number

#: stage, message, what becomes of it, a part of the sentence
CASES = [
    ("supply", "adc_answer", "zeros", "converter answers what cannot be"),
    ("supply", "adc_answer", "ones", "converter answers what cannot be"),
    ("supply", "adc_answer", "anything", "converter answers what cannot be"),
    ("supply", "droop_rows", "zeros", "readings that the converter cannot give"),
    ("supply", "droop_rows", "ones", "readings that the converter cannot give"),
    ("controls", "edges", "anything", "not in order of time"),
    ("controls", "clock_answer", "zeros", "clock went on by"),
    ("controls", "stick_rows", "gone", "samples of the joystick"),
    ("controls", "stick_rows", "ones", "beyond the converter's 1023 counts"),
    ("radio_link", "link_pinged", "ones", "record of pings cannot be"),
    ("radio_link", "clock_answer", "anything", "says it took"),
    ("button_to_led", "link_pinged", "ones", "record of pings cannot be"),
    ("button_to_led", "clock_answer", "ones", "clock went on by"),
    ("joystick_to_servo", "clock_answer", "zeros", "clock went on by"),
    ("link_loss_cut", "guard_changed", "zeros", "older than every control packet"),
]


@pytest.mark.parametrize(("kind", "message", "way", "said"), CASES)
def test_absurd_records_end_in_a_sentence(kind: str, message: str, way: str, said: str) -> None:
    heard = Collected()
    bench = absurd_bench({message}, way, 1.0, seed=2)
    try:
        Runner(alone(kind), bench, heard).run()
    finally:
        bench.close()
    ended = heard.of(StageEnded)[0]

    assert ended.verdict in (Verdict.UNDECIDED, Verdict.FAIL)
    assert said in ended.reason
    assert "cannot be worked out" not in ended.reason
    assert not re.search(r"\d{13,}", ended.reason)


@pytest.mark.parametrize("value", [1e12, -3.21e15, 1.7e308, 2.0**1000])
def test_absurd_numbers_are_short(value: float) -> None:
    assert abs(value) >= HUGE
    assert len(number(value)) < 14
    assert float(number(value)) == pytest.approx(value, rel=1e-3)


def run_json(capsys: Any, tmp_path: Path, *more: str) -> tuple[int, dict[str, Any]]:
    code = cli.main(["run", "radio-link", "--bench", "sim", "--json", "--quiet", "--out", str(tmp_path), *more])
    return code, json.loads(capsys.readouterr().out)


def test_a_bug_in_a_stage_still_gives_the_object(capsys, tmp_path: Path, monkeypatch) -> None:
    """An exception that no board can cause: the verdict, the reason and the exit code, with what was found by then."""

    def breaks(ctx: Any) -> None:
        raise TypeError("a fault put here")

    stage = KINDS["transceiver"]
    monkeypatch.setattr("benchctl.procedure.file.KINDS", {**KINDS, "transceiver": _other(stage, breaks)})
    code, found = run_json(capsys, tmp_path)

    assert code == found["exit_code"] == 3
    assert found["verdict"] == "undecided"
    assert "TypeError: a fault put here" in found["reason"]
    assert found["stages"][0]["name"] == "identity"


def test_a_bug_before_the_run_gives_an_object_too(capsys, tmp_path: Path, monkeypatch) -> None:
    def breaks(*args: object, **more: object) -> None:
        raise RuntimeError("a fault put here")

    monkeypatch.setattr("benchctl.benches.open_bench", breaks)
    code, found = run_json(capsys, tmp_path)

    assert code == found["exit_code"] == 3
    assert (found["verdict"], found["schema"]) == ("undecided", 1)
    assert "RuntimeError: a fault put here" in found["reason"]
    assert found["error"] == found["reason"]


def test_an_ordinary_end_has_its_code_and_no_reason(capsys, tmp_path: Path) -> None:
    code, found = run_json(capsys, tmp_path, "--only", "identity")

    assert (code, found["exit_code"], found["reason"], found["verdict"]) == (0, 0, "", "pass")


def _other(stage: Any, perform: Any) -> Any:
    return replace(stage, perform=perform)
