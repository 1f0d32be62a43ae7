"""Requests in any order, a bad line, resets; arming the wrong way."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import rule
from machine_base import Base
from machine_ends import CHANGES
from proof_rig import LABEL, joined, mangled

from benchctl.wire import msg
from benchctl.wire.catalogue import SETTING_BY_NAME, OutputAct

#: ways to answer a challenge wrongly
WRONG = ("nonce", "label", "last of the label", "channel", "late", "twice", "none", "after wrong")


class Requests(Base):
    """See the module."""

    # ------------------------------------------------------------------ arming the wrong way

    @rule(order=st.permutations([w for w in WRONG if w != "late"]))
    def wrong_answers(self, order: list[str]) -> None:
        for wrong in order:
            self.wrong_answer(wrong)

    @rule(wrong=st.sampled_from(WRONG))
    def wrong_answer(self, wrong: str) -> None:
        """Answered wrongly, and driven as if it had armed."""
        rig = self.rig
        self._usual()
        rig.ask(msg.Stop(silent=0))
        rig.wait(0.05)
        challenge = None if wrong == "none" else rig.ask(msg.ArmChallenge(channel=2, radio=0))
        nonce = challenge.nonce if isinstance(challenge, msg.ArmChallengeAnswer) else 0
        if nonce:
            assert nonce not in self._nonces, "a nonce came twice"
            self._nonces.add(nonce)
        fields: dict[str, Any] = {"channel": 2, "nonce": nonce, "label": LABEL, "cap_permille": 300}
        bad = {"nonce": {"nonce": nonce ^ 0x10}, "label": {"label": "another"}, "channel": {"channel": 1},
               "last of the label": {"label": f"{LABEL[:-1]}x"}, "after wrong": {"nonce": nonce ^ 1}}  # fmt: skip
        if wrong == "late":
            rig.wait(5.05)
        rig.ask(msg.Arm(**{**fields, **bad.get(wrong, {})}))
        if wrong == "twice":
            rig.ask(msg.Stop(silent=0))
        if wrong in ("twice", "after wrong"):
            rig.ask(msg.Arm(**fields))
        rig.throttle_number = 0
        rig.drive(200, 0.3)

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

    @rule(radio=st.integers(0, 1), channel=st.sampled_from((2, 2, 2, 1, 7, 0)))
    def challenge(self, radio: int, channel: int) -> None:
        self.rig.ask(msg.ArmChallenge(channel=channel, radio=radio))

    @rule(off=st.sampled_from((0, 0, 1, 0x80000000)), label=st.sampled_from((LABEL, LABEL, "mudlark-craft-02", "")),
          channel=st.sampled_from((2, 2, 1, 0)), cap=st.sampled_from((300, 300, 100)))  # fmt: skip
    def answer_challenge(self, off: int, label: str, channel: int, cap: int) -> None:
        nonce = self.rig.model.nonce or 12345
        self.rig.ask(msg.Arm(channel=channel, nonce=nonce ^ off, label=label, cap_permille=cap))
        self.rig.throttle_number = 0

    @rule(radio=st.integers(0, 1), permille=st.sampled_from((40, 150, 200)), seconds=st.sampled_from((0.1, 0.5)))
    def arm_and_go(self, radio: int, permille: int, seconds: float) -> None:
        """All the right way, so that the others meet a live motor."""
        self.rig.arm(radio)
        self.rig.drive(permille, seconds)

    @rule(
        permille=st.sampled_from((0, 1, 80, 200, 201, 300, 301, 999, 32767, -1, -100)), step=st.sampled_from((1, 1, 1, 0, -1, 9))
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

    @rule(silent=st.integers(0, 1))
    def stop(self, silent: int) -> None:
        self.rig.ask(msg.Stop(silent=silent))

    @rule()
    def open_wiring(self) -> None:
        """The right way; the settings that follow are then taken, and everything is silent."""
        self.rig.open_wiring()

    @rule(act=st.sampled_from(list(OutputAct)), wait=st.sampled_from((0.0, 0.2, 0.51)))
    def output(self, act: OutputAct, wait: float) -> None:
        self.rig.ask(msg.Output(channel=2, act=act))
        self.rig.wait(wait)

    @rule(data=st.data(), name=st.sampled_from(sorted(CHANGES)))
    def settle(self, data: Any, name: str) -> None:
        """Another value the right way: told, tried, confirmed."""
        setting = SETTING_BY_NAME[name]
        if self.rig.open_wiring():
            self.rig.setting(setting.key, data.draw(st.sampled_from(CHANGES[name])), 1 if setting.type == "u8" else 2)
            self.rig.confirm()
            self.rig.ask(msg.Stop(silent=0))

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
        if self.rig.open_wiring():
            self.rig.setting(97, 2, 1)
            self.rig.confirm()
            self.rig.ask(msg.Stop(silent=0))

    @rule(width=st.sampled_from((0, 1500, 2000)))
    def pulse_past_the_guard(self, width: int) -> None:
        if self.rig.model.motor:
            self.rig.ask(msg.Pulse(channel=2, width_us=width))

    @rule(mode=st.integers(0, 3))
    def pin_past_the_guard(self, mode: int) -> None:
        self.rig.ask(msg.Pin(function=6, mode=mode))

    @rule(on=st.integers(0, 1))
    def idle_load(self, on: int) -> None:
        self.rig.ask(msg.Load(load=3, on=on, strength=0))

    @rule()
    def settings_default(self) -> None:
        self.rig.ask(msg.SettingsDefault())

    # ------------------------------------------------------------------ a bad line

    @rule(seed=st.integers(0, 999), permille=st.sampled_from((50, 200)))
    def corrupted(self, seed: int, permille: int) -> None:
        rig = self.rig
        rig.chance.seed(seed)
        rig.send(
            mangled(rig.frame(msg.Throttle(channel=2, permille=permille, number=rig.throttle_number + 1)), rig.chance)
        )

    @rule(permille=st.sampled_from((50, 200)))
    def repeated(self, permille: int) -> None:
        rig = self.rig
        rig.throttle_number += 1
        wire = rig.frame(msg.Throttle(channel=2, permille=permille, number=rig.throttle_number))
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
        rig.send(joined([rig.frame(msg.Throttle(channel=2, permille=200, number=rig.throttle_number + 1))[:-cut], b"\0"]))

    # ------------------------------------------------------------------ resets

    @rule()
    def reset_line(self) -> None:
        self.rig.reset_line()

    @rule()
    def restart(self) -> None:
        self.rig.ask(msg.Restart())
        self.rig.wait(0.3)

    @rule()
    def brown_out(self) -> None:
        self.rig.brown_out()

    @rule()
    def power_cycle(self) -> None:
        self.rig.power_cycle()
