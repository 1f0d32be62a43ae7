"""The person, modelled: reads prompts, looks at the parts, does what is asked, answers. Simulated benches only."""

from __future__ import annotations

import math
import random
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from benchctl.benchfile import MotorSpec, OperatorSpec
from benchctl.errors import OperatorAbsent
from benchctl.events import Prompt, PromptKind
from benchctl.pairfile.pins import BY_PORT, PULSES
from benchctl.parts import meter
from benchctl.parts.agenda import Agenda
from benchctl.parts.board import Board
from benchctl.terms import Role
from benchctl.units import number

#: how long after the last blink or beep a person is sure that no more comes, and how long one waits for the first
QUIET_S, PATIENCE_S = 1.6, 12.0
DOWN_S, UP_S, HOLD_S = 0.12, 0.22, 3.0
UNPLUGGED_S = 1.5
REPLUG_MOTOR_S = 0.4
#: a movement asked for so many seconds is over a little earlier
SPARE_S = 0.4
#: a movement of a servo's horn that is seen
SEEN_DEG = 1.0
#: several controllers give their sounds together
BEEP_SLACK_S = 0.5

POSES = {
    sign + axis: tuple((1.0 if sign == "+" else -1.0) if axis == other else 0.0 for other in "xyz")
    for sign in "+-"
    for axis in "xyz"
}
#: things to be looked at: what a good board shows, by a word in the prompt's detail
LOOKS: Mapping[str, Callable[[Board], bool]] = {
    "polarity": lambda board: not board.spec.led.reversed,
    "bridges": lambda board: all(rail.spec.leak_ohms >= 10 for rail in board.rails.values()),
    "capacitor": lambda board: (
        board.spec.radio.rail not in board.rails or board.rails[board.spec.radio.rail].spec.bulk_uf >= 1.0
    ),
    "transceiver": lambda board: board.spec.radio.fitted,
    "led": lambda board: bool(board.led.lit.level),
    "motor": lambda board: any(motor.spinning for motor in board.motors.values()),
}


@dataclass(slots=True)
class _Open:
    """A prompt that is being worked on. live: it has not been withdrawn."""

    prompt: Prompt
    since: float
    answer: str | None = None
    live: bool = True


