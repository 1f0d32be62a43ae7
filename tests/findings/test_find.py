"""Findings in words: evidence with its readings, what speaks against, the next test; from the log alone."""

from __future__ import annotations

import copy
from pathlib import Path

import pytest
from helpers_bench import mudlark
from needs import needs

from benchctl import benches, shipped
from benchctl.avr.build_shim import available
from benchctl.findings import find
from benchctl.operate import Operation
from benchctl.procedure.file import load
from benchctl.runs.log import read
from benchctl.runs.summary import summarise
from benchctl.terms import Role, Verdict, readable

NEEDS_AVR = needs(available())


def perform(bench: str, procedure: str, out: Path, kind: str = "sim", **more):
    """The run; no pulse above idle may have come to a motor controller."""
    opened = benches.open_bench(bench, kind=kind, seed=5)
    try:
        result = Operation(load(shipped.procedure(procedure)), opened, out, **more).perform()
        assert not any(esc.above_idle for esc in opened.world.boards[Role.CRAFT].escs.values())
        return result
    finally:
        opened.close()


def test_evidence_quotes_the_readings(hunted):
    finding = find(hunted("bad-joint"))[0]

    assert any("source's resistance, hand" in line and "Ω" in line for line in finding.evidence)


#: an amplified transceiver, and a regulator that can feed it and its neighbour on average but for a few mA
STARVED = """
name = "starved"
[pair]
from = "mudlark"
board.hand.radio.kind = "amplified"
[board.hand.rail.radio]
regulator_limit_ma = 47
bulk_uf = 26
[board.hand.load.extra]
rail = "radio"
steady_ma = 24
"""


@pytest.mark.long
def test_what_a_cause_predicts_and_is_not_there_speaks_against_it(hunted):
    found = find(hunted(STARVED))

    regulator = next(f for f in found if f.cause == "regulator")
    assert any("transceiver's supply" in line for line in regulator.against)  # not below what it should be, at rest
    assert not set(regulator.against) & set(regulator.evidence)


def test_ranks_and_confidences_go_down(hunted):
    found = find(hunted("bad-joint"))

    assert [f.rank for f in found] == list(range(1, len(found) + 1))
    assert [f.confidence for f in found] == sorted((f.confidence for f in found), reverse=True)


def test_a_record_read_back_has_the_same_findings(tmp_path: Path):
    """The run's own findings against those made anew from its folder."""
    result = perform("no-transceiver", "radio-link", tmp_path)

    assert [f.cause for f in result.summary.findings][:1] == ["no_transceiver"]
    again = find(summarise(e for e in read(result.folder).events if type(e).__name__ != "FindingMade"))
    assert [(f.cause, f.board, f.confidence) for f in again] == [
        (f.cause, f.board, f.confidence) for f in result.summary.findings
    ]


@pytest.mark.parametrize("kind", ["sim", pytest.param("avr", marks=(NEEDS_AVR, pytest.mark.long))])
def test_the_hunt_is_added_where_it_would_tell_causes_apart(tmp_path: Path, kind: str):
    """A radio link dies of a starved transceiver: without the supply stage the hunt is what is left to look."""
    result = perform("weak-capacitor", "radio-link", tmp_path, kind=kind, hunt=True)

    assert result.summary.stages["load_hunt"].readings["craft.trigger_transmit"].value == 1
    assert result.exit_code == 1


def test_the_hunt_is_not_added_to_a_healthy_run(tmp_path: Path):
    result = perform("sim", "radio-link", tmp_path, hunt=True)

    assert "load_hunt" not in result.summary.stages
    assert result.summary.findings == []


@pytest.mark.long
def test_a_switch_that_chatters_is_no_bad_cable(hunted):
    """A hundred edges in some ms are more than the board can keep: what it never sent was not lost on the wire."""
    text = 'name = "chatter"\npair = "mudlark"\n[board.hand.switch.switch1]\nbounce_count = 80\nbounce_us = 8000\n'
    summary = hunted(text)

    assert summary.boards[Role.HAND].lost_events > 0
    assert summary.boards[Role.HAND].damaged == 0
    assert not [f for f in find(summary) if f.cause == "serial_drops"]


