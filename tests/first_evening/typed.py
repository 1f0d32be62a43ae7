"""The operator at the keyboard, played by a script: reads what a run prints on a pseudo-terminal, does what is asked
with a person's hands, types what was seen."""

from __future__ import annotations

import os
import re
import threading
import time
import tty
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest
from served_pair import Hands

from benchctl import headless
from benchctl.events import Prompt
from benchctl.operators import PersonOperator
from benchctl.paced_output import Output
from benchctl.pairfile.pins import find
from benchctl.terms import Role

#: s: bytes under way within this machine for so long never arrive
_LOST_S = 300.0
_ESCAPES = re.compile(r"\x1b\[[0-9;]*[A-Za-z]")
#: a question ends so, what is only to be done ends with its line; both are wrapped, with two spaces in front
_ASKED = re.compile(r"^(?P<sign>[?►]) (?P<text>.*(?:\n  .*)*)\n", re.MULTILINE)
_END = "— answer and Enter:"
_WORD = re.compile(r'type the word "(\w+)"')

#: (text, what hands and eyes do, its detail; "{1}" is a group of the text)
SCRIPT: tuple[tuple[str, str, str], ...] = (
    (r"What shall the (?P<role>\w+) unit be called", "name_board", ""),
    (r"How many servos and motor controllers", "how_many", "outputs"),
    (r"How many push switches", "how_many", "switches"),
    (r"have a joystick", "how_many", "joystick"),
    (r"Servo or motor controller (\d)", "which_pin", "output {1}"),
    (r"Which pin is the (?P<role>\w+) unit's LED on", "which_pin", "led"),
    (r"What is plugged in at (?P<pin>\w+)\?", "what_drives", "{pin}"),
    (r"controller at (?P<pin>\w+) rests", "pulse_width", "idle_us {pin}"),
    (r"full throttle of the controller at (?P<pin>\w+)", "pulse_width", "full_us {pin}"),
    (r"(?P<role>\w+) unit's transceiver module have an amplifier", "radio_kind", ""),
    (r"(?P<pin>A\d) stands at \d+ % of the supply", "sense_rail", "{pin}"),
    (r"Hold (switch\d) down", "hold_switch", "{1}"),
    (r"Shade the (?P<role>\w+) unit's LED", "count_blinks", "faint"),
    (r"Count the blinks of the (?P<role>\w+) unit's LED", "count_blinks", ""),
    (r"(?P<role>\w+) board, unpowered: ohms from processor supply", "meter", "rail.main.ohms_to_ground"),
    (r"(?P<role>\w+) board, unpowered: ohms from transceiver supply", "meter", "rail.radio.ohms_to_ground"),
    (r"(?P<role>\w+) board: volts from the processor's supply pin", "meter", "vcc"),
    (r"Give the servos their supply now|Switch the servos' own supply on now", "feed_servos", ""),
    (r"horn's angle", "meter", "servo.{servo}.deg"),
    (r"gets a careful pulse", "watch_outputs", ""),
    (r"What moved just now, as output (\d)", "what_moved", "pulse{1}"),
    (r"Press (switch\d) (\d+) times", "press_switch", "{1} {2}"),
    (r"joystick slowly round its whole rim", "move_joystick", "circle 8"),
    (r"Push the joystick fully to the right and hold it there", "move_joystick", "right 4"),
    (r"Push the joystick fully up, away from you, and hold it there", "move_joystick", "up 4"),
    (r"Push the joystick fully to the right", "move_joystick", "right 3"),
    (r"Push the joystick fully up", "move_joystick", "up 3"),
    (r"Hold the craft still with its ([+-][xyz]) axis", "hold_pose", "{1}"),
    (r"Connect the (?:motor )?controllers' battery .*What do they give", "hear_start", ""),
    (r"Connect the (?:motor )?controllers' battery", "plug_motor", ""),
    (r"Unplug the motor controllers' battery", "unplug_motor", ""),
    (r"take the red wire of every motor controller's signal lead", "lift_red", ""),
    (r"Pull the jumper wires between the (?P<role>\w+) unit", "pull_jumpers", ""),
    (r"Put the jumper wires back", "put_jumpers", ""),
    (r"How many beeps", "recall_beeps", ""),
    (r"Watch and hear the motor", "watch_motor", ""),
    (r"How often did the motor start to turn", "count_starts", ""),
    (r"turn its motor one way, or both", "choose", ""),
    (r"^What feeds the", "choose", ""),
    (r"keep USB and battery apart", "choose", ""),
    (r"Has anything at them been plugged or soldered otherwise", "choose", ""),
)
_PLUG = re.compile(r"Plug in the (\w+) unit|Connect the (\w+) unit's supply again")
_PULL = re.compile(r"Pull the (\w+) unit's")