class SimulatedOperator:
    """Fulfils `bench.Operator`. What is asked but not known to this person raises OperatorAbsent with its name.

    Reacts after `reaction_s` with some spread. `did`: (time, action, detail) of everything done, for tests.
    """

    by = "simulated"

    def __init__(self, boards: Mapping[Role, Board], spec: OperatorSpec, agenda: Agenda, chance: random.Random) -> None:
        self.did: list[tuple[float, str, str]] = []
        self._boards = boards
        self._spec = spec
        self._agenda = agenda
        self._chance = chance
        self._open: dict[int, _Open] = {}
        self._watching_since = 0.0

    # -- the contract ---------------------------------------------------------------------------------------------

    def show(self, prompt: Prompt) -> None:
        self._open[prompt.id] = made = _Open(prompt, self._agenda.now)
        action = self._action(prompt)
        if self._spec.present and action is not None:
            self._agenda.after(self._reaction(), self._act, made, action)

    def answer_nowait(self, prompt: Prompt) -> str | None:
        if not self._spec.present:
            raise OperatorAbsent(f"nobody is there to answer: {prompt.text}")
        if self._action(prompt) is None:
            raise OperatorAbsent(f"the simulated operator does not know how to {prompt.action!r} ({prompt.detail!r})")
        found = self._open.get(prompt.id)
        return found.answer if found is not None else None

    def withdraw(self, prompt: Prompt) -> None:
        found = self._open.pop(prompt.id, None)
        if found is not None:
            found.live = False

    # -- acting ---------------------------------------------------------------------------------------------------

    def _reaction(self) -> float:
        return max(0.15, self._chance.gauss(self._spec.reaction_s, 0.2 * self._spec.reaction_s))

    def _action(self, prompt: Prompt) -> Callable[[SimulatedOperator, _Open], None] | None:
        known = _ACTIONS.get(prompt.action)
        if known is None and prompt.kind is PromptKind.CHOICE and prompt.choices:
            return SimulatedOperator._choose
        if known is not None and known not in _NEED_NO_BOARD and prompt.role not in self._boards:
            return None
        return known

    def _act(self, one: _Open, action: Callable[[SimulatedOperator, _Open], None]) -> None:
        if one.live:
            self.did.append((self._agenda.now, one.prompt.action, one.prompt.detail))
            action(self, one)

    def _board(self, one: _Open) -> Board:
        assert one.prompt.role is not None
        return self._boards[one.prompt.role]

    def _says_no(self, prompt: Prompt) -> bool:
        words = {prompt.action, *re.split(r"[\s,:]+", prompt.detail)}
        return any(no in words for no in self._spec.says_no)

    def _then(self, one: _Open, at: float, answer: str) -> None:
        """Answer at a time, unless the prompt has gone by then."""

        def give() -> None:
            if one.live:
                one.answer = answer

        self._agenda.at(at, give)

    # -- counting -------------------------------------------------------------------------------------------------

    def _count_blinks(self, one: _Open) -> None:
        led = self._board(one).led
        seen = led.glimmers if "faint" in one.prompt.detail else led.lights
        self._watch(one, lambda: [t for t in seen if t >= one.since])

    def _count_beeps(self, one: _Open) -> None:
        escs = self._board(one).escs
        self._watch(one, lambda: [t for e in escs.values() for t in e.beeps if one.since <= t <= self._agenda.now])

    def _watch_motor(self, one: _Open) -> None:
        """From the moment it was asked for, until it is withdrawn."""
        self._watching_since = one.since

    def _count_starts(self, one: _Open) -> None:
        """From memory: of the motors that were being watched."""
        starts = [t for m in self._board(one).motors.values() for t in m.starts if t >= self._watching_since]
        self._then(one, self._agenda.now + self._reaction(), str(self._counted(len(starts))))

    def _watch_outputs(self, one: _Open) -> None:
        self._watching_since = self._agenda.now
        self._choose(one)

    def _what_moved(self, one: _Open) -> None:
        """Of what was being watched: servos are seen from a degree on."""
        board, since = self._board(one), self._watching_since
        servo = any(t >= since and abs(way) >= SEEN_DEG for s in board.servos.values() for t, way in s.moves)
        motor = any(t >= since for m in board.motors.values() for t in m.starts)
        seen = "motor" if motor else "servo" if servo else "nothing"
        self._then(one, self._agenda.now + self._reaction(), seen)

    def _hear_start(self, one: _Open) -> None:
        """Listens until it has been quiet for long enough, then tells what it was; at once when a motor turns."""
        if not one.live:
            return
        now, escs = self._agenda.now, self._board(one).escs.values()
        sounded = [(t, e.spec.sound) for e in escs for t in e.sounded if t >= one.since]
        ends = [t for e in escs for t in e.beeps if t >= one.since] + [t for t, _ in sounded]
        if any(motor.spinning for motor in self._board(one).motors.values()):
            self._then(one, now + self._reaction(), one.prompt.choices[-1])
        elif now - max(ends, default=-math.inf) >= QUIET_S and (sounded or now - one.since >= PATIENCE_S):
            self._then(one, now + self._reaction(), sounded[0][1] if sounded else one.prompt.choices[-2])
        else:
            self._agenda.at(now + 0.1, self._hear_start, one)

    def _plug_and_hear(self, one: _Open) -> None:
        """Connects the controllers' battery with full throttle standing, and listens for the tones."""
        board, now = self._board(one), self._agenda.now
        board.plug_motor(False, now)
        self._agenda.at(now + REPLUG_MOTOR_S, lambda: board.plug_motor(True, self._agenda.now))
        self._hear_tones(one)

    def _hear_tones(self, one: _Open) -> None:
        """Of an end point that has been taken: the choices are heard, nothing, and that a motor turns."""
        if not one.live:
            return
        now, board = self._agenda.now, self._board(one)
        heard = any(t >= one.since for esc in board.escs.values() for t in esc.taken)
        turns = any(motor.spinning for motor in board.motors.values())
        if heard or turns or now - one.since >= PATIENCE_S:
            self._then(one, now + self._reaction(), one.prompt.choices[-1 if turns else 0 if heard else -2])
        else:
            self._agenda.at(now + 0.1, self._hear_tones, one)

    def _recall_beeps(self, one: _Open) -> None:
        """From memory: the beeps of the last start."""
        escs = self._board(one).escs.values()
        last = max((t for e in escs for t in e.sounded), default=math.inf)
        beeps = max((sum(1 for t in e.beeps if t >= last - BEEP_SLACK_S) for e in escs), default=0)
        self._then(one, self._agenda.now + self._reaction(), str(self._counted(beeps)))

    def _moving(self, one: _Open) -> list[MotorSpec]:
        """The motors that have started since they were being watched."""
        motors = self._board(one).motors.values()
        return [m.spec for m in motors if any(t >= self._watching_since for t in m.starts)]

    def _which_motor(self, one: _Open) -> None:
        """Where one turned; a motor that is not said to be elsewhere is where the first choice has it."""
        moving = self._moving(one)
        seen = (moving[0].place or one.prompt.choices[0]) if len(moving) == 1 else one.prompt.choices[-1]
        self._then(one, self._agenda.now + self._reaction(), seen)

    def _which_way(self, one: _Open) -> None:
        turned = next((spec.turns for spec in self._moving(one)), "")
        self._then(one, self._agenda.now + self._reaction(), turned or one.prompt.choices[0])

    def _counted(self, count: int) -> int:
        """People miscount now and then."""
        if self._chance.random() < self._spec.miscount_probability:
            return max(0, count + self._chance.choice((-1, 1)))
        return count

    def _watch(self, one: _Open, seen: Callable[[], list[float]]) -> None:
        """Look until it has been quiet for long enough, then type the count."""
        if not one.live:
            return
        now, times = self._agenda.now, seen()
        last = max(times, default=-math.inf)
        if now - last >= QUIET_S and (times or now - one.since >= PATIENCE_S):
            self._then(one, now + self._reaction(), str(self._counted(len(times))))
        else:
            self._agenda.at(max(now, last) + 0.1, self._watch, one, seen)

    # -- answering ------------------------------------------------------------------------------------------------

    def _attest(self, one: _Open) -> None:
        """The detail is "name word": the word is typed back."""
        name, _, word = one.prompt.detail.rpartition(" ")
        off = "supply_off" in name.split(",") and "supply_off" not in self._spec.only_says
        if off and not self._says_no(one.prompt):
            for board in self._boards.values():
                board.plug_motor(False, self._agenda.now)
        self._then(one, self._agenda.now + self._reaction(), "no" if self._says_no(one.prompt) else word)

    def _meter(self, one: _Open) -> None:
        now = self._agenda.now
        true = meter.read(self._board(one), one.prompt.detail, now)
        if true is None:
            self._then(one, now, "no such point")
            return
        seen = true * (1.0 + self._chance.gauss(0.0, self._spec.meter_error_pct * 0.01))
        self._then(one, now + self._reaction(), number(seen))

    def _choose(self, one: _Open) -> None:
        """The first choice is the good one; a thing that can be looked at is looked at."""
        prompt = one.prompt
        looked = [look for word, look in LOOKS.items() if word in prompt.detail and prompt.role in self._boards]
        good = not self._says_no(prompt) and all(look(self._board(one)) for look in looked)
        self._then(one, self._agenda.now + self._reaction(), prompt.choices[0 if good else -1])

    # -- what an owner knows of the own boards --------------------------------------------------------------------

    def _know(self, one: _Open, answer: str) -> None:
        self._then(one, self._agenda.now + self._reaction(), answer)

    def _name_board(self, one: _Open) -> None:
        self._know(one, self._board(one).spec.label)

    def _how_many(self, one: _Open) -> None:
        spec = self._board(one).spec
        counts = {
            "switches": sum(switch.fitted for switch in spec.switch.values()),
            "joystick": int(spec.joystick.fitted),
            "outputs": len(self._plugged(one)),
        }
        self._know(one, str(counts[one.prompt.detail]))

    def _plugged(self, one: _Open) -> list[str]:
        spec = self._board(one).spec
        fitted = {n for n, one in spec.servo.items() if one.fitted} | {n for n, one in spec.esc.items() if one.fitted}
        return [name for name in PULSES if name in fitted]

    def _which_pin(self, one: _Open) -> None:
        """Detail: a function, or "output 2" for the second of what is plugged in."""
        what, _, number = one.prompt.detail.partition(" ")
        pins = self._board(one).pins
        fitted = self._board(one).spec.led.fitted if what == "led" else True
        port = pins.get(self._plugged(one)[int(number) - 1] if number else what, "") if fitted else ""
        self._know(one, BY_PORT[port].sketch if port else "none")

    def _function_at(self, one: _Open, port: str) -> str:
        return next((f for f, pin in self._board(one).pins.items() if pin == port and f in self._plugged(one)), "")

    def _what_drives(self, one: _Open) -> None:
        motor = self._board(one).spec.esc.get(self._function_at(one, one.prompt.detail))
        self._know(one, one.prompt.choices[1 if motor is not None and motor.fitted else 0])

    def _sense_rail(self, one: _Open) -> None:
        self._know(one, "yes" if self._board(one).pins.get("sense_rail") == one.prompt.detail else "no")

    def _pulse_width(self, one: _Open) -> None:
        """From the controller's manual."""
        self._know(one, "1000" if one.prompt.detail.startswith("idle") else "2000")

    def _radio_kind(self, one: _Open) -> None:
        amplified = self._board(one).spec.radio.variant == "high-power"
        self._know(one, one.prompt.choices[1 if amplified else 0])

    # -- doing ----------------------------------------------------------------------------------------------------

    def _press_switch(self, one: _Open) -> None:
        """Detail: how often, and which switch unless it is the first: "10", "switch2 10"."""
        board, now = self._board(one), self._agenda.now
        counts = [int(word) for word in re.findall(r"\b\d+\b", one.prompt.detail)]
        switch = board.switches.get(next((w for w in one.prompt.detail.split() if w in board.switches), "switch1"))
        for _ in range(counts[0] if counts else 1):
            if switch is not None:
                self._agenda.at(now, self._while_live, one, switch.press)
                self._agenda.at(now + DOWN_S, switch.release, now + DOWN_S)
            now += DOWN_S + UP_S * self._chance.uniform(0.8, 1.6)
        self._then(one, now, "done")

    def _hold_switch(self, one: _Open) -> None:
        """Detail: which switch is held down, for some seconds."""
        board, now = self._board(one), self._agenda.now
        switch = board.switches.get(one.prompt.detail)
        if switch is not None:
            switch.press(now)
            self._agenda.at(now + HOLD_S, switch.release, now + HOLD_S)
        self._then(one, now + HOLD_S, "done")

    def _while_live(self, one: _Open, act: Callable[[float], object]) -> None:
        if one.live:
            act(self._agenda.now)

    def _move_joystick(self, one: _Open) -> None:
        """Detail: a movement of `PATHS` and, perhaps, for how many seconds: "circle 8", "right 3", "let_go"."""
        stick, time = self._board(one).joystick, self._agenda.now
        words = one.prompt.detail.split()
        way, rest = PATHS.get(words[0] if words else "circle", PATHS["circle"]), words[1:]
        wanted = float(rest[-1]) if rest and _is_number(rest[-1]) else sum(seconds for _, _, seconds in way)
        # who is slow to begin hurries to be through in time
        pace = max(0.5, wanted - (time - one.since) - SPARE_S) / sum(seconds for _, _, seconds in way)
        for x, y, seconds in way:
            stick.move(x, y, time, time + seconds * pace)
            time += seconds * pace
        self._then(one, time, "done")

    def _hold_pose(self, one: _Open) -> None:
        """Detail: the axis that points up, "+x" to "-z"; "flat" is "+z"."""
        found = re.search(r"[+-][xyz]", one.prompt.detail)
        x, y, z = POSES[found.group() if found else "+z"]
        lies = self._board(one).imu.pose.hold((x, y, z), self._agenda.now)
        self._then(one, lies + 0.3, "done")

    def _press_part(self, one: _Open) -> None:
        """Detail: which part, and for how long it is watched."""
        part, _, seconds = one.prompt.detail.partition(" ")
        self._board(one).press(part, one.since + float(seconds))

    def _replug(self, one: _Open) -> None:
        board, now = self._board(one), self._agenda.now
        board.power_off(now)
        self._agenda.at(now + UNPLUGGED_S, lambda: board.power_on(self._agenda.now))
        self._then(one, now + UNPLUGGED_S, "done")

    def _unplug(self, one: _Open) -> None:
        self._board(one).power_off(self._agenda.now)
        self._then(one, self._agenda.now, "done")

    def _plug(self, one: _Open) -> None:
        self._board(one).power_on(self._agenda.now)
        self._then(one, self._agenda.now, "done")

    def _pull_jumpers(self, one: _Open) -> None:
        self._board(one).lift_jumpers(True, self._agenda.now)
        self._then(one, self._agenda.now, "done")

    def _put_jumpers(self, one: _Open) -> None:
        self._board(one).lift_jumpers(False, self._agenda.now)
        self._then(one, self._agenda.now, "done")

    def _lift_red(self, one: _Open) -> None:
        self._board(one).lift_red(True, self._agenda.now)
        self._then(one, self._agenda.now, "done")

    def _plug_motor(self, one: _Open) -> None:
        """Connect the battery of the motor controllers, anew if it was connected."""
        board, now = self._board(one), self._agenda.now
        board.plug_motor(False, now)
        self._agenda.at(now + REPLUG_MOTOR_S, lambda: board.plug_motor(True, self._agenda.now))
        self._then(one, now + REPLUG_MOTOR_S, "done")

    def _unplug_motor(self, one: _Open) -> None:
        self._board(one).plug_motor(False, self._agenda.now)
        self._then(one, self._agenda.now, "done")

    def _confirm(self, one: _Open) -> None:
        """A DO that needs nothing to be done in the model: wires are as the bench file has them."""
        if not self._says_no(one.prompt):
            self._then(one, self._agenda.now + self._reaction(), "done")


