"""Each rule of the guard in one short story over raw frames; the rig judges every pulse on the way.

A scenario takes a rig whose craft has just been switched on and raises AssertionError. The same stories are told to the
modelled and to the compiled firmware, and to firmware with seeded defects, each of which one of them must notice.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import pytest
from guard_model import KEEP_ALIVE_S
from proof_rig import LABEL, Rig, joined, mangled

from benchctl.wire import msg
from benchctl.wire.base import Answer
from benchctl.wire.catalogue import SETTING_BY_NAME, GuardReason, GuardState, OutputAct
from benchctl.wire.messages import Msg

Scenario = Callable[[Rig], None]
SCENARIOS: dict[str, Scenario] = {}
IDLE_US = 1000


def scenario(function: Scenario) -> Scenario:
    SCENARIOS[function.__name__.replace("_", " ")] = function
    return function


# ---------------------------------------------------------------------- telling


def live(rig: Rig, permille: int = 150, seconds: float = 0.5, radio: int = 0) -> None:
    """Armed the right way, and above idle on the pin."""
    assert rig.arm(radio), "the right answer does not arm"
    since = rig.now()
    rig.drive(permille, seconds)
    assert rig.pulses.above(IDLE_US, since), "armed and asked, yet no pulse above idle"


def state(rig: Rig) -> GuardState:
    answer = rig.ask(msg.GuardRead())
    assert answer is not None
    return GuardState(answer.state)


def reason(rig: Rig) -> GuardReason:
    answer = rig.ask(msg.GuardRead())
    assert answer is not None
    return GuardReason(answer.reason)


def stays_idle(rig: Rig) -> None:
    """Throttle has no effect: it has to be armed anew."""
    since = rig.now()
    for _ in range(5):
        rig.throttle(100)
        rig.wait(0.02)
    assert state(rig) < GuardState.ARMED
    assert not rig.pulses.above(IDLE_US, since)


def nonce_of(rig: Rig, radio: int = 0) -> int:
    answer = rig.ask(msg.ArmChallenge(channel=2, radio=radio))
    assert answer is not None
    assert isinstance(answer, msg.ArmChallengeAnswer)
    return int(answer.nonce)


def answer_with(rig: Rig, nonce: int, label: str = LABEL, channel: int = 2, cap: int = 300) -> GuardState:
    answer = rig.ask(msg.Arm(channel=channel, nonce=nonce & 0xFFFFFFFF, label=label, cap_permille=cap))
    assert answer is not None
    rig.throttle_number = 0
    return GuardState(answer.state)


def setting(rig: Rig, name: str, value: int) -> Msg | None:
    row = SETTING_BY_NAME[name]
    return rig.setting(row.key, value, 1 if row.type == "u8" else 2)


# ---------------------------------------------------------------------- arming


@scenario
def the_right_way_works(rig: Rig) -> None:
    before = len(rig.pulses.all)
    rig.wait(0.1)
    assert len(rig.pulses.all) >= before + 4, "no idle pulse"
    live(rig, 200, 0.8)
    rig.ask(msg.Stop(silent=0))
    assert state(rig) == GuardState.IDLE


@scenario
def a_wrong_nonce_does_not_arm(rig: Rig) -> None:
    for change in (1, 0x8000_0000, 0xFFFF_FFFF):
        assert answer_with(rig, nonce_of(rig) ^ change) < GuardState.ARMED
    assert answer_with(rig, 0) < GuardState.ARMED
    stays_idle(rig)


@scenario
def no_challenge_no_arming(rig: Rig) -> None:
    for nonce in (0, 1, 0xFFFF_FFFF, 12345):
        assert answer_with(rig, nonce) < GuardState.ARMED
    stays_idle(rig)


@scenario
def a_challenge_is_used_up_by_a_wrong_answer(rig: Rig) -> None:
    nonce = nonce_of(rig)
    answer_with(rig, nonce ^ 1)
    assert answer_with(rig, nonce) < GuardState.ARMED
    stays_idle(rig)


@scenario
def a_challenge_is_used_up_by_the_right_answer(rig: Rig) -> None:
    nonce = nonce_of(rig)
    assert answer_with(rig, nonce) >= GuardState.ARMED
    rig.ask(msg.Stop(silent=0))
    assert answer_with(rig, nonce) < GuardState.ARMED
    stays_idle(rig)


@scenario
def another_label_does_not_arm(rig: Rig) -> None:
    for label in ("mudlark-craft-02", "", "mudlark-craft-0", "Mudlark-craft-01"):
        assert answer_with(rig, nonce_of(rig), label) < GuardState.ARMED
    stays_idle(rig)


@scenario
def another_channel_does_not_arm(rig: Rig) -> None:
    assert answer_with(rig, nonce_of(rig), channel=1) < GuardState.ARMED
    refused = rig.ask(msg.ArmChallenge(channel=1, radio=0))  # a servo's
    assert refused is not None
    assert isinstance(refused, msg.Refusal)
    stays_idle(rig)


@scenario
def a_challenge_ends_after_five_seconds(rig: Rig) -> None:
    nonce = nonce_of(rig)
    rig.wait(5.1)
    assert answer_with(rig, nonce) < GuardState.ARMED
    stays_idle(rig)


@scenario
def two_challenges_differ(rig: Rig) -> None:
    assert len({nonce_of(rig) for _ in range(8)}) == 8


# ---------------------------------------------------------------------- what ends it


@scenario
def a_silent_host_ends_it(rig: Rig) -> None:
    """From the last request to the last pulse above idle: 250 ms, a frame and a millisecond."""
    live(rig)
    rig.throttle(150)
    last = rig.now()
    rig.wait(0.6)
    assert max(p.rose for p in rig.pulses.above(IDLE_US)) <= last + 0.251
    assert reason(rig) == GuardReason.KEEP_ALIVE
    stays_idle(rig)


@scenario
def a_stop_ends_it_within_a_frame(rig: Rig) -> None:
    live(rig)
    rig.ask(msg.Stop(silent=0))
    stays_idle(rig)


@scenario
def above_the_cap_ends_it(rig: Rig) -> None:
    live(rig)
    rig.throttle(201)
    stays_idle(rig)


@scenario
def no_cap_above_thirty_percent(rig: Rig) -> None:
    answer = setting(rig, "cap_permille", 301)
    assert answer is not None
    assert isinstance(answer, msg.Refusal)
    rig.settle(SETTING_BY_NAME["cap_permille"].key, 300, 2)
    assert rig.arm()
    rig.drive(300, 0.1)
    rig.throttle(301)
    stays_idle(rig)


@scenario
def a_repeated_number_ends_it(rig: Rig) -> None:
    live(rig)
    rig.throttle(150, rig.throttle_number)
    stays_idle(rig)


@scenario
def an_older_number_ends_it(rig: Rig) -> None:
    live(rig)
    rig.throttle(150, rig.throttle_number - 1)
    rig.throttle_number += 5
    stays_idle(rig)


@scenario
def a_damaged_request_is_none(rig: Rig) -> None:
    """Damaged keep-alives do not keep alive."""
    live(rig)
    rig.throttle(150)
    last = rig.now()
    for _ in range(30):
        rig.throttle_number += 1
        wire = rig.frame(msg.Throttle(channel=2, permille=150, number=rig.throttle_number))
        rig.send(mangled(wire, rig.chance))
        rig.wait(0.02)
    assert max(p.rose for p in rig.pulses.above(IDLE_US)) <= last + 0.251
    stays_idle(rig)


@scenario
def another_channels_throttle_ends_it(rig: Rig) -> None:
    live(rig)
    rig.ask(msg.Throttle(channel=1, permille=100, number=rig.throttle_number + 1))
    rig.throttle_number += 2
    stays_idle(rig)


GUARDED = {"cap_permille": 300, "slew_permille_s": 1000, "silence_ms": 5000, "frame_us": 2500, "idle_us": 1200,
           "full_us": 2200, "neutral_us": 1600, "rest2_us": 1200, "full2_us": 2200}  # fmt: skip


@scenario
def what_the_pin_can_emit_is_not_written_as_other_settings_are(rig: Rig) -> None:
    """At rest, challenged and live: refused, and nothing on the pin changes; the live motor goes on."""
    for name, value in GUARDED.items():
        assert isinstance(setting(rig, name, value), msg.Refusal), name
    for key, value in ((97, 1), (97, 3), (69, 0x12), (70, 0x11)):
        assert isinstance(rig.setting(key, value, 1), msg.Refusal)
    assert isinstance(rig.ask(msg.SettingsDefault()), msg.Refusal)
    nonce_of(rig)
    assert isinstance(setting(rig, "idle_us", 1200), msg.Refusal)
    live(rig)
    assert isinstance(setting(rig, "idle_us", 1200), msg.Refusal)
    rig.drive(150, 0.1)
    assert state(rig) == GuardState.LIVE
    rig.wait(0.4)


@scenario
def new_wiring_ends_it(rig: Rig) -> None:
    live(rig)
    rig.setting(64, 0x34, 1)  # the LED's pin, the same as before
    stays_idle(rig)
    live(rig)
    setting(rig, "role", 0)
    since = rig.now()
    rig.wait(0.1)
    assert not rig.pulses.above(0, since), "a hand unit drives no motor"


@scenario
def cut_pulses_leave_no_wide_one(rig: Rig) -> None:
    """New wiring at any moment of the frame, also within a pulse: the rig judges the pulses after it, and that the pin falls."""
    for n in range(30):
        rig.wait(0.0113 + 0.0007 * n)
        rig.setting(64, 0x34, 1)


@scenario
def a_pulse_that_is_cut_falls(rig: Rig) -> None:
    """A stop that silences, and a role without outputs, within a pulse: it ends in time, none is left high."""
    for n in range(10):
        for end, quiet in ((lambda: rig.ask(msg.Stop(silent=1)), 0.14), (lambda: setting(rig, "role", 0), 0.03)):
            if not rig.pulses.all or rig.now() - rig.pulses.all[-1].rose > 0.05:
                nonce_of(rig)  # idle pulses again
                rig.ask(msg.Stop(silent=0))
                rig.wait(0.05)
            frame_s = 0.02
            into = (rig.now() - rig.pulses.all[-1].rose) % frame_s
            rig.wait(2 * frame_s - into - 0.0018 + 0.00025 * n)
            end()
            rig.wait(quiet)
            seen = len(rig.pulses.all)
            rig.wait(0.05)
            assert len(rig.pulses.all) == seen, "pulses go on"
        setting(rig, "role", 1)
        rig.settle(SETTING_BY_NAME["slew_permille_s"].key, 200, 2)
        rig.wait(0.05)


# ---------------------------------------------------------------------- wiring


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


# ---------------------------------------------------------------------- the pins


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


# ---------------------------------------------------------------------- cap and slew


@scenario
def throttle_rises_no_faster_than_the_slew(rig: Rig) -> None:
    rig.settle(SETTING_BY_NAME["slew_permille_s"].key, 100, 2)
    live(rig, 200, 1.0)
    since = rig.now() - 1.0
    widest = max(p.width_us for p in rig.pulses.above(IDLE_US, since))
    assert widest == pytest.approx(IDLE_US + 100.0, abs=8.0)


@scenario
def throttle_falls_at_once(rig: Rig) -> None:
    live(rig, 200, 0.8)
    rig.drive(10, 0.2)


@scenario
def arming_anew_begins_at_idle(rig: Rig) -> None:
    live(rig, 200, 0.8)
    rig.ask(msg.Stop(silent=0))
    live(rig, 200, 0.2)
    rig.throttle(0)
    rig.drive(200, 0.2)


# ---------------------------------------------------------------------- radio


@scenario
def radio_silence_ends_it(rig: Rig) -> None:
    rig.radio_on()
    live(rig, radio=1)
    rig.radio_off()
    since = rig.now()
    rig.drive(150, 0.6)
    assert max(p.rose for p in rig.pulses.above(IDLE_US)) <= since + 0.253
    assert reason(rig) == GuardReason.SILENCE
    stays_idle(rig)


@scenario
def packets_of_another_pair_are_none(rig: Rig) -> None:
    """A hand unit sends under another pair's number, from the start or from now on: for this craft the radio is silent."""
    row = SETTING_BY_NAME["pair_number"]
    other, own = (int(row.default) + 1) % 256, int(row.default)
    rig.hand.write_setting("pair_number", other)
    rig.radio_on()
    assert rig.arm(radio=1)
    since = rig.now()
    rig.drive(150, 0.6)
    assert max((p.rose for p in rig.pulses.above(IDLE_US, since)), default=since) <= since + 0.26
    assert reason(rig) == GuardReason.SILENCE
    rig.radio_off()
    rig.hand.write_setting("pair_number", own)
    rig.hand.ask(msg.LoopStart(trace=0), timeout=0.5)
    rig.wait(0.3)
    live(rig, radio=1)
    rig.radio_off()
    since = rig.now()
    rig.hand.write_setting("pair_number", other)
    rig.hand.ask(msg.LoopStart(trace=0), timeout=0.5)
    rig.drive(150, 0.6)
    rig.hand.ask(msg.LoopStop(), timeout=0.5)
    rig.hand.write_setting("pair_number", own)
    assert max(p.rose for p in rig.pulses.above(IDLE_US)) <= since + 0.26
    assert reason(rig) == GuardReason.SILENCE


