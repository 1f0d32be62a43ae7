"""What holds in every test on `sim` and `avr`, whatever the test is about: nothing is hurt, and pulses stay in bounds.

`install` has every modelled world watched from its first moment; the fixture in `conftest.py` asks `complaints` after
each test. A test says what harm it means with `@pytest.mark.harm("kind", …)`, and with `@pytest.mark.pulses("why")` that
it breaks the pulses' rules on purpose; a bench file says under `harm` what its fault does.
"""

from __future__ import annotations

import functools
import weakref
from collections import deque
from dataclasses import dataclass, field
from typing import Any

import watched_air
import watched_host
import watched_radio
from watched_air import FarStop
from watched_radio import Heard, follow

from benchctl.avr.bench import AvrBench
from benchctl.benchfile import BenchSpec
from benchctl.benchfile.harm_kinds import HarmKind
from benchctl.pairfile.pins import code
from benchctl.parts.allowance import Allowance
from benchctl.parts.board import Board
from benchctl.parts.world import World
from benchctl.relayed_bench import RelayedBench
from benchctl.session.over_air import FarBoard
from benchctl.sim.bench import SimBench
from benchctl.terms import Role
from benchctl.wire.catalogue import MOTOR_KINDS, PulseKind

#: room for the chip's tick, and for the lateness of pins that an interrupt switches at 16 MHz (measured, see
#: hw_pulse.cpp); at 8 MHz the same cycles take twice as long
ROOM_US, SOFT_US = 2.0, 12.0
#: where two such pins' edges fall together the later one waits for the other, which is seen for so long before it
TOGETHER_US, NEAR_S = 65.0, 100e-6
COMPARE_PINS = ("PB1", "PB2")
SERVO_LEAST_US, SERVO_MOST_US = 500.0, 2500.0
#: a pin high for longer is no pulse
STUCK_US = 3000.0
#: a stop reaches a board within this, with the time that a closing bench lets pass
STOP_S = 0.031
#: a board that restarts hears nothing for so long
RESTART_S = 0.5


