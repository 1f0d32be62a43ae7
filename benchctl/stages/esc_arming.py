"""ESC arming: idle pulse before anything is armed; the controllers arm; the guard takes no wrong answer.

The idle pulse is never changed while a controller may have power. One that does not arm is told so, its pulses are
taken away, and another idle is tried only after somebody has unplugged the battery.
"""

from __future__ import annotations

from collections.abc import Mapping

from benchctl import events as ev
from benchctl.facts import BeepsUnexpected, SoundUnexpected, TurnsAtIdle
from benchctl.safety.attesting import attest_off
from benchctl.safety.drive import Drive
from benchctl.safety.wiring import Wiring
from benchctl.stages.contract import Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.feeding import fed_back, keep_apart
from benchctl.stages.motor import (
    GROUND_OHMS,
    ControlTraffic,
    drive_of,
    idle_of,
    measure_grounds,
    motor_channels,
    named,
    pulse_widths,
    unplug_motors,
)
from benchctl.stages.outputs import confirmed_outputs
from benchctl.terms import Limit, Role, Source
from benchctl.wire.catalogue import GuardState, PulseKind, name_of

NEEDED = ("before_power", "identity", "outputs", "supply", "transceiver", "radio_link")
#: what controllers are heard to give once they have armed
SOUNDS = ("beeps", "tune", "tune, then beeps", "long tone")
NOTHING, TURNS = "nothing", "THE MOTOR TURNS"
#: counts of beeps, until one is as recorded
_COUNTS = 3
#: the shortest idle pulse a board can be set to
_LOW_IDLE_US = 800


def perform(ctx: Context) -> None:
    craft, channels = ctx.board(Role.CRAFT), motor_channels(ctx)
    frame_s = int(craft.read_setting("frame_us")) * 1e-6
    drives = {channel: drive_of(ctx, channel) for channel in channels}
    first = drives[channels[0]]
    guard = first.read_guard()
    if guard.state != GuardState.IDLE:
        first.disarm()
        ctx.fail(f"the guard was {name_of(GuardState, guard.state)} before anything was armed")
        return
    silent = set(channels) - confirmed_outputs(craft)
    if silent:
        ctx.fail(f"output {min(silent)} is silent: it has not been confirmed; run the outputs stage")
        return
    right = [_idle_pulse(ctx, channel, frame_s) for channel in channels]
    if not all(right):
        return
    if not _starts(ctx, channels):
        return
    refused = first.refuses_wrong_nonce()
    ctx.read("wrong_answer_refused", int(refused), "", 1, note="arming with a wrong nonce")
    if not refused:
        ctx.fail("the board armed on a wrong answer to its challenge; do not use this firmware with a motor")
        return
    ControlTraffic(ctx).start()
    for channel in channels:
        _arm(ctx, drives[channel], channel, frame_s)
    after = first.read_guard()
    ctx.read("idle_after", int(after.state == GuardState.IDLE), "", 1, note="guard idle after disarming")


def _arm(ctx: Context, drive: Drive, channel: int, frame_s: float) -> None:
    drive.arm()
    drive.hold_throttle(0, ctx.number("hold_seconds"))
    widths, how = pulse_widths(ctx, channel, 2, frame_s)
    worst = float(widths.max()) if len(widths) else float("nan")
    ctx.read(named(ctx, channel, "armed_width"), worst, "us", len(widths), note=how)
    drive.disarm()


def _idle_pulse(ctx: Context, channel: int, frame_s: float) -> bool:
    idle_us = idle_of(ctx, channel)
    widths, how = pulse_widths(ctx, channel, ctx.count("frames"), frame_s)
    if not len(widths):
        ctx.fail(f"no pulse comes out of output {channel}: its motor controller would never arm, or arm on noise")
        return False
    worst = float(max(widths, key=lambda width: abs(width - idle_us)))
    ctx.read(named(ctx, channel, "idle_width"), worst, "us", len(widths), source=Source.SAMPLING, note=f"worst; {how}")
    if abs(worst - idle_us) > 10:
        ctx.fail(f"the pulse before arming is {worst:.0f} µs, the idle of output {channel} is {idle_us} µs")
        return False
    return True


# ---------------------------------------------------------------------- what they are heard to give


