"""What may be on a motor controller's pin, told anew from the rules in words: frames and happenings in, judgement out.

Knows nothing of the guard's own code. It errs on the side of "may": only what it calls forbidden is a defect.
Rules: `firmware_probe/guard.h` in words, design of the interlocks in `DEVELOPERS.md`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from benchctl.wire import msg
from benchctl.wire.catalogue import SETTING_BY_NAME, SETTINGS, OutputAct, PulseKind
from benchctl.wire.messages import Malformed, Msg, decode
from benchctl.wire.stored import GUARDED_KEYS

KEEP_ALIVE_S, CHALLENGE_S, CAP_MOST = 0.250, 5.0, 300
#: from a frame's sending to its effect on the chip: USB, 12 bytes of 20 us, one turn of the main loop
EFFECT_S = 0.003
#: the guard looks each millisecond; with the oscillator's error
LOOKS_S = 0.0012
#: a width is judged to this many µs: one tick, and the edge's own resolution
WIDTH_US = 1.0
CHANNEL = 2
KIND_KEY = 96 + CHANNEL - 1
#: the LED's pin as it is wired: told again it is new wiring, which ends what is armed
LED_PIN_KEY, LED_PIN = 64, 0x34
#: numbers that matter, by setting key
WATCHED = {SETTING_BY_NAME[n].key: n for n in (
    "role", "cap_permille", "slew_permille_s", "idle_us", "full_us", "frame_us", "silence_ms",
)}  # fmt: skip
#: a stop that silences does so after this; an output is tried for so long; the wiring stays open for so long
QUIET_S, TRY_S, WIRING_S = 0.1, 0.5, 60.0
WIRING_CHANNEL = 0
#: without pulses before a controller is taught
UNHEARD_S = 2.5


@dataclass(frozen=True, slots=True)
class Pulse:
    """One pulse on the pin: when it rose, how wide it was."""

    rose: float
    width_us: float


def defaults() -> dict[str, int]:
    return {n: int(SETTING_BY_NAME[n].default) for n in WATCHED.values() if n != "role"}


@dataclass(slots=True)
class Model:
    """The board as far as motor pulses go. All times are the bench's."""

    label: str
    #: see EFFECT_S, WIDTH_US; a chip at 8 MHz takes longer, and its tick is 1 µs
    effect_s: float = EFFECT_S
    width_us: float = WIDTH_US
    settings: dict[str, int] = field(default_factory=lambda: {**defaults(), "role": 1})
    saved: dict[str, int] = field(default_factory=lambda: {**defaults(), "role": 1})
    motor: bool = True  # channel 2 is declared as a motor controller
    confirmed: dict[str, int] | None = field(default_factory=lambda: {**defaults(), "role": 1, "motor": 1})
    saved_confirmed: dict[str, int] | None = field(default_factory=lambda: {**defaults(), "role": 1, "motor": 1})
    wiring: bool = False
    wired_at: float = 0.0
    tried_at: float = -100.0
    opened_at: float = 0.0
    #: what a controller is being taught, since when, and when it was asked for last
    taught: OutputAct | None = None
    taught_at: float = 0.0
    taught_until: float = 0.0  # one pulse that was prepared before the end still comes
    asked_for: int = CHANNEL  # the channel of the challenge that is out
    quiet_from: float = float("inf")
    cap: int = 0  # asked for when arming
    nonce: int | None = None
    challenged_at: float = 0.0
    wants_radio: bool = False
    armed: bool = False
    fed_at: float = 0.0
    armed_at: float = 0.0
    number: int = 0
    target: int = 0
    radio: bool = False
    sending: bool = False  # the hand unit sends control packets
    heard_at: float = 0.0  # no control packet came later, while nobody sends
    loop_on: bool = False  # the control loop runs: the radio is a condition of any arming

    def copy(self) -> Model:
        return replace(self, settings=dict(self.settings), saved=dict(self.saved))

    @property
    def sealed(self) -> dict[str, int]:
        """All that decides what the pin can emit."""
        return {**self.settings, "motor": int(self.motor)}

    # ------------------------------------------------------------------ what happens

    def disarm(self) -> None:
        self.armed, self.nonce, self.target = False, None, 0

    def _open(self, now: float) -> bool:
        """Whether a request of the wiring's kind is taken; it keeps it open."""
        if not self.wiring or now - self.wired_at > WIRING_S:
            return False
        self.wired_at = now
        return True

    def restart(self) -> None:
        """Any reset. Settings that were not saved are those of the EEPROM again."""
        self.disarm()
        self.loop_on = False
        self.wiring, self.taught = False, None
        self.quiet_from = float("inf")
        self.confirmed = self.saved_confirmed
        self.settings = dict(self.saved)
        self.motor = True

    def loop_started(self, now: float) -> None:
        """The craft's control loop has begun, and the hand unit's."""
        self.loop_on = self.sending = True
        self.radio = self.radio or self.armed

    def hand_stopped(self, now: float) -> None:
        self.sending, self.heard_at = False, now

    def answered(self, message: Msg) -> None:
        """Answers only ever take permission away, but for the nonce, which only the board knows."""
        if isinstance(message, msg.ArmChallengeAnswer):
            if message.nonce:
                self.armed, self.nonce = False, message.nonce
        elif isinstance(message, msg.ArmAnswer | msg.ThrottleAnswer | msg.GuardReadAnswer) and message.state < 3:
            self.armed = False

    def delivered(self, body: bytes, now: float) -> None:
        """A whole frame reached the board."""
        message = decode(body)
        if isinstance(message, Malformed):
            return
        if self._lapsed(now):
            self._unwire(self.taught_at + KEEP_ALIVE_S)
        handler = getattr(self, f"_{message.NAME}", None)
        if handler is not None:
            handler(message, now)

    def _lapsed(self, now: float) -> bool:
        """A lesson that is not asked for in time ends by itself."""
        return self.taught is not None and now > self.taught_at + KEEP_ALIVE_S + self.effect_s + LOOKS_S

    def _unwire(self, now: float) -> None:
        """Full that ends otherwise than in idle leaves no pulse."""
        if self.wiring and self.taught in (OutputAct.FULL, OutputAct.BACKWARD):
            self.quiet_from = now
            self.taught_until = now + self.effect_s + LOOKS_S + self.settings["frame_us"] * 1e-6
        self.wiring, self.taught = False, None

    def _lesson(self, act: OutputAct, now: float) -> None:
        if self.confirmed != self.sealed or not self.motor or act is OutputAct.BACKWARD:
            return
        if self.taught is None:
            if act is not OutputAct.FULL or self.tried_at > 0 or now - self.opened_at < UNHEARD_S:
                return
        elif act < self.taught:
            return
        self.taught, self.taught_at = act, now

    def _stop(self, m: msg.Stop, now: float) -> None:
        self.disarm()
        self._unwire(now)
        if m.silent:
            self.quiet_from = min(self.quiet_from, now + QUIET_S)

    def _output(self, m: msg.Output, now: float) -> None:
        if m.channel != CHANNEL:
            return
        if m.act == OutputAct.FORGET:
            self.disarm()
            self.confirmed = None
        elif self._open(now):
            if m.act > OutputAct.FORGET and m.act <= max(OutputAct):
                self._lesson(OutputAct(m.act), now)
            elif m.act == OutputAct.TRY:
                self.tried_at, self.taught = now, None
            elif m.act == OutputAct.CONFIRM and now - self.tried_at >= TRY_S:
                self.confirmed = self.sealed

    def _restart(self, m: msg.Restart, now: float) -> None:
        self.restart()

    def _settings_default(self, m: msg.SettingsDefault, now: float) -> None:
        if not self._open(now):
            return
        self.confirmed = None
        self.loop_on = False
        self.settings = {**defaults(), "role": self.settings["role"]}
        self.motor = True

    def _setting_write(self, m: msg.SettingWrite, now: float) -> None:
        if m.key in GUARDED_KEYS and not self._open(now):
            return
        if m.key >= 64 or m.key == 0:
            self.loop_on = False  # new wiring may end the loop
        if m.key == LED_PIN_KEY and m.data == bytes((LED_PIN,)):
            self.disarm()
        if m.key == KIND_KEY and len(m.data) == 1 and m.data[0] <= max(PulseKind):
            self.disarm()
            self.motor = m.data[0] == PulseKind.MOTOR
            self.confirmed = None
        name = WATCHED.get(m.key)
        if name is None:
            return
        setting, value = SETTING_BY_NAME[name], int.from_bytes(m.data, "little")
        width = 1 if setting.type == "u8" else 2
        if len(m.data) == width and setting.min <= value <= setting.max:
            self.disarm()
            self.settings[name] = value
            self.confirmed = None

    def _arm_challenge(self, m: msg.ArmChallenge, now: float) -> None:
        if not self.armed and not self.wiring and m.channel in (CHANNEL, WIRING_CHANNEL) and m.radio in (0, 1):
            self.nonce, self.challenged_at = None, now  # the answer brings the nonce
            self.asked_for = m.channel
            if m.channel == CHANNEL and self.confirmed == self.sealed:
                self.quiet_from = float("inf")
            self.wants_radio = bool(m.radio) or self.loop_on

    def _arm(self, m: msg.Arm, now: float) -> None:
        if self.armed and now - self.fed_at <= KEEP_ALIVE_S:
            return
        right = (
            self.nonce is not None
            and m.nonce == self.nonce
            and m.channel == self.asked_for
            and m.label == self.label
            and now - self.challenged_at <= CHALLENGE_S + self.effect_s
        )
        self.disarm()
        self._unwire(now)
        if right and m.channel == WIRING_CHANNEL:
            self.wiring, self.wired_at, self.opened_at, self.tried_at = True, now, now, -100.0
            self.quiet_from = float("inf")
        elif right:
            self.cap = m.cap_permille
            self.armed, self.fed_at, self.armed_at = True, now, now
            self.number, self.radio = 0, self.wants_radio

    def _throttle(self, m: msg.Throttle, now: float) -> None:
        if not self.armed:
            return
        number = m.number
        cap = min(self.settings["cap_permille"], self.cap, CAP_MOST)
        late = now - self.fed_at > KEEP_ALIVE_S + self.effect_s + LOOKS_S
        if late or m.channel != CHANNEL or number <= self.number or m.permille > cap:
            self.disarm()
            return
        self.number, self.fed_at, self.target = number, now, m.permille

    # ------------------------------------------------------------------ judgement

    def silent(self, at: float) -> str:
        """Why no pulse at all may begin at `at`, "" when one may."""
        late = self.effect_s + LOOKS_S
        if self.taught is not None and not self._lapsed(at):
            return ""
        if self.wiring and not self._lapsed(at) and at - self.wired_at <= WIRING_S:
            frame = self.settings["frame_us"] * 1e-6  # a pulse that was prepared before the end still comes
            return "" if self.tried_at <= at <= self.tried_at + TRY_S + late + frame else "the wiring is being changed"
        if self.confirmed != self.sealed:
            return "the output has not been confirmed"
        # a pulse whose rise was prepared before still comes
        if at > self.quiet_from + late + self.settings["frame_us"] * 1e-6:
            return "it was silenced"
        return ""

    def conditions(self, at: float) -> str:
        """Why nothing above idle may begin at `at`, "" when it may."""
        if not self.motor or self.settings["role"] != 1:
            return "the pin is no motor controller's"
        if not self.armed:
            return "not armed"
        if at > self.fed_at + KEEP_ALIVE_S + self.effect_s + LOOKS_S:
            return f"last keep-alive {1e3 * (at - self.fed_at):.1f} ms ago"
        quiet = at - max(self.heard_at, self.armed_at)
        if self.radio and not self.sending and quiet > self.settings["silence_ms"] * 1e-3 + self.effect_s + LOOKS_S:
            return f"no control packet for {1e3 * quiet:.1f} ms"
        return ""

    def forbids(self, pulse: Pulse, before: Pulse | None) -> str:
        """Why this pulse must not be, "" when it may. before: the one before it."""
        s = self.settings
        idle, span = s["idle_us"], max(0, s["full_us"] - s["idle_us"])
        why = self.silent(pulse.rose)
        if why:
            return f"a pulse of {pulse.width_us:.1f} us: {why}"
        if self._lapsed(pulse.rose):
            return ""  # silent or at idle from then on, as the next frame will tell
        if self.taught is OutputAct.FULL or pulse.rose <= self.taught_until:
            right = abs(pulse.width_us - s["full_us"]) <= self.width_us or pulse.rose <= self.taught_until
            return "" if right else f"{pulse.width_us:.1f} us to teach full"
        if self.wiring and not self.motor:  # tried as a servo
            return "" if abs(pulse.width_us - 1500) <= 50 + self.width_us else f"{pulse.width_us:.1f} us to try a servo"
        above = pulse.width_us - idle
        if above <= self.width_us:
            return ""
        why = self.conditions(pulse.rose)
        if why:
            return f"{pulse.width_us:.1f} us, idle is {idle}: {why}"
        cap = min(s["cap_permille"], self.cap, CAP_MOST)
        if above > span * min(cap, self.target) / 1000 + self.width_us:
            return f"{pulse.width_us:.1f} us is above {min(cap, self.target)} permille of {idle} to {s['full_us']} us"
        rose = before.rose if before is not None else pulse.rose - 0.02
        was = max(0.0, before.width_us - idle) if before is not None else 0.0
        most = was + span * s["slew_permille_s"] / 1000 * (pulse.rose - rose + 0.002) + self.width_us
        if above > most:
            return f"rose by {above - was:.1f} us in {1e3 * (pulse.rose - rose):.1f} ms, {most - was:.1f} allowed"
        return ""


assert max(s.key for s in SETTINGS) < KIND_KEY
