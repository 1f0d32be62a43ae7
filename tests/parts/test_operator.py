"""The modelled person sees what the parts really do, and answers in a person's time."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

import pytest
from helpers_bench import mudlark

from benchctl.benchfile import parse
from benchctl.errors import OperatorAbsent
from benchctl.events import Prompt, PromptKind
from benchctl.parts.agenda import Agenda
from benchctl.parts.board import Board
from benchctl.parts.operator import SimulatedOperator
from benchctl.parts.world import World
from benchctl.terms import Role


class Scene:
    """A world with its operator, and prompts put to it."""

    def __init__(self, extra: str = "") -> None:
        self.agenda = Agenda()
        text = f"[board.hand]\n[board.craft]\n{extra}"
        self.world = World(parse(mudlark(text).encode()), self.agenda, random.Random(5))
        self.operator: SimulatedOperator = self.world.operator
        self.hand: Board = self.world.boards[Role.HAND]
        self.craft: Board = self.world.boards[Role.CRAFT]
        self._id = 0

    def prompt(self, action: str, kind: PromptKind = PromptKind.DO, **more: Any) -> Prompt:
        self._id += 1
        made = Prompt(self.agenda.now, "stage", self._id, kind, "please", action, **{"role": Role.HAND, **more})
        self.operator.show(made)
        return made

    def answer(self, prompt: Prompt, patience: float = 60.0, step: Callable[[], object] | None = None) -> str | None:
        until = self.agenda.now + patience
        while self.agenda.now < until:
            text = self.operator.answer_nowait(prompt)
            if text is not None:
                return text
            self.agenda.run_to(self.agenda.now + 0.05)
        return None


def blink(scene: Scene, times: int, board: Board) -> None:
    for n in range(times):
        scene.agenda.at(1.5 + 0.6 * n, board.outputs["led"].set, 1.0, 1.5 + 0.6 * n)
        scene.agenda.at(1.8 + 0.6 * n, board.outputs["led"].set, 0.0, 1.8 + 0.6 * n)


@pytest.mark.parametrize("times", [1, 4, 9])
def test_counts_the_blinks_that_were(times: int) -> None:
    """As many as the LED made since the prompt."""
    scene = Scene()
    blink(scene, times, scene.hand)

    assert scene.answer(scene.prompt("count_blinks", PromptKind.COUNT)) == str(times)


def test_a_reversed_led_shows_nothing() -> None:
    """The pin blinks, the LED does not: zero."""
    scene = Scene("[board.hand.led]\nreversed = true")
    blink(scene, 3, scene.hand)

    assert scene.answer(scene.prompt("count_blinks", PromptKind.COUNT)) == "0"


def test_miscount() -> None:
    """A careless person is off by one."""
    scene = Scene("[operator]\nmiscount_probability = 1.0")
    blink(scene, 4, scene.hand)

    assert scene.answer(scene.prompt("count_blinks", PromptKind.COUNT)) in ("3", "5")


def test_counts_beeps_of_the_controller() -> None:
    """Two beeps once its battery has been connected and it has armed."""
    scene = Scene()
    esc = scene.craft.escs["pulse2"]
    scene.prompt("plug_motor", role=Role.CRAFT)
    prompt = scene.prompt("count_beeps", PromptKind.COUNT, role=Role.CRAFT)
    for n in range(250):
        esc.signal(1.0, scene.agenda.now)
        esc.signal(0.0, scene.agenda.now + 1e-3)
        scene.agenda.run_to(0.02 * (n + 1))

    assert scene.answer(prompt) == "2"


def test_attests_by_typing_the_word() -> None:
    """The challenge is the last word of the detail; no sooner than a person can (plausibility floor 0.1 s, no
    source)."""
    scene = Scene()
    prompt = scene.prompt("attest", PromptKind.WORD, detail="props_off heron")
    scene.agenda.run_to(0.1)
    early = scene.operator.answer_nowait(prompt)

    assert early is None
    assert scene.answer(prompt) == "heron"


def test_says_no_by_name() -> None:
    """An attestation named in the bench file is refused, others are not."""
    scene = Scene('[operator]\nsays_no = ["props_off"]')

    assert scene.answer(scene.prompt("attest", PromptKind.WORD, detail="props_off heron")) == "no"
    assert scene.answer(scene.prompt("attest", PromptKind.WORD, detail="held_down reed")) == "reed"


@pytest.mark.parametrize(
    ("point", "value"),
    [
        ("rail.main.volts", 5.0 - 0.27 * 0.014),
        ("rail.radio.volts", 3.3),
        ("rail.radio.ohms_to_ground", 10000.0),
        ("rail.radio.uf", 10.0),
        ("vcc", 5.0 - 0.27 * 0.014),
    ],
)
def test_meter(point: str, value: float) -> None:
    """The meter shows the model's value within its error (here none)."""
    scene = Scene("[operator]\nmeter_error_pct = 0")
    answer = scene.answer(scene.prompt("meter", PromptKind.NUMBER, detail=point))

    assert float(answer or "nan") == pytest.approx(value, rel=1e-3)


