"""The guard: by rules that are stated here anew, and by the pulses that a motor controller really gets."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from benchctl.errors import Refused
from benchctl.sim.guard import Guard, Rules
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import GuardReason, GuardState, OutputAct
from benchctl.wire.framing import frame
from benchctl.wire.messages import encode

MS = 2000
LABEL, OTHER = "mudlark-craft-01", "mudlark-craft-02"
FRAME_S = 0.02


class GuardMachine(RuleBasedStateMachine):
    """Any order of requests and times: above idle only while every condition holds, and idle at once when one goes."""

    @initialize(radio=st.booleans(), cap=st.integers(0, 500), slew=st.integers(10, 1000))
    def begin(self, radio: bool, cap: int, slew: int) -> None:
        self.now = 0xFFFF0000  # the clock wraps on the way
        self.width: dict[int, int] = {}
        self.guard = Guard(self.now, lambda channel, ticks: self.width.__setitem__(channel, ticks))
        self.rules = Rules(cap, slew, 1000, 2000, 1500, 250, motors=0b10)
        self.guard.configure(self.rules, self.now)
        self.radio = radio
        self.nonce = 0
        self.used: set[int] = set()
        self.noise = random.Random(7)
        # our own account of the conditions, in milliseconds since the start
        self.ms = 0
        self.armed_ok = False
        self.fed_ms = self.heard_ms = self.asked_ms = 0
        self.last_number = 0
        self.wanted = 0
        self.widest = 0.0

    @rule(ms=st.integers(1, 400))
    def time_passes(self, ms: int) -> None:
        for _ in range(ms):
            self.now = self.now + MS & 0xFFFFFFFF
            self.ms += 1
            self.guard.loop_alive(self.now)
            self.guard.tick(self.now)
            self._account()
            self.widest = min(self.widest + self.rules.slew_permille_s / 1000, self.wanted)
            self._check()

    def _account(self) -> None:
        silent = self.radio and self.ms - self.heard_ms > 250
        if self.ms - self.fed_ms > 250 or silent:
            self._lapse()

    def _lapse(self) -> None:
        self.armed_ok = False
        self.wanted, self.widest = 0, 0.0

    @rule()
    def challenge(self) -> None:
        nonce = self.guard.challenge(2, self.radio, self.noise.getrandbits(32), self.now)
        assert (nonce == 0) == self.armed_ok
        if nonce:
            assert nonce not in self.used
            self.nonce, self.asked_ms = nonce, self.ms

    @rule(right=st.booleans(), label=st.sampled_from((LABEL, OTHER, "")), channel=st.sampled_from((2, 2, 3)))
    def arm(self, right: bool, label: str, channel: int) -> None:
        if self.armed_ok:
            assert not self.guard.arm(channel, self.nonce, label, LABEL, 600, self.now)
            return
        nonce = self.nonce if right else self.nonce ^ 4
        fresh = self.nonce != 0 and self.nonce not in self.used and self.ms - self.asked_ms <= 5000
        expected = right and fresh and label == LABEL and channel == 2
        assert self.guard.arm(channel, nonce, label, LABEL, 600, self.now) == expected
        self.used.add(self.nonce)
        self.armed_ok = expected
        self.fed_ms = self.heard_ms = self.ms
        self.last_number = 0
        self.wanted, self.widest = 0, 0.0

    @rule(permille=st.integers(0, 600), number=st.integers(0, 40), channel=st.sampled_from((2, 2, 2, 1)))
    def throttle(self, permille: int, number: int, channel: int) -> None:
        cap = min(self.rules.cap_permille, 300)
        good = self.armed_ok and channel == 2 and number > self.last_number and permille <= cap
        assert self.guard.throttle(channel, permille, number, self.now) == good
        if not self.armed_ok:
            return
        if not good:
            self._lapse()
            return
        self.last_number, self.fed_ms, self.wanted = number, self.ms, permille
        self.widest = min(self.widest, permille)

    @precondition(lambda self: self.radio)
    @rule()
    def packet(self) -> None:
        self.guard.control_packet(self.now)
        self.heard_ms = self.ms

    @rule()
    def stop(self) -> None:
        self.guard.drop(GuardReason.STOPPED, self.now)
        self.nonce = 0
        self._lapse()

    @rule(cap=st.integers(0, 500))
    def settings_change(self, cap: int) -> None:
        self.rules = replace(self.rules, cap_permille=cap)
        was_idle = self.guard.state is GuardState.IDLE
        self.guard.configure(self.rules, self.now)
        if not was_idle:
            self.nonce = 0
        self._lapse()

    @invariant()
    def _check(self) -> None:
        if not hasattr(self, "width"):
            return
        above = self.width[2] - 2000
        assert above >= 0
        if not self.armed_ok:
            assert above == 0
        # 1 permille of 1000 µs is 1 µs, 2 ticks; rounding is down
        assert above <= 2 * self.widest + 1e-6
        assert above <= 2 * 300
        assert set(self.width) == {2}


TestGuardMachine = GuardMachine.TestCase
TestGuardMachine.settings = settings(
    max_examples=60, stateful_step_count=25, deadline=None, derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)  # fmt: skip


# ---------------------------------------------------------------------- on the bench, by the pulses


@pytest.fixture
def craft(open_sim):
    """(bench, board, motor controller): nothing armed."""
    bench = open_sim("[board.craft]")
    return bench, bench.boards[Role.CRAFT], bench.world.boards[Role.CRAFT].escs["pulse2"]


def arm(board, radio: int = 0) -> None:
    nonce = board.ask(msg.ArmChallenge(channel=2, radio=radio)).nonce
    assert board.ask(msg.Arm(channel=2, nonce=nonce, label="mudlark-craft-01", cap_permille=300)).state == GuardState.ARMED


def drive(bench, board, seconds: float, permille: int = 200, first: int = 1) -> int:
    number = first
    end = bench.now() + seconds
    while bench.now() < end:
        board.ask(msg.Throttle(channel=2, permille=permille, number=number))
        number += 1
        bench.wait(0.05)
    return number


def last_above(esc) -> float:
    return max(t for t, _ in esc.above_idle)


def test_idle_pulses_come_from_the_start_on(craft) -> None:
    bench, _, esc = craft
    before = esc.pulses
    bench.wait(1.0)
    assert esc.pulses - before == pytest.approx(50, abs=1)
    assert esc.last_width_us == pytest.approx(1000, abs=0.1)


def test_slew_limit_and_cap_are_seen_in_the_pulses(craft) -> None:
    bench, board, esc = craft
    arm(board)
    began = bench.now()
    drive(bench, board, 1.5)
    widths = [(t - began, w) for t, w in esc.above_idle]

    # 200 permille a second of 1000 µs: 200 µs a second, up to the cap of 200 permille
    assert all(w <= 1000 + 200 * (t + 0.001) + 0.5 for t, w in widths)
    assert widths[-1][1] == pytest.approx(1200, abs=0.6)


def test_keep_alive_that_stops_means_idle_within_a_frame(craft) -> None:
    bench, board, esc = craft
    arm(board)
    drive(bench, board, 1.0)
    last = bench.now() - 0.05
    bench.wait(1.0)

    assert last_above(esc) <= last + 0.25 + 0.01 + FRAME_S
    changed = board.events(msg.GuardChanged)[-1]
    assert (changed.state, changed.reason) == (GuardState.IDLE, GuardReason.KEEP_ALIVE)
    assert board.ask(msg.Throttle(channel=2, permille=100, number=999)).state == GuardState.IDLE


@pytest.mark.parametrize("what", ["stop", "settings", "cap", "number", "reset", "power", "pin kind"])
def test_everything_that_ends_it_means_idle_within_a_frame(craft, what: str) -> None:
    bench, board, esc = craft
    arm(board)
    number = drive(bench, board, 1.0)
    assert esc.above_idle
    board.expects_restart = True
    now = bench.now()
    if what == "stop":
        board.ask(msg.Stop(silent=0))
    elif what == "settings":
        board.write_setting("role", 1)
    elif what == "cap":
        board.ask(msg.Throttle(channel=2, permille=250, number=number))
    elif what == "number":
        board.ask(msg.Throttle(channel=2, permille=200, number=number - 1))
    elif what == "reset":
        board.port.reset()
    elif what == "power":
        bench.power_off(Role.CRAFT)
    else:
        board.ask(msg.Output(channel=2, act=OutputAct.FORGET))
    bench.wait(0.6)
    assert last_above(esc) <= now + 0.006 + FRAME_S


@pytest.mark.harm("fed")  # the hand unit loses its supply with a jumper in place
def test_radio_silence_cuts_although_the_host_goes_on(open_sim) -> None:
    bench = open_sim("[board.hand]\n[board.craft]")
    hand, craft, esc = bench.boards[Role.HAND], bench.boards[Role.CRAFT], bench.world.boards[Role.CRAFT].escs["pulse2"]
    craft.ask(msg.LoopStart(trace=0))
    hand.ask(msg.LoopStart(trace=0))
    bench.wait(0.2)
    arm(craft, radio=1)
    number = drive(bench, craft, 1.0)
    silent = bench.now()
    bench.power_off(Role.HAND)
    drive(bench, craft, 1.0, first=number)

    assert last_above(esc) > silent
    assert last_above(esc) <= silent + 0.25 + 0.02 + FRAME_S + 0.03
    assert craft.ask(msg.GuardRead()).reason == GuardReason.SILENCE


def test_nonce_is_good_once_and_for_five_seconds(craft) -> None:
    bench, board, _ = craft
    nonce = board.ask(msg.ArmChallenge(channel=2, radio=0)).nonce
    bench.wait(5.1)
    assert board.ask(msg.Arm(channel=2, nonce=nonce, label="mudlark-craft-01", cap_permille=300)).state == GuardState.IDLE
    nonce = board.ask(msg.ArmChallenge(channel=2, radio=0)).nonce
    assert board.ask(msg.Arm(channel=2, nonce=nonce, label="mudlark-craft-02", cap_permille=300)).state == GuardState.IDLE
    assert board.ask(msg.Arm(channel=2, nonce=nonce, label="mudlark-craft-01", cap_permille=300)).state == GuardState.IDLE


def test_random_and_replayed_bytes_never_arm(craft) -> None:
    """A recorded arming played back, and frames of random bodies with right CRCs, 4000 in all."""
    bench, board, esc = craft
    port, chance = board.port, random.Random(5)
    recorded: list[bytes] = []
    original = port._put
    port._put = lambda data, time: (recorded.append(data), original(data, time))
    arm(board)
    drive(bench, board, 0.2)
    board.ask(msg.Stop(silent=0))
    port._put = original
    bench.wait(0.1)
    before = len(esc.above_idle)
    for data in recorded * 5:
        port.write(data)
        bench.wait(0.01)
    kinds = (0x38, 0x39, 0x3A, 0x33, 0x22, 0x0C)
    for n in range(4000):
        body = bytes((chance.choice(kinds),)) + n.to_bytes(2, "little") + chance.randbytes(chance.choice((2, 5, 3, 22)))
        port.write(frame(body))
        bench.wait(0.002)
        port.read_nowait()
    bench.wait(1.0)
    assert len(esc.above_idle) == before


def test_hand_units_and_servo_channels_do_not_arm(open_sim) -> None:
    bench = open_sim("[board.hand]\n[board.craft]")
    for role, channel, code in ((Role.HAND, 2, "role"), (Role.CRAFT, 1, "pin"), (Role.CRAFT, 7, "value")):
        with pytest.raises(Refused) as refused:
            bench.boards[role].ask(msg.ArmChallenge(channel=channel, radio=0))
        assert refused.value.code == code
    with pytest.raises(Refused) as refused:
        bench.boards[Role.CRAFT].ask(msg.Pulse(channel=2, width_us=1500))
    assert refused.value.code == "guarded"


def test_stop_is_taken_in_any_state_with_any_number(craft) -> None:
    bench, board, _ = craft
    board.port.write(frame(encode(msg.Stop(silent=0), 0)))
    bench.wait(0.05)
    assert board.ask(msg.GuardRead()).reason == GuardReason.STOPPED
