"""Every motor of a craft by itself: its place and its direction against the pair file, on the modelled motors."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from always_watched import ROOM_US, SOFT_US
from helpers_outputs import confirmed
from motor_run import motor_procedure
from needs import need_avr

import benchctl
from benchctl import benches, shipped
from benchctl.operate import Operation
from benchctl.procedure.file import load
from benchctl.runs.summary import StageSummary
from benchctl.terms import Role, Verdict

FOUR = (Path(benchctl.__file__).parent / "data" / "benches" / "four-motors.toml").read_text("utf-8")
RAMP = {"hold_seconds": 1.3, "step": 20.0}


@pytest.fixture
def ramp(tmp_path: Path) -> Iterator[Callable[..., tuple[Any, StageSummary]]]:
    made: list[Any] = []

    def run(text: str, kind: str = "sim") -> tuple[Any, StageSummary]:
        file = tmp_path / f"{len(made)}.toml"
        file.write_text(confirmed(text))
        bench: Any = benches.open_bench(str(file), kind=kind, seed=3)
        made.append(bench)
        procedure = motor_procedure(("throttle_ramp",), throttle_ramp=RAMP)
        done = Operation(procedure, bench, tmp_path / "runs", reports=False).perform()
        return bench, done.summary.stages["throttle_ramp"]

    yield run
    for bench in made:
        bench.close()


def test_each_motor_turns_alone_where_and_as_it_is_declared(ramp) -> None:
    bench, stage = ramp(FOUR)

    assert stage.verdict is Verdict.PASS
    motors = bench.world.boards[Role.CRAFT].motors
    assert {name: len(m.starts) for name, m in motors.items()} == dict.fromkeys(
        ("pulse2", "pulse3", "pulse4", "pulse5"), 2
    )
    spans = sorted((m.starts[0], m.starts[-1]) for m in motors.values())
    assert all(a[1] < b[0] for a, b in itertools.pairwise(spans)), "two motors turned at once"
    for n in range(2, 6):
        assert stage.readings[f"output{n}.place"].value == 1
        assert stage.readings[f"output{n}.direction"].value == 1
        assert stage.readings[f"output{n}.sag"].limit is not None
        assert stage.readings[f"output{n}.reached"].value == pytest.approx(20, abs=0.2)


@pytest.mark.parametrize("kind", ["sim", pytest.param("avr", marks=pytest.mark.long)])
def test_a_motor_that_turns_the_other_way_is_named_with_the_remedy(ramp, kind: str) -> None:
    if kind == "avr":
        need_avr()
    text = FOUR.replace("[board.craft.motor.pulse4]", '[board.craft.motor.pulse4]\nturns = "anticlockwise"')
    _, stage = ramp(text, kind)

    assert stage.verdict is Verdict.FAIL
    read = [stage.readings[name].value for n in range(2, 6) if (name := f"output{n}.direction") in stage.readings]
    assert read == [1, 1, 0], "each motor up to the wrong one, and none after it"
    assert "rear right" in stage.reason
    assert "exchange any two of its three leads" in stage.reason


def test_exchanged_signal_wires_are_named(ramp) -> None:
    """The wires of front right and rear left: what is driven as the one turns the other."""
    text = FOUR.replace("[board.craft.motor.pulse3]", '[board.craft.motor.pulse3]\nplace = "rear left"')
    text = text.replace("[board.craft.motor.pulse5]", '[board.craft.motor.pulse5]\nplace = "front right"')
    _, stage = ramp(text)

    assert stage.verdict is Verdict.FAIL
    assert stage.readings["output3.place"].value == 0
    assert "front right, and the motor at rear left turned" in stage.reason
    assert "exchange the signal wires" in stage.reason


def test_a_reversible_controller_is_ramped_both_ways(ramp) -> None:
    """From its neutral; the pulses stay within the cap on both sides, and the motor turns backwards too."""
    text = """name = "reversible"
