"""What all parts of the search for the wiring share: looking at pins, what is taken by now, asking the owner.

Nothing is driven that somebody else could drive: a pin is looked at with and without the chip's pull-up first, and
only one that floats or is weakly pulled may ever become an output (`analysis/pin_nature.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import partial

from benchctl import events as ev
from benchctl.analysis.pin_nature import DRIVABLE, Look, Nature, nature
from benchctl.errors import OperatorAbsent
from benchctl.facts import WiringFound, WiringUnsure
from benchctl.pairfile.drawing import board_drawing
from benchctl.pairfile.pins import BY_PORT, NONE, TABLE, Can, Pin, find, refusal
from benchctl.pairfile.said import Value, pair_of
from benchctl.pairfile.schema import BoardFacts
from benchctl.stages.contract import Context
from benchctl.terms import Role
from benchctl.wire import msg

#: looks at each pin: before and under the pull-up, and after it for longer than two turns of the mains' hum, in which
#: a pin that nobody holds loses what the pull-up left in it
_LOOKS, _LATE_LOOKS, _APART_S, _LATE_S = 3, 6, 0.003, 0.009
_MOST_COUNTS = 1023
#: nothing of the owner's choice is ever there
_NEVER = Can.UART | Can.CRYSTAL | Can.RESET | Can.SPI
UNKNOWN = "?"
#: times that something is asked for again after an answer that is none
_TRIES = 3
#: s: before the first blinks, and between one group of them and the next: long enough to be sure that one is over
_FIRST_S, _PAUSE_S = 1.0, 4.0
_AGAIN = f"The same number comes again and again, with {_PAUSE_S:.0f} s between, until you type it."


class Search:
    """The search on one board. natures: of every pin looked at, by port name. taken: port name to function."""

    def __init__(self, ctx: Context, role: Role) -> None:
        self.ctx = ctx
        self.role = role
        self.board = ctx.board(role)
        self.known: BoardFacts = self.board.wiring.facts
        self.natures: dict[str, Nature] = {}
        self.taken: dict[str, str] = {port: name for name, port in self.known.wired().items()}
        self.sensor = bool(self.known.sensor.fitted)
        self.label = self.known.label
        self.led_looked_for = False
        self.found = 0
        self.unsure = 0
        self._kept: dict[str, Value] = {}

    # ------------------------------------------------------------------ looking

    def look(self, port: str, *, pulled: bool) -> Look:
        """The pin as an input, with the chip's pull-up or without; so it stays."""
        answer = self.board.ask(msg.Look(pin=BY_PORT[port].code, mode=int(pulled)))
        return Look(answer.level, answer.reading / _MOST_COUNTS if answer.reading <= _MOST_COUNTS else None)

    def survey(self) -> None:
        """Look at every pin that nothing is known of, and let go of it."""
        ports = [p.port for p in self._looked_at()]
        for n, port in enumerate(ports):
            self.ctx.progress(n, len(ports), f"looking at {BY_PORT[port].sketch}")
            self.natures[port] = self.nature_of(port)

    def nature_of(self, port: str) -> Nature:
        """The pin's nature at this moment; it is left a plain input."""
        plain = self._looks(port, False, _LOOKS, _APART_S)
        pulled = self._looks(port, True, _LOOKS, _APART_S)
        plain += self._looks(port, False, _LATE_LOOKS, _LATE_S)
        return nature(plain, pulled, digital=Can.DIGITAL in BY_PORT[port].can)

    def _looks(self, port: str, pulled: bool, count: int, apart_s: float) -> list[Look]:
        found = []
        for _ in range(count):
            found.append(self.look(port, pulled=pulled))
            self.ctx.wait(apart_s)
        return found

    def _looked_at(self) -> list[Pin]:
        return [p for p in TABLE if not p.can & _NEVER and p.port not in self.taken]

    def free(self, *wanted: Nature) -> list[str]:
        """Ports that nothing was found on and whose nature is one of these, in the table's order."""
        return [
            p.port
            for p in self._looked_at()
            if self.natures.get(p.port) in wanted and not (self.sensor and Can.TWI in p.can)
        ]

    def drivable(self) -> list[str]:
        """Free pins that may be driven: with a port of their own, floating or weakly pulled."""
        return [port for port in self.free(*DRIVABLE) if Can.DIGITAL in BY_PORT[port].can]

    # ------------------------------------------------------------------ saying

    def keep(self, key: str, value: str | float | bool, how: str) -> None:
        """A thing found; a pin is taken from now on."""
        self.ctx.establish(WiringFound(self.role, key, value, how))
        self.found += 1
        self._kept[key] = value
        if key.startswith("pins.") and value != NONE:
            self.taken[str(value)] = key.removeprefix("pins.")

    def wonder(self, key: str, candidates: Iterable[str] = ()) -> None:
        """A thing that cannot be told: said, and counted."""
        names = tuple(BY_PORT[port].sketch for port in candidates)
        self.ctx.doubt(WiringUnsure(self.role, key, names))
        self.unsure += 1

    def stated(self, function: str) -> bool:
        """Whether the owner has said already where a function is, or that it is nowhere."""
        return function in self.known.pins

    # ------------------------------------------------------------------ asking

    def choose(
        self, key: str, text: str, choices: Mapping[str, str | bool], action: str, detail: str = "", how: str = "said"
    ) -> str:
        """Have the owner choose; choices: shown text to value, the last one "I do not know". Keeps the value.

        Returns the shown text.
        """
        shown = (*choices, "I do not know")
        answer = self.ctx.ask(
            ev.PromptKind.CHOICE, text, action, role=self.role, detail=detail, choices=shown, timeout_s=600.0
        )
        if answer in choices:
            self.keep(key, choices[answer], how)
        return answer

    def number(self, text: str, action: str, detail: str, least: int, most: int, unit: str = "") -> int:
        """A number within the range that the owner knows; -1 where it is left open."""
        why = ""
        for _ in range(_TRIES):
            answer = self.ctx.ask(
                ev.PromptKind.NUMBER, f'{why}{text} "{UNKNOWN}" leaves it open.', action, role=self.role, detail=detail,
                unit=unit, timeout_s=600.0,
            ).strip()  # fmt: skip
            if answer == UNKNOWN:
                return -1
            if answer.isdigit() and least <= int(answer) <= most:
                return int(answer)
            why = f"{answer!r} is no number from {least} to {most}. "
        return -1

    def count(self, text: str, detail: str, most: int) -> int:
        """A number from 0 to `most` that the owner counts; -1 where it is left open."""
        return self.number(text, "how_many", detail, 0, most)

    def ask_pin(self, function: str, text: str, accepts: Callable[[str], str], detail: str = "") -> str:
        """The port name that the owner types; NONE, or "" when it is not known.

        accepts(port): why the pin cannot be it, "" when it can.
        """
        hint = f'Type the pin, such as D4, A0 or PB1; "{NONE}" where there is none; "{UNKNOWN}" to leave it open.'
        why = ""
        so_far = pair_of({self.role: self._kept}, "so far").boards[self.role]
        self.ctx.note(board_drawing(self.role, so_far, free=True), "drawing")
        for _ in range(_TRIES):
            answer = self.ctx.ask(
                ev.PromptKind.TEXT, f"{why}{text} {hint}", "which_pin", role=self.role, detail=detail or function,
                timeout_s=600.0,
            ).strip()  # fmt: skip
            if answer.lower() == NONE:
                return NONE
            if answer in ("", UNKNOWN):
                return ""
            pin = find(answer)
            problem = f"{answer} is no pin of this chip" if pin is None else self._problem(function, pin.port, accepts)
            if pin is not None and not problem:
                return pin.port
            why = f"{problem}. "
        return ""

    def _problem(self, function: str, port: str, accepts: Callable[[str], str]) -> str:
        if port in self.taken:
            return f"{BY_PORT[port].sketch} has {self.taken[port]} on it already"
        return refusal(function, port, radio=True, sensor=self.sensor) or accepts(port)

    def seconds_of(self, text: str, action: str, detail: str, seconds: float) -> ev.Prompt:
        """A prompt to do something for some seconds; withdraw it with `ctx.done`."""
        return self.ctx.prompt(ev.PromptKind.DO, text, action, role=self.role, detail=detail, timeout_s=seconds)

    def counted_blinks(self, text: str, detail: str, blink: Callable[[int], float]) -> bool:
        """Whether a person counts as many blinks as there are, of a random number, again and again until the answer.

        blink(n): blinks n times, returns how long that goes on still, s. A count that is wrong is asked again, with
        another number; "0" is believed.
        """
        chances = [2, 3, 4]
        for _ in range(_TRIES):
            wanted = self.ctx.bench.chance.choice(chances)
            chances.remove(wanted)
            try:
                answer = self._counted(f"{text} {_AGAIN}", detail, partial(blink, wanted))
            except OperatorAbsent:
                return False
            if not answer.isdigit() or int(answer) in (0, wanted):
                return answer == str(wanted)
        return False

    def _counted(self, text: str, detail: str, blink: Callable[[], float]) -> str:
        ctx = self.ctx
        due = ctx.now() + _FIRST_S

        def meanwhile() -> None:
            nonlocal due
            if ctx.now() >= due:
                left = blink()
                due = ctx.now() + left + _PAUSE_S

        prompt = ctx.prompt(
            ev.PromptKind.COUNT, text, "count_blinks", role=self.role, detail=detail, timeout_s=120.0
        )  # fmt: skip
        return ctx.answer(prompt, meanwhile).strip()
