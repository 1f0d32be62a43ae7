"""Throttle ramp: stepped and slewed under a cap; at every step supply sag, resets, vibration and link quality."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from benchctl import events as ev
from benchctl.analysis.loss import clopper_pearson
from benchctl.analysis.pose import acceleration_g
from benchctl.errors import BenchctlError, Refused
from benchctl.facts import MotorElsewhere, MotorTurnsOtherWay
from benchctl.pairfile.drawing import craft_from_above
from benchctl.safety.drive import Drive, GuardDropped
from benchctl.stages.contract import Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.esc_arming import NEEDED
from benchctl.stages.inertial import ADDRESSES, wake_sensor
from benchctl.stages.motor import (
    GROUND_OHMS,
    ControlTraffic,
    drive_of,
    full_of,
    idle_of,
    measure_grounds,
    motor_channels,
    named,
    unplug_motors,
)
from benchctl.stages.two_wire import scan_bus
from benchctl.terms import Limit, Role, Source, Verdict
from benchctl.wire import msg

_VIBRATION_US = 5_000
_STEPS = {"throttle": "%", "lowest supply": "V", "vibration": "g", "lost": "%"}
_SLEWED = ev.Picture("pulse above idle, the cap asked for at once")
_SUPPLY = ev.Picture("throttle and the processor's supply")
_LOOKS = {"at": "s", "throttle": "%", "supply": "V"}
#: the steps, and the climb at the board's slew limit
_STARTS = 2
#: counts of starts, until one is right: people miscount, a motor that stumbles does it again
_COUNTS = 3
#: at rest before, and at the cap, of a start that is only to be counted
_STOPPED_S, _RUNNING_S = 1.0, 0.5
#: common practice, no source: below it a motor without a load may well stand still
_TURNS_FROM = 10.0


@dataclass(slots=True)
class _Ramp:
    """Everything measured on the way: one row a look at the supply, one a step."""

    channel: int
    idle_us: int
    span_us: int
    vcc: list[float] = field(default_factory=list)
    looks: list[tuple[float, float, float]] = field(default_factory=list)
    widest_us: float = 0.0
    steps: list[tuple[float, float, float, float]] = field(default_factory=list)
    abort: str = ""


def perform(ctx: Context) -> None:
    """Each motor by itself, the others at idle; a motor that fails ends it."""
    for channel in motor_channels(ctx):
        _one_motor(ctx, channel)
        starts = ctx.readings.get(named(ctx, channel, "starts"))
        if starts is not None and starts.verdict is Verdict.FAIL:
            unplug_motors(ctx)
            measure_grounds(ctx, [channel])
        if ctx.failures or ctx.doubts:
            return


def _one_motor(ctx: Context, channel: int) -> None:
    craft, idle_us = ctx.board(Role.CRAFT), idle_of(ctx, channel)
    drive, ramp = drive_of(ctx, channel), _Ramp(channel, idle_us, full_of(ctx, channel) - idle_us)
    began = ctx.now()
    rest = _vcc(ctx)
    slew = int(craft.read_setting("slew_permille_s"))
    link = ControlTraffic(ctx)
    link.start()
    sensor = _sensor_there(ctx)
    cap, step = ctx.number("cap"), ctx.number("step")
    watch = _watch(ctx) if cap >= _TURNS_FROM else None
    drive.arm()
    whole = False
    try:
        drive.hold_throttle(0, 0.5)
        for percent in np.arange(step, cap + 1e-9, step):
            _step(ctx, drive, ramp, link, float(percent), rest, sensor, began)
            if ramp.abort:
                break
        for way in (1, -1) if drive.both_ways else (1,):
            if not ramp.abort:
                _slewed(ctx, drive, ramp, way * cap, slew)
                whole = True
    except GuardDropped as e:
        ctx.fail(str(e))
    finally:
        drive.disarm()
        if watch is not None:
            ctx.done(watch)
    link.poll()
    link.stop_quietly()
    _judge(ctx, ramp, link, rest, slew)
    if whole and watch is not None:
        _count_starts(ctx, drive, cap)
        _place_and_direction(ctx, channel)


def _place_and_direction(ctx: Context, channel: int) -> None:
    """Where on the craft a motor turned, and which way, against what the pair file says of the output."""
    outputs = dict(ctx.board(Role.CRAFT).wiring.facts.outputs())
    output = outputs.get(channel)
    others = [o.place for c, o in outputs.items() if o.place and c != channel and o.drives == "motor"]
    if output is None or not output.place:
        return
    if others:
        ctx.note(craft_from_above(ctx.board(Role.CRAFT).wiring.facts, channel), "drawing")
        text = "Seen from above, front ahead: which motor turned?"
        choices = (output.place, *others, "none of these, or several")
        seen = ctx.ask(ev.PromptKind.CHOICE, text, "which_motor", role=Role.CRAFT, detail=str(channel), choices=choices)
        seen = seen.strip()
        ctx.read(named(ctx, channel, "place"), int(seen == output.place), "", 1, source=Source.OPERATOR, note=seen)
        if seen != output.place:
            ctx.fail(MotorElsewhere(channel, output.place, seen))
            return
    if output.turns:
        choices = (output.turns, next(way for way in ("clockwise", "anticlockwise") if way != output.turns))
        text = f"Which way did the motor at {output.place} turn, seen from where its rotor is?"
        seen = ctx.ask(ev.PromptKind.CHOICE, text, "which_way", role=Role.CRAFT, detail=str(channel), choices=choices)
        seen = seen.strip().lower()
        ctx.read(named(ctx, channel, "direction"), int(seen == output.turns), "", 1, source=Source.OPERATOR, note=seen)
        if seen != output.turns:
            ctx.fail(MotorTurnsOtherWay(channel, output.place, output.turns))


def _vcc(ctx: Context) -> float:
    return float(ctx.board(Role.CRAFT).ask(msg.Vitals(), timeout=0.1).vcc_mv) / 1000


def _sensor_there(ctx: Context) -> int | None:
    """The address of the inertial sensor, awake whatever was done with it before; None where none answers."""
    craft = ctx.board(Role.CRAFT)
    try:
        there = scan_bus(craft).addresses
    except Refused:
        return None
    address = next((a for a in ADDRESSES if a in there), None)
    if address is not None:
        wake_sensor(ctx, craft, address)
    return address


def _step(
    ctx: Context,
    drive: Drive,
    ramp: _Ramp,
    link: ControlTraffic,
    percent: float,
    rest: float,
    sensor: int | None,
    began: float,
) -> None:
    """One hold. The supply is looked at between keep-alives; the sensor streams by itself."""
    craft, hold = ctx.board(Role.CRAFT), ctx.number("hold_seconds")
    craft.events(msg.ImuRows)
    before = max(0, len(link.received) - 1)
    if sensor is not None:
        # ends before the next step also by a clock that is slow by all that a ceramic resonator may be, 0.5 %
        count = int(0.98 * hold * 1e6 / _VIBRATION_US)
        craft.ask(msg.ImuStream(address=sensor, interval_us=_VIBRATION_US, count=count), timeout=0.1)
    lowest = math.inf

    def look() -> None:
        nonlocal lowest
        volts = _vcc(ctx)
        lowest = min(lowest, volts)
        ramp.vcc.append(volts)
        ramp.looks.append((ctx.now() - began, percent, volts))
        ctx.glimpse("ramp_supply", "timeline", _LOOKS, ramp.looks, _SUPPLY)
        link.poll()
        if rest - volts > ctx.number("abort_sag"):
            ramp.abort = f"the supply sagged by {rest - volts:.2f} V at {percent:g} % throttle"
            raise _Abort

    try:
        drive.hold_throttle(round(10 * percent), hold, look)
    except _Abort:
        drive.disarm()
    ramp.widest_us = max(ramp.widest_us, drive.width_us)
    vibration = _vibration(ctx)
    missing, sent = link.missed(before)
    lost = 100 * missing / sent if sent else math.nan
    ramp.steps.append((percent, lowest, vibration, lost))
    ctx.glimpse("ramp", "points", _STEPS, ramp.steps, _stepped(ctx))
    if vibration > ctx.number("abort_vibration"):
        ramp.abort = f"vibration of {vibration:.2f} g rms at {percent:g} % throttle"
        drive.disarm()
    ctx.progress(percent, ctx.number("cap"), f"{percent:g} % throttle, {lowest:.2f} V, {vibration:.3f} g")


def _stepped(ctx: Context) -> ev.Picture:
    return ctx.picture("at each step of the throttle", vibration="vibration", lost="packets_missed")


class _Abort(BenchctlError):
    """Leaves the hold at once; never leaves this file."""


def _vibration(ctx: Context) -> float:
    """Rms of the acceleration's size about its mean, g; NaN without samples."""
    got = msg.ImuRows.columns(ctx.board(Role.CRAFT).events(msg.ImuRows))
    if len(got.ax) < 10:
        return math.nan
    forces = acceleration_g(np.column_stack((got.ax, got.ay, got.az)).astype(np.float64))
    return float(np.sqrt(((forces - forces.mean(axis=0)) ** 2).sum(axis=1).mean()))