@dataclass(slots=True)
class Typist:
    """Looks at the terminal whenever bench time is about to pass. log: every question with what was typed.

    plug, pull: what hands do with cables. servo: the output that its horn is at.
    """

    hands: Hands
    plug: Callable[[Role], object]
    pull: Callable[[Role], object]
    servo: str = "pulse1"
    terminal: Terminal | None = None
    role: Role = Role.HAND
    log: list[tuple[str, str]] = field(default_factory=list)
    seen: str = ""
    _going_on: list[tuple[Prompt, str]] = field(default_factory=list)

    def look(self) -> None:
        """Take in what has been printed; begin what is asked; type what has come of what is going on."""
        if self.terminal is None:
            return
        self.seen += self.terminal.read()
        while found := _ASKED.search(self.seen):
            self.seen = self.seen[found.end() :]
            text = " ".join(found["text"].split())
            if found["sign"] == "►" or text.endswith(_END):  # a stage that is undecided has that sign, too
                self._asked(text)
        for one in tuple(self._going_on):
            prompt, question = one
            answer = self.hands.seen(prompt)
            if answer is not None:
                self._going_on.remove(one)
                if question:
                    self.type(question, answer)

    def type(self, question: str, answer: str) -> None:
        self.log.append((question, answer))
        assert self.terminal is not None
        self.terminal.type(answer)

    def _asked(self, text: str) -> None:
        question = text if text.endswith(_END) else ""
        if about := re.search(r"\b(hand|craft) (?:unit|board)", text):
            self.role = Role(about[1])
        if found := _PLUG.match(text):
            self.plug(Role(found[1] or found[2]))
        elif found := _PULL.match(text):
            self.pull(Role(found[1]))
        elif found := _WORD.search(text):
            self.hands.begin("attest", None, f"{'supply_off' if 'battery is unplugged' in text else 'x'} {found[1]}")
            self.type(text, found[1])
        else:
            self._begin(text, question)

    def _begin(self, text: str, question: str) -> None:
        for pattern, action, detail in SCRIPT:
            if found := re.search(pattern, text):
                names = {k: v or "" for k, v in found.groupdict().items()}
                if pin := find(names.get("pin", "")):
                    names["pin"] = pin.port
                role = Role(names.get("role") or _at(action) or self.role)
                wanted = detail.format(found[0], *found.groups(), **names, servo=self.servo)
                choices = tuple(_choices(text))
                self._going_on.append((self.hands.begin(action, role, wanted, choices), question))
                return
        raise AssertionError(f"nobody has told the operator what to do: {text}")


def _at(action: str) -> str:
    """Where that is always to be done."""
    if "joystick" in action or "switch" in action:
        return "hand"
    return "craft" if any(word in action for word in ("moved", "motor", "start", "beeps", "pose", "outputs")) else ""


def _choices(text: str) -> list[str]:
    shown = re.search(r"\[([^\]]*)\] " + _END, text)
    return shown[1].split("/") if shown else []


class Terminal:
    """A pseudo-terminal with the run on one side and the typist on the other; nothing is in between unnoticed."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self._master, slave = os.openpty()
        tty.setraw(slave)
        self._in, self._out = os.fdopen(os.dup(slave), "r"), os.fdopen(slave, "w")
        self._read, self._written, self.given = b"", 0, 0
        self._taken, self._over = 0, False
        self._reader = threading.Thread(target=self._drain, daemon=True)
        self._reader.start()
        self._patch(patch)

    def _patch(self, patch: pytest.MonkeyPatch) -> None:
        terminal = self

        class AtOnce(Output):
            """Writes in the thread of whoever says something."""

            status = property(lambda self: "", lambda self, text: None)  # type: ignore[assignment]

            def line(self, text: str) -> None:
                terminal.write(f"{text}\n")

        class Counted(PersonOperator):
            def give(self, prompt_id: int, text: str) -> None:
                super().give(prompt_id, text)
                terminal.given += 1

        patch.setattr(headless, "Output", AtOnce)
        patch.setattr(headless, "PersonOperator", Counted)
        patch.setattr("sys.stdin", self._in)
        patch.setattr("sys.stderr", self._out)

    def _drain(self) -> None:
        while not self._over:
            self._read += os.read(self._master, 65536)

    def write(self, text: str) -> None:
        self._out.write(text)
        self._out.flush()
        self._written += len(text.encode())

    def read(self) -> str:
        """All that has been written by now and not been read before."""
        self._wait(lambda: len(self._read) >= self._written)
        data = self._read[self._taken :]
        self._taken += len(data)
        return _ESCAPES.sub("", data.decode("utf-8", "replace")).replace("\r", "")

    def type(self, text: str) -> None:
        """Into the keyboard; comes back when the run has it."""
        before = self.given
        os.write(self._master, f"{text}\n".encode())
        self._wait(lambda: self.given > before)

    @staticmethod
    def _wait(ready: Callable[[], bool]) -> None:
        until = time.monotonic() + _LOST_S
        while not ready():
            assert time.monotonic() < until, "bytes of the terminal never arrived"
            time.sleep(0.0005)

    def close(self) -> None:
        """The window is shut: who reads from it is woken first, since a descriptor in use stays open."""
        self._over = True
        self.write("\n")
        self._reader.join()
        os.close(self._master)
        for thread in [t for t in threading.enumerate() if t.name == "answers"]:
            thread.join(_LOST_S)
        self._in.close()
        self._out.close()
