"""A servo: follows the pulses at its signal wire with its gain, dead band and speed, and loads its rail."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

from benchctl.benchfile import ServoSpec
from benchctl.parts.agenda import Agenda, Entry
from benchctl.parts.rail import Rail

CENTRE_US = 1500.0
#: unrest of the shaft by ripple of its supply, to which its potentiometer and comparator refer; no source
DEG_PER_MV = 0.01


class Servo:
    """`signal(level, time)` takes the edges. Angles in degrees, 0 at 1500 µs. `pulses`: (rise, width in s) seen."""

    def __init__(self, name: str, spec: ServoSpec, rail: Rail | None, agenda: Agenda, chance: random.Random) -> None:
        self.name = name
        self.spec = spec
        self.pulses = 0
        self.last_width_s = 0.0
        #: (time, degrees) of every movement begun
        self.moves: list[tuple[float, float]] = []
        self._rail = rail
        self._agenda = agenda
        self._chance = chance
        self._rose = -1.0
        self._width_us = 0.0
        self._from = (0.0, 0.0)  # time and angle at which the present move began
        self._goal = 0.0
        self._pending: list[Entry] = []
        #: told (time, width in µs) after each pulse
        self.told: list[Callable[[float, float], object]] = []
        if rail is not None:
            rail.set_load(name, spec.quiet_ma * 1e-3, agenda.now)

    def signal(self, level: float, time: float) -> None:
        """An edge at the signal wire."""
        if level >= 0.5:
            self._rose = time
        elif self._rose >= 0:
            self.last_width_s = time - self._rose
            self.pulses += 1
            self._rose = -1.0
            if self.spec.signal_ground:
                self._pulse(self.last_width_s * 1e6, time)
            for tell in self.told:
                tell(time, self.last_width_s * 1e6)

    def _pulse(self, width_us: float, time: float) -> None:
        spec = self.spec
        width_us = min(max(width_us, spec.min_us), spec.max_us)
        if not spec.fitted or abs(width_us - self._width_us) <= spec.deadband_us:
            return
        self._width_us = width_us
        self._move((width_us - CENTRE_US) * 1e-3 * spec.deg_per_ms * spec.gain, time)

    def _move(self, goal: float, time: float) -> None:
        here = self.angle(time)
        self._from, self._goal = (time, here), goal
        self.moves.append((time, goal - here))
        seconds = abs(goal - here) / self.spec.slew_deg_per_s
        if self._rail is None or seconds <= 0:
            return
        for entry in self._pending:
            entry.cancel()
        start = min(self.spec.start_ms * 1e-3, seconds)
        self._rail.set_load(self.name, self.spec.stall_ma * 1e-3, time)
        self._pending = [
            self._agenda.at(time + start, self._draw, self.spec.moving_ma),
            self._agenda.at(time + max(seconds, start), self._draw, self.spec.quiet_ma),
        ]

    def _draw(self, milliamps: float) -> None:
        if self._rail is not None:
            self._rail.set_load(self.name, milliamps * 1e-3, self._agenda.now)

    def angle(self, time: float) -> float:
        """Where the shaft is, without its unrest."""
        since, here = self._from
        most = self.spec.slew_deg_per_s * max(0.0, time - since)
        way = self._goal - here
        return here + max(-most, min(most, way))

    def seen_angle(self, time: float) -> float:
        """Where a person with a protractor sees it."""
        ripple = 0.0 if self._rail is None else DEG_PER_MV * self._rail.spec.noise_mv
        return self.angle(time) + self._chance.gauss(0.0, math.hypot(self.spec.jitter_deg, ripple))