def _slewed(ctx: Context, drive: Drive, ramp: _Ramp, cap: float, slew: int) -> None:
    """From idle to the cap in one request: the board itself must not go faster than its slew limit."""
    drive.hold_throttle(0, 1.0)
    seen: list[tuple[float, float]] = []
    began = ctx.now()
    full = 10 * abs(cap) / slew
    while ctx.now() - began < full + 0.5:
        answer = drive.throttle(round(10 * cap))
        seen.append((ctx.now() - began, abs(float(answer.width_us) - ramp.idle_us)))
        ctx.wait(0.03)
    ctx.samples(named(ctx, ramp.channel, "slew"), "timeline", {"at": "s", "width": "us"}, np.array(seen), _SLEWED)
    times, widths = np.array(seen).T
    climbing = widths < widths.max() - 0.5
    if climbing.sum() >= 3:
        rate = np.polyfit(times[climbing], widths[climbing], 1)[0] / ramp.span_us * 1000
        ctx.read(named(ctx, ramp.channel, "slew"), float(rate) / 10, "%", int(climbing.sum()), source=Source.SAMPLING,
                 note=f"of full throttle per second; the board's limit is {slew / 10:g} %")  # fmt: skip
        if rate > 1.15 * slew:
            ctx.fail(f"throttle rose by {rate / 10:.1f} % a second, the board's limit is {slew / 10:g} %")