@scenario
def a_radio_that_never_spoke_ends_it(rig: Rig) -> None:
    assert rig.arm(radio=1)
    rig.drive(150, 0.6)
    stays_idle(rig)


@scenario
def the_control_loop_makes_the_radio_a_condition(rig: Rig) -> None:
    rig.radio_on()
    live(rig, radio=0)
    rig.radio_off()
    rig.drive(150, 0.6)
    assert reason(rig) == GuardReason.SILENCE
    stays_idle(rig)


# ---------------------------------------------------------------------- past the guard, resets


@scenario
def no_request_goes_past_the_guard(rig: Rig) -> None:
    for request in (msg.Pulse(channel=2, width_us=1500), msg.Pin(function=6, mode=3)):
        answer = rig.ask(request)
        assert answer is not None
        assert isinstance(answer, msg.Refusal), request
        rig.wait(0.05)


@scenario
def every_reset_means_idle(rig: Rig) -> None:
    for reset in (rig.reset_line, rig.brown_out, rig.power_cycle, lambda: rig.ask(msg.Restart())):
        live(rig, seconds=0.3)
        reset()
        rig.wait(0.2)
        stays_idle(rig)


@scenario
def a_nonce_does_not_outlive_a_reset(rig: Rig) -> None:
    nonce = nonce_of(rig)
    rig.reset_line()
    rig.wait(0.1)
    assert answer_with(rig, nonce) < GuardState.ARMED


@scenario
def restarts_draw_no_pulse_out(rig: Rig) -> None:
    """Restarts at any moment of the frame: the rig judges the pulse they meet."""
    for n in range(12):
        rig.wait(0.05 + 0.0017 * n)
        rig.ask(msg.Restart())
        rig.wait(0.1)
