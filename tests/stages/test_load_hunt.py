"""The load hunt on the modelled bench: what it names, when it stops, and that it spins nothing."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers_outputs import PAIR, confirmed

import benchctl
from benchctl import benches
from benchctl.events import Event
from benchctl.procedure.file import Procedure, single_step
from benchctl.procedure.runner import Runner
from benchctl.runs.summary import Summary, summarise
from benchctl.terms import Role, Verdict
from benchctl.wire import msg
from benchctl.wire.catalogue import GuardState

BENCHES = Path(benchctl.__file__).parent / "data" / "benches"


def hunt(bench, **parameters) -> Summary:
    step = single_step("load_hunt")
    step = type(step)(step.name, step.stage, (), False, {**step.parameters, **parameters}, step.limits)
    events: list[Event] = []
    Runner(Procedure("hunt", "", "", (step,), ""), bench, events.append).run()
    return summarise(events)


@pytest.fixture
def sim():
    opened = []

    def make(name: str, seed: int = 3):
        opened.append(benches.open_bench(name, seed=seed))
        return opened[-1]

    yield make
    for bench in opened:
        bench.close()


def trials(summary: Summary, role: Role) -> int:
    return summary.stages["load_hunt"].readings[f"{role}.resets"].n


def test_a_healthy_pair_is_let_go_after_sixteen_quiet_trials_each(sim):
    summary = hunt(sim("sim"))

    assert summary.stages["load_hunt"].verdict is Verdict.PASS
    assert (trials(summary, Role.HAND), trials(summary, Role.CRAFT)) == (16, 16)


def test_sending_is_named_where_the_capacitor_is_too_small(sim):
    summary = hunt(sim("weak-capacitor"))

    readings = summary.stages["load_hunt"].readings
    assert readings["craft.trigger_transmit"].value == 1
    assert "craft.trigger_servo" not in readings
    assert readings["craft.radio_losses"].verdict is Verdict.FAIL


@pytest.fixture
def servo_on_logic(tmp_path: Path) -> str:
    """The shipped bench, its outputs confirmed before: an unconfirmed servo is no load."""
    file = tmp_path / "servo-on-logic.toml"
    file.write_text(confirmed((BENCHES / "servo-on-logic.toml").read_text("utf-8")), "utf-8")
    return str(file)


def test_the_servo_is_named_where_it_hangs_on_the_processors_rail(sim, servo_on_logic):
    summary = hunt(sim(servo_on_logic))

    readings = summary.stages["load_hunt"].readings
    assert readings["craft.trigger_servo"].value == 1
    assert "craft.trigger_transmit" not in readings
    assert readings["craft.resets"].value > 0
    assert any("the servo" in n.text and "at most 1 %" in n.text for n in summary.stages["load_hunt"].notes)


def test_the_plan_is_balanced_and_stops_once_the_trigger_is_known(sim, servo_on_logic):
    """16 combinations of four loads, each once: the craft's trigger shows in the first block already."""
    summary = hunt(sim(servo_on_logic), blocks=6)

    assert trials(summary, Role.CRAFT) == 16


def test_nothing_spins(sim):
    """No pulse above idle arrives at the motor controller and its guard is never armed."""
    bench = sim("sim")
    began = bench.now()

    hunt(bench)

    craft = bench.world.boards[Role.CRAFT]
    assert [at for esc in craft.escs.values() for at, _ in esc.above_idle if at >= began] == []
    assert bench.boards[Role.CRAFT].ask(msg.GuardRead()).state == GuardState.IDLE


def test_the_motors_idle_pulse_is_back_afterwards(sim):
    """The hunt takes it away in half of the trials."""
    bench = sim(PAIR)

    hunt(bench)

    assert bench.boards[Role.CRAFT].ask(msg.PulseRead(channel=2)).width == 2000


def test_ohms_of_the_supply_path_are_measured(sim):
    """6 Ω in the bench file, 0.02 Ω of joint, and no more than a converter's step off."""
    reading = hunt(sim("weak-source")).stages["load_hunt"].readings["hand.path_ohms"]

    assert reading.interval is not None
    assert reading.interval.low <= 6.02 <= reading.interval.high
