"""The reference control loop: the hand unit samples and sends, the craft receives and applies; points are stamped."""

from __future__ import annotations

import struct
from collections.abc import Callable, Generator
from functools import partial

from benchctl.parts.agenda import Entry
from benchctl.parts.radio_setup import fixed_length
from benchctl.sim.edges import Lines
from benchctl.sim.outbox import RowKind
from benchctl.sim.peers import Peers
from benchctl.sim.probe import Done, Handlers, Probe, Refusal
from benchctl.sim.probe_base import Base
from benchctl.sim.probe_controls import Stick
from benchctl.sim.probe_link import FLIGHT_LIMIT
from benchctl.sim.probe_outputs import CRAFT, GAUGE, TICKS_PER_US, Outputs
from benchctl.sim.probe_radio import START_UP, Radio
from benchctl.sim.settings import CHANNELS
from benchctl.wire import msg
from benchctl.wire.catalogue import NO_PIN, Error, Function, Load, Point

#: control packet: number, switches (bit set: pressed), flags, x, y
_PACKET = struct.Struct("<HBBHH")
_SWITCHES = (Function.SWITCH1, Function.SWITCH2)
_CENTRE = 512
_FULL = 1023
#: the one pin that the firmware can put a level out at: PD6, OC0A
_LEVEL_PIN = 0x36


class _Loop:
    """What both roles share: the trace, and the counters of one run."""

    def __init__(self, probe: Probe, radio: Radio, trace: bool) -> None:
        self.probe = probe
        self.radio = radio
        self.packets = 0
        self.lost = 0
        self.on = True
        self.running = False  # the transceiver's crystal runs
        self._trace = trace
        self._rows = RowKind(msg.Trace)

    def stop(self) -> None:
        self.on = self.running = False

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
        self._flying = False
        self._changed = False
        self._due: Entry | None = None
        number = probe.settings.number
        self._interval = probe.seconds(2 * number("send_interval_us"))
        self._debounce = probe.seconds(2 * number("debounce_us"))
        self._watched: list[tuple[int, Callable[[int, int], None]]] = []
        self._decided = [1] * len(_SWITCHES)
        self._steady: list[Entry | None] = [None] * len(_SWITCHES)
        for index, function in enumerate(_SWITCHES):
            pin = probe.settings.pin(function)
            if pin != NO_PIN:
                self._decided[index] = self._watch(pin, partial(self._edge, index))
        loop_back = probe.settings.pin(Function.LOOP_BACK)
        if trace and loop_back != NO_PIN:
            self._watch(loop_back, lambda level, at: self.note(Point.LOOP, level, at))

    def start(self) -> None:
        self._send()

    def _watch(self, pin: int, listener: Callable[[int, int], None]) -> int:
        self._watched.append((pin, listener))
        return self._lines.watch(pin, listener)

    def stop(self) -> None:
        super().stop()
        for pin, listener in self._watched:
            self._lines.forget(pin, listener)

    # ------------------------------------------------------------------ sense and decide

    def _edge(self, index: int, level: int, at: int) -> None:
        """An interrupt has seen the switch line change; the main loop comes to it a little later."""
        if self._debounce == 0:
            self.probe.later(self.probe.timing.loop, self._first_edge, index, level, at)
            return
        self.note(Point.EDGE, level, at)
        waiting = self._steady[index]
        if waiting is not None:
            waiting.cancel()
        self._steady[index] = self.probe.later(self._debounce + self.probe.timing.loop, self._decide, index, level)

    def _first_edge(self, index: int, level: int, at: int) -> None:
        if not self.on:
            return
        self.note(Point.EDGE, level, at)
        self._decide(index, level)

    def _decide(self, index: int, level: int) -> None:
        self._steady[index] = None
        if not self.on or level == self._decided[index]:
            return
        self._decided[index] = level
        self.note(Point.DECIDED, level, self.probe.tick())
        self._changed = True
        if self.running and not self._flying:
            self._send()

    # ------------------------------------------------------------------ send

    def _send(self) -> None:
        """Upload now; CE follows."""
        if not self.on:
            return
        if self._due is not None:
            self._due.cancel()
            self._due = None
        self._flying, self._changed = True, False
        number, self._number = self._number, (self._number + 1) & 0xFFFF
        pressed = sum((1 - level) << index for index, level in enumerate(self._decided))
        pressed ^= self.probe.settings.number("switch_to_supply")
        pair = self.probe.settings.number("pair_number")
        body = _PACKET.pack(number, pressed, pair, *(self._calm(v) for v in self._stick.read()))
        queued = self.probe.agenda.now
        self.probe.later(self.radio.spi_time(1 + len(body)), self._launch, number, body, queued)

    def _calm(self, counts: int) -> int:
        """The stick's reading with its dead band; a virtual one is taken as it is."""
        if self._stick.virtual is not None:
            return counts
        return _CENTRE if abs(counts - _CENTRE) <= self.probe.settings.number("dead_band") else counts

    def _launch(self, number: int, body: bytes, queued: float) -> None:
        """CE rises."""
        if not self.on:
            return
        probe = self.probe
        now = probe.agenda.now
        self.note(Point.QUEUED, number, probe.tick(queued))
        self.note(Point.SENT, number, probe.tick(now))
        self.packets += 1
        over, ok = now + FLIGHT_LIMIT, False
        if self.radio.works():
            plain = not probe.settings.number("loop_ack") or fixed_length(probe.settings.number)
            outcome = probe.hardware.transact(body, now, plain)
            for got in outcome.received:
                self._peers.deliver(got)
            if outcome.on_air:
                over, ok = outcome.done_time, outcome.ok
        else:
            self.radio.check()
        self.lost += not ok
        probe.at(over + self.radio.noticed(), self._over, number, queued + self._interval)

    def _over(self, number: int, due: float) -> None:
        """The interrupt: acknowledged, sent or given up."""
        if not self.on:
            return
        self.note(Point.DONE, number, self.probe.tick())
        self._flying = False
        free = self.probe.agenda.now + self.probe.timing.radio_isr
        self._due = self.probe.at(free if self._changed else max(due, free), self._send_if_idle)

    def _send_if_idle(self) -> None:
        if not self._flying:
            self._send()


