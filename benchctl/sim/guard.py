"""The guard of the firmware, rule for rule (`firmware_probe/guard.h` has them in words): it owns all that a motor
controller's pin can emit, and lets servos move.

Ticks of 0.5 µs are passed in. A test sends the same script to this and to the compiled image.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from benchctl.units import TICK_US
from benchctl.wire.catalogue import GuardReason, GuardState, OutputAct

CHALLENGE_MS = 5000
KEEP_ALIVE_MS = 250
LOOP_MS = 100
#: permille, whatever the settings say
CAP_MOST = 300
TICKS_A_MS = round(1000 / TICK_US)
WIRING_MS = 60_000
TRY_MS = 500
#: of a servo, and 100 µs more in its second half
TRY_US = 1450
#: without pulses before a full one: controllers disarm within 2 s of losing their signal
UNHEARD_MS = 2500
#: a stop that silences: idle for so long before
QUIET_MS = 100
#: in place of what was taught last: nothing may be
_TRIED = 0xFF
CHANNELS = 6
#: ages are kept readable when the clock wraps
_LONG_AGO_MS = 30_000
_MASK = 0xFFFFFFFF


#: settings that are rules
NUMBERS = ("cap_permille", "slew_permille_s", "idle_us", "full_us", "neutral_us", "silence_ms")


@dataclass(frozen=True, slots=True)
class Rules:
    """From the settings; defaults are those of a guard that has not been told.

    motors, reversible, servos: bit 0 is channel 1; motors and servos are the confirmed ones, reversible the declared.
    """

    cap_permille: int = 0
    slew_permille_s: int = 0
    idle_us: int = 0
    full_us: int = 0
    silence_ms: int = 0
    neutral_us: int = 0
    motors: int = 0
    reversible: int = 0
    servos: int = 0
    #: µs of each channel, idle or neutral, and full; 0, or a rest out of its kind's bounds: as above
    rests: tuple[int, ...] = (0,) * CHANNELS
    fulls: tuple[int, ...] = (0,) * CHANNELS


@dataclass(frozen=True, slots=True)
class Change:
    """Of the state, or of why it is idle."""

    state: GuardState
    reason: GuardReason
    at: int
    width_us: int


class Guard:
    """output(channel, width in ticks): what a channel delivers from its next pulse on; 0: no pulses."""

    def __init__(self, now: int, output: Callable[[int, int], object]) -> None:
        self.state = GuardState.IDLE
        self.reason = GuardReason.START
        self._output = output
        self._rules = Rules()
        self._channel = 0
        self._trying = self._tried = self._taught = 0
        self._try_servo = False
        self._wired_at = self._quiet_at = 0
        self._quieting = self._silenced = self._paused = False
        self._backward = False
        self.cap = 0  # in force since it was armed
        self._radio = False
        self._link_on = False
        self._change: Change | None = None
        self._nonce = 0
        self._challenged_at = self._throttle_at = self._radio_at = 0
        self._loop_at = self._ticked_at = now
        self._number = 0
        self._span = self._step = 0  # ticks from idle to full; 1/65536 ticks a millisecond
        self._target = 0  # 1/65536 ticks away from idle, as asked for
        self._present = 0  # the same, as slewed

    @property
    def armed(self) -> bool:
        """Armed or live."""
        return self.state >= GuardState.ARMED

    @property
    def silent(self) -> bool:
        """No pulses on motor channels."""
        return self._silenced or self._paused or self.state is GuardState.WIRING

    def configure(self, rules: Rules, now: int) -> None:
        """Other rules, other wiring: idle on all motor channels, nothing tried."""
        self._rules = rules
        if self.state is GuardState.CHALLENGED or self.armed:
            self.drop(GuardReason.SETTINGS, now)
        self._trying = self._tried = 0
        self._put_out()

    # ------------------------------------------------------------------ the width

    def _rest(self, channel: int) -> int:
        rules, own = self._rules, self._rules.rests[channel - 1]
        if rules.reversible & _bit(channel):
            return 2 * (own if 1400 <= own <= 1600 else rules.neutral_us)
        return 2 * (own if 800 <= own <= 1200 else rules.idle_us)

    def _full(self, channel: int) -> int:
        return 2 * (self._rules.fulls[channel - 1] or self._rules.full_us)

    def _ticks(self, channel: int) -> int:
        idle, away = self._rest(channel), self._present >> 16
        if self.state is not GuardState.LIVE or channel != self._channel:
            return idle
        return idle - away if self._backward else idle + away

    def width_us(self) -> int:
        """The motor channel's width as delivered, µs."""
        return self._ticks(self._channel) // 2 if self._channel else 0

    def _put_out(self) -> None:
        for channel in range(1, CHANNELS + 1):
            if self._rules.motors & _bit(channel):
                self._output(channel, 0 if self.silent else self._ticks(channel))

    def pause(self, on: bool) -> None:
        """No pulses on motor channels until it is over; never while armed."""
        self._paused = on and not self.armed
        self._put_out()

    def _wake(self) -> None:
        self._silenced = self._quieting = self._paused = False

    def quiet(self, now: int) -> None:
        """No pulses on motor channels, soon and until armed or wired anew."""
        self._quieting, self._quiet_at = True, now

    def servo(self, channel: int, ticks: int) -> bool:
        """0 ends it. False: not a confirmed servo output, or not now."""
        if self.state is GuardState.WIRING or not self._rules.servos & _bit(channel):
            return False
        self._output(channel, ticks)
        return True

    # ------------------------------------------------------------------ states

    def _enter(self, state: GuardState, reason: GuardReason, now: int) -> None:
        told = state is not self.state or (state is GuardState.IDLE and reason is not self.reason)
        self.state, self.reason = state, reason
        if state is not GuardState.LIVE:
            self._present = 0
        self._end_attempt()
        self._put_out()
        if told:
            self._change = Change(state, reason, now, self.width_us())

    def drop(self, reason: GuardReason, now: int) -> None:
        """To idle, disarmed."""
        self._nonce = self._target = 0
        if self._taught in (OutputAct.FULL, OutputAct.BACKWARD):
            self._silenced = True  # full before power: idle would follow it
        self._taught = 0
        self._enter(GuardState.IDLE, reason, now)

    def take_change(self) -> Change | None:
        """The last change of state that was not taken yet, or None."""
        change, self._change = self._change, None
        return change

    # ------------------------------------------------------------------ arming

    def challenge(self, channel: int, radio: bool, entropy: int, now: int) -> int:
        """The nonce; 0: refused. Channel 0: not to arm, but to change the wiring."""
        if self.armed or self.state is GuardState.WIRING or not 0 <= channel <= CHANNELS:
            return 0
        if channel:
            if not self._rules.motors & _bit(channel):
                return 0
            self._wake()
        self._channel = channel
        self._radio = radio or self._link_on
        self._challenged_at = now
        self._nonce = _mixed((_mixed(entropy ^ now) + now * 2654435761) & _MASK) | 1
        self._enter(GuardState.CHALLENGED, self.reason, now)
        return self._nonce

    def _begin(self, channel: int, cap: int) -> None:
        self._span = max(0, self._full(channel) - self._rest(channel))
        self._step = self._span * self._rules.slew_permille_s // 125 * 8192 // 1000
        self.cap = min(cap, self._rules.cap_permille, CAP_MOST)
        self._target = self._number = 0
        self._paused = False

    def arm(self, channel: int, nonce: int, label: str, own_label: str, cap: int, now: int) -> bool:
        """The challenge is used up, whether the answer is right or wrong."""
        if self.armed:
            return False
        right = (
            self.state is GuardState.CHALLENGED
            and not _older(now, self._challenged_at, CHALLENGE_MS)
            and channel == self._channel
            and self._nonce != 0
            and nonce == self._nonce
            and own_label
            and label == own_label
        )
        self._nonce = 0
        if not right:
            self.drop(GuardReason.BAD_ARM, now)
            return False
        self._throttle_at = self._radio_at = self._loop_at = self._wired_at = now
        if not channel:
            self._wake()
            self._enter(GuardState.WIRING, self.reason, now)
            return True
        self._begin(channel, cap)
        self._enter(GuardState.ARMED, self.reason, now)
        return True

    def throttle(self, channel: int, permille: int, number: int, now: int) -> bool:
        """Also the keep-alive."""
        if self.armed:
            self._expire(now)
        if not self.armed:
            return False
        both_ways = self._rules.reversible & _bit(self._channel)
        wrong = abs(permille) > self.cap or (permille < 0 and not both_ways)
        if channel != self._channel or number <= self._number or wrong:
            self.drop(GuardReason.REFUSED, now)
            return False
        self._number, self._throttle_at = number, now
        self._target = self._span * (abs(permille) * 67109 >> 10)  # 65.536 a permille
        was = self._present
        if permille and (permille < 0) != self._backward:  # through idle, and from there at the slew
            self._present, self._backward = 0, permille < 0
        self._present = min(self._present, self._target)  # towards idle at once
        if self._present != was:
            self._put_out()
        if permille and self.state is GuardState.ARMED:
            self._enter(GuardState.LIVE, self.reason, now)
        if not permille and self.state is GuardState.LIVE:
            self._enter(GuardState.ARMED, self.reason, now)
        return True

    # ------------------------------------------------------------------ wiring

    def wiring(self, now: int) -> bool:
        """Whether the wiring may be changed; that it is asked keeps it so."""
        self._wired_at = now
        return self.state is GuardState.WIRING

    def _end_attempt(self) -> None:
        if self._trying:
            self._output(self._trying, 0)
        self._trying = 0

    def attempt(self, channel: int, servo: bool, now: int) -> None:
        """Half a second of the channel's careful pulse; only while wiring."""
        self._end_attempt()
        self._trying = channel
        self._taught = _TRIED
        self._tried |= _bit(channel)
        self._try_servo = servo
        self._quiet_at = now
        self._output(channel, 2 * TRY_US if servo else self._rest(channel))

    def attempted(self, channel: int) -> bool:
        """It was tried, and that is over."""
        return bool(self._tried & _bit(channel)) and not self._trying

    def teach(self, channel: int, act: int, now: int) -> bool:
        """FULL, BACKWARD or REST of `OutputAct`, only while wiring; also the keep-alive. False: not now."""
        both_ways = self._rules.reversible & _bit(channel)
        if not self._rules.motors & _bit(channel) or (act == OutputAct.BACKWARD and not both_ways):
            return False
        if self._taught and (act < self._taught or channel != self._trying):
            return False
        if not self._taught and not (act == OutputAct.FULL and _older(now, self._throttle_at, UNHEARD_MS)):
            return False
        self._taught, self._trying, self._throttle_at = act, channel, now
        rest, full = self._rest(channel), self._full(channel)
        self._output(channel, {OutputAct.FULL: full, OutputAct.BACKWARD: 2 * rest - full}.get(OutputAct(act), rest))
        return True

    # ------------------------------------------------------------------ what ends it

    def control_packet(self, now: int) -> None:
        """The radio has brought one."""
        self._radio_at = now

    def control_link(self, on: bool) -> None:
        """While the control loop runs, the radio is a condition of any arming."""
        self._link_on = on
        if on and self.armed:
            self._radio = True

    def loop_alive(self, now: int) -> None:
        """The main loop has come round."""
        self._loop_at = now

    def _expire(self, now: int) -> None:
        if _older(now, self._throttle_at, KEEP_ALIVE_MS):
            self.drop(GuardReason.KEEP_ALIVE, now)
        elif self._radio and _older(now, self._radio_at, self._rules.silence_ms):
            self.drop(GuardReason.SILENCE, now)
        elif _older(now, self._loop_at, LOOP_MS):
            self.drop(GuardReason.LOOP_STALL, now)

    def tick(self, now: int) -> None:
        """Every millisecond; the slew limit counts those that really passed."""
        if self.armed or self._taught in (OutputAct.FULL, OutputAct.BACKWARD, OutputAct.REST):
            self._expire(now)
        else:
            self._resting(now)
        ms = min(20, ((now - self._ticked_at) & _MASK) // TICKS_A_MS)
        self._ticked_at = (self._ticked_at + ms * TICKS_A_MS) & _MASK
        if (now - self._ticked_at) & _MASK >= TICKS_A_MS:
            self._ticked_at = now
        if self.state is GuardState.LIVE and self._present != self._target:
            self._present = min(self._present + ms * self._step, self._target)
            self._output(self._channel, self._ticks(self._channel))

    def _resting(self, now: int) -> None:
        """While nothing is armed or taught: what has been begun ends, ages stay readable."""
        if self.state is GuardState.CHALLENGED and _older(now, self._challenged_at, CHALLENGE_MS):
            self._nonce = 0
            self._enter(GuardState.IDLE, self.reason, now)
        if self.state is GuardState.WIRING and _older(now, self._wired_at, WIRING_MS):
            self.drop(GuardReason.TIME_OUT, now)
        if self._trying and self._try_servo and _older(now, self._quiet_at, TRY_MS // 2):
            self._output(self._trying, 2 * (TRY_US + 100))
        if self._trying and _older(now, self._quiet_at, TRY_MS):
            self._end_attempt()
        if self._quieting and _older(now, self._quiet_at, QUIET_MS):
            self._quieting, self._silenced = False, True
            self._put_out()
        self._radio_at = _readable(now, self._radio_at)
        self._throttle_at = _readable(now, self._throttle_at)

    @property
    def busy(self) -> bool:
        """Something ends by itself, so that ticks are needed."""
        return self.state is not GuardState.IDLE or self._quieting

    def age_ms(self, now: int) -> int:
        """Since the last throttle request."""
        return ((now - _readable(now, self._throttle_at)) & _MASK) // TICKS_A_MS

    def radio_age_ms(self, now: int) -> int:
        """Since the last control packet, ms."""
        return ((now - _readable(now, self._radio_at)) & _MASK) // TICKS_A_MS


def _bit(channel: int) -> int:
    return 1 << channel >> 1


def _older(now: int, then: int, ms: int) -> bool:
    return (now - then) & _MASK > ms * TICKS_A_MS


def _readable(now: int, then: int) -> int:
    """After 30 s a time is "long ago"."""
    if _older(now, then, _LONG_AGO_MS):
        return (now - (_LONG_AGO_MS + 1) * TICKS_A_MS) & _MASK
    return then


def _mixed(x: int) -> int:
    """Xorshift; never 0 from anything but 0."""
    x ^= x << 13 & _MASK
    x ^= x >> 17
    return x ^ x << 5 & _MASK
