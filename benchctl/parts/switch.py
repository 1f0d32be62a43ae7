"""A push switch to ground with its bounce, the pull-ups on its line, and whoever else pulls the line low."""

from __future__ import annotations

import math
import random

from benchctl.benchfile import SwitchSpec
from benchctl.parts.agenda import Agenda, Entry
from benchctl.parts.signal import Signal

#: mean time between the chance edges of a line that nothing holds; no source, it depends on the room
FLOAT_S = 5e-3


class Switch:
    """`line` is the level at the pin: 1 high. `edges`: all (time, level) that the contact itself has made."""

    def __init__(self, name: str, spec: SwitchSpec, agenda: Agenda, chance: random.Random) -> None:
        self.name = name
        self.spec = spec
        self.line = Signal(f"{name} line", 1.0)
        self.edges: list[tuple[float, float]] = []
        self._agenda = agenda
        self._chance = chance
        self._closed = spec.fitted and spec.stuck == "closed"
        self._pull_up = False
        self._pulled_low: set[str] = set()
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
            self.edges.append((self._agenda.now, 0.0 if closed else 1.0))
            self._resolve(self._agenda.now)

    # -- the chip, the gauge ----------------------------------------------------------------------------------

    def pull_low(self, who: str, on: bool, time: float) -> None:
        """`who` (a pin, a gauge) pulls the line to ground through its output, or lets go."""
        (self._pulled_low.add if on else self._pulled_low.discard)(who)
        self._resolve(time)

    def set_pull_up(self, on: bool, time: float) -> None:
        """The chip's own pull-up."""
        if on != self._pull_up:
            self._pull_up = on
            self._resolve(time)

    def _resolve(self, time: float) -> None:
        if self._closed or self._pulled_low:
            self._hold(0.0, time)
        elif self._pull_up or math.isfinite(self.spec.pull_up_ohms):
            self._hold(1.0, time)
        elif self._floating is None:
            self._float()

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