def _is_number(word: str) -> bool:
    return re.fullmatch(r"\d+(\.\d+)?", word) is not None


def _circle() -> list[tuple[float, float, float]]:
    """Along the edge of the square in which the stick moves, twice, then let go."""
    corners = [(1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0), (1.0, 1.0)]
    return [(1.0, 0.0, 0.4), *((x, y, 0.9) for _ in range(2) for x, y in corners), (0.0, 0.0, 0.3)]


def _push(x: float, y: float) -> list[tuple[float, float, float]]:
    """There, hold, let go."""
    return [(x, y, 0.4), (x, y, 1.2), (0.0, 0.0, 0.4)]


def _sweep(x: float, y: float) -> list[tuple[float, float, float]]:
    """From end to end and back."""
    return [(-x, -y, 0.5), (x, y, 3.0), (-x, -y, 3.0), (0.0, 0.0, 0.5)]


#: (x, y, seconds) of each stretch of a movement
PATHS: Mapping[str, list[tuple[float, float, float]]] = {
    "circle": _circle(),
    "sweep_x": _sweep(1.0, 0.0),
    "sweep_y": _sweep(0.0, 1.0),
    "right": _push(1.0, 0.0),
    "left": _push(-1.0, 0.0),
    "up": _push(0.0, 1.0),
    "down": _push(0.0, -1.0),
    "let_go": [(0.0, 0.0, 0.2)],
}