def _starts(ctx: Context, channels: list[int]) -> bool:
    """The controllers' battery is connected with the idle pulses present; what they give is told, not confirmed."""
    before = keep_apart(ctx)
    recorded = int(ctx.board(Role.CRAFT).read_setting("start_sound"))
    heard, beeps = _hear(ctx, "Connect the motor controllers' battery now, with the idle pulses present.")
    asked = 1
    # people miscount: what differs from the record is heard again before it is believed
    while asked < _COUNTS and beeps > 0 and _same_kind(heard, recorded) and beeps != recorded % 100:
        ctx.ask(ev.PromptKind.DO, "Unplug the motor controllers' battery again.", "unplug_motor", role=Role.CRAFT,
                timeout_s=120.0)  # fmt: skip
        heard, beeps = _hear(ctx, "Connect the motor controllers' battery once more, and count anew.")
        asked += 1
    if heard == TURNS:
        _take_away(ctx, channels)
        ctx.fail(TurnsAtIdle(idle_of(ctx, channels[0])))
        return False
    if fed_back(ctx, before):
        return False
    if heard == NOTHING:
        ctx.read("beeps", 0, "", 1, source=Source.OPERATOR, note="no sound")
        _take_away(ctx, channels)
        _lower_idle(ctx, channels)
        measure_grounds(ctx, channels)
        ctx.fail(BeepsUnexpected(0, 0))
        return False
    if beeps >= 0:
        ctx.read("beeps", beeps, "", asked, source=Source.OPERATOR, note="counted, the last time")
    if _as_recorded(ctx, heard, max(0, beeps)):
        return True
    if _same_kind(heard, recorded):
        _take_away(ctx, channels)
        measure_grounds(ctx, channels)
    return False


def _hear(ctx: Context, what: str) -> tuple[str, int]:
    """(one of SOUNDS, nothing, or that a motor turns; beeps counted, -1 where there were none to count)."""
    ctx.interlock.plugged()
    plug = ctx.prompt(ev.PromptKind.DO, what, "plug_motor", role=Role.CRAFT)
    text = f"{what} What do they give when they have armed? Should a motor turn, say so at once."
    heard = ctx.ask(
        ev.PromptKind.CHOICE, text, "hear_start", role=Role.CRAFT, choices=(*SOUNDS, NOTHING, TURNS), timeout_s=60.0
    ).strip()  # fmt: skip
    ctx.done(plug)
    if "beeps" not in heard:
        return heard, -1
    answer = ctx.ask(ev.PromptKind.COUNT, "How many beeps? Type the number.", "recall_beeps", role=Role.CRAFT)
    return heard, int(answer) if answer.strip().isdigit() else 0


def _as_recorded(ctx: Context, heard: str, beeps: int) -> bool:
    """Controllers differ: what they gave the first time is recorded on the board, and expected from then on."""
    craft = ctx.board(Role.CRAFT)
    recorded = int(craft.read_setting("start_sound"))
    code = 100 * (1 + SOUNDS.index(heard)) + min(beeps, 99) if heard in SOUNDS else 0
    if not code:
        ctx.doubt(f"{heard!r} is none of the answers")
        return False
    if not recorded:
        craft.write_setting("start_sound", code)
        craft.save_settings()
        ctx.note(f"recorded on the craft: its motor controllers give {_words(code)} when they have armed")
    elif code != recorded and code // 100 == recorded // 100:
        ctx.fail(BeepsUnexpected(beeps, recorded % 100))
    elif code != recorded:
        ctx.fail(SoundUnexpected(_words(code), _words(recorded)))
    return recorded in (0, code)


def _same_kind(heard: str, recorded: int) -> bool:
    return heard in SOUNDS and recorded // 100 == 1 + SOUNDS.index(heard)