@dataclass
class PulseWatch:
    """One pulse output of a craft or hand unit, as soldered: every edge against what was asked for on the wire."""

    board: Board
    name: str
    allowed: Allowance
    ppm: float
    heard: Heard
    #: the board's latest edges on pins that an interrupt switches: when, which output
    edges: deque[tuple[float, str]]
    wrong: list[tuple[float, bool, str]] = field(default_factory=list)
    rose: float = -1.0
    last_rise: float = -1.0
    short: int = 0

    def edge(self, level: float, time: float) -> None:
        if not self.allowed.known:
            return  # firmware of somebody else's
        if self.soft:
            self.edges.append((time, self.name))
        if level >= 0.5:
            self._rise(time)
        elif self.rose >= 0:
            self._fall(time)

    @property
    def channel(self) -> int:
        return self.allowed.channel_at(code(self.board.pins[self.name]))

    @property
    def kind(self) -> PulseKind:
        craft = self.allowed.number("role") == list(Role).index(Role.CRAFT)
        return self.allowed.kind(self.channel) if craft else PulseKind.NONE

    def _complain(self, time: float, text: str, short: bool = False) -> None:
        """short: it is all right for a pulse that was cut, which may be told a little later."""
        if len(self.wrong) < 20:
            self.wrong.append((time, short, f"{self.board.role} {self.name}, {time:.6f} s: {text}"))

    def complaints(self) -> list[str]:
        out = [text for time, short, text in self.wrong if not (short and self.allowed.cut(time))]
        self.wrong.clear()
        return out

    def _rise(self, time: float) -> None:
        allowed = self.allowed
        if allowed.cut(time):
            pass  # the request is under way
        elif self.kind is PulseKind.NONE:
            self._complain(time, "a pulse on an output that is not declared")
        elif not allowed.may_move(self.channel, time):
            self._complain(time, "a pulse on an output that nobody has confirmed")
        frame = allowed.number("frame_us") * 1e-6
        room = (self._late(time, self.last_rise) + ROOM_US) * 1e-6 + frame * self.ppm * 1e-6
        since = time - self.last_rise
        undisturbed = self.last_rise > max((*allowed.changes[-1:], *allowed.starts[-1:]), default=-1.0)
        if self.kind in MOTOR_KINDS and undisturbed and self.last_rise >= 0:
            self.short = self.short + 1 if since < frame - room else 0
            if self.short > 2:
                self._complain(time, f"pulses every {since * 1e6:.0f} us, the frame is {frame * 1e6:.0f} us")
            if since > 1.5 * frame and allowed.permille(self.channel, time) > 0 and allowed.permille(
                self.channel, self.last_rise
            ):
                self._complain(time, f"no pulse for {since * 1e3:.1f} ms of a live motor")
        self.rose = self.last_rise = time

    @property
    def soft(self) -> bool:
        """Switched by an interrupt."""
        return self.board.pins.get(self.name) not in COMPARE_PINS

    def _late(self, *edges: float) -> float:
        """By how much one of these edges may be late, in µs."""
        if not self.soft:
            return 0.0
        others = [at for at, name in self.edges if name != self.name]
        slower = 16e6 / self.board.spec.clock_hz
        near = any(0 <= edge - at < NEAR_S * slower for edge in edges for at in others)
        return (TOGETHER_US if near else SOFT_US) * slower

    def _fall(self, time: float) -> None:
        rose, self.rose = self.rose, -1.0
        width, allowed = (time - rose) * 1e6, self.allowed
        room = ROOM_US + self._late(rose, time) + width * self.ppm * 1e-6
        taught = allowed.lesson_us(self.channel, time)
        if any(abs(width - us) <= room for us in taught):
            return
        if self.kind in MOTOR_KINDS:
            rest, full = allowed.rest_us(self.channel), allowed.full_us(self.channel)
            most = max(0, full - rest) * allowed.permille(self.channel, time) / 1000
            if width > rest + most + room:
                self._complain(time, f"{width:.1f} us, at most {rest + most:.1f} us was allowed")
            elif width > rest + room and (missing := self.heard.missing(time)):
                self._complain(time, f"{width:.1f} us, {missing}")
            least = rest - most if self.kind is PulseKind.REVERSIBLE else rest
            if width < least - room:
                self._complain(time, f"{width:.1f} us, idle is {rest} us", short=True)
        elif width < SERVO_LEAST_US - room:
            self._complain(time, f"{width:.1f} us on a servo's output", short=True)
        elif width > SERVO_MOST_US + room:
            self._complain(time, f"{width:.1f} us on a servo's output")

    def end(self, time: float) -> None:
        if self.rose >= 0 and (time - self.rose) * 1e6 > STUCK_US:
            self._complain(time, f"high since {self.rose:.6f} s")
            self.rose = -1.0


