"""Link-loss cut: from losing the radio, the host, the hand unit's power or the craft's program to the idle pulse."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from benchctl import events as ev
from benchctl.analysis.latency import worst_case
from benchctl.errors import BoardError, NoAnswer, PortLost
from benchctl.safety.attesting import attest_all
from benchctl.safety.drive import Drive, GuardDropped
from benchctl.stages.contract import Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.esc_arming import NEEDED
from benchctl.stages.motor import ControlTraffic, drive_of, idle_of, jumpers_between, motor_channels
from benchctl.terms import Limit, Role, Source
from benchctl.wire import msg
from benchctl.wire.catalogue import GuardReason, GuardState, name_of

#: how long to wait for a cut before it is called missing
_PATIENCE_S = 6.0


def perform(ctx: Context) -> None:
    _repeat(ctx, "radio", _radio_lost, ctx.count("repeats"))
    _repeat(ctx, "host", _host_lost, ctx.count("repeats"))
    _repeat(ctx, "craft_reset", _craft_reset, ctx.count("resets"))
    if ctx.bench.operator.by != "none":
        _repeat(ctx, "hand_power", _hand_unpowered, ctx.count("unplugs"))


def _repeat(ctx: Context, name: str, once: Callable[[Context, int], float | None], repeats: int) -> None:
    """Lose the same thing several times, a craft's motors turning in turn; the worst is what counts."""
    times: list[float] = []
    motors = motor_channels(ctx)
    shown = ctx.picture("until idle, cut after cut", _WORDS[name], time_to_idle=f"{name}_cut")
    for n in range(repeats):
        why = attest_all(ctx, ctx.interlock, again=True)
        if why:
            ctx.doubt(why)
            break
        channel = motors[n % len(motors)]
        taken = once(ctx, channel)
        if taken is None:
            which = f" at output {channel}" if len(motors) > 1 else ""
            ctx.fail(f"after losing the {_WORDS[name]} the motor controller's pulse{which} did not go to idle")
            return
        times.append(taken)
        ctx.glimpse(f"{name}_cuts", "points", _CUTS, list(enumerate(times, 1)), shown)
        ctx.progress(n + 1, repeats, f"{_WORDS[name]} lost: idle after {taken:.0f} ms")
    if not times:
        return
    claim = worst_case(times)
    share = f"; with 95 % confidence {100 * claim.share:.0f} % of cuts are no later" if claim else ""
    ctx.read(f"{name}_cut", max(times), "ms", len(times), source=Source.SAMPLING, note=f"worst of {len(times)}{share}")
    ctx.samples(f"{name}_cuts", "points", _CUTS, np.array(list(enumerate(times, 1)), float), shown)


_CUTS = {"cut": "", "time to idle": "ms"}
_WORDS = {
    "radio": "radio",
    "host": "host",
    "craft_reset": "craft's program",
    "hand_power": "hand unit's power",
}


# ---------------------------------------------------------------------- one cut each


def _live(ctx: Context, channel: int) -> tuple[Drive, ControlTraffic]:
    """Armed and above idle, the control loop running on both boards."""
    drive, traffic = drive_of(ctx, channel), ControlTraffic(ctx)
    traffic.start()
    drive.arm()
    drive.hold_throttle(round(10 * ctx.number("throttle")), 0.6)
    ctx.board(Role.CRAFT).events(msg.GuardChanged)
    return drive, traffic


def _frame_ms(ctx: Context) -> float:
    """The pulse that is under way still ends, the next one is idle: one frame at most."""
    return int(ctx.board(Role.CRAFT).read_setting("frame_us")) / 1000


def _radio_lost(ctx: Context, channel: int) -> float | None:
    """The hand unit stops sending; keep-alives from the host go on. Timed by the craft alone, from its last packet."""
    (drive, traffic), frame = _live(ctx, channel), _frame_ms(ctx)
    traffic.stop_hand()
    taken = _wait_for_cut(ctx, drive, traffic, _PATIENCE_S)
    traffic.stop_quietly()
    drive.disarm()
    return None if taken is None else taken + frame


def _hand_unpowered(ctx: Context, channel: int) -> float | None:
    """A person pulls the hand unit's supply; timed as above. No jumper may feed it meanwhile."""
    jumpers = jumpers_between(ctx, Role.HAND)
    if jumpers:
        text = f"Pull the jumper wires between the hand unit and other boards: {jumpers}."
        ctx.ask(ev.PromptKind.DO, text, "pull_jumpers", role=Role.HAND, timeout_s=60.0)
    (drive, traffic), frame = _live(ctx, channel), _frame_ms(ctx)
    ctx.board(Role.HAND).expects_restart = True
    drive.along.discard(Role.HAND)
    prompt = ctx.prompt(ev.PromptKind.DO, "Pull the hand unit's supply now.", "unplug", role=Role.HAND, timeout_s=30.0)
    taken = _wait_for_cut(ctx, drive, traffic, prompt.timeout_s + _PATIENCE_S)
    ctx.done(prompt)
    drive.disarm()
    back = ctx.prompt(ev.PromptKind.DO, "Connect the hand unit's supply again.", "plug", role=Role.HAND, timeout_s=60.0)
    _reopen(ctx, back.timeout_s)
    ctx.done(back)
    ctx.interlock.lapse(Role.HAND)
    traffic.stop_quietly()
    if jumpers:
        ctx.ask(ev.PromptKind.DO, f"Put the jumper wires back: {jumpers}.", "put_jumpers", role=Role.HAND,
                timeout_s=60.0)  # fmt: skip
    return None if taken is None else taken + frame