def _watch(ctx: Context) -> ev.Prompt:
    text = "Watch and hear the motor: count its starts, a stumble as one. You are asked for the number at the end."
    return ctx.prompt(ev.PromptKind.DO, text, "watch_motor", role=Role.CRAFT)


def _count_starts(ctx: Context, drive: Drive, cap: float) -> None:
    """What no wire tells: whether the motor did what its pulses said. A count that is wrong is made again, with another
    number of starts."""
    wanted = _STARTS + drive.both_ways
    for asked in range(1, _COUNTS + 1):
        if asked > 1:
            wanted = ctx.bench.chance.randint(2, 3)
            _start_again(ctx, drive, cap, wanted)
        text = "How often did the motor start to turn? A stumble counts as a start. Type the number."
        answer = ctx.ask(ev.PromptKind.COUNT, text, "count_starts", role=Role.CRAFT, timeout_s=60.0)
        if not answer.strip().isdigit():
            ctx.doubt(f"{answer!r} is no number of starts")
            return
        count = int(answer)
        if count == wanted:
            break
    right = count == wanted
    again = f", at the count number {asked}" if asked > 1 else ""
    ctx.read(named(ctx, drive.channel, "starts"), count, "", asked, source=Source.OPERATOR,
             note=f"counted; {wanted} expected{again}", verdict=Verdict.PASS if right else Verdict.FAIL)  # fmt: skip
    if not right:
        ctx.fail(
            f"the motor started {count} times, {wanted} expected: it is not connected, or its controller loses the "
            "pulses now and then (signal and ground lead), or its battery is weak"
        )


def _start_again(ctx: Context, drive: Drive, cap: float, starts: int) -> None:
    """So many starts from rest to the cap, to be counted; armed anew under the same conditions."""
    watch = _watch(ctx)
    link = ControlTraffic(ctx)
    link.start()
    climb_s = 10 * cap / int(ctx.board(Role.CRAFT).read_setting("slew_permille_s"))
    drive.arm()
    try:
        for _ in range(starts):
            drive.hold_throttle(0, _STOPPED_S, link.poll)
            drive.hold_throttle(round(10 * cap), climb_s + _RUNNING_S, link.poll)
    except GuardDropped as e:
        ctx.fail(str(e))
    finally:
        drive.disarm()
        ctx.done(watch)
    link.stop_quietly()


