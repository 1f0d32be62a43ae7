"""A motor controller with its arming rules, and the motor behind it: current, speed, vibration."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

from benchctl.benchfile import EscSpec, MotorSpec
from benchctl.parts.agenda import Agenda, Entry
from benchctl.parts.rail import Rail

#: speed, as a share of full, below which a motor counts as standing
STANDS = 0.02
#: a controller starts a standing motor from STANDS on, a share of full throttle, and drives a turning one on with LEAST
#: or more until its pulse is back at rest: jitter about one width does not start it again and again (from memory)
LEAST = 0.03
#: a motor whose drive is cut is heard to stumble when its speed falls to this share; no source
HEARD = 0.7
#: how often a moving motor's current is brought up to date
STEP_S = 5e-3
#: without a ground wire only some pulses arrive whole; no source
GROUNDLESS_SHARE = 0.3
BEEP_S = 0.3
NEUTRAL_US = 1500.0
#: a pulse that is full throttle to whoever is to be taught, and one that is idle, or full backwards (common practice,
#: no source)
FULL_US, LOW_US = 1700.0, 1300.0
#: full that stands for longer once it has been taken opens a menu, in which nothing is learnt (from memory)
MENU_S = 6.0
#: a taught controller turns from so much above the idle it was shown, and is at full so much below full
INSIDE_US = 40.0


class Motor:
    """Follows `set_throttle` (0 to 1) with its inertia; speed is a share of full.

    starts: when it was seen to begin to turn, or heard to stumble.
    """

    def __init__(self, name: str, spec: MotorSpec, rail: Rail | None, agenda: Agenda, brake: bool = False) -> None:
        self.name = name
        self.spec = spec
        self.throttle = 0.0
        self.backward = False
        self.starts: list[float] = []
        self._cut_at = 0.0
        self._rail = rail
        self._agenda = agenda
        self._brake = brake
        self._from = (agenda.now, 0.0)
        self._phase = 0.0
        self._started = -math.inf
        self._entry: Entry | None = None

    def set_throttle(self, throttle: float, time: float) -> None:
        """Another throttle from `time` on, 0 to 1."""
        if throttle == self.throttle:
            return
        here = self.speed(time)
        self._phase = self._turns(time)
        if here < STANDS and throttle > 0:
            self._started = time
        if throttle > STANDS >= self.throttle and (here < STANDS or here < HEARD * self._cut_at):
            self.starts.append(time)
        if throttle <= STANDS < self.throttle:
            self._cut_at = here
        self._from, self.throttle = (time, here), throttle
        self._update(time)

    def speed(self, time: float) -> float:
        """Share of full speed."""
        since, here = self._from
        faster = 0.2 if self._brake and self.throttle == 0 else 1.0
        return self.throttle + (here - self.throttle) * math.exp(
            -max(0.0, time - since) / (self.spec.time_constant_s * faster)
        )

    @property
    def spinning(self) -> bool:
        """Whether it turns now."""
        return self.speed(self._agenda.now) > STANDS

    def amps(self, time: float) -> float:
        """Current that it draws, A."""
        if self.throttle <= 0:
            return 0.0
        spec = self.spec
        start = spec.start_ma * math.exp(-(time - self._started) / max(spec.start_ms * 1e-3, 1e-6))
        return 1e-3 * (spec.free_ma + start + (spec.full_ma - spec.free_ma) * self.speed(time) ** 3)

    def _update(self, time: float) -> None:
        if self._entry is not None:
            self._entry.cancel()
            self._entry = None
        if self._rail is not None:
            self._rail.set_load(self.name, self.amps(time), time)
        moving = abs(self.speed(time) - self.throttle) > 0.003 or time - self._started < 5e-3 * self.spec.start_ms
        if moving and self.throttle > 0:
            self._entry = self._agenda.at(time + STEP_S, lambda: self._update(self._agenda.now))

    def revolutions_per_s(self, time: float) -> float:
        """By the supply's voltage and the throttle."""
        volts = self._rail.volts(time) if self._rail is not None else 7.4
        return self.speed(time) * volts * self.spec.kv_rpm_per_v / 60.0

    def _turns(self, time: float) -> float:
        since, _ = self._from
        return self._phase + (time - since) * self.revolutions_per_s(time)

    def vibration(self, time: float) -> tuple[float, float, float]:
        """(g in x, g in y, Hz) at the sensor: an imbalance turning in the board's plane."""
        speed = self.speed(time)
        if speed <= STANDS:
            return 0.0, 0.0, 0.0
        peak = math.sqrt(2.0) * self.spec.vibration_g * speed * speed
        angle = 2.0 * math.pi * self._turns(time)
        return peak * math.cos(angle), peak * math.sin(angle), self.revolutions_per_s(time)