def test_meter_error_has_its_size() -> None:
    """Answers scatter by the meter's error."""
    scene = Scene("[operator]\nmeter_error_pct = 2")
    answers = {
        scene.answer(scene.prompt("meter", PromptKind.NUMBER, detail="rail.radio.ohms_to_ground")) for _ in range(20)
    }

    assert len(answers) > 10
    assert all(abs(float(a or 0) / 10000.0 - 1.0) < 0.1 for a in answers)


def test_presses_as_often_as_asked() -> None:
    """Ten presses of the second switch are ten closures of its contact."""
    scene = Scene("[board.hand.switch.switch2]\nbounce_count = 0")

    assert scene.answer(scene.prompt("press_switch", detail="switch2 10")) == "done"
    assert [level for _, level in scene.hand.switches["switch2"].edges] == [0.0, 1.0] * 10
    assert scene.hand.switches["switch1"].edges == []


def test_withdrawn_prompt_stops_the_pressing() -> None:
    """Nobody goes on pressing when the prompt has gone, and no switch stays down."""
    scene = Scene("[board.hand.switch.switch1]\nbounce_count = 0")
    prompt = scene.prompt("press_switch", detail="50")
    scene.agenda.run_to(3.0)
    scene.operator.withdraw(prompt)
    scene.agenda.run_to(4.0)
    before = len(scene.hand.switches["switch1"].edges)
    scene.agenda.run_to(20.0)

    assert 0 < before < 40
    assert len(scene.hand.switches["switch1"].edges) == before
    assert scene.hand.switches["switch1"].line.level == 1.0


def test_moves_the_joystick_to_all_its_ends() -> None:
    """A circle reaches both ends of both axes and ends let go."""
    scene = Scene()
    prompt = scene.prompt("move_joystick", detail="circle")
    places = []
    while scene.operator.answer_nowait(prompt) is None:
        scene.agenda.run_to(scene.agenda.now + 0.02)
        places.append(scene.hand.joystick.position(scene.agenda.now))

    for axis in (0, 1):
        assert min(p[axis] for p in places) < -0.95
        assert max(p[axis] for p in places) > 0.95
    assert scene.hand.joystick.position(scene.agenda.now + 1.0) == (0.0, 0.0)


@pytest.mark.parametrize(("how", "axis"), [("right", 0), ("up", 1)])
def test_pushes_for_as_long_as_asked(how: str, axis: int) -> None:
    """ "right 3": there within a second, held, back before three seconds are over."""
    scene = Scene()
    scene.prompt("move_joystick", detail=f"{how} 3")
    places = []
    for n in range(60):
        scene.agenda.run_to(0.05 * (n + 1))
        places.append(scene.hand.joystick.position(scene.agenda.now))

    assert places[30][axis] == 1.0
    assert all(place[1 - axis] == 0.0 for place in places)
    assert places[-1] == (0.0, 0.0)


def test_holds_a_pose() -> None:
    """ "-y" puts the board's y downwards and says so when it lies still."""
    scene = Scene()

    assert scene.answer(scene.prompt("hold_pose", role=Role.CRAFT, detail="-y")) == "done"
    assert scene.craft.imu.pose.up(scene.agenda.now) == (0.0, -1.0, 0.0)
    assert scene.craft.imu.pose.rate_dps(scene.agenda.now) == (0.0, 0.0, 0.0)


def test_replugging_cuts_the_supply() -> None:
    """The board loses its memory and comes back."""
    scene, told = Scene(), []
    scene.world.on_memory_lost(lambda role, time: told.append(role))

    assert scene.answer(scene.prompt("replug")) == "done"
    scene.agenda.run_to(scene.agenda.now + 0.1)
    assert told == [Role.HAND]
    assert not scene.hand.held


def test_looks_before_choosing() -> None:
    """Asked about polarity, the person looks at the LED; the first choice is the good one."""
    for extra, answer in (("", "yes"), ("[board.hand.led]\nreversed = true", "no")):
        scene = Scene(extra)
        prompt = scene.prompt("look", PromptKind.CHOICE, detail="polarity", choices=("yes", "no"))

        assert scene.answer(prompt) == answer


def test_unknown_action_is_refused_by_name() -> None:
    """What this person cannot do is said, not left unanswered."""
    scene = Scene()

    with pytest.raises(OperatorAbsent, match="juggle"):
        scene.operator.answer_nowait(scene.prompt("juggle"))
    with pytest.raises(OperatorAbsent, match="press_switch"):
        scene.operator.answer_nowait(scene.prompt("press_switch", role=Role.GAUGE))


def test_nobody_there() -> None:
    """present = false: every answer raises."""
    scene = Scene("[operator]\npresent = false")

    with pytest.raises(OperatorAbsent, match="nobody"):
        scene.operator.answer_nowait(scene.prompt("count_blinks", PromptKind.COUNT))
