"""The host's drive against a craft that does not do what it should: scripted answers behind the real port contract."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import pairwise
from typing import Any

import pytest
from helpers import BOOT, IDENTIFY, Collected, FakeBench, Script, answer, event, refusal
from hostile import Willing

from benchctl.errors import NoAnswer, PortLost, Restarted
from benchctl.events import OutputsLive
from benchctl.safety.attesting import attest_all
from benchctl.safety.drive import KEEP_ALIVE_S, Drive, GuardDropped
from benchctl.safety.interlock import Locked, State
from benchctl.stages.contract import Context
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import Error, GuardReason, GuardState
from benchctl.wire.messages import Msg

GUARD = {"state": 0, "reason": 0, "width_us": 1000, "cap_permille": 200, "silence_ms": 250, "age_ms": 0,
         "radio_age_ms": 0, "confirmed": 0b11, "silent": 0}  # fmt: skip


class Craft:
    """A craft's guard by the book, apart from what a test changes: `arms` is its state after the arm request."""

    def __init__(self) -> None:
        self.arms: int | None = GuardState.ARMED
        self.live: dict[str, int] = {"state": GuardState.LIVE, "reason": 0, "width_us": 1040}
        self.idle = GuardState.IDLE
        self.most = 300  # its own cap, which an arming may only lower

    def __call__(self, asked: Msg) -> Iterable[bytes]:
        if isinstance(asked, msg.Identify):
            return [answer(asked, **{**IDENTIFY, "role": 1, "label": "mudlark-craft-01"})]
        if isinstance(asked, msg.GuardRead):
            return [answer(asked, **{**GUARD, "state": self.idle})]
        if isinstance(asked, msg.ArmChallenge):
            return [answer(asked, nonce=0xABCD0000, state=GuardState.CHALLENGED)]
        if isinstance(asked, msg.Arm):
            return self.arm(asked)
        if isinstance(asked, msg.Throttle):
            return [answer(asked, **self.live)]
        return [answer(asked, state=0) if isinstance(asked, msg.Stop) else answer(asked)]

    def arm(self, asked: msg.Arm) -> Iterable[bytes]:
        if self.arms is None:
            return [refusal(asked, Error.GUARDED)]
        return [answer(asked, state=self.arms, cap_permille=min(asked.cap_permille, self.most))]


@pytest.fixture
def rig() -> Callable[..., tuple[Drive, FakeBench, Collected]]:
    def make(craft: Craft, hand: Script | None = None) -> tuple[Drive, FakeBench, Collected]:
        scripts: dict[Role, Script] = {Role.CRAFT: craft, **({Role.HAND: hand} if hand else {})}
        bench, heard = FakeBench(scripts), Collected()
        bench.operator = Willing(bench.ports)
        bench.boards[Role.CRAFT].identify()
        ctx = Context("ramp", bench, {}, {}, heard)
        assert attest_all(ctx, ctx.interlock) == ""
        return Drive(ctx, ctx.interlock, Role.CRAFT, 2), bench, heard

    return make


def asked(bench: FakeBench, kind: str) -> list[Any]:
    return [m for m in bench.ports[Role.CRAFT].asked if kind == m.NAME]


def test_a_board_that_does_not_arm_is_disarmed_and_said_so(rig) -> None:
    craft = Craft()
    craft.arms = GuardState.IDLE
    drive, bench, heard = rig(craft)

    with pytest.raises(GuardDropped) as caught:
        drive.arm()
    assert str(caught.value) == "the craft board did not arm (idle)"
    assert caught.value.reason == "bad arm"
    assert [m.silent for m in asked(bench, "stop")] == [0]
    assert drive.interlock.state is State.SAFE
    assert [e.live for e in heard.of(OutputsLive)] == [True, False]  # as its answer to the stop says
    with pytest.raises(Locked):
        drive.throttle(50)


def test_live_is_told_before_the_board_is_asked_to_arm(rig) -> None:
    craft, order = Craft(), []
    drive, bench, heard = rig(craft)
    drive.access.emit = lambda e: order.append(("said", len(asked(bench, "arm")))) or heard(e)
    drive.arm()

    assert order == [("said", 0)]
    assert "up to 20 % throttle" in heard.of(OutputsLive)[0].text
    assert heard.of(OutputsLive)[0].cap == pytest.approx(0.2)


def test_holding_keeps_alive_and_does_what_is_to_be_done_meanwhile(rig) -> None:
    """A request at least every 60 ms (the board's keep-alive lapses after 250), and none after the time is over."""
    drive, bench, _ = rig(Craft())
    assert drive.width_us == 0
    drive.arm()
    times: list[float] = []
    began = bench.now()
    drive.hold_throttle(40, 0.5, meanwhile=lambda: times.append(bench.now()))

    sent = asked(bench, "throttle")
    assert len(sent) == len(times) + 1
    assert max(b - a for a, b in pairwise(times)) < KEEP_ALIVE_S + 0.01
    assert [m.fields["number"] for m in sent] == list(range(1, len(sent) + 1))
    assert {m.permille for m in sent} == {40}
    assert drive.width_us == 1040
    assert times[-1] + KEEP_ALIVE_S + 0.01 >= 0.5
    assert bench.now() - began == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize(("arms", "good"), [(None, True), (GuardState.IDLE, True), (GuardState.ARMED, False)])