class Watched:
    """One world under watch."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.pulses: list[PulseWatch] = []
        #: stops that were asked for: when, which boards are said to be reached, to which there is a cable
        self.stops: list[tuple[float, set[Role], set[Role]]] = []
        self.told = 0
        self.expected = {HarmKind(kind) for kind in world.spec.harm}
        self.far_stops: list[FarStop] = []
        heard, self.by_air = follow(world)
        for role, board in world.boards.items():
            edges: deque[tuple[float, str]] = deque(maxlen=16)
            for n in range(1, 7):
                name = f"pulse{n}"
                if board.pins.get(name) and role is not Role.GAUGE:
                    one = PulseWatch(board, name, world.allowances[role], _ppm(world.spec, role), heard[role], edges)
                    board.outputs[name].connect(one.edge)
                    self.pulses.append(one)

    def complaints(self, meant: set[HarmKind], pulses_meant: bool) -> list[str]:
        """What is new since the last time."""
        self.expected |= meant
        harm = [str(e) for e in self.world.harm.entries if e.kind not in self.expected]
        new, self.told = harm[self.told :], max(self.told, len(harm))
        for one in self.pulses:
            one.end(self.world.agenda.now)
            wrong = one.complaints()
            if not pulses_meant:
                new += wrong
        return new + self._unheard_stops() + self._unheard_far_stops()

    def _unheard_far_stops(self) -> list[str]:
        """The same of boards that have no cable, through the one that relays."""
        due = [one for one in self.far_stops if self.world.agenda.now > one.at + watched_air.STOP_S]
        self.far_stops = [one for one in self.far_stops if one not in due]
        powered = [one for one in due if self.world.boards[one.role].powered]
        return [why for one in powered if (why := one.wrong(self.world.allowances[one.role]))]

    def _unheard_stops(self) -> list[str]:
        """What is plugged in, has its supply and has not just restarted hears every stop, and is said to be reached."""
        out, left = [], []
        for at, reached, plugged in self.stops:
            if self.world.agenda.now <= at + STOP_S:
                left.append((at, reached, plugged))
                continue
            for role in plugged:
                board, allowed = self.world.boards[role], self.world.allowances[role]
                serial = board.spec.serial
                faulty = serial.drop_per_million or serial.flip_per_million
                restarted = any(abs(start - at) < RESTART_S for start in allowed.starts)
                if faulty or restarted or not board.powered or board.held:
                    continue
                if role not in reached:
                    out.append(f"the stop at {at:.6f} s is said not to have reached the {role} board")
                elif not any(at - 1e-9 <= t <= at + STOP_S for t in allowed.stops):
                    out.append(f"the stop at {at:.6f} s did not reach the {role} board")
        self.stops = left
        return out


def _ppm(spec: BenchSpec, role: Role) -> float:
    one = spec.boards[role].oscillator
    return abs(one.ppm) + abs(one.wander_ppm) + 100 * abs(one.drift_ppm_per_s) + 20


WATCHED: list[weakref.ref[Watched]] = []


def forget() -> None:
    """The worlds there are are no longer watched: one with a defect that was put in on purpose."""
    WATCHED.clear()
    watched_host.RUNS.clear()


def install() -> None:
    """Watch every world that is made from now on. May be called twice."""
    make = World.__init__
    if hasattr(make, "__wrapped__"):
        return
    watched_host.install()
    watched_radio.install()

    @functools.wraps(make)
    def made(self: World, *args: Any, **kwargs: Any) -> None:
        make(self, *args, **kwargs)
        self.watched = Watched(self)  # type: ignore[attr-defined]
        WATCHED.append(weakref.ref(self.watched))  # type: ignore[attr-defined]

    World.__init__ = made  # type: ignore[method-assign]
    for bench in (SimBench, AvrBench):
        _watch_stops(bench)
    _watch_far_stops()


def _watch_stops(bench: type[Any]) -> None:
    stop_all = bench.stop_all

    @functools.wraps(stop_all)
    def told(self: Any) -> Any:
        closed = self._closed and not isinstance(self, SimBench)
        # a board that is reached over the air has no cable that its stop could come by
        near = {role for role in self.boards if not self.world.boards[role].spec.via}
        plugged = {role for role in near if self.boards[role].port.plugged and not closed}
        watched = getattr(self.world, "watched", None)
        at = watched.world.agenda.now if watched is not None else 0.0
        reach = stop_all(self)
        if watched is not None:
            watched.stops.append((at, set(reach.reached), plugged))
        return reach

    bench.stop_all = told


def _watch_far_stops() -> None:
    stop_all = RelayedBench.stop_all

    @functools.wraps(stop_all)
    def told(self: RelayedBench) -> Any:
        watched = getattr(getattr(self.under, "world", None), "watched", None)
        if watched is None:
            return stop_all(self)
        far = {role: watched.by_air[role].last for role, board in self.boards.items() if isinstance(board, FarBoard)}
        at = watched.world.agenda.now
        reach = stop_all(self)
        watched.far_stops += [FarStop(role, at, last, role in reach.reached) for role, last in far.items()]
        return reach

    RelayedBench.stop_all = told  # type: ignore[method-assign]


def complaints(meant: set[HarmKind], pulses_meant: bool) -> list[str]:
    """Of all worlds, new ones only."""
    out = []
    for one in [ref() for ref in WATCHED]:
        if one is not None:
            out += one.complaints(meant, pulses_meant)
    WATCHED[:] = [ref for ref in WATCHED if ref() is not None]
    return out + watched_host.complaints()
