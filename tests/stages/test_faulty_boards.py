"""A bench file with one thing wrong makes exactly the right stage fail, with a reason a maker can act on."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchctl import benches, shipped
from benchctl.operate import Operation, Result
from benchctl.procedure.file import load
from benchctl.terms import Role, Verdict

#: (name, bench file, the one stage that fails, what its reason says)
FAULTS = [
    ("open joystick axis", "[board.hand.joystick.y]\nopen = true", "controls", r"y axis.*, hand: |axes are exchanged"),
    ("joystick axes swapped", "[board.hand.joystick]\nswapped = true", "controls", "two axes are exchanged"),
    ("joystick unpowered", "[board.hand.joystick]\nunpowered = true", "controls", r"x axis.*, hand: "),
    ("stuck switch", '[board.hand.switch.switch1]\nstuck = "open"', "controls", "switch1 never changed"),
    ("switch held down", '[board.hand.switch.switch1]\nstuck = "closed"', "controls", r"switch 1 rests where it should .*, hand: 0"),
    ("30 ms of bounce", "[board.hand.switch.switch2]\nbounce_us = 30000.0\nbounce_count = 20", "controls", "switch 2: longest bounce, hand: "),
    ("servo gain 20 % low", "[board.craft.servo.pulse1]\ngain = 0.8", "joystick_to_servo", "travel for 1000 µs: 7"),
    ("servo gain 20 % high", "[board.craft.servo.pulse1]\ngain = 1.2", "joystick_to_servo", "travel for 1000 µs: 10"),
    ("sensor at its second address", "[board.craft.imu]\naddress = 0x69", "inertial", "second address 0x69.*AD0"),
    ("sensor fails its self-test", "[board.craft.imu.gyro_test_pct]\ny = 19.0", "inertial", "gyroscope's self-test, y: 1"),
    ("no sensor", "[board.craft.imu]\nfitted = false", "inertial", "no inertial sensor answers"),
    ("3.6 V under 16 MHz", "[board.hand.rail.main]\nsource_volts = 3.61", "supply", "supply above what the clock needs, hand: "),
]
#: harm of the fault itself: the craft's 5 V reach the hand unit of 3.6 V through the jumpers
HARM = {"3.6 V under 16 MHz": [pytest.mark.harm("fed")]}
ALL = ("supply", "controls", "joystick_to_servo", "inertial")


def bench_file(fault: str, folder: Path) -> str:
    path = folder / "bench.toml"
    path.write_text(f'name = "faulty"\npair = "mudlark"\n{fault}\n')
    return str(path)


def perform(kind: str, fault: str, folder: Path, seed: int = 11) -> Result:
    bench = benches.open_bench(bench_file(fault, folder), kind=kind, seed=seed)
    try:
        procedure = load(shipped.procedure("no-motor"))
        keep = [s.name for s in procedure.steps if s.stage.kind not in ("soak", "button_to_led")]
        return Operation(procedure.only(keep), bench, folder / "runs", reports=False).perform()
    finally:
        bench.close()


def fault_cases() -> list[object]:
    """The first in the short part: findings and the stages' own tests have the others there."""
    return [
        pytest.param(*case, id=name, marks=[*HARM.get(name, []), *[pytest.mark.long] * (n > 0)])
        for n, (name, *case) in enumerate(FAULTS)
    ]


@pytest.mark.parametrize(("fault", "stage", "said"), fault_cases())
def test_exactly_the_right_stage_fails(fault: str, stage: str, said: str, tmp_path: Path) -> None:
    """Only that stage fails; those that need it are not run, everything else passes."""
    result = perform("sim", fault, tmp_path)

    verdicts = {s.name: s.verdict for s in result.summary.stages.values()}
    failed = [name for name, v in verdicts.items() if v is Verdict.FAIL]
    assert failed == [stage], {n: (v, result.summary.stages[n].reason) for n, v in verdicts.items()}
    assert re.search(said, result.summary.stages[stage].reason), result.summary.stages[stage].reason
    assert all(v in (Verdict.PASS, Verdict.NOT_RUN) for n, v in verdicts.items() if n != stage)
    assert result.exit_code == 1


@pytest.mark.long
def test_a_healthy_pair_passes_everything_that_spins_nothing(tmp_path: Path) -> None:
    result = perform("sim", "", tmp_path)

    assert {s.verdict for s in result.summary.stages.values()} == {Verdict.PASS}
    assert result.exit_code == 0


def test_without_an_operator_stages_that_need_one_are_never_passed(tmp_path: Path) -> None:
    result = perform("sim", "[operator]\npresent = false", tmp_path)

    stages = result.summary.stages
    assert stages["before_power"].verdict in (Verdict.UNDECIDED, Verdict.NOT_RUN)
    assert stages["controls"].verdict is not Verdict.PASS
    assert result.exit_code != 0


def test_a_check_that_is_not_confirmed_leaves_before_power_undecided(tmp_path: Path) -> None:
    result = perform("sim", '[operator]\nsays_no = ["bridges"]', tmp_path)

    stage = result.summary.stages["before_power"]
    assert stage.verdict is Verdict.UNDECIDED
    assert "solder bridges" in stage.reason
    assert result.summary.stages["identity"].verdict is not Verdict.PASS


def test_a_short_is_found_before_power(tmp_path: Path) -> None:
    result = perform("sim", "[board.hand.rail.radio]\nleak_ohms = 3.0", tmp_path)

    assert result.summary.stages["before_power"].verdict is Verdict.FAIL
    assert re.search(r"transceiver's supply to ground, unpowered, hand: (2.9|3)", result.summary.stages["before_power"].reason)
    assert result.summary.stages["identity"].verdict is Verdict.NOT_RUN
    assert not result.summary.boards[Role.HAND].seen, "nothing is talked to before it may be powered"
