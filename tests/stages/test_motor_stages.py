"""Arming, ramp and cut: they pass on a healthy pair, and say what is wrong with one that is not."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from motor_run import MOTOR, motor_procedure, operation
from needs import need_avr

from benchctl import events as ev
from benchctl.findings.evidence import evidence
from benchctl.findings.record import MISCOUNT
from benchctl.operate import Operation, Result
from benchctl.operators import NoOperator
from benchctl.report.write import render_run
from benchctl.runs.log import read
from benchctl.runs.summary import summarise
from benchctl.terms import Role, Verdict

Perform = Callable[..., tuple[Operation, Result]]


@pytest.fixture
def perform(tmp_path: Path) -> Iterator[Perform]:
    """perform(text=…, …): the run and its result; the bench is closed after the test."""
    made: list[Operation] = []

    def run(**more: Any) -> tuple[Operation, Result]:
        made.append(operation(tmp_path / str(len(made)), **more))
        return made[-1], made[-1].perform()

    yield run
    for one in made:
        one.bench.close()


@pytest.fixture
def avr_here() -> None:
    """Skipped where the simulator library is missing, unless BENCHCTL_REQUIRE_AVR forbids that."""
    need_avr()


def verdicts(result: Result) -> dict[str, Verdict]:
    return {name: s.verdict for name, s in result.summary.stages.items()}


def reading(result: Result, stage: str, name: str) -> float:
    return float(result.summary.stages[stage].readings[name].value)


def test_a_healthy_pair_passes(perform) -> None:
    run, result = perform()

    assert verdicts(result) == dict.fromkeys(MOTOR, Verdict.PASS), {
        n: s.reason for n, s in result.summary.stages.items()
    }
    assert reading(result, "esc_arming", "beeps") == 2
    assert reading(result, "throttle_ramp", "reached") == pytest.approx(20, abs=0.2)
    # 250 ms of silence or keep-alive, from the last packet or request, and the frame under way
    assert 250 <= reading(result, "link_loss_cut", "radio_cut") <= 292
    assert 250 <= reading(result, "link_loss_cut", "host_cut") <= 292
    assert 250 <= reading(result, "link_loss_cut", "hand_power_cut") <= 292
    esc: Any = run.bench.world.boards[Role.CRAFT].escs["pulse2"]
    assert max(w for _, w in esc.above_idle) <= 1200.5


@pytest.mark.long
def test_a_healthy_pair_passes_on_the_real_firmware(perform, avr_here: None) -> None:
    _, result = perform(kind="avr", procedure=motor_procedure(link_loss_cut={"repeats": 2, "resets": 1, "unplugs": 1}))

    assert verdicts(result) == dict.fromkeys(MOTOR, Verdict.PASS), {
        n: s.reason for n, s in result.summary.stages.items()
    }


def test_the_report_tells_attestations_cap_and_every_cut(perform) -> None:
    _, result = perform(procedure=motor_procedure(("esc_arming", "link_loss_cut")))
    text = render_run(result.folder, "text")

    assert "Propellers and fans are off every motor." in text
    assert "cut-off after radio loss" in text
    assert "cut-off after loss of the host" in text


def test_a_craft_that_cuts_late_fails_with_the_time(perform) -> None:
    """Silence limit of 2 s in the craft's settings."""
    text = "[board.hand]\n[board.craft]\n[board.craft.settings]\nsilence_ms = 2000\n"
    _, result = perform(text=text, procedure=motor_procedure(link_loss_cut={"repeats": 2, "resets": 0, "unplugs": 0}))

    assert verdicts(result)["link_loss_cut"] is Verdict.FAIL
    assert reading(result, "link_loss_cut", "radio_cut") == pytest.approx(2020, abs=25)
    assert re.search(r"cut-off after radio loss: (2\.0|20)", result.summary.stages["link_loss_cut"].reason)


@pytest.mark.parametrize("statement", ["props_off", "cut_off_in_reach"])
def test_without_an_attestation_nothing_is_run(perform, statement: str) -> None:
    text = f'[board.hand]\n[board.craft]\n[operator]\nsays_no = ["{statement}"]\n'
    run, result = perform(text=text)

    assert set(verdicts(result).values()) == {Verdict.NOT_RUN}
    assert "not attested" in result.summary.stages["esc_arming"].reason
    esc: Any = run.bench.world.boards[Role.CRAFT].escs["pulse2"]
    assert esc.above_idle == []


