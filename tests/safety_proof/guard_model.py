"""What may be on a motor controller's pin, told anew from the rules in words: frames and happenings in, judgement out.

Knows nothing of the guard's own code. It errs on the side of "may": only what it calls forbidden is a defect.
Rules: `firmware_probe/guard.h` in words, design of the interlocks in `DEVELOPERS.md`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from benchctl.wire.catalogue import SETTING_BY_NAME, SETTINGS, PulseKind
from benchctl.wire.messages import Malformed, Msg, decode

KEEP_ALIVE_S, CHALLENGE_S, CAP_MOST = 0.250, 5.0, 300
#: from a frame's sending to its effect on the chip: USB, 12 bytes of 20 us, one turn of the main loop
EFFECT_S = 0.003
#: the guard looks each millisecond; with the oscillator's error
LOOKS_S = 0.0012
#: a width is judged to this many µs: one tick, and the edge's own resolution
WIDTH_US = 1.0
CHANNEL = 2
KIND_KEY = 96 + CHANNEL - 1
#: numbers that matter, by setting key
WATCHED = {SETTING_BY_NAME[n].key: n for n in (
    "role", "cap_permille", "slew_permille_s", "idle_us", "full_us", "frame_us", "silence_ms",
)}  # fmt: skip


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
    settings: dict[str, int] = field(default_factory=lambda: {**defaults(), "role": 1})
    saved: dict[str, int] = field(default_factory=lambda: {**defaults(), "role": 1})
    motor: bool = True  # channel 2 is declared as a motor controller
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

    # ------------------------------------------------------------------ what happens

    def disarm(self) -> None:
        self.armed, self.nonce, self.target = False, None, 0

    def restart(self) -> None:
        """Any reset. Settings that were not saved are those of the EEPROM again."""
        self.disarm()
        self.loop_on = False
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
        if message.kind == "arm_challenge_answer":
            if message.nonce:
                self.armed, self.nonce = False, message.nonce
        elif message.kind in ("arm_answer", "throttle_answer", "guard_read_answer") and message.state < 2:
            self.armed = False

    def delivered(self, body: bytes, now: float) -> None:
        """A whole frame reached the board."""
        message = decode(body)
        if isinstance(message, Malformed):
            return
        handler = getattr(self, f"_{message.kind}", None)
        if handler is not None:
            handler(message, now)

    def _stop(self, m: Msg, now: float) -> None:
        self.disarm()

    def _restart(self, m: Msg, now: float) -> None:
        self.restart()

    def _settings_default(self, m: Msg, now: float) -> None:
        self.disarm()
        self.loop_on = False
        self.settings = {**defaults(), "role": self.settings["role"]}
        self.motor = True

    def _setting_write(self, m: Msg, now: float) -> None:
        if m.key >= 64 or m.key == 0:
            self.loop_on = False  # new wiring may end the loop
        if m.key == KIND_KEY and len(m.data) == 1 and m.data[0] <= max(PulseKind):
            self.disarm()
            self.motor = m.data[0] == PulseKind.MOTOR
        name = WATCHED.get(m.key)
        if name is None:
            return
        setting, value = SETTING_BY_NAME[name], int.from_bytes(m.data, "little")
        width = 1 if setting.type == "u8" else 2
        if len(m.data) == width and setting.min <= value <= setting.max:
            self.disarm()
            self.settings[name] = value

    def _arm_challenge(self, m: Msg, now: float) -> None:
        if not self.armed and m.channel == CHANNEL and m.radio in (0, 1):
            self.nonce, self.challenged_at = None, now  # the answer brings the nonce
            self.wants_radio = bool(m.radio) or self.loop_on

    def _arm(self, m: Msg, now: float) -> None:
        if self.armed and now - self.fed_at <= KEEP_ALIVE_S:
            return
        right = (
            self.nonce is not None
            and m.nonce == self.nonce
            and m.channel == CHANNEL
            and m.label == self.label
            and now - self.challenged_at <= CHALLENGE_S + EFFECT_S
        )
        self.disarm()
        if right:
            self.armed, self.fed_at, self.armed_at = True, now, now
            self.number, self.radio = 0, self.wants_radio

    def _throttle(self, m: Msg, now: float) -> None:
        if not self.armed:
            return
        number = m.fields["number"]
        cap = min(self.settings["cap_permille"], CAP_MOST)
        late = now - self.fed_at > KEEP_ALIVE_S + EFFECT_S + LOOKS_S
        if late or m.channel != CHANNEL or number <= self.number or m.permille > cap:
            self.disarm()
            return
        self.number, self.fed_at, self.target = number, now, m.permille

    # ------------------------------------------------------------------ judgement

    def conditions(self, at: float) -> str:
        """Why nothing above idle may begin at `at`, "" when it may."""
        if not self.motor or self.settings["role"] != 1:
            return "the pin is no motor controller's"
        if not self.armed:
            return "not armed"
        if at > self.fed_at + KEEP_ALIVE_S + EFFECT_S + LOOKS_S:
            return f"last keep-alive {1e3 * (at - self.fed_at):.1f} ms ago"
        quiet = at - max(self.heard_at, self.armed_at)
        if self.radio and not self.sending and quiet > self.settings["silence_ms"] * 1e-3 + EFFECT_S + LOOKS_S:
            return f"no control packet for {1e3 * quiet:.1f} ms"
        return ""

    def forbids(self, pulse: Pulse, before: Pulse | None) -> str:
        """Why this pulse must not be, "" when it may. before: the one before it."""
        s = self.settings
        idle, span = s["idle_us"], max(0, s["full_us"] - s["idle_us"])
        above = pulse.width_us - idle
        if above <= WIDTH_US:
            return ""
        why = self.conditions(pulse.rose)
        if why:
            return f"{pulse.width_us:.1f} us, idle is {idle}: {why}"
        cap = min(s["cap_permille"], CAP_MOST)
        if above > span * min(cap, self.target) / 1000 + WIDTH_US:
            return f"{pulse.width_us:.1f} us is above {min(cap, self.target)} permille of {idle} to {s['full_us']} us"
        rose = before.rose if before is not None else pulse.rose - 0.02
        was = max(0.0, before.width_us - idle) if before is not None else 0.0
        most = was + span * s["slew_permille_s"] / 1000 * (pulse.rose - rose + 0.002) + WIDTH_US
        if above > most:
            return f"rose by {above - was:.1f} us in {1e3 * (pulse.rose - rose):.1f} ms, {most - was:.1f} allowed"
        return ""


assert max(s.key for s in SETTINGS) < KIND_KEY