class CraftLoop(_Loop):
    """Applies every packet: switch 1 to the LED, x to the first servo."""

    def __init__(self, probe: Probe, radio: Radio, trace: bool, base: Base, outputs: Outputs) -> None:
        super().__init__(probe, radio, trace)
        self._base = base
        self._outputs = outputs
        self._expected = 0
        self._heard = 0
        self._x = -1

    def start(self) -> None:
        self.radio.serve(self._arrived)

    def _arrived(self, payload: bytes, time: float) -> None:
        if self.on and len(payload) == _PACKET.size:
            self.probe.at(time + self.radio.noticed(), self._received, payload)
        elif self.on:
            self.radio.on_piece(payload)

    def _received(self, payload: bytes) -> None:
        """The interrupt; flags, length and payload are read before anything is applied."""
        at = self.probe.tick()
        delay = self.probe.timing.radio_isr + self.radio.spi_time(1 + len(payload))
        self.probe.later(delay, self._apply, payload, at)

    def _apply(self, payload: bytes, at: int) -> None:
        if not self.on:
            return
        number, pressed, pair, x, _ = _PACKET.unpack(payload)
        if not self._counts(number, pair, at):
            return
        lit = pressed & 1
        changes = lit != self._base.loads >> Load.LED & 1
        if changes:
            self._base.set_led(bool(lit))
        self._outputs.control_packet()
        self._count(number)
        self.note(Point.RECEIVED, number, at)
        if changes:
            self.note(Point.APPLIED, lit, self.probe.tick())
        self._servo(x)

    def _counts(self, number: int, pair: int, at: int) -> bool:
        """Whether a packet is of this pair and newer than the last, or the first after a silence that cuts."""
        settings = self.probe.settings
        if pair != settings.number("pair_number"):
            return False
        newer = (number - self._expected) & 0xFFFF < 0x8000
        silence = settings.number("silence_ms") * 1000 * TICKS_PER_US
        if self.packets and not newer and (at - self._heard) & 0xFFFFFFFF < silence:
            return False
        self._heard = at
        return True

    def _count(self, number: int) -> None:
        gap = (number - self._expected) & 0xFFFF
        if self.packets and gap < 0x8000:
            self.lost += gap
        self._expected = (number + 1) & 0xFFFF
        self.packets += 1

    def _servo(self, x: int) -> None:
        if x == self._x or x > _FULL:
            return
        self._x = x
        width = self.width(x)
        if any(self._outputs.guard.servo(c, width) for c in range(1, CHANNELS + 1)):
            self.note(Point.APPLIED, width, self.probe.tick())

    def width(self, counts: int) -> int:
        """Servo pulse in ticks for a stick reading."""
        least, most = (self.probe.settings.number(n) for n in ("servo_min_us", "servo_max_us"))
        return TICKS_PER_US * least + (TICKS_PER_US * (most - least) * counts + _FULL // 2) // _FULL


class Loop:
    """Requests 0x30 to 0x32."""

    def __init__(
        self, probe: Probe, base: Base, radio: Radio, outputs: Outputs, lines: Lines, stick: Stick, peers: Peers
    ) -> None:
        self.probe = probe
        self.radio = radio
        self._outputs = outputs
        self._make_hand = lambda trace: HandLoop(probe, radio, trace, lines, stick, peers)
        self._make_craft = lambda trace: CraftLoop(probe, radio, trace, base, outputs)
        self._stick = stick
        self._running: HandLoop | CraftLoop | None = None
        self._last: HandLoop | CraftLoop | None = None
        self.handlers: Handlers = {
            msg.LoopStart: self.loop_start, msg.LoopStop: self.loop_stop, msg.StickSet: self.stick_set,
        }  # fmt: skip

    def loop_start(self, message: msg.LoopStart) -> Generator[float, None, Done]:
        role = self.probe.settings.number("role")
        if role == GAUGE:
            return Refusal(Error.ROLE)
        if message.trace > 1:
            return Refusal(Error.VALUE)
        self.radio.length = _PACKET.size
        yield self.radio.apply_time()
        if not self.radio.present() or self.radio.apply():
            return Refusal(Error.PART)
        self.probe.busy.take("radio", "loop_start")
        make = self._make_craft if role == CRAFT else self._make_hand
        self._running = self._last = make(bool(message.trace))
        if role == CRAFT:
            self._outputs.control_link(True)
        self._hold_converter()
        self.probe.later(START_UP, self._begin, self._running)
        return msg.LoopStartAnswer()

    def _begin(self, loop: HandLoop | CraftLoop) -> None:
        if loop.on:
            loop.running = True
            loop.start()

    def _hold_converter(self) -> None:
        """A hand unit's loop reads the stick all the time, unless a virtual one stands in."""
        if isinstance(self._running, HandLoop) and self._stick.virtual is None:
            self.probe.busy.take("adc", "loop_start")
        elif self.probe.busy.taken.get("adc") == "loop_start":
            self.probe.busy.free("adc")

    def loop_stop(self, message: msg.LoopStop) -> Done:
        if self._running is not None:
            self._running.stop()
            self._running = None
            self._outputs.control_link(False)
            self._hold_converter()
            self.radio.release()
            self.probe.busy.free("radio")
        last = self._last
        packets, lost = (last.packets, last.lost) if last else (0, 0)
        return msg.LoopStopAnswer(packets=packets, lost=lost, late=self.radio.stamps_late())

    def stick_set(self, message: msg.StickSet) -> Done:
        m = message
        if m.on > 1 or m.x > _FULL or m.y > _FULL:
            return Refusal(Error.VALUE)
        if self.probe.settings.number("role") == GAUGE:
            return self._put_out(m.x if m.on else 0)
        self._stick.virtual = (m.x, m.y) if m.on else None
        self._hold_converter()
        return msg.StickSetAnswer()

    def _put_out(self, x: int) -> Done:
        """The gauge's filtered output, in steps of four counts, at its one possible pin."""
        pin = self.probe.settings.pin(Function.STICK_OUT)
        if pin != _LEVEL_PIN:
            return Refusal(Error.PIN)
        self.probe.hardware.put_level(pin, ((x + 2) >> 2) / 256)
        return msg.StickSetAnswer()