@pytest.mark.long
def test_lost_pulses_are_settled_by_a_meter(hunted):
    """It armed and stopped again: with no ground beside the signal the pulses arrive only now and then. A count by a
    person is weak evidence; the grounds are metered then."""
    text = 'name = "one beep"\npair = "mudlark"\n[board.craft.esc.pulse2]\nsignal_ground = false\nlost_s = 0.08\nbeeps = 1\n'
    found = find(hunted(text))

    assert [f.cause for f in found[:1]] == ["signal_ground"]
    assert found[0].confidence > 0.9


def test_a_failed_limit_that_nothing_explains_is_told_as_that(hunted):
    """No cause is named, not even of what was not looked at: the motor stages did not run. Nor is it passed over."""
    summary = hunted("mudlark")
    spoilt = copy.deepcopy(summary)
    for name in ("esc_arming", "throttle_ramp"):
        spoilt.stages[name].verdict = Verdict.NOT_RUN
    spoilt.stages["link"].verdict = Verdict.FAIL

    assert find(summary) == []
    (found,) = find(spoilt)
    assert (found.cause, found.title) == ("unknown", "no known cause fits")
    assert found.next_test


@pytest.mark.long
def test_a_person_who_miscounts_causes_no_finding(hunted):
    """Blinks that were counted wrong are counted again; of the others a wrong count is weak evidence."""
    for seed in (11, 12, 13):
        summary = hunted(mudlark('[board.hand]\n[board.craft]\n[operator]\nmiscount_probability = 0.15\n', "miscounts"), seed)

        assert [f.cause for f in find(summary) if f.confidence > 0.5 and f.cause != "unknown"] == []
        assert all(summary.stages["controls"].readings[f"{r}.led_missed"].value == 0 for r in (Role.HAND, Role.CRAFT))


@pytest.mark.long
def test_a_controller_that_beeps_otherwise_is_not_told_to_lack_its_ground(hunted):
    assert find(hunted(mudlark('[board.hand]\n[board.craft.esc.pulse2]\nbeeps = 3\n', "three beeps"))) == []


def test_trouble_on_the_hands_cable_keeps_nobody_from_examining_the_craft(hunted):
    text = mudlark("[board.hand.serial]\ndrop_per_million = 20000\n[board.craft.imu]\naddress = 0x69", "two")
    summary = hunted(text)

    for kind in ("identity", "supply", "transceiver", "inertial"):
        assert any(r.board in (Role.CRAFT, None) for r in summary.stages[kind].readings.values()), kind
    assert {(f.cause, f.board) for f in find(summary)} >= {("serial_drops", Role.HAND), ("imu_address", Role.CRAFT)}


@pytest.mark.long
def test_what_only_the_reserve_covers_is_told_as_reserve(hunted):
    """A servo of 650 mA on the processor's source costs 0.15 V of the 0.4 V allowed: the run passes, and says so."""
    rail = 'fed_from = "main"\nregulator_volts = 0\nregulator_limit_ma = 0\nseries_ohms = 0.1\nbulk_uf = 10'
    summary = hunted(mudlark(f"[board.hand]\n[board.craft.rail.servo]\n{rail}", "reserve"))

    assert summary.verdict is Verdict.PASS
    assert [f.title for f in find(summary) if not f.title.startswith("passes, by its reserve only")] == []


@pytest.mark.long
def test_no_test_is_advised_that_the_run_has_made(hunted):
    for bench in ("weak-capacitor", "lost-antenna", "weak-source", "busy-air"):
        summary = hunted(bench)
        made = [s.kind for s in summary.stages.values() if s.readings]

        assert [f.next_test for f in find(summary) if any(f"run the stage “{readable(kind)}”" in f.next_test for kind in made)] == []