def _words(code: int) -> str:
    kind, beeps = SOUNDS[min(code // 100, len(SOUNDS)) - 1], code % 100
    return f"{kind} ({beeps})" if "beeps" in kind else kind


# ---------------------------------------------------------------------- when they do not arm


def _take_away(ctx: Context, channels: list[int]) -> None:
    """No pulse any more on any of them, and somebody unplugs the battery."""
    for channel in channels:
        drive_of(ctx, channel).take_away()
    ctx.note("the pulses have been taken away")
    unplug_motors(ctx)


def _lower_idle(ctx: Context, channels: list[int]) -> None:
    """Do they arm on a lower idle pulse? Then the end points were never taught; else no pulse reaches them.

    Both changes of the idle pulse are made with the battery unplugged, and the outputs are silent at the end.
    """
    craft = ctx.board(Role.CRAFT)
    ways = [c for c in channels if craft.wiring.pulse_kinds[c - 1] is PulseKind.MOTOR]
    own = {channel: int(craft.read_setting(f"rest{channel}_us")) for channel in ways}
    if not ways or min(idle_of(ctx, channel) for channel in ways) <= _LOW_IDLE_US:
        return
    if not _set_idle(ctx, dict.fromkeys(ways, _LOW_IDLE_US), confirm=True):
        return
    try:
        heard, beeps = _hear(ctx, f"The idle pulse is now {_LOW_IDLE_US} µs. Connect the controllers' battery again.")
        count = beeps if beeps >= 0 else int(heard in SOUNDS)
        note = f"{heard}; idle pulse {_LOW_IDLE_US} µs"
        ctx.read("beeps_low_idle", count, "", 1, source=Source.OPERATOR, note=note)
    finally:
        _take_away(ctx, ways)
    if not _set_idle(ctx, own, confirm=False):
        ctx.fail(f"the board still has an idle pulse of {_LOW_IDLE_US} µs; its motor outputs stay silent")


def _set_idle(ctx: Context, own_us: Mapping[int, int], confirm: bool) -> bool:
    """Through the guard, with the battery attested off; False where it is not."""
    why = attest_off(ctx, ctx.interlock)
    if why:
        ctx.note(f"another idle pulse is not tried: {why}", "warning")
        return False
    craft = ctx.board(Role.CRAFT)
    with Wiring(ctx, ctx.interlock, Role.CRAFT) as wiring:
        for channel, us in own_us.items():
            craft.write_setting(f"rest{channel}_us", us)
        for channel in own_us if confirm else ():
            wiring.attempt(channel)
            wiring.confirm(channel)
    craft.save_settings()
    return True


STAGE = Stage(
    kind="esc_arming",
    title="ESC arming",
    instruction="Propellers off, craft tied down. The motor may twitch.",
    needs=Needs(roles=(Role.HAND, Role.CRAFT), required=NEEDED, operator=True, wired=((Role.CRAFT, "motor"),)),
    perform=perform,
    by_air="a motor is armed over a cable only",
    parameters=(
        Parameter("cap", 20.0, "throttle cap", "%", 1.0, 30.0),
        Parameter("frames", 25, "frames of the idle pulse to measure", "", 5, 1000),
        Parameter("hold_seconds", 1.0, "time armed at idle", "s", 0.3, 10.0),
    ),
    measures=(
        ReadingSpec(
            "idle_width", "us", "idle pulse before arming", Limit(790.0, 1610.0), "same", 5, "",
            about="Width of the pulse farthest from idle before arming; anything else may start the motor at "
                  "plugging in. Usual: 1000 µs one-way, 1500 µs reversible (common practice, no source).",
        ),
        ReadingSpec(
            "supply_rise", "mV", "supply rises with the battery by", None, "same", 10, "",
            about="What plugging in the battery adds to the processor's supply; much means that it feeds the board "
                  "beside USB. Usual: 0 mV where both are kept apart.",
        ),
        ReadingSpec(
            "beeps", "", "beeps counted", None, "same", 0.5, "",
            about="What the motor controller answered when it armed; their number is its maker's.",
        ),
        ReadingSpec(
            "beeps_low_idle", "", "beeps on a lower idle pulse", None, "same", 0.5, "",
            about="What the motor controller answered on a lower pulse: it then takes the usual idle for throttle "
                  "and is to be taught.",
        ),
        GROUND_OHMS,
        ReadingSpec(
            "wrong_answer_refused", "", "wrong answer does not arm (1: yes)", Limit(min=1), "same", 0.5, "",
            about="Whether the board refuses a wrong answer to its challenge. Usual: yes.",
        ),
        ReadingSpec(
            "armed_width", "us", "idle pulse while armed", Limit(790.0, 1610.0), "same", 5, "",
            about="Width of the pulse farthest from idle while armed. Usual: as before arming.",
        ),
        ReadingSpec(
            "idle_after", "", "idle after disarming (1: yes)", Limit(min=1), "same", 0.5, "",
            about="Whether the pulse stands at idle after disarming. Usual: yes.",
        ),
    ),
    expected_s=lambda p: 25.0 + float(p["hold_seconds"]),
    spins=True,
)  # fmt: skip
