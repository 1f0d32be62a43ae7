"""What may be changed, tried, confirmed and taught, and when."""

from __future__ import annotations

from itertools import pairwise

import pytest
from guard_model import KEEP_ALIVE_S
from proof_rig import Rig
from telling import IDLE_US, answer_with, live, nonce_of, scenario, setting, state, stays_idle

from benchctl.wire import msg
from benchctl.wire.catalogue import SETTING_BY_NAME, GuardState, OutputAct
from benchctl.wire.messages import Msg


@scenario
def wiring_is_opened_by_its_own_challenge_only(rig: Rig) -> None:
    """A motor's nonce, no nonce, another label, and never while armed: what can be emitted stays as it is."""
    assert answer_with(rig, nonce_of(rig), channel=0) == GuardState.IDLE
    assert answer_with(rig, 12345, channel=0) == GuardState.IDLE
    answer = rig.ask(msg.ArmChallenge(channel=0, radio=0))
    assert answer_with(rig, answer.nonce ^ 1, channel=0) == GuardState.IDLE
    answer = rig.ask(msg.ArmChallenge(channel=0, radio=0))
    assert answer_with(rig, answer.nonce, "mudlark-craft-02", channel=0) == GuardState.IDLE
    answer = rig.ask(msg.ArmChallenge(channel=0, radio=0))
    assert answer_with(rig, answer.nonce, channel=2) == GuardState.IDLE
    live(rig)
    assert isinstance(rig.ask(msg.ArmChallenge(channel=0, radio=0)), msg.Refusal)
    assert isinstance(setting(rig, "idle_us", 1200), msg.Refusal)
    rig.drive(100, 0.1)
    assert state(rig) == GuardState.LIVE


@scenario
def a_changed_output_is_silent_until_it_was_tried_and_confirmed(rig: Rig) -> None:
    """Not on leaving, not by a stop, a pause that ends, a restart or a nonce; after it was seen, idle as told."""
    assert rig.open_wiring()
    assert not isinstance(setting(rig, "idle_us", 900), msg.Refusal)
    assert isinstance(rig.ask(msg.Output(channel=2, act=OutputAct.CONFIRM)), msg.Refusal), "confirmed unseen"
    rig.wait(0.2)
    rig.ask(msg.Stop(silent=0))
    since = rig.now()
    rig.ask(msg.Load(load=3, on=0, strength=0))
    rig.ask(msg.Load(load=3, on=1, strength=0))
    rig.wait(0.2)
    assert isinstance(rig.ask(msg.ArmChallenge(channel=2, radio=0)), msg.Refusal)
    rig.ask(msg.SettingsSave())
    rig.wait(0.8)  # 3.4 ms a byte
    rig.model.saved, rig.model.saved_confirmed = dict(rig.model.settings), rig.model.confirmed
    rig.reset_line()
    rig.wait(0.2)
    assert not rig.pulses.above(0, since), "an output that was changed is not silent"
    rig.settle(SETTING_BY_NAME["slew_permille_s"].key, 200, 2)
    rig.wait(0.1)
    assert rig.pulses.all[-1].width_us == pytest.approx(900, abs=1 + rig.model.width_us)
    rig.settle(SETTING_BY_NAME["idle_us"].key, 1000, 2)
    rig.ask(msg.SettingsSave())
    rig.wait(0.8)  # 3.4 ms a byte
    rig.model.saved, rig.model.saved_confirmed = dict(rig.model.settings), rig.model.confirmed


@scenario
def while_the_wiring_is_open_everything_is_silent(rig: Rig) -> None:
    assert rig.open_wiring()
    since = rig.now()
    rig.ask(msg.Load(load=3, on=1, strength=0))
    rig.ask(msg.Pulse(channel=1, width_us=2000))
    rig.wait(0.3)
    assert not rig.pulses.above(0, since + 0.03)
    assert not rig.servo.above(0, since + 0.03), "a servo output is not silent"
    rig.ask(msg.Output(channel=1, act=OutputAct.TRY))
    rig.wait(0.7)
    tried = rig.servo.above(0, since + 0.03)
    assert 22 <= len(tried) <= 27, f"{len(tried)} pulses in half a second"
    assert all(abs(p.width_us - 1500) <= 52 for p in tried)
    rig.ask(msg.Stop(silent=0))
    rig.wait(0.1)


@scenario
def a_forgotten_output_falls_silent(rig: Rig) -> None:
    """At rest, challenged and live."""
    for begin in (lambda: None, lambda: nonce_of(rig), lambda: live(rig)):
        begin()
        assert not isinstance(rig.ask(msg.Output(channel=2, act=OutputAct.FORGET)), msg.Refusal)
        since = rig.now()
        rig.wait(0.2)
        assert not rig.pulses.above(0, since), "a forgotten output has pulses"
        rig.settle(SETTING_BY_NAME["slew_permille_s"].key, 200, 2)
        rig.wait(0.1)


def lesson(rig: Rig, unheard: float = 2.52) -> Msg | None:
    """Full stands, as at the beginning of teaching a controller, which gets its battery under it."""
    rig.board.plug_motor(False, rig.now())
    assert rig.open_wiring()
    rig.wait(unheard)
    answer = rig.ask(msg.Output(channel=2, act=OutputAct.FULL))
    rig.board.plug_motor(True, rig.now())
    rig.wait(0.1)
    return answer


