"""What solder or a wrong wire has joined is noticed before anything is driven against it: the harm log stays empty."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest
from needs import need_avr

sys.path.insert(0, str(Path(__file__).parents[1] / "campaigns"))

import strangers

from benchctl import benchfile
from benchctl.facts import Line, LineBroken
from benchctl.pairfile import load
from benchctl.pairfile.pins import BY_PORT
from benchctl.report.as_pair import found_pair
from benchctl.runs.summary import Summary
from benchctl.terms import Role, Verdict

KINDS = ["sim", pytest.param("avr", marks=pytest.mark.long)]


def fresh(kind: str, physics: str) -> benchfile.BenchSpec:
    """The demonstration pair, which nobody has told anything yet."""
    if kind == "avr":
        need_avr()
    return benchfile.parse(f'kind = "{kind}"\n{physics}'.encode(), "bench.toml", pair=load("mudlark")).unspoken()


def brought_up(spec: benchfile.BenchSpec, tmp_path: Path) -> tuple[Summary, Verdict, list[str]]:
    made, verdict, harm = strangers.perform("bring-up", replace(spec, pair=load("mudlark")), tmp_path)
    return made.summary, verdict, harm


@pytest.mark.parametrize(("one", "other"), [("ce", "csn"), ("csn", "miso")])
@pytest.mark.parametrize("kind", KINDS)
def test_joined_lines_are_named_before_they_are_driven(tmp_path: Path, kind: str, one: str, other: str) -> None:
    """CE and CSN rest at different levels; MISO is an output of 3.3 V. Looks under the pull-up show both joints."""
    spec = fresh(kind, f'[board.craft.radio.{one}]\nbridged_to = "{other}"\n')

    run, verdict, harm = brought_up(spec, tmp_path)

    facts = [f for f in run.stages["identity"].facts if isinstance(f, LineBroken)]
    assert facts == [LineBroken(Role.CRAFT, Line.BRIDGED, f"{one.upper()} and {other.upper()}")]
    assert (verdict, harm) == (Verdict.FAIL, [])


@pytest.mark.parametrize(("one", "other"), [("csn", "miso"), ("ce", "csn"), ("ce", "sck")])
@pytest.mark.parametrize("kind", KINDS)
def test_set_up_does_not_drive_what_solder_joins(tmp_path: Path, kind: str, one: str, other: str) -> None:
    """That line is not found then, nothing else is said to be it, and the stage says which pins are joined."""
    pins = load("mudlark").boards[Role.CRAFT].pins | {"radio_miso": "PB4", "radio_sck": "PB5"}
    spec = fresh(kind, f'[board.craft.radio.{one}]\nbridged_to = "{other}"\n')

    made, verdict, harm = strangers.perform("set-up", spec, tmp_path)

    found = found_pair(made.summary)
    assert found is not None
    assert not found.boards[Role.CRAFT].pin(f"radio_{one}")
    assert (verdict, harm) == (Verdict.UNDECIDED, [])
    said = made.summary.stages["craft unit"].reason
    called = {BY_PORT[pins[f"radio_{line}"]].sketch for line in (one, other)} - {"D12", "D13"}
    assert "are joined; neither is driven" in said
    assert all(name in said for name in called)


@pytest.mark.long
def test_a_servo_at_the_leds_pin_is_not_blinked(tmp_path: Path) -> None:
    """A blink is a pulse that drives a servo against its stop. It moved nothing where it is declared; from then on the
    LED is left dark."""
    pins = load("mudlark").boards[Role.CRAFT].pins
    spec = fresh("sim", f'[board.craft.pins]\nled = "{pins["pulse1"]}"\npulse1 = "{pins["led"]}"\n')

    run, verdict, harm = brought_up(spec, tmp_path)

    assert "output 1" in run.stages["outputs"].reason
    assert "LED" in run.stages["controls"].reason
    assert (verdict, harm) == (Verdict.FAIL, [])
