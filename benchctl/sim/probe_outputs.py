"""Pulse outputs, input capture and the guard's requests, as in `firmware_probe/outputs.cpp`."""

from __future__ import annotations

from benchctl.sim.guard import NUMBERS, TICKS_A_MS, Guard, Rules
from benchctl.sim.outbox import RowKind
from benchctl.sim.probe import Done, Handlers, Probe, Refusal
from benchctl.sim.probe_base import Base
from benchctl.sim.pulses import Pulses
from benchctl.sim.settings import CHANNELS, WIRING_KEYS
from benchctl.terms import Role
from benchctl.units import TICK_US
from benchctl.wire import msg
from benchctl.wire.catalogue import (
    CAPTURE_PIN,
    NO_PIN,
    Error,
    Function,
    GuardReason,
    GuardState,
    Load,
    OutputAct,
    PulseKind,
)

SERVO_US = range(500, 2501)
HAND, CRAFT, GAUGE = range(len(Role))
TICKS_PER_US = round(1 / TICK_US)
MS = 1e-3
#: functions that could not share a pin with a pulse output
_DRIVING = (Function.RADIO_CE, Function.RADIO_CSN, *(Function(Function.PULSE1 + n) for n in range(CHANNELS)))
#: MOSI, MISO and SCK carry no pulses
SPI_PINS = range(0x13, 0x16)