@scenario
def end_points_are_shown_on_and_never_back(rig: Rig) -> None:
    """Full, idle, and no full after it; idle goes on without a gap when the lesson is over."""
    assert rig.open_wiring()
    rig.wait(2.6)
    assert isinstance(rig.ask(msg.Output(channel=2, act=OutputAct.REST)), msg.Refusal)
    rig.ask(msg.Output(channel=2, act=OutputAct.TRY))
    rig.wait(0.55)
    assert isinstance(rig.ask(msg.Output(channel=2, act=OutputAct.FULL)), msg.Refusal)
    rig.ask(msg.Stop(silent=0))
    assert isinstance(lesson(rig), msg.OutputAnswer)
    assert isinstance(rig.ask(msg.Output(channel=2, act=OutputAct.BACKWARD)), msg.Refusal)
    rig.wait(0.1)
    assert rig.pulses.all[-1].width_us == pytest.approx(2000, abs=1.5)
    rig.ask(msg.Output(channel=2, act=OutputAct.REST))
    rig.wait(0.1)
    since = rig.now()
    assert isinstance(rig.ask(msg.Output(channel=2, act=OutputAct.FULL)), msg.Refusal)
    rig.wait(0.1)
    rig.ask(msg.Stop(silent=0))
    rig.wait(0.1)
    after = [p for p in rig.pulses.all if p.rose >= since - 0.02]
    assert all(p.width_us == pytest.approx(IDLE_US, abs=1.5) for p in after)
    assert all(b.rose - a.rose < 0.021 for a, b in pairwise(after))


@scenario
def full_is_shown_after_silence_and_in_the_wiring_only(rig: Rig) -> None:
    """Never at rest, armed, live, too early, after the lesson has been stopped, or to what is not confirmed."""
    full = msg.Output(channel=2, act=OutputAct.FULL)
    assert isinstance(rig.ask(full), msg.Refusal)
    assert isinstance(lesson(rig, 2.4), msg.Refusal)
    rig.ask(msg.Stop(silent=0))
    live(rig)
    assert isinstance(rig.ask(full), msg.Refusal)
    rig.ask(msg.Stop(silent=0))
    lesson(rig)
    rig.ask(msg.Stop(silent=0))
    assert isinstance(rig.ask(full), msg.Refusal)
    rig.wait(0.1)
    assert rig.open_wiring()
    rig.setting(SETTING_BY_NAME["idle_us"].key, 1100, 2)
    rig.wait(2.6)
    assert isinstance(rig.ask(full), msg.Refusal)


@scenario
def full_that_ends_otherwise_than_in_idle_leaves_no_pulse(rig: Rig) -> None:
    """By a stop, by silence, by another output's try: none, until it is armed or wired anew."""
    for how in ("stop", "late", "try"):
        assert isinstance(lesson(rig), msg.OutputAnswer)
        since = rig.now()
        if how == "stop":
            rig.ask(msg.Stop(silent=0))
        elif how == "try":
            rig.ask(msg.Output(channel=2, act=OutputAct.TRY))
            rig.wait(0.55)
            rig.ask(msg.Stop(silent=0))
            continue
        rig.wait(0.6)
        last = rig.pulses.all[-1].rose
        assert last - since < (0.022 if how == "stop" else KEEP_ALIVE_S - 0.1 + 0.025)
        assert rig.arm()
        rig.wait(0.05)
        assert rig.pulses.all[-1].width_us == pytest.approx(IDLE_US, abs=1.5)
        rig.ask(msg.Stop(silent=0))


@scenario
def a_servo_not_confirmed_takes_no_movement(rig: Rig) -> None:
    rig.ask(msg.Output(channel=1, act=OutputAct.FORGET))
    since = rig.now()
    assert isinstance(rig.ask(msg.Pulse(channel=1, width_us=1500)), msg.Refusal)
    assert isinstance(rig.ask(msg.Load(load=2, on=1, strength=100)), msg.Refusal)
    rig.radio_on()
    rig.wait(0.3)
    assert not rig.servo.above(0, since)


@scenario
def a_stop_that_silences_ends_the_pulses(rig: Rig) -> None:
    """Idle first, none from then on, whatever load is switched; a new challenge brings the idle pulse back."""
    live(rig)
    rig.ask(msg.Stop(silent=1))
    at = rig.now()
    rig.wait(0.5)
    seen = rig.pulses.above(0, at)
    assert 3 <= len(seen) <= 7, f"{len(seen)} pulses after a stop that silences"
    rig.ask(msg.Load(load=3, on=1, strength=0))
    rig.wait(0.2)
    assert len(rig.pulses.above(0, at)) == len(seen)
    live(rig)


@scenario
def each_arming_has_its_own_cap(rig: Rig) -> None:
    """A later one inherits nothing, in neither direction."""
    for asked in (100, 300, 50):
        nonce = nonce_of(rig)
        assert answer_with(rig, nonce, cap=asked) == GuardState.ARMED
        rig.drive(min(asked, 200), 0.1)
        rig.throttle(min(asked, 200) + 1)
        stays_idle(rig)
