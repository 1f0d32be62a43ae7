"""The guard of the firmware, rule for rule (`firmware_probe/guard.h` has them in words): the only way to a pulse
above idle on a motor controller.

Ticks of 0.5 µs are passed in. A test sends the same script to this and to the compiled image.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from benchctl.wire.catalogue import GuardReason, GuardState

CHALLENGE_MS = 5000
KEEP_ALIVE_MS = 250
LOOP_MS = 100
#: permille, whatever the settings say
CAP_MOST = 300
TICKS_A_MS = 2000
#: ages are kept readable when the clock wraps
_LONG_AGO_MS = 30_000
_MASK = 0xFFFFFFFF


@dataclass(frozen=True, slots=True)
class Rules:
    """From the settings; defaults are those of a guard that has not been told."""

    cap_permille: int = 0
    slew_permille_s: int = 0
    idle_us: int = 0
    full_us: int = 0
    silence_ms: int = 0


@dataclass(frozen=True, slots=True)
class Change:
    """Of the state, or of why it is idle."""

    state: GuardState
    reason: GuardReason
    at: int
    width_us: int


class Guard:
    """output(channel, width in ticks): what a motor channel delivers from its next pulse on."""

    def __init__(self, now: int, output: Callable[[int, int], object]) -> None:
        self.state = GuardState.IDLE
        self.reason = GuardReason.START
        self._output = output
        self._rules = Rules()
        self._motors = 0
        self._channel = 0
        self._radio = False
        self._link_on = False
        self._change: Change | None = None
        self._nonce = 0
        self._challenged_at = self._throttle_at = self._radio_at = 0
        self._loop_at = self._ticked_at = now
        self._number = 0
        self._span = self._step = 0  # ticks from idle to full; 1/65536 ticks a millisecond
        self._target = 0  # 1/65536 ticks above idle, as asked for
        self._present = 0  # the same, as slewed

    @property
    def armed(self) -> bool:
        return self.state >= GuardState.ARMED

    def configure(self, rules: Rules, motor_channels: int, now: int) -> None:
        """Other rules, other wiring: idle on all motor channels (bit 0 is channel 1)."""
        if self.state != GuardState.IDLE:
            self.drop(GuardReason.SETTINGS, now)
        self._rules, self._motors = rules, motor_channels
        self._span = 2 * max(0, rules.full_us - rules.idle_us)
        self._step = self._span * rules.slew_permille_s // 125 * 8192 // 1000
        self._put_out()

    # ------------------------------------------------------------------ the width

    def _ticks(self) -> int:
        idle = 2 * self._rules.idle_us
        return idle + (self._present >> 16) if self.state is GuardState.LIVE else idle

    def width_us(self) -> int:
        return self._ticks() // 2

    def _put_out(self) -> None:
        for channel in range(1, 7):
            if self._motors >> (channel - 1) & 1:
                live = self.state is GuardState.LIVE and channel == self._channel
                self._output(channel, self._ticks() if live else 2 * self._rules.idle_us)

    # ------------------------------------------------------------------ states

    def _enter(self, state: GuardState, reason: GuardReason, now: int) -> None:
        told = state is not self.state or (state is GuardState.IDLE and reason is not self.reason)
        self.state, self.reason = state, reason
        if state is not GuardState.LIVE:
            self._present = 0
        self._put_out()
        if told:
            self._change = Change(state, reason, now, self.width_us())

    def drop(self, reason: GuardReason, now: int) -> None:
        """To idle, disarmed."""
        self._nonce = self._target = 0
        self._enter(GuardState.IDLE, reason, now)

    def take_change(self) -> Change | None:
        change, self._change = self._change, None
        return change

    # ------------------------------------------------------------------ arming

    def challenge(self, channel: int, radio: bool, entropy: int, now: int) -> int:
        """The nonce; 0: refused."""
        if self.armed or not 1 <= channel <= 6 or not self._motors >> (channel - 1) & 1:
            return 0
        self._channel = channel
        self._radio = radio or self._link_on
        self._challenged_at = now
        self._nonce = _mixed((_mixed(entropy ^ now) + now * 2654435761) & _MASK) | 1
        self._enter(GuardState.CHALLENGED, self.reason, now)
        return self._nonce

    def arm(self, channel: int, nonce: int, label: bytes, own_label: bytes, now: int) -> bool:
        """The challenge is used up, whether the answer is right or wrong."""
        if self.armed:
            return False
        right = (
            self.state is GuardState.CHALLENGED
            and not _older(now, self._challenged_at, CHALLENGE_MS)
            and channel == self._channel
            and self._nonce != 0
            and nonce == self._nonce
            and own_label[0] != 0
            and label == own_label
        )
        self._nonce = 0
        if not right:
            self.drop(GuardReason.BAD_ARM, now)
            return False
        self._target = self._number = 0
        self._throttle_at = self._radio_at = self._loop_at = now
        self._enter(GuardState.ARMED, self.reason, now)
        return True

    def throttle(self, channel: int, permille: int, number: int, now: int) -> bool:
        """Also the keep-alive."""
        if self.armed:
            self._expire(now)
        if not self.armed:
            return False
        cap = min(self._rules.cap_permille, CAP_MOST)
        if channel != self._channel or number <= self._number or permille > cap:
            self.drop(GuardReason.REFUSED, now)
            return False
        self._number, self._throttle_at = number, now
        self._target = self._span * (permille * 67109 >> 10)  # 65.536 a permille
        if self._present > self._target:  # down at once
            self._present = self._target
            self._put_out()
        if permille and self.state is GuardState.ARMED:
            self._enter(GuardState.LIVE, self.reason, now)
        if not permille and self.state is GuardState.LIVE:
            self._enter(GuardState.ARMED, self.reason, now)
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
        if self.armed:
            self._expire(now)
        else:
            self._rest(now)
        ms = min(20, ((now - self._ticked_at) & _MASK) // TICKS_A_MS)
        self._ticked_at = (self._ticked_at + ms * TICKS_A_MS) & _MASK
        if (now - self._ticked_at) & _MASK >= TICKS_A_MS:
            self._ticked_at = now
        if self.state is GuardState.LIVE and self._present != self._target:
            self._present = min(self._present + ms * self._step, self._target)
            self._output(self._channel, self._ticks())

    def _rest(self, now: int) -> None:
        """While nothing is armed: a challenge ends, ages stay readable."""
        if self.state is GuardState.CHALLENGED and _older(now, self._challenged_at, CHALLENGE_MS):
            self._nonce = 0
            self._enter(GuardState.IDLE, self.reason, now)
        self._radio_at = _readable(now, self._radio_at)
        self._throttle_at = _readable(now, self._throttle_at)

    def age_ms(self, now: int) -> int:
        """Since the last throttle request."""
        return ((now - _readable(now, self._throttle_at)) & _MASK) // TICKS_A_MS

    def radio_age_ms(self, now: int) -> int:
        return ((now - _readable(now, self._radio_at)) & _MASK) // TICKS_A_MS


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
