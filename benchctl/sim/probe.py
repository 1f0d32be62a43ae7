"""The probe firmware's main loop, modelled: requests in, answers and events out, tasks in between.

One `Probe` is one life of a board, from a start to the next. What outlives it is in `SurvivingRam` (RAM that survived)
and in the EEPROM. Handlers answer with an answer or a `Refusal`, or are
generators that yield seconds to spend before they do.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable, Generator, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from benchctl.parts.agenda import Agenda, Entry
from benchctl.parts.oscillator import Oscillator
from benchctl.sim.images import Image
from benchctl.sim.line import SimPort
from benchctl.sim.outbox import Outbox
from benchctl.sim.settings import Eeprom
from benchctl.sim.timing import RX_RING, Timing
from benchctl.sim.wiring import Wiring
from benchctl.wire import msg
from benchctl.wire.base import Answer, Event, Request
from benchctl.wire.catalogue import CauseFrom, Error, ResetCause
from benchctl.wire.framing import DELIMITER, Deframer
from benchctl.wire.messages import Malformed, decode


@dataclass(frozen=True, slots=True)
class Refusal:
    """In place of an answer."""

    code: Error
    detail: int = 0


Done = Answer | Refusal
Result = Done | Generator[float, None, Done]
#: by the request; a function of it
Handlers = dict[type[Request[Answer]], Callable[[Any], Result]]

#: a life so long has its number stored, seconds
LONG_LIFE = 10.0
#: what must be free for a request, as in `firmware_probe/handlers.h`
_NEEDS: Mapping[int, tuple[str, ...]] = {
    **{m.TYPE: ("radio",) for m in (msg.RadioSpi, msg.RadioApply, msg.RadioSend, msg.EnergyScan, msg.LinkStart)},
    **{m.TYPE: ("adc",) for m in (msg.Adc, msg.Droop, msg.StickStream)},
    **{m.TYPE: ("twi",) for m in (msg.TwiScan, msg.TwiRead, msg.TwiWrite, msg.ImuStream)},
    msg.LoopStart.TYPE: ("radio", "adc"),
}
#: what arms and drives is refused by air
_NOT_BY_AIR = (msg.ArmChallenge.TYPE, msg.Arm.TYPE, msg.Throttle.TYPE, msg.Output.TYPE)


@dataclass(slots=True)
class SurvivingRam:
    """What a life leaves in RAM for the next, as long as the supply holds it."""

    boots: int = 0
    uptime_ms: int = 0
    loads: int = 0
    lowest_vcc_mv: int = 0
    radio_losses: int = 0
    guard: int = 0
    survived: bool = False


@dataclass(slots=True)
class Start:
    """Why a life began. mcusr: the reset flags as the chip sets them."""

    cause: ResetCause
    mcusr: int
    cause_from: CauseFrom = CauseFrom.FLAGS


@dataclass(slots=True)
class Counts:
    """What `vitals` tells of the line and the loop."""

    frames_bad: int = 0
    overruns: int = 0
    late_us: int = 0


@dataclass(slots=True)
class Chip:
    """What a probe runs on: its clock, its line, its pins and what hangs there."""

    agenda: Agenda
    chance: random.Random
    timing: Timing
    oscillator: Oscillator
    port: SimPort
    hardware: Wiring
    eeprom: Eeprom
    clock_hz: int
    image: Image
    fuses: bytes
    on_restart: Callable[[ResetCause], object]


class Group(Protocol):
    """A part of the firmware with requests of its own."""

    @property
    def handlers(self) -> Handlers:
        """What it does with each of its requests."""


@dataclass(slots=True)
class Reservations:
    """Long tasks that exclude each other, by the thing they use: "radio", "adc", "imu"."""

    taken: dict[str, str] = field(default_factory=dict)

    def take(self, thing: str, task: str) -> bool:
        """Reserve a thing for a task; False where it is taken."""
        if thing in self.taken:
            return False
        self.taken[thing] = task
        return True

    def free(self, thing: str) -> None:
        """The task is over."""
        self.taken.pop(thing, None)


class Probe:
    """The core: clock, scheduler, line, dispatch. Groups add handlers with `add`."""

    def __init__(self, chip: Chip, start: Start, before: SurvivingRam) -> None:
        self.chip = chip
        self.agenda = chip.agenda
        self.timing = chip.timing
        self.chance = chip.chance
        self.hardware = chip.hardware
        self.reason = start
        self.before = before
        self.alive = True
        self.hung = False  # the main loop does not come round; interrupts go on
        self.began = chip.agenda.now
        self.settings, self.settings_ok = chip.eeprom.load()
        self.counts = Counts()
        self.busy = Reservations()
        # the count in RAM runs ahead of the stored one, which is written at power-on and when a life proves long
        self.boots = (max(chip.eeprom.boots, before.boots) + 1) & 0xFFFF
        if not before.survived:
            chip.eeprom.boots = self.boots
        self._offset = chip.oscillator.ticks(self.began)
        self._mask = 0xFFFFFFFF if chip.clock_hz == 16_000_000 else 0xFFFFFFFE
        self._deframer = Deframer()
        self._by_code: dict[int, Callable[[Any], Result]] = {}
        self._queue: deque[tuple[bytes, float, bool]] = deque()
        self._by_air = False  # bytes of the frame that is being taken in came over the air
        self._queued = 0
        self._serving = False
        self.out = Outbox(chip.port, self.later)
        self.surviving_ram: Callable[[], SurvivingRam] = SurvivingRam
        self.at_end: list[Callable[[], object]] = []
        self.received = 0.0  # when the last byte of the request being handled came in
        self.later(LONG_LIFE, self._store_boots)

    def _store_boots(self) -> None:
        self.chip.eeprom.boots = self.boots

    def add(self, group: Group) -> None:
        """Serve a group's requests."""
        self._by_code.update({request.TYPE: handler for request, handler in group.handlers.items()})

    # ------------------------------------------------------------------ time

    def tick(self, time: float | None = None) -> int:
        """The chip's 32-bit counter at a true time."""
        at = self.agenda.now if time is None else time
        return int(self.chip.oscillator.ticks(at) - self._offset) & self._mask & 0xFFFFFFFF

    def stamp(self, time: float) -> int:
        """What an interrupt at `time` reads from the counter."""
        return self.tick(time + self.isr())

    def isr(self) -> float:
        """Seconds from an interrupt's cause to its code."""
        t, drawn = self.timing, self.chance.random()
        delay = t.isr_least + drawn * (t.isr_most - t.isr_least)
        if drawn < t.isr_busy:
            delay += t.isr_hold * self.chance.random()
        return delay

    def held_up(self) -> float:
        """Seconds that the main loop lets an interrupt's work wait."""
        t, drawn = self.timing, self.chance.random()
        return t.loop_hold * drawn / t.loop_busy if drawn < t.loop_busy else 0.0

    def seconds(self, ticks: float) -> float:
        """True length of a time of so many of the chip's ticks, near now."""
        oscillator = self.chip.oscillator
        return ticks / (oscillator.nominal_hz * (1.0 + 1e-6 * oscillator.rate_ppm(self.agenda.now)))

    @property
    def uptime(self) -> float:
        """Seconds since the start."""
        return self.agenda.now - self.began

    def later(self, delay: float, action: Callable[..., object], *args: Any) -> Entry:
        """Do it after `delay` seconds, unless the board has restarted by then."""
        return self.agenda.at(self.agenda.now + delay, self._living, action, args)

    def at(self, time: float, action: Callable[..., object], *args: Any) -> Entry:
        """Do it at that bench time, unless the board has restarted by then."""
        return self.agenda.at(time, self._living, action, args)

    def _living(self, action: Callable[..., object], args: tuple[Any, ...]) -> None:
        if self.alive:
            action(*args)

    def run(self, steps: Iterable[float]) -> None:
        """Have a generator of delays carried on in the background."""
        iterator = iter(steps)

        def go() -> None:
            for delay in iterator:
                self.later(delay, go)
                return

        go()

    def end(self) -> SurvivingRam:
        """The chip stops here: reset or loss of power."""
        left = self.surviving_ram()
        self.alive = False
        for action in self.at_end:
            action()
        return left

    # ------------------------------------------------------------------ out

    def event(self, event: Event) -> None:
        """Send an event; one that finds no room is dropped whole and counted."""
        self.out.event(event)

    def done(self, what: type[Request[Answer]], status: int = 0, detail: int = 0) -> None:
        """A long request has ended."""
        self.event(msg.Done(what=what.TYPE, status=status, detail=detail & 0xFFFF))

    # ------------------------------------------------------------------ in

    def take(self, data: bytes, time: float) -> None:
        """Bytes from the line. What stands in the buffer from the air makes the first frame one of the air."""
        if self._by_air:
            end = data.find(DELIMITER) + 1
            self._take(data[:end] if end else data, time, True)
            if not end:
                return
            self._by_air, data = False, data[end:]
        self._take(data, time, False)

    def take_by_air(self, data: bytes, time: float) -> None:
        """Bytes that another board has relayed."""
        self._by_air = True
        self._take(data, time, True)

    def _take(self, data: bytes, time: float, by_air: bool) -> None:
        counts = self._deframer.counts
        bodies = self._deframer.feed(data)
        self.counts.frames_bad = min(0xFFFF, counts.damaged)
        for body in bodies:
            if self._queued + len(body) > RX_RING:
                self.counts.overruns = min(0xFFFF, self.counts.overruns + len(body))
                continue
            self._queued += len(body)
            self._queue.append((body, time, by_air))
        if self._queue and not self._serving:
            self._serving = True
            self._next()

    def _next(self) -> None:
        body = self._queue[0][0]
        self.later(self.timing.turn + self.timing.turn_byte * len(body), self._turn)

    def _turn(self) -> None:
        if self.hung:
            return
        if not self.out.room_for_answer():  # a request waits until its answer will have room
            self.out.flush()
            self.later(self.out.missing_time(), self._turn)
            return
        body, received, by_air = self._queue.popleft()
        self._queued -= len(body)
        kind, number = body[0], body[1] | body[2] << 8
        self.out.divert(by_air)  # the answer goes where the request came from
        result = Refusal(Error.GUARDED) if by_air and kind in _NOT_BY_AIR else self.handle(kind, body, received)
        if isinstance(result, Generator):
            self._carry_on(kind, number, result)
        else:
            self._finish(kind, number, result)

    def handle(self, kind: int, body: bytes, received: float) -> Result:
        """What the board makes of a request."""
        handler = self._by_code.get(kind)
        if handler is None:
            return Refusal(Error.UNKNOWN)
        message = decode(body)
        if isinstance(message, Malformed):
            return Refusal(Error.LENGTH)
        if any(thing in self.busy.taken for thing in _NEEDS.get(kind, ())):
            return Refusal(Error.BUSY)
        self.received = received
        return handler(message)

    def _carry_on(self, kind: int, number: int, steps: Generator[float, None, Done]) -> None:
        try:
            delay = next(steps)
        except StopIteration as over:
            self._finish(kind, number, over.value)
            return
        self.later(delay, self._carry_on, kind, number, steps)

    def _finish(self, kind: int, number: int, done: Done) -> None:
        delay = self.timing.answer
        late = int((self.timing.turn + delay) * 1e6)
        self.counts.late_us = max(self.counts.late_us, late)
        self.later(delay, self._answer, kind, number, done)

    def _answer(self, kind: int, number: int, done: Done) -> None:
        if isinstance(done, Refusal):
            done = msg.Refusal(to=kind, code=done.code, detail=done.detail & 0xFF)
        elif isinstance(done, msg.ClockAnswer):  # tells when it starts: as late as can be
            done = msg.ClockAnswer(received=done.received, sent=self.tick())
        self.out.answer(done.encode(number))
        if kind == msg.Restart.TYPE:
            self._restart_when_sent()
        if self._queue:
            self._next()
        else:
            self._serving = False

    def _restart_when_sent(self) -> None:
        left = self.out.sent_in
        if left is None:
            self.later(self.timing.loop, self._restart_when_sent)
        else:
            self.later(left + self.timing.watchdog_short, self.chip.on_restart, ResetCause.REQUESTED)
