"""What is seen on the pins: frames, levels, other motors, droops."""

from __future__ import annotations

from itertools import pairwise

from proof_rig import LABEL, Rig, joined
from telling import IDLE_US, answer_with, live, nonce_of, reason, scenario, stays_idle

from benchctl.wire import msg
from benchctl.wire.base import Answer
from benchctl.wire.catalogue import GuardReason, GuardState


@scenario
def frames_and_levels_are_as_told(rig: Rig) -> None:
    """From pulse to pulse 20 ms, low in between, low from the start to the first pulse; other motor pins at idle."""
    rig.power_cycle()
    rig.wait(0.3)
    began = rig.now() - 0.5
    seen = [p for p in rig.pulses.all if p.rose > began]
    gaps = [b.rose - a.rose for a, b in pairwise(seen)]
    assert all(abs(gap - 0.02) < 0.0005 for gap in gaps), f"frames of {gaps}"
    assert all(abs(p.width_us - IDLE_US) <= 1 + rig.model.width_us for p in seen), "other than the idle pulse"


@scenario
def other_motors_stay_at_idle(rig: Rig) -> None:
    """Two confirmed motor outputs: while one is live the other has its idle pulse."""
    assert rig.open_wiring()
    rig.setting(96, 2, 1)  # the first output, a motor controller's too
    rig.confirm(1)
    rig.confirm(2)
    rig.ask(msg.Stop(silent=0))
    since = rig.now()
    live(rig, 200, 0.8)
    others = rig.servo.above(0, since)
    assert len(others) > 20, "no idle pulse on the other output"
    assert all(abs(p.width_us - IDLE_US) <= 2 for p in others), "the other output follows"


@scenario
def the_end_of_the_control_loop_leaves_the_condition(rig: Rig) -> None:
    """The craft's loop ends while live: no packet counts any more, so the motor goes idle."""
    rig.radio_on()
    live(rig, radio=0)
    rig.ask(msg.LoopStop())
    rig.model.hand_stopped(rig.now())
    rig.drive(150, 0.6)
    assert reason(rig) == GuardReason.SILENCE
    stays_idle(rig)


@scenario
def a_droop_keeps_off_an_armed_motor(rig: Rig) -> None:
    """Begun before, it does not go on while live; begun while live, it is refused."""
    droop = msg.Droop(load=3, source=0, first_us=1000, step_us=100, points=200, repeats=4, settle_ms=20, prescaler=6)
    assert isinstance(rig.ask(droop), msg.DroopAnswer)
    assert isinstance(rig.ask(msg.ArmChallenge(channel=2, radio=0)), msg.Refusal)
    rig.reset_line()
    rig.wait(0.1)
    nonce = nonce_of(rig)
    assert isinstance(rig.ask(droop), msg.Refusal)
    assert answer_with(rig, nonce) == GuardState.ARMED
    assert isinstance(rig.ask(droop), msg.Refusal)


@scenario
def an_answer_right_behind_its_challenge_arrives(rig: Rig) -> None:
    """No byte is lost while a challenge is being worked out: frames follow each other without a pause."""
    for _ in range(10):
        before = rig.ask(msg.Vitals()).overruns
        sent = [msg.ArmChallenge(channel=2, radio=0), msg.Arm(channel=2, nonce=1, label=LABEL, cap_permille=9)]
        heard = len(rig.heard)
        rig.send(joined(rig.frame(one) for one in (*sent, *sent)))
        rig.wait(0.02)
        assert [type(one) for one in rig.heard[heard:] if isinstance(one, Answer)] == [msg.ArmChallengeAnswer, msg.ArmAnswer] * 2
        assert rig.ask(msg.Vitals()).overruns == before
        rig.wait(0.013)


@scenario
def nonces_do_not_count_from_the_reset(rig: Rig) -> None:
    """The same question at the same moment of two lives gets two answers."""
    seen = set()
    for _ in range(4):
        rig.power_cycle()
        rig.wait(0.05)
        seen.add(nonce_of(rig))
    assert len(seen) == 4
