"""The state machine that is thrown at a board: any order of requests, faults and resets, each pulse judged.

`machine(kind)` makes the class for a bench kind; tests use few examples, the campaign many.
"""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, rule
from proof_rig import LABEL, Rig, joined, mangled

from benchctl.terms import Role
from benchctl.wire.catalogue import SETTING_BY_NAME

#: (setting, values) that change what the guard goes by; the middle one is the usual
CHANGES = {
    "cap_permille": (0, 200, 300), "slew_permille_s": (10, 200, 1000), "idle_us": (900, 1000, 1100),
    "full_us": (1500, 2000, 2200), "frame_us": (5000, 20000), "silence_ms": (50, 250, 2000), "role": (0, 1),
}  # fmt: skip


class GuardMachine(RuleBasedStateMachine):
    """See the module."""

    kind = "sim"
    images: dict[Role, str] | None = None
    #: pulses seen and above idle, over all examples: proof that the machine gets anywhere
    seen = above = examples = 0
    bench_s = 0.0

    def __init__(self) -> None:
        super().__init__()
        self.rig = Rig(self.kind, images=self.images)

    def teardown(self) -> None:
        rig = self.rig
        try:
            rig.wait(0.3)
            cls = type(self)
            cls.seen += len(rig.pulses.all)
            cls.above += rig.above
            cls.examples += 1
            cls.bench_s += rig.now()
        finally:
            rig.close()

    # ------------------------------------------------------------------ time, host, radio

    @rule(ms=st.sampled_from((1, 7, 40, 120, 240, 251, 270, 400)))
    def silent_host(self, ms: int) -> None:
        self.rig.wait(ms / 1000)

    @rule()
    def radio_on(self) -> None:
        self.rig.radio_on()

    @rule(ms=st.sampled_from((10, 200, 300)))
    def radio_off(self, ms: int) -> None:
        self.rig.radio_off()
        self.rig.wait(ms / 1000)

    @rule(on=st.booleans())
    def radio_off_under_way(self, on: bool) -> None:
        """Silence while the host goes on with its keep-alives."""
        self.rig.radio_off()
        self.rig.drive(150, 0.6 if on else 0.35)

    # ------------------------------------------------------------------ requests

    @rule(radio=st.integers(0, 1), channel=st.sampled_from((2, 2, 2, 1, 7)))
    def challenge(self, radio: int, channel: int) -> None:
        self.rig.ask("arm_challenge", channel=channel, radio=radio)

    @rule(off=st.sampled_from((0, 0, 1, 0x80000000)), label=st.sampled_from((LABEL, LABEL, "mudlark-craft-02", "")),
          channel=st.sampled_from((2, 2, 1)))  # fmt: skip
    def answer_challenge(self, off: int, label: str, channel: int) -> None:
        nonce = self.rig.model.nonce or 12345
        self.rig.ask("arm", channel=channel, nonce=nonce ^ off, label=label)
        self.rig.throttle_number = 0

    @rule(radio=st.integers(0, 1), permille=st.sampled_from((40, 150, 200)), seconds=st.sampled_from((0.1, 0.5)))
    def arm_and_go(self, radio: int, permille: int, seconds: float) -> None:
        """All the right way, so that the others meet a live motor."""
        self.rig.arm(radio)
        self.rig.drive(permille, seconds)

    @rule(
        permille=st.sampled_from((0, 1, 80, 200, 201, 300, 301, 999, 65535)), step=st.sampled_from((1, 1, 1, 0, -1, 9))
    )
    def throttle(self, permille: int, step: int) -> None:
        rig = self.rig
        number = max(0, rig.throttle_number + step)
        rig.throttle_number = max(rig.throttle_number, number)
        rig.throttle(permille, number)

    @rule(
        permille=st.sampled_from((60, 200)),
        seconds=st.sampled_from((0.2, 0.6)),
        every=st.sampled_from((0.02, 0.2, 0.245)),
    )
    def keep_on(self, permille: int, seconds: float, every: float) -> None:
        self.rig.drive(permille, seconds, every)

    @rule()
    def stop(self) -> None:
        self.rig.ask("stop")

    @rule(data=st.data(), name=st.sampled_from(sorted(CHANGES)))
    def write_setting(self, data: Any, name: str) -> None:
        setting = SETTING_BY_NAME[name]
        value = data.draw(st.sampled_from(CHANGES[name]))
        self.rig.setting(setting.key, value, 1 if setting.type == "u8" else 2)

    @rule(pulse=st.integers(0, 2))
    def declare(self, pulse: int) -> None:
        """The channel's kind: none, servo, motor controller."""
        self.rig.setting(97, pulse, 1)

    @rule()
    def usual_again(self) -> None:
        self.rig.setting(0, 1, 1)
        self.rig.setting(97, 2, 1)

    @rule(width=st.sampled_from((0, 1500, 2000)))
    def pulse_past_the_guard(self, width: int) -> None:
        if self.rig.model.motor:
            self.rig.ask("pulse", channel=2, width_us=width)

    @rule(mode=st.integers(0, 3))
    def pin_past_the_guard(self, mode: int) -> None:
        self.rig.ask("pin", function=6, mode=mode)

    @rule(on=st.integers(0, 1))
    def idle_load(self, on: int) -> None:
        self.rig.ask("load", load=3, on=on, strength=0)

    @rule()
    def settings_default(self) -> None:
        self.rig.ask("settings_default")

    # ------------------------------------------------------------------ a bad line

    @rule(seed=st.integers(0, 999), permille=st.sampled_from((50, 200)))
    def corrupted(self, seed: int, permille: int) -> None:
        rig = self.rig
        rig.chance.seed(seed)
        rig.send(
            mangled(rig.frame("throttle", channel=2, permille=permille, number=rig.throttle_number + 1), rig.chance)
        )

    @rule(permille=st.sampled_from((50, 200)))
    def repeated(self, permille: int) -> None:
        rig = self.rig
        rig.throttle_number += 1
        wire = rig.frame("throttle", channel=2, permille=permille, number=rig.throttle_number)
        rig.send(wire)
        rig.send(wire)

    @rule(back=st.integers(1, 12))
    def replayed_one(self, back: int) -> None:
        if self.rig.sent:
            self.rig.send(self.rig.sent[-min(back, len(self.rig.sent))])

    @rule(count=st.integers(2, 8))
    def replayed_many(self, count: int) -> None:
        for wire in list(self.rig.sent[-count:]):
            self.rig.send(wire)

    @rule(noise=st.binary(min_size=1, max_size=80))
    def noise(self, noise: bytes) -> None:
        self.rig.send(noise + b"\0")

    @rule(cut=st.integers(1, 8))
    def torn(self, cut: int) -> None:
        rig = self.rig
        rig.send(joined([rig.frame("throttle", channel=2, permille=200, number=rig.throttle_number + 1)[:-cut], b"\0"]))

    # ------------------------------------------------------------------ resets

    @rule()
    def reset_line(self) -> None:
        self.rig.reset_line()

    @rule()
    def restart(self) -> None:
        self.rig.ask("restart")
        self.rig.wait(0.3)

    @rule()
    def brown_out(self) -> None:
        self.rig.brown_out()

    @rule()
    def power_cycle(self) -> None:
        self.rig.power_cycle()


def machine(kind: str, images: dict[Role, str] | None = None) -> type[GuardMachine]:
    """The class for a bench kind."""
    return type(f"GuardOn{kind.title()}", (GuardMachine,), {"kind": kind, "images": images})
