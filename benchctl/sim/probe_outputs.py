"""Pulse outputs, input capture and the guard's requests, as in `firmware_probe/outputs.cpp`."""

from __future__ import annotations

from benchctl.sim.guard import TICKS_A_MS, Guard, Rules
from benchctl.sim.outbox import RowKind
from benchctl.sim.probe import Done, Handler, Probe, Refusal
from benchctl.sim.probe_base import Base
from benchctl.sim.pulses import Pulses
from benchctl.sim.settings import CHANNELS, GUARDED_KEYS
from benchctl.terms import Role
from benchctl.wire.catalogue import DEFAULT_PINS, NO_PIN, Error, Function, GuardReason, GuardState, Load, PulseKind
from benchctl.wire.messages import Msg

SERVO_US = range(500, 2501)
HAND, CRAFT, GAUGE = range(len(Role))
TICKS_PER_US = 2
MS = 1e-3
#: MOSI, MISO and SCK carry no pulses
SPI_PINS = range(0x13, 0x16)


class Outputs:
    """Requests 0x33 to 0x35 and 0x38 to 0x3C. `guard` moves motor widths, `pulses` delivers them."""

    def __init__(self, probe: Probe, base: Base) -> None:
        self.probe = probe
        self.base = base
        self.pulses = Pulses(probe)
        self.guard = Guard(probe.tick(), self.pulses.set_motor)
        base.guard_state = lambda: int(self.guard.state)
        base.on_setting.append(self._setting_changed)
        self._ticking = False
        self._pool = 0
        self._captures = RowKind("captured")
        self._capturing = False
        self._listening = False
        self._rose: int | None = None
        self.handlers: dict[str, Handler] = {
            "pulse": self.pulse, "pulse_read": self.pulse_read, "capture": self.capture,
            "arm_challenge": self.arm_challenge, "arm": self.arm, "throttle": self.throttle, "stop": self.stop,
            "guard_read": self.guard_read,
        }  # fmt: skip
        self.wire()
        base.note_load(Load.MOTOR_IDLE, self._motor_channels() != 0)

    # ------------------------------------------------------------------ wiring

    @property
    def is_craft(self) -> bool:
        return self.probe.settings.number("role") == CRAFT

    def kind(self, channel: int) -> PulseKind:
        return self.probe.settings.kind(channel)

    def _pin(self, channel: int) -> int:
        return self.probe.settings.pin(Function.PULSE1 + channel - 1)

    def _usable(self, pin: int) -> bool:
        """There, and no other function's."""
        users = sum(self.probe.settings.pin(function) == pin for function in Function)
        return pin != NO_PIN and pin >> 4 != 4 and pin not in SPI_PINS and users == 1

    def _motor_channels(self) -> int:
        if not self.is_craft:
            return 0
        return sum(
            1 << (c - 1)
            for c in range(1, CHANNELS + 1)
            if self.kind(c) is PulseKind.MOTOR and self._usable(self._pin(c))
        )

    def wire(self) -> None:
        """Pins, kinds or limits have changed: pulses off, guard idle, idle pulses on motor channels."""
        settings = self.probe.settings
        self.pulses.unbind_all()
        for channel in range(1, CHANNELS + 1):
            self._bind(channel, self._pin(channel))
        self.base.reserved = self.pulses.pins()
        self.pulses.frame = settings.number("frame_us") * TICKS_PER_US
        rules = Rules(*(settings.number(n) for n in (
            "cap_permille", "slew_permille_s", "idle_us", "full_us", "silence_ms",
        )))  # fmt: skip
        self.guard.configure(rules, self._motor_channels(), self.probe.tick())
        self._tell()
        self.base.note_load(Load.SERVO, False)

    def _bind(self, channel: int, pin: int) -> None:
        if not self._usable(pin):
            return
        if self.is_craft and self.kind(channel) is not PulseKind.NONE:
            self.pulses.bind(channel, pin, self.kind(channel) is PulseKind.MOTOR)
        elif self.probe.settings.number("role") != GAUGE:
            self.probe.hardware.drive(pin, 0)

    def _setting_changed(self, key: int) -> None:
        if key in GUARDED_KEYS or key == -1:
            self.wire()

    # ------------------------------------------------------------------ pulses, capture

    def pulse(self, message: Msg) -> Done:
        m = message
        if not 1 <= m.channel <= CHANNELS or (m.width_us and m.width_us not in SERVO_US):
            return Refusal(Error.VALUE)
        if m.width_us >= self.probe.settings.number("frame_us"):
            return Refusal(Error.VALUE)
        if not self.is_craft:
            return Refusal(Error.ROLE)
        if self.kind(m.channel) is PulseKind.MOTOR:
            return Refusal(Error.GUARDED)
        if self.kind(m.channel) is PulseKind.NONE or not self._usable(self._pin(m.channel)):
            return Refusal(Error.PIN)
        self.pulses.set_servo(m.channel, m.width_us * TICKS_PER_US)
        self.base.note_load(Load.SERVO, m.width_us != 0)
        return {}

    def pulse_read(self, message: Msg) -> Done:
        if not 1 <= message.channel <= CHANNELS:
            return Refusal(Error.VALUE)
        frame = self.probe.settings.number("frame_us") * TICKS_PER_US
        return {"width": self.pulses.width(message.channel), "frame": frame, "kind": self.kind(message.channel)}

    def capture(self, message: Msg) -> Done:
        pin = self.probe.settings.pin(Function.CAPTURE)
        if pin != DEFAULT_PINS[Function.CAPTURE]:
            return Refusal(Error.PIN)
        self._rose = None
        self._capturing = bool(message.on)
        if self._capturing and not self._listening:
            self._listening = True
            self.probe.hardware.listen(pin, self._edge)
        return {}

    def _edge(self, level: float, time: float) -> None:
        """The timer stamps edges by itself: no interrupt latency."""
        if not self._capturing:
            return
        now = self.probe.tick(time)
        if level >= 0.5:
            self._rose = now
        elif self._rose is not None:
            width = min(0xFFFF, (now - self._rose) & 0xFFFFFFFF)
            self.probe.out.row(self._captures, b"", self._captures.pack(self._rose, width))
            self._rose = None

    # ------------------------------------------------------------------ the guard

    def _now(self) -> int:
        return self.probe.tick()

    def _entropy(self) -> int:
        """Noise of the converter, the timer, and how often we were asked."""
        pool = (self._pool << 7 | self._pool >> 25) & 0xFFFFFFFF
        noise = self.probe.chance.getrandbits(8)
        self._pool = (pool + self._now() + noise + (self.probe.boots << 16)) & 0xFFFFFFFF
        return self._pool

    def arm_challenge(self, message: Msg) -> Done:
        m = message
        if not 1 <= m.channel <= CHANNELS or m.radio > 1:
            return Refusal(Error.VALUE)
        if not self.is_craft:
            return Refusal(Error.ROLE)
        if self.kind(m.channel) is not PulseKind.MOTOR:
            return Refusal(Error.PIN)
        self.silence_motors(False)
        nonce = self.guard.challenge(m.channel, bool(m.radio), self._entropy(), self._now())
        if not nonce:
            return Refusal(Error.GUARDED)
        self._after()
        return {"nonce": nonce, "state": self.guard.state}

    def arm(self, message: Msg) -> Done:
        label = message.label.encode().ljust(16, b"\0")
        self.guard.arm(message.channel, message.nonce, label, self.probe.settings.label, self._now())
        self._after()
        return {"state": self.guard.state}

    def throttle(self, message: Msg) -> Done:
        guard = self.guard
        # as an attribute, "number" is the request's own
        guard.throttle(message.channel, message.permille, message.fields["number"], self._now())
        self._after()
        return {"state": guard.state, "reason": guard.reason, "width_us": guard.width_us()}

    def stop(self, message: Msg) -> Done:
        self.guard.drop(GuardReason.STOPPED, self._now())
        self._after()
        return {"state": self.guard.state}

    def guard_read(self, message: Msg) -> Done:
        guard, number, now = self.guard, self.probe.settings.number, self._now()
        return {
            "state": guard.state, "reason": guard.reason, "width_us": guard.width_us(),
            "cap_permille": number("cap_permille"), "silence_ms": number("silence_ms"), "age_ms": guard.age_ms(now),
            "radio_age_ms": guard.radio_age_ms(now),
        }  # fmt: skip

    def silence_motors(self, silent: bool) -> None:
        """End, or begin again, the idle pulses on motor channels."""
        self.pulses.silent = silent
        self.base.note_load(Load.MOTOR_IDLE, not silent)
        if not silent:
            idle = self.probe.settings.number("idle_us") * TICKS_PER_US
            for channel in range(1, CHANNELS + 1):
                if self._motor_channels() >> (channel - 1) & 1 and not self.guard.armed:
                    self.pulses.set_motor(channel, idle)

    def control_packet(self) -> None:
        """The radio has brought one."""
        self.guard.control_packet(self._now())

    def control_link(self, on: bool) -> None:
        """The control loop begins or ends."""
        self.guard.control_link(on)

    def _after(self) -> None:
        """Tell of a change, and see that the guard is looked after each millisecond while it is not idle."""
        self.probe.later(self.probe.timing.loop, self._tell)
        if self.guard.state is not GuardState.IDLE and not self._ticking:
            self._ticking = True
            self.probe.later(MS, self._tick)

    def _tick(self) -> None:
        now = self._now()
        if not self.probe.hung:
            self.guard.loop_alive(now)
        self.guard.tick(now)
        if not self.probe.hung:
            self._tell()
        self._ticking = self.guard.state is not GuardState.IDLE
        if self._ticking:
            self.probe.later(self.probe.seconds(TICKS_A_MS), self._tick)

    def _tell(self) -> None:
        change = self.guard.take_change()
        if change is not None:
            self.probe.event(
                "guard_changed", state=change.state, reason=change.reason, at=change.at, width_us=change.width_us
            )
