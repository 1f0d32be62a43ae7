"""Switch edges, the joystick stream, and the board's own stimulus."""

from __future__ import annotations

from collections.abc import Generator
from functools import partial

from benchctl.sim.edges import Lines, OnEdge
from benchctl.sim.outbox import RowKind
from benchctl.sim.probe import Done, Handlers, Probe, Refusal
from benchctl.sim.settings import pin_exists
from benchctl.wire import msg
from benchctl.wire.catalogue import NO_PIN, Error, Function, Point

_STICK_PRESCALER = 6
_STIMULATED = (Function.SWITCH1, Function.SWITCH2)
#: functions whose edges can be watched
_INPUTS = (
    Function.SWITCH1, Function.SWITCH2, Function.LOOP_BACK, Function.WATCH1, Function.WATCH2, Function.WATCH3,
    Function.RESET_WATCH1, Function.RESET_WATCH2, Function.RADIO_IRQ, Function.CAPTURE,
)  # fmt: skip
STICK_LEAST_US = 300
PULL_LEAST_US = 100


class Stick:
    """Both axes by the converter, or what `stick_set` says."""

    def __init__(self, probe: Probe) -> None:
        self.probe = probe
        self.virtual: tuple[int, int] | None = None

    @property
    def present(self) -> bool:
        settings = self.probe.settings
        return all(settings.pin(f) >> 4 in (2, 4) for f in (Function.JOY_X, Function.JOY_Y))

    @property
    def time(self) -> float:
        """Seconds for both axes."""
        return 2 * self.probe.timing.adc_clocks * (1 << _STICK_PRESCALER) / self.probe.chip.clock_hz

    def read(self) -> tuple[int, int]:
        """Counts of x and y now; the middle where there is no stick."""
        if self.virtual is not None:
            return self.virtual
        if not self.present:
            return 512, 512
        hardware, now = self.probe.hardware, self.probe.agenda.now
        x, y = (hardware.share(self.probe.settings.pin(f), now) for f in (Function.JOY_X, Function.JOY_Y))
        return min(1023, int(x * 1024)), min(1023, int(y * 1024))


class Controls:
    """Requests 0x28 to 0x2A."""

    def __init__(self, probe: Probe, lines: Lines, stick: Stick) -> None:
        self.probe = probe
        self.lines = lines
        self.stick = stick
        self._edge_rows, self._stick_rows = RowKind(msg.Edges), RowKind(msg.StickRows)
        self._trace_rows = RowKind(msg.Trace)
        self._watched: dict[int, tuple[int, OnEdge]] = {}
        self.handlers: Handlers = {
            msg.Watch: self.watch, msg.StickStream: self.stick_stream, msg.SelfStimulus: self.self_stimulus,
        }  # fmt: skip

    # ------------------------------------------------------------------ edges

    def watch(self, message: msg.Watch) -> Done:
        function, on = message.function, message.on
        if function not in _INPUTS or on > 1:
            return Refusal(Error.VALUE)
        pin = self.probe.settings.pin(function)
        if pin == NO_PIN or pin >> 4 == 4 or not pin_exists(pin):
            return Refusal(Error.PIN)
        old = self._watched.pop(function, None)
        if old is not None:
            self.lines.forget(*old)
        if not on:
            return msg.WatchAnswer(level=self.probe.hardware.level(pin))
        told = partial(self._edge, bytes((function,)))
        self._watched[function] = (pin, told)
        return msg.WatchAnswer(level=self.lines.watch(pin, told))

    def _edge(self, head: bytes, level: int, at: int) -> None:
        self.probe.out.row(self._edge_rows, head, self._edge_rows.pack(at, level))

    # ------------------------------------------------------------------ joystick

    def stick_stream(self, message: msg.StickStream) -> Done:
        if not message.count or message.interval_us < STICK_LEAST_US:
            return Refusal(Error.VALUE)
        if not self.stick.present:
            return Refusal(Error.PIN)
        self.probe.busy.take("adc", "stick_stream")
        self.probe.run(self._stream(self.probe.seconds(2 * message.interval_us), message.count))
        return msg.StickStreamAnswer()

    def _stream(self, interval: float, count: int) -> Generator[float, None, None]:
        probe, rows = self.probe, self._stick_rows
        for number in range(count):
            head = rows.head(number, probe.tick())
            probe.out.row(rows, head, rows.pack(*self.stick.read()), follows=b"")
            yield interval
        probe.out.flush()
        probe.busy.free("adc")
        probe.done(msg.StickStream, detail=count)

    # ------------------------------------------------------------------ stimulus

    def self_stimulus(self, message: msg.SelfStimulus) -> Done:
        m = message
        if m.function not in _STIMULATED:
            return Refusal(Error.VALUE)
        if not self.probe.settings.number("self_stimulus"):
            return Refusal(Error.GUARDED)
        pin = self.probe.settings.pin(m.function)
        if not pin_exists(pin) or pin == NO_PIN or pin >> 4 == 4:
            return Refusal(Error.PIN)
        if not m.presses or min(m.down_us, m.up_us) < PULL_LEAST_US:
            return Refusal(Error.VALUE)
        if not self.probe.busy.take("stimulus", "self_stimulus"):
            return Refusal(Error.BUSY)
        down, up = self.probe.seconds(2 * m.down_us), self.probe.seconds(2 * m.up_us)
        self.probe.run(self._presses(pin, m.presses, down, up, int(self.probe.settings.to_supply(m.function))))
        return msg.SelfStimulusAnswer()

    def _presses(self, pin: int, presses: int, down: float, up: float, pressed: int) -> Generator[float, None, None]:
        for _ in range(presses):
            yield up
            self._stimulate(pin, pressed, True)
            yield down
            self._stimulate(pin, 1 - pressed, False)
        yield self.probe.timing.loop
        self.probe.out.flush()
        self.probe.busy.free("stimulus")
        self.probe.done(msg.SelfStimulus)

    def _stimulate(self, pin: int, level: int, driven: bool) -> None:
        """Drive the line as the switch would, or let go of it with what holds it."""
        at = self.probe.tick()
        if driven:
            self.probe.hardware.drive(pin, level)
        else:
            self.probe.hardware.release(pin, bool(level))
        self.probe.out.row(self._trace_rows, b"", self._trace_rows.pack(Point.STIMULUS, level, at))
