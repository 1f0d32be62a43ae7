"""Each rule of the guard in one short story over raw frames; the rig judges every pulse on the way.

A scenario takes a rig whose craft has just been switched on and raises AssertionError. The same stories are told to the
modelled and to the compiled firmware, and to firmware with seeded defects, each of which one of them must notice.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from proof_rig import LABEL, Rig, mangled

from benchctl.wire.catalogue import SETTING_BY_NAME, GuardReason, GuardState
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
    answer = rig.ask("guard_read")
    assert answer is not None
    return GuardState(answer.state)


def reason(rig: Rig) -> GuardReason:
    answer = rig.ask("guard_read")
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
    answer = rig.ask("arm_challenge", channel=2, radio=radio)
    assert answer is not None
    assert answer.kind == "arm_challenge_answer"
    return int(answer.nonce)


def answer_with(rig: Rig, nonce: int, label: str = LABEL, channel: int = 2) -> GuardState:
    answer = rig.ask("arm", channel=channel, nonce=nonce & 0xFFFFFFFF, label=label)
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
    rig.ask("stop")
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
    rig.ask("stop")
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
    refused = rig.ask("arm_challenge", channel=1, radio=0)  # a servo's
    assert refused is not None
    assert refused.kind == "refusal"
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
    rig.ask("stop")
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
    assert answer.kind == "refusal"
    setting(rig, "cap_permille", 300)
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
        wire = rig.frame("throttle", channel=2, permille=150, number=rig.throttle_number)
        rig.send(mangled(wire, rig.chance))
        rig.wait(0.02)
    assert max(p.rose for p in rig.pulses.above(IDLE_US)) <= last + 0.251
    stays_idle(rig)


@scenario
def another_channels_throttle_ends_it(rig: Rig) -> None:
    live(rig)
    rig.ask("throttle", channel=1, permille=100, number=rig.throttle_number + 1)
    rig.throttle_number += 2
    stays_idle(rig)


@scenario
def new_settings_end_it(rig: Rig) -> None:
    for name, value in (("cap_permille", 200), ("slew_permille_s", 500), ("silence_ms", 300), ("frame_us", 10000),
                        ("idle_us", 1000), ("full_us", 1900)):  # fmt: skip
        live(rig, seconds=0.2)
        setting(rig, name, value)
        stays_idle(rig)


@scenario
def new_wiring_ends_it(rig: Rig) -> None:
    live(rig)
    rig.setting(97, 2, 1)  # the same kind as before
    stays_idle(rig)
    live(rig)
    setting(rig, "role", 0)
    since = rig.now()
    rig.wait(0.1)
    assert not rig.pulses.above(0, since), "a hand unit drives no motor"


@scenario
def cut_pulses_leave_no_wide_one(rig: Rig) -> None:
    """New wiring at any moment of the frame: the rig judges the pulses after it."""
    for n in range(30):
        rig.wait(0.0113 + 0.0007 * n)
        setting(rig, "slew_permille_s", 200 + n)


# ---------------------------------------------------------------------- cap and slew


@scenario
def throttle_rises_no_faster_than_the_slew(rig: Rig) -> None:
    setting(rig, "slew_permille_s", 100)
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
    rig.ask("stop")
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
    for kind, fields in (
        ("pulse", {"channel": 2, "width_us": 1500}),
        ("pin", {"function": 6, "mode": 3}),
    ):
        answer = rig.ask(kind, **fields)
        assert answer is not None
        assert answer.kind == "refusal", kind
        rig.wait(0.05)


@scenario
def every_reset_means_idle(rig: Rig) -> None:
    for reset in (rig.reset_line, rig.brown_out, rig.power_cycle, lambda: rig.ask("restart")):
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
        rig.ask("restart")
        rig.wait(0.1)
