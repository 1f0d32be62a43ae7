"""ESC arming: idle pulse before anything is armed; the controller arms; the guard takes no wrong answer."""

from __future__ import annotations

from benchctl import events as ev
from benchctl.stages.contract import Context, Measure, Needs, Parameter, Stage
from benchctl.stages.motor import ControlTraffic, drive_of, motor_channel, pulse_widths
from benchctl.terms import Limit, Role, Source
from benchctl.wire.catalogue import GuardState, name_of

NEEDED = ("before_power", "identity", "supply", "transceiver", "radio_link")


def perform(ctx: Context) -> None:
    craft, channel = ctx.board(Role.CRAFT), motor_channel(ctx)
    frame_s = int(craft.read_setting("frame_us")) * 1e-6
    idle_us = int(craft.read_setting("idle_us"))
    drive = drive_of(ctx)
    guard = drive.read_guard()
    if guard.state != GuardState.IDLE:
        drive.disarm()
        ctx.fail(f"the guard was {name_of(GuardState, guard.state)} before anything was armed")
        return
    if not _idle_pulse(ctx, channel, idle_us, frame_s):
        return
    if not _beeps(ctx):
        return
    refused = drive.refuses_wrong_nonce()
    ctx.read("wrong_answer_refused", int(refused), "", 1, note="arming with a wrong nonce")
    if not refused:
        ctx.fail("the board armed on a wrong answer to its challenge; do not use this firmware with a motor")
        return
    ControlTraffic(ctx).start()
    drive.arm()
    drive.hold(0, ctx.number("hold_seconds"))
    widths, how = pulse_widths(ctx, channel, 2, frame_s)
    ctx.read("armed_width", float(widths.max()) if len(widths) else float("nan"), "us", len(widths), note=how)
    drive.disarm()
    after = drive.read_guard()
    ctx.read("idle_after", int(after.state == GuardState.IDLE), "", 1, note="guard idle after disarming")


def _idle_pulse(ctx: Context, channel: int, idle_us: int, frame_s: float) -> bool:
    widths, how = pulse_widths(ctx, channel, ctx.count("frames"), frame_s)
    if not len(widths):
        ctx.fail("no pulse comes out of the motor controller's pin: it would never arm, or arm on noise")
        return False
    ctx.read("idle_width", float(widths.max()), "us", len(widths), source=Source.SAMPLING, note=f"widest; {how}")
    if float(widths.max()) > idle_us + 10:
        ctx.fail(f"the pulse before arming is {widths.max():.0f} us, above the idle of {idle_us} us")
        return False
    return True


def _beeps(ctx: Context) -> bool:
    """The controller's battery is connected with the idle pulse present; its beeps are counted, not confirmed."""
    expected = ctx.count("beeps")
    text = (
        "Connect the motor controller's battery now, with the idle pulse present. "
        "Count the beeps it gives when it has armed, and type the number."
    )
    plug = ctx.prompt(ev.PromptKind.DO, "Connect the motor controller's battery.", "plug_motor", role=Role.CRAFT)
    answer = ctx.ask(ev.PromptKind.COUNT, text, "count_beeps", role=Role.CRAFT, timeout_s=60.0)
    ctx.done(plug)
    count = int(answer) if answer.strip().isdigit() else -1
    ctx.read("beeps", count, "", 1, source=Source.OPERATOR, note=f"counted; {expected} expected")
    if count == expected:
        return True
    if count <= 0:
        _lower_idle(ctx)
        ctx.fail("the motor controller gave no beeps: not powered, signal or ground lead off, or it wants a lower idle")
    else:
        ctx.fail(f"the motor controller gave {count} beeps, {expected} expected: see its manual for what that means")
    return False


def _lower_idle(ctx: Context) -> None:
    """Does it arm on a lower idle pulse? Then its end points were never taught; else no pulse reaches it."""
    craft = ctx.board(Role.CRAFT)
    idle = int(craft.read_setting("idle_us"))
    craft.write_setting("idle_us", _LOW_IDLE_US)
    try:
        text = (
            f"The idle pulse is now {_LOW_IDLE_US} us. Take the motor controller's battery off, connect it again, "
            "count the beeps, and type the number."
        )
        again = ctx.prompt(
            ev.PromptKind.DO, "Connect the motor controller's battery anew.", "plug_motor", role=Role.CRAFT
        )
        answer = ctx.ask(ev.PromptKind.COUNT, text, "count_beeps", role=Role.CRAFT, timeout_s=60.0)
        ctx.done(again)
        count = int(answer) if answer.strip().isdigit() else -1
        ctx.read("beeps_low_idle", count, "", 1, source=Source.OPERATOR, note=f"counted, idle pulse {_LOW_IDLE_US} us")
    finally:
        craft.write_setting("idle_us", idle)


#: the shortest idle pulse a board can be set to
_LOW_IDLE_US = 800

STAGE = Stage(
    kind="esc_arming",
    title="ESC arming",
    instruction="Propellers off, craft tied down. The motor may twitch.",
    needs=Needs(roles=(Role.HAND, Role.CRAFT), required=NEEDED, operator=True),
    perform=perform,
    by_air="a motor is armed over a cable only",
    parameters=(
        Parameter("cap", 20.0, "throttle cap", "%", 1.0, 30.0),
        Parameter("frames", 25, "frames of the idle pulse to measure", "", 5, 1000),
        Parameter("beeps", 2, "beeps of this motor controller when armed", "", 1, 20),
        Parameter("hold_seconds", 1.0, "time armed at idle", "s", 0.3, 10.0),
    ),
    measures=(
        Measure("idle_width", "us", "widest pulse before arming", Limit(800.0, 1210.0), "same", 5, ""),
        Measure("beeps", "", "beeps counted", None, "same", 0.5, ""),
        Measure("beeps_low_idle", "", "beeps on a lower idle pulse", None, "same", 0.5, ""),
        Measure("wrong_answer_refused", "", "1: a wrong answer does not arm", Limit(min=1), "same", 0.5, ""),
        Measure("armed_width", "us", "pulse while armed at idle", Limit(800.0, 1210.0), "same", 5, ""),
        Measure("idle_after", "", "1: idle after disarming", Limit(min=1), "same", 0.5, ""),
    ),
    expected_s=lambda p: 25.0 + float(p["hold_seconds"]),
    spins=True,
)
