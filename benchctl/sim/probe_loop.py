"""The reference control loop: the hand unit samples and sends, the craft receives and applies; points are stamped."""

from __future__ import annotations

import struct
from collections.abc import Callable, Generator
from functools import partial

from benchctl.parts.agenda import Entry
from benchctl.sim.edges import Lines
from benchctl.sim.outbox import RowKind
from benchctl.sim.peers import Peers
from benchctl.sim.probe import Done, Handler, Probe, Refusal
from benchctl.sim.probe_base import Base
from benchctl.sim.probe_controls import Stick
from benchctl.sim.probe_link import FLIGHT_LIMIT
from benchctl.sim.probe_outputs import CRAFT, GAUGE, TICKS_PER_US, Outputs
from benchctl.sim.probe_radio import START_UP, Radio
from benchctl.sim.settings import CHANNELS
from benchctl.wire.catalogue import NO_PIN, Error, Function, Point, PulseKind
from benchctl.wire.messages import Msg

#: control packet: number, switches (bit set: pressed), x, y, filler
_PACKET = struct.Struct("<HBHH5x")
_SWITCHES = (Function.SWITCH1, Function.SWITCH2)
_CENTRE = 512
_FULL = 1023


class _Loop:
    """What both roles share: the trace, and the counters of one run."""

    def __init__(self, probe: Probe, radio: Radio, trace: bool) -> None:
        self.probe = probe
        self.radio = radio
        self.packets = 0
        self.lost = 0
        self.on = True
        self._trace = trace
        self._rows = RowKind("trace")

    def note(self, point: Point, value: int, at: int) -> None:
        if self._trace:
            self.probe.out.row(self._rows, b"", self._rows.pack(point, value & 0xFFFF, at & 0xFFFFFFFF))


class HandLoop(_Loop):
    """Sends on every decided change at once, and at least every interval."""

    def __init__(self, probe: Probe, radio: Radio, trace: bool, lines: Lines, stick: Stick, peers: Peers) -> None:
        super().__init__(probe, radio, trace)
        self._lines = lines
        self._stick = stick
        self._peers = peers
        self._number = 0
        self._pressed = 0
        self._flying = False
        self._changed = False
        self._began = 0.0  # when the packet under way was called for
        self._due: Entry | None = None
        self._steady: list[Entry | None] = [None] * len(_SWITCHES)
        self._watched: list[tuple[int, Callable[[int, int], None]]] = []

    def start(self) -> None:
        for index, function in enumerate(_SWITCHES):
            pin = self.probe.settings.pin(function)
            if pin != NO_PIN:
                self._watch(pin, partial(self._edge, index))
        loop_back = self.probe.settings.pin(Function.LOOP_BACK)
        if loop_back != NO_PIN:
            self._watch(loop_back, lambda level, at: self.note(Point.LOOP, level, at))
        self._send()

    def _watch(self, pin: int, listener: Callable[[int, int], None]) -> None:
        self._lines.watch(pin, listener)
        self._watched.append((pin, listener))

    def stop(self) -> None:
        self.on = False
        for pin, listener in self._watched:
            self._lines.forget(pin, listener)

    # ------------------------------------------------------------------ sense and decide

    def _edge(self, index: int, level: int, at: int) -> None:
        self.note(Point.EDGE, level, at)
        waiting = self._steady[index]
        if waiting is not None:
            waiting.cancel()
        steady = self.probe.settings.number("debounce_us") * 1e-6
        self._steady[index] = self.probe.later(steady + self.probe.timing.loop, self._decide, index, level)

    def _decide(self, index: int, level: int) -> None:
        self._steady[index] = None
        pressed = self._pressed & ~(1 << index) | (0 if level else 1 << index)
        if not self.on or pressed == self._pressed:
            return
        self._pressed = pressed
        self.note(Point.DECIDED, level, self.probe.tick())
        self._changed = True
        if not self._flying:
            self._send()

    # ------------------------------------------------------------------ send

    def _send(self) -> None:
        if not self.on:
            return
        if self._due is not None:
            self._due.cancel()
            self._due = None
        self._flying, self._changed = True, False
        self._began = self.probe.agenda.now
        stick = self._stick
        if stick.virtual is None and stick.present:
            self.probe.later(stick.time, self._upload)
        else:
            self._upload()

    def _upload(self) -> None:
        if not self.on:
            return
        self.note(Point.QUEUED, self._number, self.probe.tick())
        body = _PACKET.pack(self._number, self._pressed, *self._stick.read())
        self.probe.later(self.radio.spi_time(1 + len(body)), self._launch, body)

    def _launch(self, body: bytes) -> None:
        """CE rises."""
        if not self.on:
            return
        probe = self.probe
        number, self._number = self._number, (self._number + 1) & 0xFFFF
        now = probe.agenda.now
        self.note(Point.SENT, number, probe.tick(now))
        self.packets += 1
        over, ok = now + FLIGHT_LIMIT, False
        if self.radio.works():
            outcome = probe.hardware.transact(body, now, not probe.settings.number("loop_ack"))
            for got in outcome.received:
                self._peers.deliver(got)
            if outcome.on_air:
                over, ok = outcome.done_time, outcome.ok
        else:
            self.radio.check()
        self.lost += not ok
        interval = probe.settings.number("send_interval_us") * 1e-6
        probe.at(over + probe.isr(), self._over, number, self._began + interval)

    def _over(self, number: int, due: float) -> None:
        """The interrupt: acknowledged, sent or given up."""
        if not self.on:
            return
        self.note(Point.DONE, number, self.probe.tick())
        self._flying = False
        if self._changed:
            self.probe.later(self.probe.timing.radio_isr, self._send_if_idle)
        else:
            free = self.probe.agenda.now + self.probe.timing.radio_isr
            self._due = self.probe.at(max(due, free), self._send_if_idle)

    def _send_if_idle(self) -> None:
        if not self._flying:
            self._send()