def _judge(ctx: Context, ramp: _Ramp, link: ControlTraffic, rest: float, slew: int) -> None:
    if ramp.steps:
        steps = np.array(ramp.steps)
        ctx.samples(named(ctx, ramp.channel, "ramp"), "points", _STEPS, steps, _stepped(ctx))
        ctx.samples(named(ctx, ramp.channel, "ramp_supply"), "timeline", _LOOKS, np.array(ramp.looks), _SUPPLY)
        reached = 100 * (ramp.widest_us - ramp.idle_us) / ramp.span_us
        ctx.read(
            named(ctx, ramp.channel, "reached"),
            reached,
            "%",
            len(steps),
            note="of full throttle, by the pulse delivered",
        )
        if np.isfinite(steps[:, 2]).any():
            ctx.read(
                named(ctx, ramp.channel, "vibration"),
                float(np.nanmax(steps[:, 2])),
                "g",
                len(steps),
                source=Source.SAMPLING,
                note="rms, worst step",
            )
    if ramp.vcc:
        ctx.read(
            named(ctx, ramp.channel, "sag"),
            max(0.0, rest - min(ramp.vcc)),
            "V",
            len(ramp.vcc),
            source=Source.ADC,
            note="processor's supply",
        )
    missing, sent = link.missed()
    if sent:
        interval = clopper_pearson(missing, sent).scaled(100)
        note = "control packets, while the motor ran"
        ctx.read(
            named(ctx, ramp.channel, "packets_missed"),
            100 * missing / sent,
            "%",
            sent,
            interval,
            Source.COUNTING,
            note=note,
        )
    if ramp.abort:
        ctx.fail(f"aborted: {ramp.abort}")


STAGE = Stage(
    kind="throttle_ramp",
    title="Throttle ramp",
    instruction="THE MOTOR TURNS. Propellers off, craft tied down, hands and leads clear; the stop key is ready.",
    needs=Needs(
        roles=(Role.HAND, Role.CRAFT), required=(*NEEDED, "esc_arming"), operator=True, wired=((Role.CRAFT, "motor"),)
    ),
    perform=perform,
    by_air="a motor is driven over a cable only",
    parameters=(
        Parameter("cap", 20.0, "throttle cap; above 20 % a further attestation is asked for", "%", 1.0, 30.0),
        Parameter("step", 5.0, "from step to step", "%", 0.5, 30.0),
        Parameter("hold_seconds", 1.5, "time at each step", "s", 0.3, 30.0),
        Parameter("abort_sag", 0.5, "supply sag at which the ramp is broken off", "V", 0.05, 5.0),
        Parameter("abort_vibration", 2.0, "vibration at which the ramp is broken off", "g", 0.05, 16.0),
    ),
    measures=(
        ReadingSpec(
            "reached", "%", "throttle reached", None, "higher", 1, "",
            about="Highest throttle that was really delivered under the cap. Usual: the cap.",
        ),
        ReadingSpec(
            "sag", "V", "supply sags under throttle by", Limit(max=0.3), "lower", 0.05, "",
            about="How far the processor's supply falls as the motor draws; at brown-out control is lost. Usual: "
                  "below 0.1 V (common practice, no source).",
        ),
        ReadingSpec(
            "vibration", "g", "vibration at the worst step", Limit(max=1.0), "lower", 0.05, "",
            about="Root mean square at the inertial sensor; a bent shaft or a loose screw shows here. Usual: below "
                  "0.5 g (common practice, no source).",
        ),
        ReadingSpec(
            "starts", "", "starts and stumbles of the motor", Limit(2, 3), "same", 0.5, "",
            about="How often the motor was counted to start; more than the ramp's two is stumbling, fewer is not "
                  "turning. Usual: 2.",
        ),
        GROUND_OHMS,
        ReadingSpec(
            "place", "", "the declared motor turned (1: yes)", Limit(min=1), "same", 0.5, "",
            about="Whether the motor that turned is the one declared for this output. Usual: yes.",
        ),
        ReadingSpec(
            "direction", "", "turned as declared (1: yes)", Limit(min=1), "same", 0.5, "",
            about="Whether the motor turned the way declared. Usual: yes.",
        ),
        ReadingSpec(
            "slew", "%", "throttle rises per second by", None, "same", 3, "",
            about="How fast the delivered throttle rose; the board's guard limits it.",
        ),
        ReadingSpec(
            "packets_missed", "%", "control packets missed", Limit(max=2.0), "lower", 1, "",
            about="Share of control packets that did not arrive while the motor ran; its noise shows here. Usual: "
                  "below 0.5 %.",
        ),
    ),
    expected_s=lambda p: 9.0 + float(p["cap"]) / float(p["step"]) * float(p["hold_seconds"]),
    spins=True,
)  # fmt: skip