def test_without_an_operator_nothing_is_run(perform) -> None:
    _, result = perform(operator=NoOperator())

    assert set(verdicts(result).values()) == {Verdict.NOT_RUN}
    assert "operator" in result.summary.stages["esc_arming"].reason


def test_more_than_twenty_percent_asks_for_one_attestation_more(perform) -> None:
    said: list[ev.Event] = []
    procedure = motor_procedure(("throttle_ramp",), throttle_ramp={"cap": 25.0, "step": 25.0, "hold_seconds": 1.5})
    allowing = "[board.hand]\n[board.craft]\n[board.craft.settings]\ncap_permille = 300\n"
    _, result = perform(text=allowing, procedure=procedure, readers=[said.append])

    given = [e.what for e in said if isinstance(e, ev.Attestation)]
    assert given[-1] == "higher_cap"
    assert reading(result, "throttle_ramp", "reached") == pytest.approx(25, abs=0.2)

    text = '[board.hand]\n[board.craft]\n[operator]\nsays_no = ["higher_cap"]\n'
    _, refused = perform(text=text, procedure=procedure)
    assert verdicts(refused) == {"throttle_ramp": Verdict.NOT_RUN}


@pytest.mark.harm("pulse", "turning")  # any idle pulse is above its end point
def test_a_controller_without_its_end_points_taught_does_not_arm(perform) -> None:
    """It wants 900 us or less for idle and gets 1000."""
    text = "[board.hand]\n[board.craft]\n[board.craft.esc.pulse2]\nmin_us = 900.0\n"
    _, result = perform(text=text, procedure=motor_procedure(("esc_arming", "throttle_ramp")))

    assert verdicts(result) == {"esc_arming": Verdict.FAIL, "throttle_ramp": Verdict.NOT_RUN}
    assert "no beeps" in result.summary.stages["esc_arming"].reason


def test_a_shaking_motor_breaks_the_ramp_off(perform) -> None:
    """The vibration is past the abort limit at the first step; the motor is idle again."""
    text = "[board.hand]\n[board.craft]\n[board.craft.motor.pulse2]\nvibration_g = 8.0\n"
    procedure = motor_procedure(
        ("throttle_ramp",), throttle_ramp={"abort_vibration": 0.05, "step": 20.0, "hold_seconds": 1.5}
    )
    run, result = perform(text=text, procedure=procedure)

    assert verdicts(result) == {"throttle_ramp": Verdict.FAIL}
    assert "aborted: vibration" in result.summary.stages["throttle_ramp"].reason
    esc: Any = run.bench.world.boards[Role.CRAFT].escs["pulse2"]
    run.bench.wait(0.05)
    assert esc.last_width_us == pytest.approx(1000, abs=1)


@pytest.mark.parametrize("kind", ["sim", pytest.param("avr", marks=pytest.mark.long)])
def test_a_motor_that_starts_and_stops_by_itself_is_counted(perform, kind: str, request) -> None:
    """No ground beside the signal: the controller loses the pulses for longer than it bears, several times a ramp."""
    if kind == "avr":
        request.getfixturevalue("avr_here")
    text = (
        "[board.hand]\n[board.craft]\n[board.craft.esc.pulse2]\nsignal_ground = false\nneeds_arming = false\n"
        "lost_s = 0.1\n"
    )
    _, result = perform(text=text, kind=kind, procedure=motor_procedure(("throttle_ramp",)))

    assert verdicts(result) == {"throttle_ramp": Verdict.FAIL}
    assert reading(result, "throttle_ramp", "starts") > 2
    assert "signal and ground lead" in result.summary.stages["throttle_ramp"].reason


def test_a_motor_that_stands_still_fails_the_ramp(perform) -> None:
    """Every pulse is as it should be, and nothing turns: only the person sees it."""
    text = "[board.hand]\n[board.craft]\n[board.craft.esc.pulse2]\nplugged = false\n"
    _, result = perform(text=text, procedure=motor_procedure(("throttle_ramp",)))

    assert verdicts(result) == {"throttle_ramp": Verdict.FAIL}
    assert reading(result, "throttle_ramp", "starts") == 0
    assert reading(result, "throttle_ramp", "reached") == pytest.approx(20, abs=0.2)


