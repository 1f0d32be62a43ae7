"""What hangs at the pulse outputs is confirmed by a small movement; a motor at a servo's header never turns.

Judged on the modelled motor, not on the pulses alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import chain, repeat
from pathlib import Path
from typing import Any

import pytest
from helpers_bench import mudlark
from helpers_outputs import confirmed
from motor_run import motor_procedure, operation
from needs import need_avr

from benchctl import benches, shipped
from benchctl import events as ev
from benchctl.facts import OutputRestarts
from benchctl.operate import Operation, Result
from benchctl.procedure.file import load
from benchctl.runs.summary import StageSummary
from benchctl.stages import throttle_ramp
from benchctl.stages.outputs import confirmed_outputs
from benchctl.terms import Role, Verdict

CRAFT = "[board.hand]\n[board.craft]\n"
#: the servo's header and the motor controller's are exchanged on the board
EXCHANGED = '[board.hand]\n[board.craft]\npins = { pulse1 = "D10", pulse2 = "D9" }\n'
MOVING = ("bring-up", "regression", "fault-hunt", "soak", "no-motor")


class Watched:
    """A run whose motor is looked at every 10 ms."""

    def __init__(self, folder: Path, text: str, kind: str = "sim", procedure: Any = None, settled: bool = False) -> None:
        folder.mkdir(exist_ok=True)
        file = folder / "bench.toml"
        whole = mudlark(text, "outputs")
        file.write_text(confirmed(whole) if settled else whole)
        self.bench: Any = benches.open_bench(str(file), kind=kind, seed=3)
        self.said: list[ev.Event] = []
        self.turning: list[float] = []
        self.motor = self.bench.world.boards[Role.CRAFT].motors["pulse2"]
        self._agenda = self.bench.world.agenda
        self._look()
        self.run = Operation(procedure, self.bench, folder / "runs", readers=[self.said.append], reports=False)
        self.result: Result = self.run.perform()

    def _look(self) -> None:
        if self.motor.spinning:
            self.turning.append(self._agenda.now)
        self._agenda.after(0.01, self._look)

    @property
    def stages(self) -> dict[str, StageSummary]:
        return dict(self.result.summary.stages)

    def attested(self, name: str) -> int:
        return sum(e.accepted for e in self.said if isinstance(e, ev.Attestation) and e.what == name)


@pytest.fixture
def watch(tmp_path: Path) -> Iterator[Callable[..., Watched]]:
    made: list[Watched] = []

    def run(text: str = CRAFT, **more: Any) -> Watched:
        made.append(Watched(tmp_path / str(len(made)), text, **more))
        return made[-1]

    yield run
    for one in made:
        one.bench.close()


def first_stages(*names: str) -> Any:
    """The named stages of the bring-up, on their own."""
    whole = load(shipped.procedure("bring-up"))
    steps = [replace(s, after=tuple(a for a in s.after if a in names)) for s in whole.steps if s.name in names]
    return replace(whole, steps=tuple(steps))


@pytest.mark.parametrize("kind", ["sim", "avr"])
def test_each_output_is_tried_and_confirmed(watch, kind: str) -> None:
    """Silent before; servo a little to either side of its centre, the controller at its idle; kept over a restart."""
    if kind == "avr":
        need_avr()
    done = watch(kind=kind, procedure=first_stages("identity", "outputs"))

    assert done.stages["outputs"].verdict is Verdict.PASS
    assert done.attested("supply_off") == 1
    board = done.bench.world.boards[Role.CRAFT]
    moved = [abs(way) for _, way in board.servos["pulse1"].moves]
    assert max(moved) <= 0.11 * board.servos["pulse1"].spec.deg_per_ms
    assert done.turning == []
    craft = done.bench.boards[Role.CRAFT]
    craft.restart()
    assert confirmed_outputs(craft) == {1, 2}


@pytest.mark.parametrize(
    ("fed", "words"),
    [("", "if they have one of their own"), ("own", "own supply on now"), ("motor battery", "take that wire off"),
     ("logic", "")],
)  # fmt: skip
def test_the_servos_supply_is_asked_for_by_itself(watch, tmp_path: Path, fed: str, words: str) -> None:
    """After the motors' battery is attested off and before anything is tried; not where the logic's rail feeds them."""
    text = CRAFT + (f'[pair.board.craft.supply]\nservo_fed_by = "{fed}"\n' if fed else "")
    done = watch(text, procedure=first_stages("identity", "outputs"))
    asked = [e for e in done.said if isinstance(e, ev.Prompt)]
    actions = [e.action for e in asked]

    assert done.stages["outputs"].verdict is Verdict.PASS
    assert actions == ["attest", *(["feed_servos"] if words else []), *["watch_outputs", "what_moved"] * 2]
    if words:
        assert words in asked[1].text
        assert asked[1].text.endswith("The motors' battery stays unplugged.")


def test_where_nothing_has_changed_it_is_asked_and_no_more(watch) -> None:
    done = watch(procedure=first_stages("identity", "outputs"), settled=True)

    assert done.stages["outputs"].verdict is Verdict.PASS
    assert done.attested("supply_off") == 0
    assert done.bench.world.boards[Role.CRAFT].servos["pulse1"].moves == []


SERVO_ON_LOGIC = """
[pair.board.craft.supply]
brown_out_v = 4.3
[board.hand]
[board.craft.rail.main]
series_ohms = 0.8
[board.craft.servo.pulse1]
rail = "main"
stall_ma = 1200
"""


def test_a_movement_that_restarts_the_board_is_told_as_that_and_nothing_more_is_tried(watch) -> None:
    """1.2 A through 0.8 Ohm take 5 V below the detector's 4.3 V; the motor's output is left alone."""
    done = watch(SERVO_ON_LOGIC, procedure=first_stages("identity", "outputs"))

    outputs = done.stages["outputs"]
    assert outputs.verdict is Verdict.FAIL
    assert outputs.facts == [OutputRestarts(Role.CRAFT, 1, "servo", "brown-out")]
    assert confirmed_outputs(done.bench.boards[Role.CRAFT]) == set()


@pytest.mark.parametrize("name", [n if n == "bring-up" else pytest.param(n, marks=pytest.mark.long) for n in MOVING])
def test_exchanged_headers_never_turn_the_motor(watch, name: str) -> None:
    """No procedure turns it; the outputs stage says what is wrong, and nothing that moves comes after it."""
    done = watch(EXCHANGED, procedure=load(shipped.procedure(name)))

    assert done.turning == []
    assert done.stages["outputs"].verdict is Verdict.FAIL
    assert "output 1" in done.stages["outputs"].reason
    assert done.motor.starts == []


@pytest.mark.long
def test_exchanged_headers_never_turn_the_motor_on_the_real_firmware(watch) -> None:
    need_avr()
    done = watch(EXCHANGED, kind="avr", procedure=load(shipped.procedure("bring-up")))

    assert done.turning == []
    assert done.stages["outputs"].verdict is Verdict.FAIL


@pytest.mark.parametrize("kind", ["sim", pytest.param("avr", marks=pytest.mark.long)])
def test_a_false_attestation_costs_a_twitch_at_most(watch, kind: str) -> None:
    """The battery is plugged in, whatever was attested, and the controller turns without having been armed."""
    if kind == "avr":
        need_avr()
    text = 'harm = ["pulse", "turning"]\n' + EXCHANGED
    text += '[board.craft.esc.pulse2]\nneeds_arming = false\n[operator]\nonly_says = ["supply_off"]\n'
    done = watch(text, kind=kind, procedure=load(shipped.procedure("no-motor")))

    assert done.turning, "the test is to see a motor that twitches"
    assert done.turning[-1] - done.turning[0] < 1.5
    assert done.stages["outputs"].verdict is Verdict.FAIL
    assert "a motor moved" in done.stages["outputs"].reason
    assert not done.motor.spinning


def test_a_controller_whose_end_points_were_never_taught_never_turns(watch) -> None:
    """It arms on the shorter pulse that is tried; its pulses are taken away, and stay away."""
    text = 'harm = ["pulse"]\n' + CRAFT + "[board.craft.esc.pulse2]\nmin_us = 950\n"
    done = watch(text, procedure=motor_procedure(("esc_arming",)), settled=True)
    reading = done.stages["esc_arming"].readings

    assert done.stages["esc_arming"].verdict is Verdict.FAIL
    assert reading["beeps_low_idle"].value > 0
    assert done.turning == []
    craft, esc = done.bench.boards[Role.CRAFT], done.bench.world.boards[Role.CRAFT].escs["pulse2"]
    assert craft.read_setting("idle_us") == 1000
    done.bench.wait(0.3)
    before = esc.pulses
    done.bench.world.boards[Role.CRAFT].plug_motor(True, done.bench.now())
    done.bench.wait(5.0)
    assert esc.pulses == before
    assert done.turning == []


def test_a_motor_that_turns_at_idle_has_its_pulses_taken_away(watch) -> None:
    """No arming needed, and idle above what it takes for rest: it turns as soon as the battery is plugged in."""
    text = 'harm = ["pulse", "turning"]\n' + CRAFT
    text += "[board.craft.esc.pulse2]\nmin_us = 900\nneeds_arming = false\nplugged = false\n"
    done = watch(text, procedure=motor_procedure(("esc_arming",)), settled=True)

    assert "a motor turned at the idle pulse" in done.stages["esc_arming"].reason
    assert done.turning
    done.bench.wait(2.0)
    assert not done.motor.spinning
    assert confirmed_outputs(done.bench.boards[Role.CRAFT]) == {1}


def test_start_up_sounds_are_recorded_and_expected_the_same_later(watch) -> None:
    """A tune is as good as beeps; another sound than the one recorded fails and says both."""
    tune = '[board.craft.esc.pulse2]\nsound = "tune"\n'
    first = watch(CRAFT + tune, procedure=motor_procedure(("esc_arming",)), settled=True)
    assert first.stages["esc_arming"].verdict is Verdict.PASS
    recorded = first.bench.boards[Role.CRAFT].read_setting("start_sound")
    assert recorded == 200

    settings = f"[board.craft.settings]\nstart_sound = {recorded}\n"
    same = watch(CRAFT + settings + tune, procedure=motor_procedure(("esc_arming",)), settled=True)
    assert same.stages["esc_arming"].verdict is Verdict.PASS
    other = watch(CRAFT + settings, procedure=motor_procedure(("esc_arming",)), settled=True)
    assert other.stages["esc_arming"].verdict is Verdict.FAIL
    assert "beeps (2)" in other.stages["esc_arming"].reason
    assert "tune" in other.stages["esc_arming"].reason


@pytest.mark.parametrize("name", ["soak", pytest.param("regression", marks=pytest.mark.long)])
def test_servos_swing_only_with_the_battery_attested_off(watch, name: str) -> None:
    text = CRAFT + '[operator]\nsays_no = ["supply_off"]\n'
    done = watch(text, procedure=load(shipped.procedure(name)), settled=True)
    swinging = {"joystick_to_servo", "soak", "supply"} & set(done.stages)

    assert swinging
    assert all(done.stages[s].verdict is Verdict.NOT_RUN for s in swinging)
    assert all(abs(w) < 1 for _, w in done.bench.world.boards[Role.CRAFT].servos["pulse1"].moves)


def test_a_sag_breaks_the_ramp_off(tmp_path: Path, monkeypatch) -> None:
    """The supply falls by 1 V as the throttle rises."""
    volts = chain(repeat(5.0, 3), repeat(4.0))
    monkeypatch.setattr(throttle_ramp, "_vcc", lambda ctx: next(volts))
    run = operation(tmp_path, text=CRAFT, procedure=motor_procedure(("throttle_ramp",)))
    try:
        assert "sagged by 1.00 V" in run.perform().summary.stages["throttle_ramp"].reason
    finally:
        run.bench.close()


def test_a_later_stage_does_not_inherit_the_cap(tmp_path: Path) -> None:
    """25 % in the first, nothing said in the second: its 20 % holds."""
    text = CRAFT + "[board.craft.settings]\ncap_permille = 300\n"
    procedure = motor_procedure(("throttle_ramp", "link_loss_cut"), throttle_ramp={"cap": 25.0, "step": 25.0})
    said: list[ev.Event] = []
    run = operation(tmp_path, text=text, procedure=procedure, readers=[said.append])
    try:
        run.perform()
        caps = [e.cap for e in said if isinstance(e, ev.OutputsLive) and e.live]
        assert caps[0] == 0.25
        assert set(caps[1:]) == {0.2}
    finally:
        run.bench.close()