[pair]
from = "mudlark"
[pair.board.craft.output.pulse2]
ways = "reversible"
idle_us = 1500
[board.craft.esc.pulse2]
reversible = true
[board.craft.motor.pulse2]
"""
    bench, stage = ramp(text)

    assert stage.verdict is Verdict.PASS, stage.reason
    esc = bench.world.boards[Role.CRAFT].escs["pulse2"]
    widths = [w for _, w in esc.above_idle]
    assert max(widths) == pytest.approx(1600, abs=1)
    assert min(widths) == pytest.approx(1400, abs=1)
    assert stage.readings["starts"].value == 3


TWO = """name = "two-idles"
[pair]
from = "mudlark"
[pair.board.craft.pins]
pulse3 = "D3"
[pair.board.craft.output.pulse2]
place = "left"
[pair.board.craft.output.pulse3]
drives = "motor"
ways = "one-way"
idle_us = 1100
full_us = 1900
place = "right"
turns = "clockwise"
[board.craft.esc.pulse2]
[board.craft.esc.pulse3]
[board.craft.motor.pulse3]
"""


@pytest.mark.parametrize("kind", ["sim", pytest.param("avr", marks=pytest.mark.long)])
def test_each_motor_has_its_own_idle_and_full(kind: str, tmp_path: Path) -> None:
    """1000 to 2000 and 1100 to 1900 us on one craft: told, confirmed, armed and ramped, each by its own."""
    if kind == "avr":
        need_avr()
    file = tmp_path / "two.toml"
    file.write_text(TWO)
    bench: Any = benches.open_bench(str(file), kind=kind, seed=3)
    try:
        craft = bench.world.boards[Role.CRAFT]
        widths: dict[str, list[float]] = {"pulse2": [], "pulse3": []}
        for name, seen in widths.items():
            craft.escs[name].told.append(lambda _, us, seen=seen: seen.append(us))
        names = ("outputs", "esc_arming", "throttle_ramp")
        whole = load(shipped.procedure("bring-up"))
        steps = [replace(s, after=tuple(n for n in s.after if n in names)) for s in whole.steps if s.name in names]
        steps = [replace(s, parameters={**s.parameters, **RAMP}) if s.name == "throttle_ramp" else s for s in steps]
        done = Operation(replace(whole, steps=tuple(steps)), bench, tmp_path / "runs", reports=False).perform()
        stages = done.summary.stages
        assert {n: (s.verdict, s.reason) for n, s in stages.items()} == dict.fromkeys(names, (Verdict.PASS, ""))
        for n, idle, span in ((2, 1000, 1000), (3, 1100, 800)):
            seen = widths[f"pulse{n}"]
            room = SOFT_US + ROOM_US if n == 3 and kind == "avr" else 1.5  # its pin has no compare unit
            assert min(seen) == pytest.approx(idle, abs=room)
            assert max(seen) == pytest.approx(idle + 0.2 * span, abs=room)
            assert stages["esc_arming"].readings[f"output{n}.idle_width"].value == pytest.approx(idle, abs=5)
            assert stages["throttle_ramp"].readings[f"output{n}.reached"].value == pytest.approx(20, abs=0.2)
            assert len(craft.motors[f"pulse{n}"].starts) == 2
        assert not bench.harm
    finally:
        bench.close()


def test_every_motor_is_cut_when_something_is_lost(tmp_path: Path) -> None:
    file = tmp_path / "four.toml"
    file.write_text(confirmed(FOUR))
    bench: Any = benches.open_bench(str(file), kind="sim", seed=3)
    few = {"repeats": 4, "resets": 0, "unplugs": 0}
    try:
        done = Operation(
            motor_procedure(("link_loss_cut",), link_loss_cut=few), bench, tmp_path / "runs", reports=False
        ).perform()
        stage = done.summary.stages["link_loss_cut"]
        assert stage.verdict is Verdict.PASS, stage.reason
        motors = bench.world.boards[Role.CRAFT].motors
        assert {name: len(m.starts) for name, m in motors.items()} == dict.fromkeys(
            ("pulse2", "pulse3", "pulse4", "pulse5"), 2
        )
    finally:
        bench.close()
