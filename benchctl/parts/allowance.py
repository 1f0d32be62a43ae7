"""What a board was really told on its serial line: armed by challenge and answer, throttle, stop.

An upper bound on what its motor channels may emit, worked out from the bytes on the wire and the rules that
`firmware_probe/guard.h` states in words, and from nothing of the guard's own code.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from benchctl.wire.catalogue import (
    BY_NAME,
    MOTOR_KINDS,
    NO_PIN,
    PIN_KEYS,
    PULSE_KIND_KEYS,
    SETTING_BY_NAME,
    SETTINGS,
    Function,
    OutputAct,
    PulseKind,
)
from benchctl.wire.framing import Deframer
from benchctl.wire.messages import decode
from benchctl.wire.msg import (
    Arm,
    ArmChallenge,
    ArmChallengeAnswer,
    Output,
    Restart,
    SettingsDefault,
    SettingsSave,
    SettingWrite,
    Stop,
    Throttle,
)
from benchctl.wire.stored import GUARDED_KEYS

#: rules 2 and 3 of the guard
CHALLENGE_S, KEEP_ALIVE_S, CAP_MOST = 5.0, 0.25, 300
#: a pulse that is under way still ends and the next one is idle: one frame, and the way of the bytes
GRACE_S = 0.008
#: between a reset, as it is told, and the last edge of its pins; from a request to the pins following it
RESET_S, REWIRED_S = 1e-3, 5e-3
#: how long an output is tried, with its last pulse and the way of the request
TRY_S = 0.5 + 0.03
#: silence before a lesson; the first full pulse comes no earlier after the way has been opened (rule 8)
UNHEARD_S = 2.5
#: a slew step is taken at each millisecond
_SLEW_STEP_S = 2e-3

_ASKED = (ArmChallenge, Arm, Throttle, Stop, SettingWrite, SettingsSave, SettingsDefault, Output, Restart)
_NUMBERS = {BY_NAME[cls.NAME].number for cls in (*_ASKED, ArmChallengeAnswer)}
CHANNELS = 6
#: besides pins and kinds: what wires a board anew and so disarms it
_REWIRES = GUARDED_KEYS | {SETTING_BY_NAME[name].key for name in ("role", "radio_spi_slow")}
SETTING_BY_KEY = {s.key: s for s in SETTINGS}


@dataclass(frozen=True, slots=True)
class Arming:
    """A challenge rightly answered. channel: 0 for the wiring. radio: with control packets as a condition."""

    time: float
    channel: int
    cap: int
    radio: bool


class Allowance:
    """label: the board's own. What it has in EEPROM is told by `store`, and followed from there.

    stops: times at which a stop request reached it; starts: at which it was reset; changes: at which a setting was
    written, or a restart asked for, which frees all pins some ms before the reset. armings: all since it was made.
    """

    def __init__(self, label: str) -> None:
        self._stored: dict[int, bytes] = {}
        self._values: dict[int, bytes] = {}
        #: outputs that a person has confirmed as they are wired; tried: since the wiring may be changed, and when
        self.confirmed: set[int] = set()
        self._stored_confirmed: set[int] = set()
        self.tried: dict[int, float] = {}
        self.stops: list[float] = []
        self.starts: list[float] = []
        self.changes: list[float] = []
        self.armings: list[Arming] = []
        self._label = label
        self._down, self._up = Deframer(), Deframer()
        self._nonces: list[tuple[int, float]] = []
        self._asked_for_nonce = False
        self._asked_channel = 0
        self._radio = False  # asked for with the challenge
        self._channel = 0  # of the challenge, then of the arming; 0: the wiring
        self._wiring = False  # settings that decide what outputs can emit are taken
        self._cap = CAP_MOST  # asked for when arming
        self._armed = False
        self._number = 0
        self._told_at = -math.inf  # last throttle or arm
        self._steps: list[tuple[float, float, float]] = []  # from when, from what, to what; permille
        self._ended_at = -math.inf
        self._wired_at = -math.inf
        #: a motor controller is being taught its end points: which, (from when, step), told last, over
        self._pupil = 0
        self._lessons: list[tuple[float, OutputAct]] = []
        self._taught_at = self._lesson_over = -math.inf

    # -- the wire -------------------------------------------------------------------------------------------------

    def to_board(self, data: bytes, time: float) -> None:
        """Bytes that reach the board."""
        for body in self._down.feed(data):
            if body[0] in _NUMBERS:
                self._asked(decode(body), time)

    def from_board(self, data: bytes, time: float) -> None:
        """Bytes that it sends."""
        if not self._asked_for_nonce:
            return  # most of what boards say is long and of no concern here
        for body in self._up.feed(data):
            if body[0] in _NUMBERS:
                message = decode(body)
                if isinstance(message, ArmChallengeAnswer):
                    self._end(time)  # who gives a nonce is not armed, whatever the line has seen
                    self._channel, self._nonces = self._asked_channel, [(message.nonce, time)]
                    self._asked_for_nonce = False

    def restarted(self, time: float) -> None:
        """A reset: nothing of the life before counts."""
        self._end(time)
        self._unwire(time)
        self._values, self.confirmed = dict(self._stored), set(self._stored_confirmed)
        self.tried.clear()
        self.starts.append(time)
        self._down = Deframer()

    def _asked(self, message: object, time: float) -> None:
        if isinstance(message, ArmChallenge):
            self._challenged(message, time)
        elif isinstance(message, Arm):
            self._arm(message, time)
        elif isinstance(message, Throttle):
            self._throttle(message, time)
        elif isinstance(message, Stop):
            self.stops.append(time)
            self._end(time)
            self._unwire(time)
        elif isinstance(message, SettingWrite):
            self._written(message, time)
        elif isinstance(message, Output):
            self._output(message, time)
        elif isinstance(message, SettingsSave):
            self._stored, self._stored_confirmed = dict(self._values), set(self.confirmed)
        elif isinstance(message, Restart):
            self.changes.append(time)
        elif isinstance(message, SettingsDefault) and self._wiring:
            self._values.clear()
            self.confirmed.clear()
            self.changes.append(time)

    # -- requests -------------------------------------------------------------------------------------------------

    def _challenged(self, message: ArmChallenge, time: float) -> None:
        if not self._asked_for_nonce:
            self._up = Deframer()  # what it has of a frame is from when it last listened
        self._asked_channel, self._radio = message.channel, bool(message.radio)
        self._asked_for_nonce = True

    def _arm(self, message: Arm, time: float) -> None:
        if self._armed_at(time) and not self._nonces:
            return
        right = any(nonce == message.nonce and time - at <= CHALLENGE_S for nonce, at in self._nonces)
        self._nonces = []
        if right and message.channel == self._channel and message.label == self._label:
            self.armings.append(Arming(time, message.channel, message.cap_permille, self._radio))
            if not message.channel:
                self._unwire(time)
                self._wiring, self._wired_at = True, time
                self._lessons = []
                self.tried.clear()
                self.changes.append(time)
                return
            self._armed, self._number, self._told_at, self._cap = True, 0, time, message.cap_permille
            self._steps = []

    def _throttle(self, message: Throttle, time: float) -> None:
        if not self._armed_at(time):
            return
        cap, asked = min(self.number("cap_permille"), self._cap, CAP_MOST), abs(message.permille)
        if message.channel != self._channel or message.number <= self._number or asked > cap:
            self._end(time)
            return
        self._steps = [*self._steps[-3:], (time, self._slewed(time), float(asked))]
        self._number, self._told_at = message.number, time

    def _output(self, message: Output, time: float) -> None:
        self.changes.append(time)
        if message.act == OutputAct.FORGET:
            self.confirmed.discard(message.channel)
        elif self._wiring and message.act > OutputAct.FORGET:
            self._lesson(message, time)
        elif self._wiring and message.act == OutputAct.TRY:
            self._lesson_ends(time)
            self.tried[message.channel] = time
        elif self._wiring and message.act == OutputAct.CONFIRM and message.channel in self.tried:
            self.confirmed.add(message.channel)

    def _lesson(self, message: Output, time: float) -> None:
        """Full first, after silence and with nothing tried; then on, never back, of one output, and never late."""
        channel, act = message.channel, OutputAct(message.act)
        if channel not in self.confirmed or self.kind(channel) not in MOTOR_KINDS:
            return
        if act is OutputAct.BACKWARD and self.kind(channel) is not PulseKind.REVERSIBLE:
            return
        if not self._lessons:
            if act is not OutputAct.FULL or self.tried or time - self._wired_at < UNHEARD_S - GRACE_S:
                return
            self._pupil, self._lesson_over = channel, math.inf
        elif channel != self._pupil or act < self._lessons[-1][1] or time > self._lesson_end() + GRACE_S:
            return
        if not self._lessons or act is not self._lessons[-1][1]:
            self._lessons.append((time, act))
        self._taught_at = time

    def _lesson_end(self) -> float:
        return min(self._lesson_over, self._taught_at + KEEP_ALIVE_S)

    def _lesson_ends(self, time: float) -> None:
        self._lesson_over = min(self._lesson_over, time)

    def _unwire(self, time: float) -> None:
        self._wiring = False
        self._lesson_ends(time)

    def _written(self, message: SettingWrite, time: float) -> None:
        if message.key in GUARDED_KEYS and not self._wiring:
            return
        if message.key in _REWIRES or message.key >= PIN_KEYS:
            self._end(time)
        setting, value = SETTING_BY_KEY.get(message.key), int.from_bytes(message.data, "little")
        if setting is None or setting.type == "text16" or setting.min <= value <= setting.max:
            self._values[message.key] = message.data
            if message.key in GUARDED_KEYS:
                self.confirmed.clear()
                self._lesson_ends(time)
        self.changes.append(time)

    # -- settings -------------------------------------------------------------------------------------------------

    def store(self, values: Mapping[int, bytes], confirmed: bool = False) -> None:
        """What the board has in EEPROM, by key, and whether its outputs have been confirmed."""
        self._stored = dict(values)
        self._values = dict(values)
        self._stored_confirmed = set(range(1, CHANNELS + 1)) if confirmed else set()
        self.confirmed = set(self._stored_confirmed)

    @property
    def known(self) -> bool:
        """Whether anything of its settings is known: firmware of somebody else's has none."""
        return bool(self._values)

    def rest_us(self, channel: int) -> int:
        """The pulse at which its motor stands still."""
        of_all = "neutral_us" if self.kind(channel) is PulseKind.REVERSIBLE else "idle_us"
        own, bounds = self.number(f"rest{channel}_us") if channel else 0, SETTING_BY_NAME[of_all]
        return own if bounds.min <= own <= bounds.max else self.number(of_all)

    def full_us(self, channel: int) -> int:
        """The pulse of full throttle."""
        return (self.number(f"full{channel}_us") if channel else 0) or self.number("full_us")

    def may_move(self, channel: int, time: float) -> bool:
        """Whether an output may give pulses: confirmed, or being tried for half a second."""
        return channel in self.confirmed or time <= self.tried.get(channel, -math.inf) + TRY_S

    def number(self, name: str) -> int:
        """A numeric setting as it is in force."""
        setting = SETTING_BY_NAME[name]
        value = self._values.get(setting.key)
        return int(setting.default) if value is None else int.from_bytes(value, "little")

    def channel_at(self, pin: int) -> int:
        """The pulse output that the firmware takes this pin for; 0: none."""
        for channel in range(1, CHANNELS + 1):
            function = Function(Function.PULSE1 + channel - 1)
            value = self._values.get(PIN_KEYS + function)
            if pin == (NO_PIN if value is None else value[0]):
                return channel
        return 0

    def kind(self, channel: int) -> PulseKind:
        """What the firmware takes a pulse output for."""
        if not channel:
            return PulseKind.NONE
        value = self._values.get(PULSE_KIND_KEYS + channel - 1)
        kind = PulseKind.NONE if value is None else value[0]
        return PulseKind(kind) if kind in set(PulseKind) else PulseKind.NONE

    def cut(self, time: float) -> bool:
        """Whether a pulse that ended at `time` may have been cut short by a reset or by a change of settings."""
        reset = any(abs(at - time) < RESET_S for at in self.starts[-64:])
        return reset or any(-RESET_S < time - at < REWIRED_S for at in self.changes[-256:])

    # -- what is allowed ------------------------------------------------------------------------------------------

    def _end(self, time: float) -> None:
        if self._armed:
            self._ended_at = min(time, self._told_at + KEEP_ALIVE_S)
            self._armed = False
            self._nonces = []

    def _armed_at(self, time: float) -> bool:
        if self._armed and time > self._told_at + KEEP_ALIVE_S + _SLEW_STEP_S:
            self._end(time)
        return self._armed

    def _slewed(self, time: float) -> float:
        """Throttle in permille as slewed, were it still armed."""
        if not self._steps:
            return 0.0
        since, here, target = self._steps[-1]
        return min(target, here + self.number("slew_permille_s") * (time - since)) if target > here else target

    def permille(self, channel: int, time: float) -> float:
        """The most throttle that a pulse of this channel, ending at `time`, may show."""
        armed = self._armed_at(time)
        grace = self.number("frame_us") * 1e-6 + GRACE_S
        if channel != self._channel or (not armed and time > self._ended_at + grace):
            return 0.0
        most = self._slewed(time + _SLEW_STEP_S)
        for since, here, _ in self._steps:  # of a step down, what went before
            if time <= since + grace:
                most = max(most, here)
        return most

    def live_until(self, channel: int) -> float:
        """Until when throttle above idle that was asked for may show at the pulses of this channel."""
        if channel != self._channel or not self._steps:
            return -math.inf
        end = self._told_at + KEEP_ALIVE_S if self._armed else self._ended_at
        return end + self.number("frame_us") * 1e-6 + GRACE_S

    def lesson_since(self, channel: int) -> float:
        """When the lesson of this channel began, whether it is over or not; inf where there was none."""
        return self._lessons[0][0] if self._lessons and channel == self._pupil else math.inf

    def lesson_us(self, channel: int, time: float) -> set[int]:
        """Widths that a pulse of a channel which is being taught may have as it ends at `time`."""
        grace = self.number("frame_us") * 1e-6 + GRACE_S
        if self.lesson_since(channel) > time or time > self._lesson_end() + grace:
            return set()
        rest, full = self.rest_us(channel), self.full_us(channel)
        widths = {OutputAct.FULL: full, OutputAct.BACKWARD: 2 * rest - full, OutputAct.REST: rest}
        ends = [since + grace for since, _ in self._lessons[1:]] + [math.inf]
        return {widths[act] for (_, act), end in zip(self._lessons, ends, strict=True) if time <= end}

    def live(self, channel: int, time: float) -> bool:
        return self.permille(channel, time) > 0