class CraftLoop(_Loop):
    """Applies every packet: switch 1 to the LED, x and y to the servos in their order."""

    def __init__(self, probe: Probe, radio: Radio, trace: bool, base: Base, outputs: Outputs) -> None:
        super().__init__(probe, radio, trace)
        self._base = base
        self._outputs = outputs
        self._expected: int | None = None

    def start(self) -> None:
        self.radio.serve(self._arrived)

    def stop(self) -> None:
        self.on = False

    def _arrived(self, payload: bytes, time: float) -> None:
        if self.on and len(payload) == _PACKET.size:
            self.probe.at(time + self.probe.isr(), self._received, payload)

    def _received(self, payload: bytes) -> None:
        number, pressed, x, y = _PACKET.unpack(payload)
        self.packets += 1
        if self._expected is not None:
            self.lost += (number - self._expected) & 0xFFFF
        self._expected = (number + 1) & 0xFFFF
        self.note(Point.RECEIVED, number, self.probe.tick())
        delay = self.probe.timing.radio_isr + self.radio.spi_time(1 + len(payload))
        self.probe.later(delay, self._apply, pressed, x, y)

    def _apply(self, pressed: int, x: int, y: int) -> None:
        if not self.on:
            return
        self._outputs.control_packet()
        lit = pressed & 1
        self._base.set_led(bool(lit))
        self.note(Point.APPLIED, lit, self.probe.tick())
        servos = [c for c in range(1, CHANNELS + 1) if self._outputs.kind(c) is PulseKind.SERVO]
        for channel, counts in zip(servos, (x, y), strict=False):
            width = self.width(counts)
            self._outputs.pulses.set_servo(channel, width)
            self.note(Point.APPLIED, width, self.probe.tick())

    def width(self, counts: int) -> int:
        """Servo pulse in ticks for a stick reading."""
        number = self.probe.settings.number
        if abs(min(counts, _FULL) - _CENTRE) <= number("dead_band") and number("dead_band"):
            counts = _CENTRE
        least, most = number("servo_min_us"), number("servo_max_us")
        return TICKS_PER_US * least + TICKS_PER_US * (most - least) * min(counts, _FULL) // _FULL


class Loop:
    """Requests 0x30 to 0x32."""

    def __init__(
        self, probe: Probe, base: Base, radio: Radio, outputs: Outputs, lines: Lines, stick: Stick, peers: Peers
    ) -> None:
        self.probe = probe
        self.radio = radio
        self._make_hand = lambda trace: HandLoop(probe, radio, trace, lines, stick, peers)
        self._make_craft = lambda trace: CraftLoop(probe, radio, trace, base, outputs)
        self._stick = stick
        self._running: HandLoop | CraftLoop | None = None
        self._last: HandLoop | CraftLoop | None = None
        self.handlers: dict[str, Handler] = {
            "loop_start": self.loop_start, "loop_stop": self.loop_stop, "stick_set": self.stick_set,
        }  # fmt: skip

    def loop_start(self, message: Msg) -> Generator[float, None, Done]:
        if message.trace > 1:
            return Refusal(Error.VALUE)
        role = self.probe.settings.number("role")
        if role == GAUGE:
            return Refusal(Error.ROLE)
        if self.radio.busy:
            return Refusal(Error.BUSY)
        self.radio.length = _PACKET.size
        yield self.radio.apply_time()
        if self.radio.apply():
            return Refusal(Error.PART)
        self.probe.busy.take("radio", "loop_start")
        make = self._make_craft if role == CRAFT else self._make_hand
        self._running = make(bool(message.trace))
        self.probe.later(START_UP, self._begin, self._running)
        return {}

    def _begin(self, loop: HandLoop | CraftLoop) -> None:
        if loop.on:
            loop.start()

    def loop_stop(self, message: Msg) -> Done:
        if self._running is not None:
            self._running.stop()
            self._last, self._running = self._running, None
            self.radio.release()
            self.probe.busy.free("radio")
        last = self._last
        return {"packets": last.packets if last else 0, "lost": last.lost if last else 0}

    def stick_set(self, message: Msg) -> Done:
        m = message
        if m.on > 1 or m.x > _FULL or m.y > _FULL:
            return Refusal(Error.VALUE)
        self._stick.virtual = (m.x, m.y) if m.on else None
        return {}