def test_a_wrong_answer_must_not_arm(rig, arms: int | None, good: bool) -> None:
    """Refused or idle is right; a board that arms with a wrong nonce is found out, and disarmed."""
    craft = Craft()
    craft.arms = arms
    drive, bench, _ = rig(craft)

    assert drive.refuses_wrong_nonce() is good
    assert asked(bench, "arm_challenge")[0].radio == 0
    assert asked(bench, "arm")[0].nonce == 0xABCD0001
    assert asked(bench, "stop")[-1].silent == 0
    assert drive.interlock.state is State.SAFE


def test_a_wrong_answer_after_which_the_guard_is_not_idle_is_no_refusal(rig) -> None:
    craft = Craft()
    craft.arms = None
    drive, _, _ = rig(craft)
    drive.interlock.saw_idle(Role.CRAFT)
    craft.idle = GuardState.ARMED

    assert drive.refuses_wrong_nonce() is False


def test_silence_sends_nothing_more_and_starts_over(rig) -> None:
    """How the board cuts by itself is measured by saying nothing, not even stop."""
    drive, bench, heard = rig(Craft())
    drive.arm()
    drive.throttle(40)
    before = len(bench.ports[Role.CRAFT].asked)
    drive.silence()

    assert len(bench.ports[Role.CRAFT].asked) == before
    assert not drive.interlock.may_move
    assert [e.live for e in heard.of(OutputsLive)] == [True, True]  # nothing is known of its pulse yet
    assert "by itself" in heard.of(OutputsLive)[-1].text
    with pytest.raises(Locked):
        drive.throttle(40)
    drive.read_guard()
    drive.disarm()

    assert [e.live for e in heard.of(OutputsLive)] == [True, True, False]


def test_a_guard_that_went_idle_names_its_reason(rig) -> None:
    craft = Craft()
    drive, _, heard = rig(craft)
    drive.arm()
    craft.live = {"state": GuardState.IDLE, "reason": GuardReason.KEEP_ALIVE, "width_us": 1000}

    with pytest.raises(GuardDropped, match="went idle: keep alive") as caught:
        drive.throttle(40)
    assert caught.value.reason == "keep alive"
    assert heard.of(OutputsLive)[-1].live is False
    assert drive.interlock.state is State.SAFE


def test_disarming_what_was_never_live_says_nothing(rig) -> None:
    drive, bench, heard = rig(Craft())
    drive.disarm()

    assert len(asked(bench, "stop")) == 1
    assert heard.of(OutputsLive) == []


def test_a_silent_craft_gets_one_throttle_request_and_no_more(rig) -> None:
    craft = Craft()
    drive, bench, _ = rig(craft)
    drive.arm()
    bench.ports[Role.CRAFT].script = lambda asked: ()
    began = bench.now()

    with pytest.raises(NoAnswer):
        drive.throttle(40)
    assert len(asked(bench, "throttle")) == 1
    assert bench.now() - began == pytest.approx(0.1)


@pytest.mark.parametrize("how", ["lost", "restarted"])
def test_no_throttle_without_the_boards_along_with_it(rig, how: str) -> None:
    """A hand unit that is gone, or has restarted, is found out before the next request, not after it."""
    drive, bench, _ = rig(Craft(), hand=lambda asked: [])
    drive.along.add(Role.HAND)
    drive.arm()
    drive.throttle(40)
    before = len(asked(bench, "throttle"))
    if how == "lost":
        bench.ports[Role.HAND].lost = True
    else:
        bench.ports[Role.HAND].push(event(msg.Boot(**BOOT), 0))
        bench.wait(0.01)

    with pytest.raises(PortLost if how == "lost" else Restarted):
        drive.throttle(40)
    assert len(asked(bench, "throttle")) == before
    drive.along.discard(Role.HAND)
    drive.throttle(40)


@pytest.mark.parametrize(("cap", "permille"), [(0.1236, 124), (0.1234, 123), (0.2, 200)])
def test_the_board_is_told_the_nearest_cap(rig, cap: float, permille: int) -> None:
    drive, bench, _ = rig(Craft())
    drive.interlock.set_cap(cap)
    drive.arm()

    assert [m.cap_permille for m in asked(bench, "arm")] == [permille]
    assert not asked(bench, "setting_write")
    drive.throttle(permille)
    with pytest.raises(Locked):
        drive.throttle(permille + 1)


def test_a_board_that_arms_with_less_than_was_asked_for_is_disarmed_and_said_so(rig) -> None:
    """Above its own cap it would go idle in the middle of a measurement."""
    craft = Craft()
    craft.most = 199
    drive, bench, heard = rig(craft)

    with pytest.raises(GuardDropped, match=r"own cap is 19\.9 %, 20 % is asked for") as caught:
        drive.arm()
    assert caught.value.reason == "cap"
    assert [m.silent for m in asked(bench, "stop")] == [0]
    assert drive.interlock.state is State.SAFE
    assert [e.live for e in heard.of(OutputsLive)] == [True, False]


def test_time_never_goes_back_when_what_is_done_meanwhile_takes_long(rig, monkeypatch: pytest.MonkeyPatch) -> None:
    drive, bench, _ = rig(Craft())
    drive.arm()
    waits: list[float] = []
    monkeypatch.setattr(drive.access, "wait", lambda seconds: waits.append(seconds) or bench.wait(seconds))
    drive.hold_throttle(40, 0.1, meanwhile=lambda: bench.wait(0.2))

    assert len(waits) == 1
    assert min(waits) > 0