_ACTIONS: Mapping[str, Callable[[SimulatedOperator, _Open], None]] = {
    "count_blinks": SimulatedOperator._count_blinks,
    "count_beeps": SimulatedOperator._count_beeps,
    "watch_motor": SimulatedOperator._watch_motor,
    "count_starts": SimulatedOperator._count_starts,
    "watch_outputs": SimulatedOperator._watch_outputs,
    "what_moved": SimulatedOperator._what_moved,
    "hear_start": SimulatedOperator._hear_start,
    "which_motor": SimulatedOperator._which_motor,
    "which_way": SimulatedOperator._which_way,
    "plug_and_hear": SimulatedOperator._plug_and_hear,
    "hear_tones": SimulatedOperator._hear_tones,
    "recall_beeps": SimulatedOperator._recall_beeps,
    "attest": SimulatedOperator._attest,
    "meter": SimulatedOperator._meter,
    "press_switch": SimulatedOperator._press_switch,
    "move_joystick": SimulatedOperator._move_joystick,
    "hold_pose": SimulatedOperator._hold_pose,
    "press_part": SimulatedOperator._press_part,
    "hands_off": SimulatedOperator._confirm,
    "replug": SimulatedOperator._replug,
    "unplug": SimulatedOperator._unplug,
    "plug": SimulatedOperator._plug,
    "pull_jumpers": SimulatedOperator._pull_jumpers,
    "put_jumpers": SimulatedOperator._put_jumpers,
    "lift_red": SimulatedOperator._lift_red,
    "hold_switch": SimulatedOperator._hold_switch,
    "name_board": SimulatedOperator._name_board,
    "how_many": SimulatedOperator._how_many,
    "which_pin": SimulatedOperator._which_pin,
    "what_drives": SimulatedOperator._what_drives,
    "sense_rail": SimulatedOperator._sense_rail,
    "pulse_width": SimulatedOperator._pulse_width,
    "radio_kind": SimulatedOperator._radio_kind,
    "plug_motor": SimulatedOperator._plug_motor,
    "unplug_motor": SimulatedOperator._unplug_motor,
    "confirm_wiring": SimulatedOperator._confirm,
    "feed_servos": SimulatedOperator._confirm,
}
_NEED_NO_BOARD = (SimulatedOperator._attest, SimulatedOperator._confirm)
