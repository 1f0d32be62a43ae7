"""What ends a live motor: one thing at a time, and several in one step."""

from __future__ import annotations

import contextlib
from typing import Any

from guard_model import LED_PIN, LED_PIN_KEY
from hypothesis import strategies as st
from hypothesis.stateful import rule
from machine_base import Base

from benchctl.errors import BenchctlError
from benchctl.wire import msg
from benchctl.wire.catalogue import SETTING_BY_NAME, OutputAct

#: (setting, values) that change what the guard goes by; the middle one is the usual
CHANGES = {
    "cap_permille": (0, 200, 300), "slew_permille_s": (10, 200, 1000), "idle_us": (900, 1000, 1100),
    "full_us": (1500, 2000, 2200), "frame_us": (5000, 20000), "silence_ms": (50, 250, 2000), "role": (0, 1),
}  # fmt: skip


class Ends(Base):
    """See the module."""

    @rule(ms=st.sampled_from((262, 300, 600)))
    def live_then_silence(self, ms: int) -> None:
        self._live()
        self.rig.wait(ms / 1000)

    @rule(permille=st.sampled_from((201, 250, 300, 999, -250)))
    def live_then_above_the_cap(self, permille: int) -> None:
        """The default cap is 200 permille; asked for as the keep-alive that follows."""
        self._live()
        self.rig.throttle(permille)
        self.rig.drive(permille, 0.4)

    @rule(back=st.sampled_from((0, 1, 5)))
    def live_then_an_old_number(self, back: int) -> None:
        """A number that does not rise ends it; the same ones go on afterwards."""
        self._live()
        number = max(1, self.rig.throttle_number - back)
        for _ in range(6):
            self.rig.throttle(200, number)
            self.rig.wait(0.05)

    @rule(channel=st.sampled_from((1, 3)))
    def live_then_another_channel(self, channel: int) -> None:
        self._live()
        for _ in range(6):
            self.rig.throttle_number += 1
            self.rig.ask(msg.Throttle(channel=channel, permille=200, number=self.rig.throttle_number))
            self.rig.wait(0.05)

    @rule(silent=st.integers(0, 1), again=st.booleans())
    def live_then_stop(self, silent: int, again: bool) -> None:
        """Final: keep-alives that come after it do nothing."""
        self._live()
        self.rig.ask(msg.Stop(silent=silent))
        if again:
            self.rig.drive(200, 0.3)
        else:
            self.rig.wait(0.1)

    @rule(low=st.sampled_from((0, 1, 40)))
    def live_then_less(self, low: int) -> None:
        """Down at once, up again no faster than the slew limit."""
        self._live(200)
        self.rig.throttle(low)
        self.rig.wait(0.045)
        self.rig.drive(200, 0.3)

    @rule(cap=st.sampled_from((60, 100, 300)))
    def live_then_armed_anew(self, cap: int) -> None:
        """A new arming begins at idle, and has its own cap."""
        self._live(200)
        self.rig.ask(msg.Stop(silent=0))
        self.rig.arm(cap=cap)
        self.rig.drive(60, 0.2)
        self.rig.drive(min(cap + 1, 200), 0.4)

    @rule(radio=st.integers(0, 1))
    def live_then_radio_silence(self, radio: int) -> None:
        """With the control loop running the radio is a condition, asked for or not."""
        self._usual()
        self.rig.radio_on()
        self.rig.ask(msg.Stop(silent=0))
        self._live(200, radio)
        self.rig.radio_off()
        self.rig.drive(200, 0.6)

    @rule(name=st.sampled_from(sorted(CHANGES)), data=st.data())
    def live_then_a_setting(self, name: str, data: Any) -> None:
        """Written past the wiring: not taken, or idle."""
        self._live()
        setting = SETTING_BY_NAME[name]
        value = data.draw(st.sampled_from(CHANGES[name]))
        self.rig.setting(setting.key, value, 1 if setting.type == "u8" else 2)
        self.rig.drive(200, 0.2)

    @rule(kind=st.sampled_from((0, 1)))
    def live_then_declared_otherwise(self, kind: int) -> None:
        self._live()
        self.rig.setting(97, kind, 1)
        self.rig.wait(0.06)
        self.rig.ask(msg.Pulse(channel=2, width_us=2000))
        self.rig.wait(0.06)

    @rule()
    def live_then_rewired(self) -> None:
        """The LED's pin is told again: new wiring, be it the same, ends it."""
        self._live()
        self.rig.setting(LED_PIN_KEY, LED_PIN, 1)
        self.rig.drive(200, 0.3)

    @rule()
    def live_then_pulses_asked_for(self) -> None:
        self._live()
        self.rig.ask(msg.Pulse(channel=2, width_us=2000))
        self.rig.wait(0.06)

    @rule(off_us=st.integers(0, 19_000), how=st.sampled_from(("line", "asked", "brown-out")))
    def live_then_reset(self, off_us: int, how: str) -> None:
        """At any moment of the frame, also in the middle of a pulse."""
        self._live()
        self.rig.wait(off_us * 1e-6)
        if how == "line":
            self.rig.reset_line()
        elif how == "asked":
            self.rig.ask(msg.Restart())
        else:
            self.rig.brown_out()
        self.rig.wait(0.2)

    # ------------------------------------------------------------------ many in one step

    @rule(order=st.permutations(range(7)), numbers=st.lists(st.integers(0, 99), min_size=7, max_size=7))
    def ended_in_several_ways(self, order: list[int], numbers: list[int]) -> None:
        """One after the other, so that each step meets live motors and several ends."""
        ends = (
            lambda n: self.live_then_silence(262 + 3 * n),
            lambda n: self.live_then_above_the_cap((201, 250, 300, -250)[n % 4]),
            lambda n: self.live_then_an_old_number(n % 3),
            lambda n: self.live_then_another_channel(1 + 2 * (n % 2)),
            lambda n: self.live_then_stop(n % 2, n % 3 > 0),
            lambda n: self.live_then_less((0, 1, 40)[n % 3]),
            lambda n: self.live_then_armed_anew((60, 100, 150)[n % 3]),
        )
        for which in order[:4]:
            ends[which](numbers[which])

    @rule(order=st.permutations(range(6)), width=st.sampled_from((1000, 1700, 2000)))
    def servo_and_wiring(self, order: list[int], width: int) -> None:
        """The other output: moved as it may be, unconfirmed, while the wiring is open, tried, forgotten."""
        rig = self.rig
        self._usual()
        acts = (
            lambda: rig.ask(msg.Pulse(channel=1, width_us=width)),
            lambda: rig.ask(msg.Load(load=2, on=1, strength=100)),
            lambda: rig.ask(msg.Output(channel=1, act=OutputAct.FORGET)),
            lambda: rig.open_wiring(),
            lambda: rig.ask(msg.Output(channel=1, act=OutputAct.TRY)),
            lambda: rig.ask(msg.Output(channel=1, act=OutputAct.CONFIRM)),
        )
        for which in order:
            acts[which]()
            rig.wait(0.06)
        rig.wait(0.6)
        rig.ask(msg.Stop(silent=0))

    @rule(first=st.integers(0, 2))
    def two_motors(self, first: int) -> None:
        """The other output is a motor controller's too: while one is live it has its idle pulse."""
        rig = self.rig
        self._usual()
        if rig.open_wiring():
            rig.setting(96, 2, 1)
            rig.confirm(1)
            rig.confirm(2)
            rig.ask(msg.Stop(silent=0))
            rig.wait(0.02 * first)
            rig.arm()
            rig.drive(200, 0.4)
        rig.power_cycle()

    @rule(load=st.sampled_from((0, 3)))
    def droop_and_arm(self, load: int) -> None:
        """A droop under way, and arming right behind it."""
        rig = self.rig
        self._usual()
        rig.ask(msg.Droop(load=load, source=0, first_us=1000, step_us=100, points=200, repeats=4, settle_ms=20, prescaler=6))
        rig.arm()
        rig.drive(100, 0.5)
        rig.reset_line()

    @rule(pair=st.integers(1, 255))
    def live_then_another_pairs_packets(self, pair: int) -> None:
        """The hand unit goes on under another pair's number: the radio is silent."""
        rig = self.rig
        self._usual()
        rig.radio_on()
        rig.ask(msg.Stop(silent=0))
        self._live(200, 1)
        rig.radio_off()
        with contextlib.suppress(BenchctlError):
            rig.hand.write_setting("pair_number", pair)
            rig.hand.ask(msg.LoopStart(trace=0), timeout=0.5)
            rig.drive(200, 0.6)
            rig.hand.ask(msg.LoopStop(), timeout=0.5)
        with contextlib.suppress(BenchctlError):
            rig.hand.write_setting("pair_number", int(SETTING_BY_NAME["pair_number"].default))

    @rule(silent=st.integers(0, 1))
    def loop_ends_while_live(self, silent: int) -> None:
        """The craft's control loop ends: no packet counts any more."""
        rig = self.rig
        self._usual()
        rig.radio_on()
        rig.ask(msg.Stop(silent=0))
        self._live(200)
        if rig.ask(msg.LoopStop()) is not None:
            rig.model.loop_on = False  # of what is armed it stays the condition
        rig.model.hand_stopped(rig.now())
        rig.drive(150, 0.6)
        rig.radio_off()
        rig.ask(msg.Stop(silent=silent))