def _reopen(ctx: Context, timeout: float) -> None:
    """Wait for the hand unit to come back; where ports come and go with their boards, find its port again."""
    hand, deadline = ctx.board(Role.HAND), ctx.now() + timeout
    while True:
        try:
            ctx.bench.reopen(Role.HAND)
            hand.open()
            hand.ask(msg.RadioApply(), timeout=1.0)
            return
        except (NoAnswer, PortLost):
            if ctx.now() > deadline:
                raise
            ctx.wait(0.2)


def _host_lost(ctx: Context, channel: int) -> float | None:
    """No keep-alive any more. Timed by the host, so that USB delays make it longer, never shorter."""
    (drive, traffic), frame = _live(ctx, channel), _frame_ms(ctx)
    drive.throttle(round(10 * ctx.number("throttle")))
    last = ctx.now()
    drive.silence()
    event = _wait_for_idle_event(ctx, _PATIENCE_S)
    taken = None if event is None else 1000 * (ctx.now() - last) + frame
    traffic.stop_quietly()
    drive.disarm()
    return taken


def _craft_reset(ctx: Context, channel: int) -> float | None:
    """The craft restarts in the middle; timed by the host until its first life sign, then the pulse must be idle."""
    drive, traffic = _live(ctx, channel)
    craft, began = ctx.board(Role.CRAFT), ctx.now()
    drive.silence()
    craft.restart()
    taken = 1000 * (ctx.now() - began)
    guard, pulse = drive.read_guard(), craft.ask(msg.PulseRead(channel=drive.channel))
    ctx.interlock.lapse(Role.CRAFT)
    traffic.stop_quietly()
    craft.ask(msg.RadioApply(), timeout=1.0)
    if guard.state != GuardState.IDLE or abs(pulse.width / 2 - idle_of(ctx, drive.channel)) > 10:
        drive.disarm()
        return None
    return taken


# ---------------------------------------------------------------------- waiting for the cut


def _wait_for_cut(ctx: Context, drive: Drive, traffic: ControlTraffic, patience: float) -> float | None:
    """ms from the last control packet to the guard's cut, by the craft's clock; None when it never cuts.

    The host's keep-alive goes on, so that only the radio can be the reason.
    """
    craft, deadline = ctx.board(Role.CRAFT), ctx.now() + patience
    permille = round(10 * ctx.number("throttle"))
    while ctx.now() < deadline:
        traffic.poll()
        for event in craft.events(msg.GuardChanged):
            if event.state == GuardState.IDLE:
                traffic.poll()
                cut = traffic.ms(event.at)
                before = [t for _, t in traffic.received if t <= cut]
                ctx.note(f"cut by {name_of(GuardReason, event.reason)}")
                if not before:
                    raise BoardError("the craft's cut is older than every control packet it received: its time stamps "
                                     "are of no use")  # fmt: skip
                return cut - before[-1]
        if drive.interlock.may_move:
            _keep_alive(drive, permille)
        ctx.wait(0.05)
    return None


def _keep_alive(drive: Drive, permille: int) -> None:
    """The host goes on; that the board has just cut is what is being waited for."""
    try:
        drive.throttle(permille)
    except GuardDropped:
        return


def _wait_for_idle_event(ctx: Context, patience: float) -> object | None:
    craft, deadline = ctx.board(Role.CRAFT), ctx.now() + patience
    while ctx.now() < deadline:
        for event in craft.events(msg.GuardChanged):
            if event.state == GuardState.IDLE:
                return event
        ctx.wait(0.005)
    return None


STAGE = Stage(
    kind="link_loss_cut",
    title="Link-loss cut",
    instruction="THE MOTOR TURNS and is cut again and again. Propellers off, craft tied down, hands clear.",
    needs=Needs(
        roles=(Role.HAND, Role.CRAFT), required=(*NEEDED, "esc_arming"), operator=True, wired=((Role.CRAFT, "motor"),)
    ),
    perform=perform,
    by_air="a motor is driven over a cable only",
    parameters=(
        Parameter("cap", 20.0, "throttle cap", "%", 1.0, 30.0),
        Parameter("throttle", 8.0, "throttle at which things are lost", "%", 1.0, 20.0),
        Parameter("repeats", 20, "losses of radio and of host", "", 1, 1000),
        Parameter("resets", 3, "restarts of the craft; each needs all attestations anew", "", 0, 1000),
        Parameter("unplugs", 1, "times the hand unit's supply is pulled", "", 0, 100),
    ),
    measures=(
        # 250 ms of silence or of keep-alive, and one frame of 20 ms; a margin for the line to the host
        ReadingSpec(
            "radio_cut", "ms", "cut-off after radio loss", Limit(max=300.0), "lower", 15, "",
            about="Time from the last packet to the idle pulse; so long a craft runs away. Usual: 250 to 290 ms; the"
                  " limit is ours, shorter than the second that hobby sets allow (common practice, no source).",
        ),
        ReadingSpec(
            "host_cut", "ms", "cut-off after loss of the host", Limit(max=300.0), "lower", 15, "",
            about="Time from the last keep-alive to the idle pulse. Usual: 250 to 290 ms.",
        ),
        ReadingSpec(
            "hand_power_cut", "ms", "cut-off after the hand unit lost power", Limit(max=300.0), "lower", 15, "",
            about="Time from the last packet to the idle pulse with the hand unit unplugged. Usual: 250 to 290 ms.",
        ),
        ReadingSpec(
            "craft_reset_cut", "ms", "restart to idle pulse", Limit(max=1000.0), "lower", 50, "",
            about="Time after the craft restarts until its outputs stand at idle; a motor controller hears nothing "
                  "until then. Usual: 100 to 800 ms, the boot loader's wait.",
        ),
    ),
    expected_s=lambda p: 3.0 * float(p["repeats"]) + 3.0 * float(p["resets"]) + 20.0 * float(p["unplugs"]),
    spins=True,
)  # fmt: skip
