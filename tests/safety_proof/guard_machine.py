"""The state machine that is thrown at a board: any order of requests, faults and resets, each pulse judged.

`machine(kind)` makes the class for a bench kind; tests use few examples, the campaign many.
"""

from __future__ import annotations

import contextlib
from collections import Counter
from typing import Any, ClassVar

import always_watched
from guard_model import KEEP_ALIVE_S, defaults
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test
from proof_rig import LABEL, Rig, joined, mangled

from benchctl.benchfile.harm_kinds import HarmKind
from benchctl.errors import BenchctlError
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import SETTING_BY_NAME, OutputAct

#: (setting, values) that change what the guard goes by; the middle one is the usual
CHANGES = {
    "cap_permille": (0, 200, 300), "slew_permille_s": (10, 200, 1000), "idle_us": (900, 1000, 1100),
    "full_us": (1500, 2000, 2200), "frame_us": (5000, 20000), "silence_ms": (50, 250, 2000), "role": (0, 1),
}  # fmt: skip

#: settings drawn here have an idle at which this motor turns
TURNS = {HarmKind("pulse"), HarmKind("turning")}
#: ways to answer a challenge wrongly
WRONG = ("nonce", "label", "last of the label", "channel", "late", "twice", "none", "after wrong")


class GuardMachine(RuleBasedStateMachine):
    """See the module."""

    kind = "sim"
    wiring = ""
    images: dict[Role, str] | None = None
    #: pulses seen and above idle, over all examples: proof that the machine gets anywhere
    seen = above = examples = 0
    bench_s = 0.0
    #: requests and waits that led to each state, and changes from state to state
    steps: ClassVar[Counter[str]] = Counter()
    changes: ClassVar[Counter[tuple[str, str]]] = Counter()

    def __init__(self) -> None:
        super().__init__()
        always_watched.complaints(set(HarmKind), True)  # of an example before, which has failed already
        self.rig = Rig(self.kind, images=self.images, wiring=self.wiring)
        self.rig.judged = self._count
        self._state = "idle"
        self._nonces: set[int] = set()

    def _count(self) -> None:
        """Where each request and each wait has led."""
        model, now = self.rig.model, self.rig.now()
        fed = now <= model.fed_at + KEEP_ALIVE_S
        state = "wiring" if model.wiring else "challenged" if model.nonce is not None else "idle"
        if model.armed and fed:
            state = "live" if model.target else "armed"
        type(self).steps[state] += 1
        if state != self._state:
            type(self).changes[(self._state, state)] += 1
        self._state = state

    @invariant()
    def nothing_seen(self) -> None:
        """By the watch that every test is under."""
        wrong = always_watched.complaints(TURNS, False)
        assert not wrong, "; ".join(wrong)

    def _live(self, permille: int = 200, radio: int = 0) -> None:
        """A motor that turns, whatever was before: what follows has something to end."""
        rig = self.rig
        if not (rig.model.armed and rig.model.target):
            self._usual()
            rig.arm(radio)
        rig.drive(permille, 1.1)

    def _usual(self) -> None:
        """Wired as it is usually, confirmed, nothing open."""
        rig, model = self.rig, self.rig.model
        usual = {**defaults(), "role": 1, "motor": 1}
        if model.wiring:
            rig.ask(msg.Stop(silent=0))
        if model.confirmed == model.sealed == usual:
            return
        rig.power_cycle()

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

    # ------------------------------------------------------------------ what ends a live motor

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

    @initialize(order=st.permutations(range(9)), numbers=st.lists(st.integers(0, 99), min_size=9, max_size=9))
    def begins(self, order: list[int], numbers: list[int]) -> None:
        """With four of the long steps, so that a few examples meet all of them."""
        turned = (*range(numbers[0] % 7, 7), *range(numbers[0] % 7))
        wrong = [w for w in WRONG if w != "late"]
        long = (
            lambda n: self.ended_in_several_ways([*turned], numbers),
            lambda n: self.ended_in_several_ways([*turned[::-1]], numbers),
            lambda n: self.wrong_answers([wrong[i] for i in turned]),
            lambda n: self.wrong_answer("late"),
            lambda n: self.servo_and_wiring([i for i in turned if i < 6], (1000, 1700, 2000)[n % 3]),
            lambda n: self.two_motors(n % 3),
            lambda n: self.droop_and_arm(3 * (n % 2)),
            lambda n: self.live_then_another_pairs_packets(1 + n),
            lambda n: self.loop_ends_while_live(n % 2),
        )
        for which in order[:4]:
            long[which](numbers[which])

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

    @rule(order=st.permutations([w for w in WRONG if w != "late"]))
    def wrong_answers(self, order: list[str]) -> None:
        for wrong in order:
            self.wrong_answer(wrong)

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

    # ------------------------------------------------------------------ arming the wrong way

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

    @rule(
        acts=st.lists(st.sampled_from((OutputAct.FULL, OutputAct.REST, OutputAct.BACKWARD, OutputAct.TRY)), max_size=5),
        unheard=st.sampled_from((2.4, 2.6)),
        every=st.sampled_from((0.1, 0.3)),
        stop=st.booleans(),
    )
    def lesson(self, acts: list[OutputAct], unheard: float, every: float, stop: bool) -> None:
        """End points, in any order: full only first, on and never back, never late."""
        self._usual()
        board = self.rig.board
        board.plug_motor(False, self.rig.now())
        if self.rig.open_wiring():
            self.rig.wait(unheard)
            for act in (OutputAct.FULL, *acts):
                self.rig.ask(msg.Output(channel=2, act=act))
                board.plug_motor(True, self.rig.now())
                self.rig.wait(every)
            if stop:
                self.rig.ask(msg.Stop(silent=0))
                self.rig.wait(0.1)
        board.plug_motor(True, self.rig.now())

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


def machine(kind: str, images: dict[Role, str] | None = None, wiring: str = "") -> type[GuardMachine]:
    """The class for a bench kind, and a craft soldered as WIRINGS has it."""
    counts = {"steps": Counter(), "changes": Counter()}
    return type(f"GuardOn{kind.title()}", (GuardMachine,), {"kind": kind, "images": images, "wiring": wiring, **counts})


def run_short(made: type[GuardMachine], examples: int = 6, steps: int = 15) -> None:
    """The same each time; what fails is not made small, which takes long: the campaign does that."""
    run_state_machine_as_test(
        made,
        settings=settings(
            max_examples=examples,
            stateful_step_count=steps,
            deadline=None,
            derandomize=True,
            database=None,
            suppress_health_check=list(HealthCheck),
            phases=(Phase.explicit, Phase.generate),
        ),
    )


def told(made: type[GuardMachine]) -> str:
    """Share of requests and waits in each state, and how often each change of state was seen."""
    total = sum(made.steps.values()) or 1
    shares = ", ".join(f"{state} {100 * n / total:.0f} %" for state, n in made.steps.most_common())
    changes = ", ".join(f"{a} to {b} {n}" for (a, b), n in made.changes.most_common())
    return f"requests and waits: {shares}\nchanges: {changes}"
