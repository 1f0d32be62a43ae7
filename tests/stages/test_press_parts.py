"""A joint that makes contact now and then is found by pressing part after part, and told by its place."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from helpers_bench import mudlark
from helpers_outputs import confirmed
from needs import need_avr

from benchctl import benches, shipped
from benchctl.facts import JointLoose, Part, Shows
from benchctl.findings import find
from benchctl.operate import Operation
from benchctl.procedure.file import load
from benchctl.runs.summary import Summary
from benchctl.terms import Role, Verdict

PLACES = [
    ("hand", "module_supply", Part.TRANSCEIVER, Shows.SETTINGS),
    ("hand", "supply", Part.SUPPLY, Shows.RESTART),
    pytest.param("craft", "csn", Part.TRANSCEIVER, Shows.LINES, marks=pytest.mark.long),
    pytest.param("hand", "joy_y", Part.JOYSTICK, Shows.STICK, marks=pytest.mark.long),
    pytest.param("craft", "sensor", Part.SENSOR, Shows.SENSOR, marks=pytest.mark.long),
]


def pressed(tmp_path: Path, text: str, kind: str = "sim") -> Summary:
    file = tmp_path / "bench.toml"
    file.write_text(confirmed(mudlark("[board.hand]\n[board.craft]\n" + text)))
    bench: Any = benches.open_bench(str(file), kind=kind, seed=4)
    try:
        procedure = load(shipped.procedure("press-parts"))
        return Operation(procedure, bench, tmp_path / "runs", reports=False).perform().summary
    finally:
        bench.close()


@pytest.mark.parametrize(("role", "place", "part", "shows"), PLACES)
@pytest.mark.parametrize("kind", ["sim", pytest.param("avr", marks=pytest.mark.long)])
def test_the_part_at_which_it_is_pressed_is_told(tmp_path, kind: str, role: str, place: str, part: Part, shows: Shows) -> None:
    if kind == "avr":
        need_avr()
    summary = pressed(tmp_path, f'[board.{role}.loose.{place}]\nby = "touch"\n', kind)
    stage = summary.stages["press_parts"]

    assert stage.verdict is Verdict.FAIL
    assert [(f.board, f.part, f.shows) for f in stage.facts if isinstance(f, JointLoose)] == [(Role(role), part, shows)]
    (found, *_) = find(summary)
    assert (found.cause, found.board) == ("loose_joint", Role(role))
    assert shows.joint in found.remedy


def test_sound_boards_may_be_pressed(tmp_path) -> None:
    summary = pressed(tmp_path, "")

    assert summary.stages["press_parts"].verdict is Verdict.PASS
    assert find(summary) == []


def test_what_comes_by_itself_is_told_of_no_part(tmp_path) -> None:
    """A contact that opens whether it is touched or not, some three times a second: untouched as often as pressed."""
    summary = pressed(tmp_path, '[board.hand.loose.module_supply]\nby = "time"\nevery_s = 0.3\n')
    stage = summary.stages["press_parts"]

    assert stage.verdict is Verdict.FAIL
    assert stage.readings["hand.untouched_faults"].value > 3
    assert not [f for f in stage.facts if isinstance(f, JointLoose)]