class Esc:
    """A motor controller. `signal(level, time)` takes the pulse edges.

    above_idle: (time, width in µs) of every pulse that would turn it; beeps: times of its beeps; sounded: of the start
    of whatever it gives when it has armed; taken: of its tones as it takes an end point that is not the last.
    powered_at: when it got its battery. What it is taught replaces the end points of its description.
    """

    def __init__(self, name: str, spec: EscSpec, motor: Motor | None, agenda: Agenda, chance: random.Random) -> None:
        self.name = name
        self.spec = spec
        self.motor = motor
        self.armed = not spec.needs_arming
        self.pulses = 0
        self.last_width_us = 0.0
        self.above_idle: list[tuple[float, float]] = []
        self.beeps: list[float] = []
        #: told (time, width in µs) after each pulse
        self.told: list[Callable[[float, float], object]] = []
        self.sounded: list[float] = []
        self.taken: list[float] = []
        self.powered_at = -math.inf
        self.min_us, self.max_us, self.neutral_us = spec.min_us, spec.max_us, NEUTRAL_US
        self.arms_from_us = spec.arms_from_us
        self._fresh = False  # it has power and has heard no pulse yet
        self._lesson: list[tuple[str, float, float]] = []  # zone, since when, the widths' mean
        self._agenda = agenda
        self._chance = chance
        self._rose = -1.0
        self._idle_since = math.inf
        self._watchdog: Entry | None = None
        self.powered = True

    def power(self, on: bool, time: float) -> None:
        """Its battery comes or goes; it has to be armed anew."""
        self.powered = self._fresh = on
        if on:
            self.powered_at = time
        self._lesson = []
        self._disarm(time)

    def signal(self, level: float, time: float) -> None:
        """An edge of its pulse."""
        if level >= 0.5:
            self._rose = time
            return
        if self._rose < 0:
            return
        width_us, self._rose = (time - self._rose) * 1e6, -1.0
        self.pulses += 1
        self.last_width_us = width_us
        if self.throttle_of(width_us):
            self.above_idle.append((time, width_us))
        arrives = self.spec.signal_ground or self._chance.random() < GROUNDLESS_SHARE
        if self.spec.fitted and self.powered and arrives:
            self._pulse(width_us, time)
        for tell in self.told:
            tell(time, width_us)

    def _pulse(self, width_us: float, time: float) -> None:
        if self._watchdog is not None:
            self._watchdog.cancel()
        self._watchdog = self._agenda.at(time + self.spec.lost_s, self._lost)
        if self._fresh and self.spec.teachable and width_us >= FULL_US:
            self._lesson = [("full", time, width_us)]
        self._fresh = False
        throttle = self.throttle_of(width_us)
        if self._lesson:
            self._learn(width_us, time)
        elif not self.armed:
            self._wait_for_idle(not throttle and width_us >= self.arms_from_us, time)
        elif self.motor is not None:
            if throttle:
                self.motor.backward = throttle < 0
            self.motor.set_throttle(self._driven(abs(throttle)), time)

    def _driven(self, asked: float) -> float:
        """The throttle that the motor gets."""
        turns = self.motor is not None and self.motor.throttle > 0
        return max(asked, LEAST) if asked > (0.0 if turns else STANDS) else 0.0

    @property
    def rest_us(self) -> float:
        """The widest pulse of a one-way controller, the middle one of a reversible, at which its motor stands."""
        return self.neutral_us if self.spec.reversible else self.min_us

    def throttle_of(self, width_us: float) -> float:
        """What a pulse asks for, -1 to 1; 0 is rest."""
        spec = self.spec
        if not spec.reversible:
            return min(1.0, max(0.0, (width_us - self.min_us) / (self.max_us - self.min_us)))
        away = width_us - self.neutral_us
        beyond = max(0.0, abs(away) - spec.dead_us) / (self.max_us - self.neutral_us - spec.dead_us)
        return math.copysign(min(1.0, beyond), away) if beyond else 0.0

    def _zone(self, width_us: float) -> str:
        if width_us >= FULL_US:
            return "full"
        low = width_us <= LOW_US
        return ("backward" if low else "rest") if self.spec.reversible else ("rest" if low else "")

    def _learn(self, width_us: float, time: float) -> None:
        """Full, of a reversible one full backwards, then rest, each for long enough; anything else teaches nothing."""
        order = ("full", "backward", "rest") if self.spec.reversible else ("full", "rest")
        zone, since, mean = self._lesson[-1]
        here = self._zone(width_us)
        long_enough = time - since >= self.spec.teach_s
        if here == zone:
            self._lesson[-1] = (zone, since, mean + 0.1 * (width_us - mean))
            if zone == "full" and time - since > self.spec.teach_s + MENU_S:
                self._lesson = []
            elif zone == order[-1] and long_enough:
                self._learnt(time)
            elif long_enough and max(self.taken, default=-math.inf) < since:
                self.taken.append(time)
        elif long_enough and order[len(self._lesson) :][:1] == (here,):
            self._lesson.append((here, time, width_us))
        else:
            self._lesson = []

    def _learnt(self, time: float) -> None:
        shown = {zone: us for zone, _, us in self._lesson}
        self.max_us = shown["full"] - INSIDE_US
        if self.spec.reversible:
            self.neutral_us = shown["rest"]
        else:
            self.min_us = shown["rest"] + INSIDE_US
        self.arms_from_us = 0.0
        self._lesson = []
        self._arm(time)

    def _wait_for_idle(self, idle: bool, time: float) -> None:
        if not idle:
            self._idle_since = math.inf
        elif self._idle_since == math.inf:
            self._idle_since = time
        elif time - self._idle_since >= self.spec.arming_s:
            self._arm(time)

    def _arm(self, time: float) -> None:
        self.armed = True
        self.sounded.append(time)
        if "beeps" in self.spec.sound:
            self.beeps += [time + n * BEEP_S for n in range(self.spec.beeps)]

    def _lost(self) -> None:
        self._lesson = []
        self._disarm(self._agenda.now)

    def _disarm(self, time: float) -> None:
        self.armed = not self.spec.needs_arming
        self._idle_since = math.inf
        if self.motor is not None:
            self.motor.set_throttle(0.0, time)

    def beeps_since(self, time: float, until: float) -> int:
        """Beeps that were to be heard in the interval."""
        return sum(1 for at in self.beeps if time <= at <= until)