class Outputs:
    """Requests 0x33 to 0x35 and 0x38 to 0x3D. `guard` moves motor widths, `pulses` delivers them."""

    def __init__(self, probe: Probe, base: Base) -> None:
        self.probe = probe
        self.base = base
        self.pulses = Pulses(probe)
        self.guard = Guard(probe.tick(), self.pulses.put_out)
        self._rules = Rules()
        base.guard_state = lambda: int(self.guard.state)
        base.on_setting.insert(0, self._setting_changed)  # what else has one of its pins is then turned away
        base.wiring = self.wiring
        self._ticking = False
        self._pool = 0
        self._captures = RowKind(msg.Captured)
        self._capturing = False
        self._listening = False
        self._rose: int | None = None
        self.handlers: Handlers = {
            msg.Pulse: self.pulse, msg.PulseRead: self.pulse_read, msg.Capture: self.capture,
            msg.ArmChallenge: self.arm_challenge, msg.Arm: self.arm, msg.Throttle: self.throttle, msg.Stop: self.stop,
            msg.GuardRead: self.guard_read, msg.Output: self.output,
        }  # fmt: skip
        self.wire()

    # ------------------------------------------------------------------ wiring

    @property
    def is_craft(self) -> bool:
        """Whether its role is the craft's."""
        return self.probe.settings.number("role") == CRAFT

    def kind(self, channel: int) -> PulseKind:
        """What hangs on a channel."""
        return self.probe.settings.kind(channel)

    def _pin(self, channel: int) -> int:
        return self.probe.settings.pin(Function.PULSE1 + channel - 1)

    def _drivable(self, pin: int) -> bool:
        """There, able to carry pulses, and no other pulse output's."""
        users = sum(self._pin(c) == pin for c in range(1, CHANNELS + 1))
        return pin != NO_PIN and pin >> 4 != 4 and pin not in SPI_PINS and users == 1

    def _is_motor(self, channel: int) -> bool:
        return self.kind(channel) >= PulseKind.MOTOR

    def _declared(self, channel: int) -> bool:
        return self.is_craft and self.kind(channel) is not PulseKind.NONE and self._drivable(self._pin(channel))

    def wire(self) -> None:
        """Pins, kinds or limits have changed: pulses off, guard idle, idle pulses on confirmed motor channels."""
        settings = self.probe.settings
        self.pulses.unbind_all()
        motors = reversible = servos = 0
        for channel in range(1, CHANNELS + 1):
            bit, pin = 1 << channel >> 1, self._pin(channel)
            if self._declared(channel):
                self.pulses.bind(channel, pin)
                reversible |= bit * (self.kind(channel) is PulseKind.REVERSIBLE)
                if settings.confirmed(channel):
                    motors |= bit * self._is_motor(channel)
                    servos |= bit * (not self._is_motor(channel))
        self.base.reserved = self.pulses.pins()
        self.pulses.frame = settings.number("frame_us") * TICKS_PER_US
        numbers = {n: settings.number(n) for n in NUMBERS}
        rests, fulls = (
            tuple(settings.number(f"{what}{n}_us") for n in range(1, CHANNELS + 1)) for what in ("rest", "full")
        )
        self._rules = Rules(**numbers, motors=motors, reversible=reversible, servos=servos, rests=rests, fulls=fulls)
        self.guard.configure(self._rules, self.probe.tick())
        self._tell()
        self.base.note_load(Load.SERVO, False)
        self.base.note_load(Load.MOTOR_IDLE, motors != 0)

    def _setting_changed(self, key: int) -> None:
        if key in WIRING_KEYS or key == -1:
            self.wire()

    def wiring(self) -> bool:
        """Whether what pulse outputs can emit may be changed now; never for a request that came over the air."""
        return self.guard.wiring(self._now()) and not self.probe.out.diverted

    @property
    def resting(self) -> bool:
        """Nothing is armed, challenged or being wired."""
        return self.guard.state is GuardState.IDLE

    def output(self, message: msg.Output) -> Done:
        m = message
        if not 1 <= m.channel <= CHANNELS or m.act > max(OutputAct):
            return Refusal(Error.VALUE)
        if not self._declared(m.channel):
            return Refusal(Error.PIN)
        if m.act == OutputAct.FORGET:
            self.probe.settings.confirm(m.channel, False)
            self.wire()
        elif not self.wiring():
            return Refusal(Error.GUARDED)
        elif m.act > OutputAct.FORGET:
            if not self.guard.teach(m.channel, m.act, self._now()):
                return Refusal(Error.GUARDED)
        elif m.act == OutputAct.TRY:
            self.guard.attempt(m.channel, not self._is_motor(m.channel), self._now())
        elif not self.guard.attempted(m.channel):
            return Refusal(Error.GUARDED)
        else:
            self.probe.settings.confirm(m.channel, True)
            self.wire()
        return msg.OutputAnswer(confirmed=self._rules.motors | self._rules.servos)

    def possible(self, load: int) -> bool:
        """Whether a servo or motor load is there, and confirmed."""
        return bool(self._rules.servos if load == Load.SERVO else self._rules.motors)

    # ------------------------------------------------------------------ pulses, capture

    def pulse(self, message: msg.Pulse) -> Done:
        m = message
        if not 1 <= m.channel <= CHANNELS or (m.width_us and m.width_us not in SERVO_US):
            return Refusal(Error.VALUE)
        if m.width_us >= self.probe.settings.number("frame_us"):
            return Refusal(Error.VALUE)
        if not self.is_craft:
            return Refusal(Error.ROLE)
        if self._is_motor(m.channel):
            return Refusal(Error.GUARDED)
        if not self._declared(m.channel):
            return Refusal(Error.PIN)
        if not self.guard.servo(m.channel, m.width_us * TICKS_PER_US):
            return Refusal(Error.UNCONFIRMED)
        self.base.note_load(Load.SERVO, m.width_us != 0)
        return msg.PulseAnswer()

    def pulse_read(self, message: msg.PulseRead) -> Done:
        if not 1 <= message.channel <= CHANNELS:
            return Refusal(Error.VALUE)
        frame = self.probe.settings.number("frame_us") * TICKS_PER_US
        return msg.PulseReadAnswer(
            width=self.pulses.width(message.channel), frame=frame, kind=self.kind(message.channel)
        )

    def capture(self, message: msg.Capture) -> Done:
        pin = self.probe.settings.pin(Function.CAPTURE)
        if pin != CAPTURE_PIN:
            return Refusal(Error.PIN)
        self._rose = None
        self._capturing = bool(message.on)
        if self._capturing and not self._listening:
            self._listening = True
            self.probe.hardware.listen(pin, self._edge)
        return msg.CaptureAnswer()

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

    def arm_challenge(self, message: msg.ArmChallenge) -> Done:
        m = message
        if m.channel > CHANNELS or m.radio > 1:
            return Refusal(Error.VALUE)
        if self.probe.busy.taken.get("adc") == "droop":
            return Refusal(Error.BUSY)
        if m.channel:
            if not self.is_craft:
                return Refusal(Error.ROLE)
            if not self._is_motor(m.channel) or not self._declared(m.channel):
                return Refusal(Error.PIN)
            if not self.probe.settings.confirmed(m.channel):
                return Refusal(Error.UNCONFIRMED)
            self.base.note_load(Load.MOTOR_IDLE, True)
        nonce = self.guard.challenge(m.channel, bool(m.radio), self._entropy(), self._now())
        if not nonce:
            return Refusal(Error.GUARDED)
        self._after()
        return msg.ArmChallengeAnswer(nonce=nonce, state=self.guard.state)

    def arm(self, message: msg.Arm) -> Done:
        m, guard = message, self.guard
        guard.arm(m.channel, m.nonce, m.label, self.probe.settings.label, m.cap_permille, self._now())
        self._after()
        if guard.state is GuardState.WIRING:
            self.wire()  # servos fall silent, too
        return msg.ArmAnswer(state=guard.state, cap_permille=guard.cap)

    def throttle(self, message: msg.Throttle) -> Done:
        guard = self.guard
        # as an attribute, "number" is the request's own
        guard.throttle(message.channel, message.permille, message.number, self._now())
        self._after()
        return msg.ThrottleAnswer(state=guard.state, reason=guard.reason, width_us=guard.width_us())

    def stop(self, message: msg.Stop) -> Done:
        self.guard.drop(GuardReason.STOPPED, self._now())
        if message.silent:
            self.guard.quiet(self._now())
        self._after()
        return msg.StopAnswer(state=self.guard.state)

    def guard_read(self, message: msg.GuardRead) -> Done:
        guard, number, now = self.guard, self.probe.settings.number, self._now()
        return msg.GuardReadAnswer(
            state=guard.state,
            reason=guard.reason,
            width_us=guard.width_us(),
            cap_permille=guard.cap if guard.armed else number("cap_permille"),
            silence_ms=number("silence_ms"),
            age_ms=guard.age_ms(now),
            radio_age_ms=guard.radio_age_ms(now),
            confirmed=self._rules.motors | self._rules.servos,
            silent=int(guard.silent),
        )

    def silence_motors(self, silent: bool) -> None:
        """End, or begin again, the idle pulses on motor channels."""
        self.guard.pause(silent)

    def control_packet(self) -> None:
        """The radio has brought one."""
        self.guard.control_packet(self._now())

    def control_link(self, on: bool) -> None:
        """The control loop begins or ends."""
        self.guard.control_link(on)

    def _after(self) -> None:
        """Tell of a change, and see that the guard is looked after each millisecond while it is not idle."""
        self.probe.later(self.probe.timing.loop, self._tell)
        if self.guard.busy and not self._ticking:
            self._ticking = True
            self.probe.later(MS, self._tick)

    def _tick(self) -> None:
        now = self._now()
        if not self.probe.hung:
            self.guard.loop_alive(now)
        self.guard.tick(now)
        if not self.probe.hung:
            self._tell()
        self._ticking = self.guard.busy
        if self._ticking:
            self.probe.later(self.probe.seconds(TICKS_A_MS), self._tick)

    def _tell(self) -> None:
        change = self.guard.take_change()
        if change is not None:
            self.probe.event(
                msg.GuardChanged(state=change.state, reason=change.reason, at=change.at, width_us=change.width_us)
            )
