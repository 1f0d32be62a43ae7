"""What arms, and what ends it; throttle, radio and resets."""

from __future__ import annotations

import pytest
from proof_rig import Rig, mangled
from telling import IDLE_US, answer_with, live, nonce_of, reason, scenario, setting, state, stays_idle

from benchctl.wire import msg
from benchctl.wire.catalogue import SETTING_BY_NAME, GuardReason, GuardState


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