def test_a_wrong_count_of_starts_is_made_again_and_a_right_one_is_not(perform) -> None:
    """A person who counts one too many or too few each time: three counts, each with the motor started anew."""
    wrong = "[board.hand]\n[board.craft]\n[operator]\nmiscount_probability = 1.0\n"
    runs = [perform(text=text, procedure=motor_procedure(("throttle_ramp",)))[1] for text in (wrong, "[board.hand]\n[board.craft]\n")]

    assert [r.summary.stages["throttle_ramp"].readings["starts"].n for r in runs] == [3, 1]
    assert [verdicts(r)["throttle_ramp"] for r in runs] == [Verdict.FAIL, Verdict.PASS]
    stutters = [next(e for e in evidence(r.summary) if e.name == "stutters") for r in runs]
    assert [(e.holds, e.error) for e in stutters] == [(True, pytest.approx(MISCOUNT**3)), (False, MISCOUNT)]


def test_beeps_that_are_not_as_recorded_are_heard_again(perform) -> None:
    """Two are on record, three come: the battery is unplugged and connected again, twice, before that is believed."""
    text = (
        "[board.hand]\n[board.craft]\nsettings.start_sound = 102\n[board.craft.esc.pulse2]\nbeeps = 3\n"
    )
    _, result = perform(text=text, procedure=motor_procedure(("esc_arming",)))

    assert verdicts(result) == {"esc_arming": Verdict.FAIL}
    beeps = result.summary.stages["esc_arming"].readings["beeps"]
    assert (beeps.value, beeps.n) == (3, 3)


def test_a_ramp_too_low_to_turn_a_motor_asks_for_no_count(perform) -> None:
    said: list[ev.Event] = []
    procedure = motor_procedure(("throttle_ramp",), throttle_ramp={"cap": 8.0, "step": 4.0})
    _, result = perform(procedure=procedure, readers=[said.append])

    assert verdicts(result) == {"throttle_ramp": Verdict.PASS}
    assert "starts" not in result.summary.stages["throttle_ramp"].readings
    assert not [e for e in said if isinstance(e, ev.Prompt) and e.action in ("watch_motor", "count_starts")]


def test_another_run_on_the_same_bench_starts_from_nothing(tmp_path: Path) -> None:
    """Nothing of an earlier run counts: its attestations are asked for anew, and nothing is armed meanwhile."""
    said: list[ev.Event] = []
    procedure = motor_procedure(("throttle_ramp",))
    first = operation(tmp_path / "one", procedure=procedure)
    try:
        assert first.perform().verdict is Verdict.PASS
        esc: Any = first.bench.world.boards[Role.CRAFT].escs["pulse2"]
        esc.above_idle.clear()

        second = Operation(procedure, first.bench, tmp_path / "runs", operator=NoOperator(), readers=[said.append])
        assert verdicts(second.perform()) == {"throttle_ramp": Verdict.NOT_RUN}
        assert esc.above_idle == []
        third = Operation(
            procedure, first.bench, tmp_path / "runs", operator=first.bench.world.operator, readers=[said.append]
        )
        assert third.perform().verdict is Verdict.PASS
        assert len([e for e in said if isinstance(e, ev.Attestation) and e.accepted]) == 6
    finally:
        first.bench.close()


def test_a_recorded_run_moves_nothing_when_it_is_read(perform) -> None:
    """Every reader gets the events of a run that drove a motor; the bench it ran on hears nothing."""
    run, result = perform(procedure=motor_procedure(("throttle_ramp",)))
    bench: Any = run.bench
    written: list[bytes] = []
    for port in bench.ports.values():
        port.write = port.urgent = written.append
    before = bench.now()
    events = read(result.folder).events
    again = summarise(events)

    assert any(isinstance(e, ev.OutputsLive) and e.live for e in events)
    assert again.stages["throttle_ramp"].verdict is Verdict.PASS
    assert render_run(result.folder, "text")
    assert (written, bench.now()) == ([], before)
