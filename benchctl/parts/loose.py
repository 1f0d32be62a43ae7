"""A joint that makes contact now and then: by touch, by vibration, or by itself."""

from __future__ import annotations

import random
from collections.abc import Callable

from benchctl.benchfile import LooseSpec
from benchctl.parts.agenda import Agenda

#: mean time from break to break while the part is pressed and wiggled, or while something on the board shakes
SHAKEN_S = 0.25
#: how often it is looked whether something shakes
LOOK_S = 0.05
#: the part that a person presses for each place
PART_OF = {
    **dict.fromkeys(("module_supply", "miso", "mosi", "sck", "csn"), "transceiver"),
    "supply": "supply",
    "joy_x": "joystick",
    "joy_y": "joystick",
    "sensor": "sensor",
}


class Loose:
    """One such joint. opens(open, time): what follows; shakes(time): whether something on the board moves."""

    def __init__(
        self,
        place: str,
        spec: LooseSpec,
        agenda: Agenda,
        chance: random.Random,
        opens: Callable[[bool, float], None],
        shakes: Callable[[float], bool],
    ) -> None:
        self.part = PART_OF[place]
        self.open = False
        self._spec, self._agenda, self._chance = spec, agenda, chance
        self._opens, self._shakes = opens, shakes
        self._pressed_until = -1.0
        if spec.by == "time":
            agenda.after(self._next(spec.every_s), self._by_itself)
        elif spec.by == "vibration":
            agenda.after(LOOK_S, self._look)

    def press(self, until: float) -> None:
        """Somebody presses its part and wiggles it, until then."""
        if self._spec.by == "touch":
            running = self._pressed_until > self._agenda.now
            self._pressed_until = until
            if not running:
                self._agenda.after(self._next(SHAKEN_S), self._while_pressed)

    def _next(self, mean_s: float) -> float:
        return self._chance.expovariate(1.0 / mean_s)

    def _while_pressed(self) -> None:
        if self._agenda.now < self._pressed_until:
            self._break()
            self._agenda.after(1e-3 * self._spec.for_ms + self._next(SHAKEN_S), self._while_pressed)

    def _by_itself(self) -> None:
        self._break()
        self._agenda.after(1e-3 * self._spec.for_ms + self._next(self._spec.every_s), self._by_itself)

    def _look(self) -> None:
        if self._shakes(self._agenda.now) and self._chance.random() < LOOK_S / SHAKEN_S:
            self._break()
        self._agenda.after(LOOK_S + 1e-3 * self._spec.for_ms, self._look)

    def _break(self) -> None:
        if not self.open:
            self.open = True
            self._opens(True, self._agenda.now)
            self._agenda.after(1e-3 * self._spec.for_ms, self._close)

    def _close(self) -> None:
        self.open = False
        self._opens(False, self._agenda.now)
