"""A push switch with its bounce, the pulls on its line, and whoever else drives the line."""

from __future__ import annotations

import math
import random

from benchctl.benchfile import SwitchSpec
from benchctl.parts.agenda import Agenda, Entry
from benchctl.parts.signal import Signal

#: mean time between the chance edges of a line that nothing holds; no source, it depends on the room
FLOAT_S = 5e-3
#: a resistor to ground weaker than this loses against the chip's own pull-up (data sheet: 20 to 50 kΩ)
_BEATEN_OHMS = 20e3
#: of the signal that drives the line: nobody does
LET_GO = 0.5


class Switch:
    """`line` is the level at the pin: 1 high. `edges`: all (time, level) that the contact itself has made."""

    def __init__(self, name: str, spec: SwitchSpec, agenda: Agenda, chance: random.Random) -> None:
        self.name = name
        self.spec = spec
        #: level of the line while the contact is closed
        self.closed_level = 0.0 if spec.closes_to == "ground" else 1.0
        self.line = Signal(f"{name} line", 1.0)
        self.edges: list[tuple[float, float]] = []
        self._agenda = agenda
        self._chance = chance
        self._closed = spec.fitted and spec.stuck == "closed"
        #: 1 while the contact is closed, whoever else pulls the line
        self.contact = Signal(f"{name} contact", float(self._closed))
        self._pull_up = False
        self._driven: dict[str, float] = {}
        self._floating: Entry | None = None
        self._resolve(agenda.now)

    # -- the person and the wires -----------------------------------------------------------------------------

    def press(self, time: float) -> float:
        """Begin to press at `time`; returns when the contact has come to rest."""
        return self._actuate(time, True)

    def release(self, time: float) -> float:
        return self._actuate(time, False)

    def _actuate(self, time: float, closed: bool) -> float:
        if not self.spec.fitted or self.spec.stuck != "no":
            return time
        extra = self._chance.randint(0, self.spec.bounce_count)
        lasts = self._chance.uniform(0.2, 1.0) * self.spec.bounce_us * 1e-6 if extra else 0.0
        inner = sorted(self._chance.uniform(0.0, lasts) for _ in range(2 * extra))
        for n, offset in enumerate((0.0, *inner)):
            self._agenda.at(time + offset, self._contact, closed if n % 2 == 0 else not closed)
        return time + (inner[-1] if inner else 0.0)

    def _contact(self, closed: bool) -> None:
        if closed != self._closed:
            self._closed = closed
            self.contact.set(float(closed), self._agenda.now)
            self.edges.append((self._agenda.now, self.closed_level if closed else 1.0 - self.closed_level))
            self._resolve(self._agenda.now)

    # -- the chip, the gauge ----------------------------------------------------------------------------------

    def pull_low(self, who: str, on: bool, time: float) -> None:
        """`who` (a pin, a gauge) pulls the line to ground through its output, or lets go."""
        self.drive(who, 0.0 if on else None, time)

    def drive(self, who: str, level: float | None, time: float) -> None:
        """`who` drives the line to a level, or lets go (None). A low one wins over a high one."""
        if level is None:
            self._driven.pop(who, None)
        else:
            self._driven[who] = level
        self._resolve(time)

    def set_pull_up(self, on: bool, time: float) -> None:
        """The chip's own pull-up."""
        if on != self._pull_up:
            self._pull_up = on
            self._resolve(time)

    def _resolve(self, time: float) -> None:
        level = self._level()
        if level is not None:
            self._hold(level, time)
        elif self._floating is None:
            self._float()

    def _level(self) -> float | None:
        """What holds the line, strongest first; None: nothing does."""
        if self._driven:
            return min(self._driven.values())
        if self._closed:
            return self.closed_level
        held = math.isfinite(self.spec.pull_ohms)
        if self.closed_level == 1.0 and held and (self.spec.pull_ohms < _BEATEN_OHMS or not self._pull_up):
            return 0.0
        return 1.0 if self._pull_up or (held and self.closed_level == 0.0) else None

    def _hold(self, level: float, time: float) -> None:
        if self._floating is not None:
            self._floating.cancel()
            self._floating = None
        self.line.set(level, time)

    def _float(self) -> None:
        """Nothing holds the line: it follows the hum of the room."""
        self._floating = self._agenda.after(self._chance.expovariate(1.0 / FLOAT_S), self._wander)

    def _wander(self) -> None:
        self.line.set(1.0 - self.line.level, self._agenda.now)
        self._float()
