"""Throttle ramp: stepped and slewed under a cap; at every step supply sag, resets, vibration and link quality."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from benchctl import events as ev
from benchctl.analysis.loss import clopper_pearson
from benchctl.analysis.pose import acceleration_g
from benchctl.errors import BenchctlError, Refused
from benchctl.safety.drive import Drive, GuardDropped
from benchctl.stages.contract import Context, Measure, Needs, Parameter, Stage
from benchctl.stages.esc_arming import NEEDED
from benchctl.stages.inertial import wake_sensor
from benchctl.stages.motor import ControlTraffic, drive_of
from benchctl.terms import Limit, Role, Source

_VIBRATION_US = 5_000
_STEPS = {"throttle": "%", "lowest supply": "V", "vibration": "g", "lost": "%"}
_LOOKS = {"at": "s", "throttle": "%", "supply": "V"}
#: the steps, and the climb at the board's slew limit
_STARTS = 2
#: common practice, no source: below it a motor without a load may well stand still
_TURNS_FROM = 10.0


@dataclass(slots=True)
class _Ramp:
    """Everything measured on the way: one row a look at the supply, one a step."""

    idle_us: int
    span_us: int
    vcc: list[float] = field(default_factory=list)
    looks: list[tuple[float, float, float]] = field(default_factory=list)
    widest_us: float = 0.0
    steps: list[tuple[float, float, float, float]] = field(default_factory=list)
    abort: str = ""


def perform(ctx: Context) -> None:
    craft = ctx.board(Role.CRAFT)
    idle_us = int(craft.read_setting("idle_us"))
    drive, ramp = drive_of(ctx), _Ramp(idle_us, int(craft.read_setting("full_us")) - idle_us)
    began = ctx.now()
    rest = _vcc(ctx)
    slew = int(craft.read_setting("slew_permille_s"))
    link = ControlTraffic(ctx)
    link.start()
    has_sensor = _sensor_there(ctx)
    cap, step = ctx.number("cap"), ctx.number("step")
    watch = _watch(ctx) if cap >= _TURNS_FROM else None
    drive.arm()
    whole = False
    try:
        drive.hold(0, 0.5)
        for percent in np.arange(step, cap + 1e-9, step):
            _step(ctx, drive, ramp, link, float(percent), rest, has_sensor, began)
            if ramp.abort:
                break
        if not ramp.abort:
            _slewed(ctx, drive, ramp, cap, slew)
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
        _count_starts(ctx)


def _vcc(ctx: Context) -> float:
    return float(ctx.board(Role.CRAFT).ask("vitals", timeout=0.1).vcc_mv) / 1000


def _sensor_there(ctx: Context) -> bool:
    """Whether there is an inertial sensor; it is awake then, whatever was done with it before."""
    craft, address = ctx.board(Role.CRAFT), ctx.count("address")
    try:
        if address not in craft.ask("twi_scan", timeout=1.0).data:
            return False
    except Refused:
        return False
    wake_sensor(ctx, craft, address)
    return True


def _step(
    ctx: Context,
    drive: Drive,
    ramp: _Ramp,
    link: ControlTraffic,
    percent: float,
    rest: float,
    sensor: bool,
    began: float,
) -> None:
    """One hold. The supply is looked at between keep-alives; the sensor streams by itself."""
    craft, hold = ctx.board(Role.CRAFT), ctx.number("hold_seconds")
    craft.events("imu_rows")
    before = max(0, len(link.received) - 1)
    if sensor:
        count = int(hold * 1e6 / _VIBRATION_US)
        craft.ask("imu_stream", address=ctx.count("address"), interval_us=_VIBRATION_US, count=count, timeout=0.1)
    lowest = math.inf

    def look() -> None:
        nonlocal lowest
        volts = _vcc(ctx)
        lowest = min(lowest, volts)
        ramp.vcc.append(volts)
        ramp.looks.append((ctx.now() - began, percent, volts))
        ctx.glimpse("ramp_supply", "timeline", _LOOKS, ramp.looks)
        link.poll()
        if rest - volts > ctx.number("abort_sag"):
            ramp.abort = f"the supply sagged by {rest - volts:.2f} V at {percent:g} % throttle"
            raise _Abort

    try:
        drive.hold(round(10 * percent), hold, look)
    except _Abort:
        drive.disarm()
    ramp.widest_us = max(ramp.widest_us, drive.width_us)
    vibration = _vibration(ctx)
    missing, sent = link.missed(before)
    lost = 100 * missing / sent if sent else math.nan
    ramp.steps.append((percent, lowest, vibration, lost))
    ctx.glimpse("ramp", "timeline", _STEPS, ramp.steps)
    if vibration > ctx.number("abort_vibration"):
        ramp.abort = f"vibration of {vibration:.2f} g rms at {percent:g} % throttle"
        drive.disarm()
    ctx.progress(percent, ctx.number("cap"), f"{percent:g} % throttle, {lowest:.2f} V, {vibration:.3f} g")


class _Abort(BenchctlError):
    """Leaves the hold at once; never leaves this file."""


def _vibration(ctx: Context) -> float:
    """Rms of the acceleration's size about its mean, g; NaN without samples."""
    rows = [row[:3] for event in ctx.board(Role.CRAFT).events("imu_rows") for row in event.rows]
    if len(rows) < 10:
        return math.nan
    forces = acceleration_g(np.array(rows, np.float64))
    return float(np.sqrt(((forces - forces.mean(axis=0)) ** 2).sum(axis=1).mean()))


def _slewed(ctx: Context, drive: Drive, ramp: _Ramp, cap: float, slew: int) -> None:
    """From idle to the cap in one request: the board itself must not go faster than its slew limit."""
    drive.hold(0, 1.0)
    seen: list[tuple[float, float]] = []
    began = ctx.now()
    full = 10 * cap / slew
    while ctx.now() - began < full + 0.5:
        answer = drive.throttle(round(10 * cap))
        seen.append((ctx.now() - began, float(answer.width_us)))
        ctx.wait(0.03)
    ctx.samples("slew", "timeline", {"at": "s", "width": "us"}, np.array(seen))
    times, widths = np.array(seen).T
    climbing = widths < widths.max() - 0.5
    if climbing.sum() >= 3:
        rate = np.polyfit(times[climbing], widths[climbing], 1)[0] / ramp.span_us * 1000
        ctx.read("slew", float(rate) / 10, "%", int(climbing.sum()), source=Source.SAMPLING,
                 note=f"of full throttle per second; the board's limit is {slew / 10:g} %")  # fmt: skip
        if rate > 1.15 * slew:
            ctx.fail(f"throttle rose by {rate / 10:.1f} % a second, the board's limit is {slew / 10:g} %")


def _watch(ctx: Context) -> ev.Prompt:
    text = "Watch and hear the motor: count its starts, a stumble as one. You are asked for the number at the end."
    return ctx.prompt(ev.PromptKind.DO, text, "watch_motor", role=Role.CRAFT)


def _count_starts(ctx: Context) -> None:
    """What no wire tells: whether the motor did what its pulses said."""
    text = "How often did the motor start to turn? A stumble counts as a start. Type the number."
    answer = ctx.ask(ev.PromptKind.COUNT, text, "count_starts", role=Role.CRAFT, timeout_s=60.0)
    if not answer.strip().isdigit():
        ctx.doubt(f"{answer!r} is no number of starts")
        return
    count = int(answer)
    ctx.read("starts", count, "", 1, source=Source.OPERATOR, note=f"counted; {_STARTS} expected")
    if count != _STARTS:
        ctx.fail(
            f"the motor started {count} times, {_STARTS} expected: it is not connected, or its controller loses the "
            "pulses now and then (signal and ground lead), or its battery is weak"
        )


def _judge(ctx: Context, ramp: _Ramp, link: ControlTraffic, rest: float, slew: int) -> None:
    if ramp.steps:
        steps = np.array(ramp.steps)
        ctx.samples("ramp", "timeline", _STEPS, steps)
        ctx.samples("ramp_supply", "timeline", _LOOKS, np.array(ramp.looks))
        reached = 100 * (ramp.widest_us - ramp.idle_us) / ramp.span_us
        ctx.read("reached", reached, "%", len(steps), note="of full throttle, by the pulse delivered")
        if np.isfinite(steps[:, 2]).any():
            ctx.read(
                "vibration",
                float(np.nanmax(steps[:, 2])),
                "g",
                len(steps),
                source=Source.SAMPLING,
                note="rms, worst step",
            )
    if ramp.vcc:
        ctx.read(
            "sag", max(0.0, rest - min(ramp.vcc)), "V", len(ramp.vcc), source=Source.ADC, note="processor's supply"
        )
    missing, sent = link.missed()
    if sent:
        interval = clopper_pearson(missing, sent).scaled(100)
        note = "control packets, while the motor ran"
        ctx.read("packets_missed", 100 * missing / sent, "%", sent, interval, Source.COUNTING, note=note)
    if ramp.abort:
        ctx.fail(f"aborted: {ramp.abort}")


STAGE = Stage(
    kind="throttle_ramp",
    title="Throttle ramp",
    instruction="THE MOTOR TURNS. Propellers off, craft tied down, hands and leads clear; the stop key is ready.",
    needs=Needs(roles=(Role.HAND, Role.CRAFT), required=(*NEEDED, "esc_arming"), operator=True),
    perform=perform,
    by_air="a motor is driven over a cable only",
    parameters=(
        Parameter("cap", 20.0, "throttle cap; above 20 % a further attestation is asked for", "%", 1.0, 30.0),
        Parameter("step", 5.0, "from step to step", "%", 0.5, 30.0),
        Parameter("hold_seconds", 1.5, "time at each step", "s", 0.3, 30.0),
        Parameter("address", 0x68, "bus address of the inertial sensor", "", 0x68, 0x69),
        Parameter("abort_sag", 0.5, "supply sag at which the ramp is broken off", "V", 0.05, 5.0),
        Parameter("abort_vibration", 2.0, "vibration at which the ramp is broken off", "g", 0.05, 16.0),
    ),
    measures=(
        Measure("reached", "%", "throttle reached", None, "higher", 1, ""),
        Measure("sag", "V", "processor's supply under throttle", Limit(max=0.3), "lower", 0.05, ""),
        Measure("vibration", "g", "rms, worst step", Limit(max=1.0), "lower", 0.05, ""),
        Measure("starts", "", "times the motor started or stumbled, counted", Limit(2, 2), "same", 0.5, ""),
        Measure("slew", "%", "throttle rise per second", None, "same", 3, ""),
        Measure("packets_missed", "%", "control packets missed", Limit(max=2.0), "lower", 1, ""),
    ),
    expected_s=lambda p: 9.0 + float(p["cap"]) / float(p["step"]) * float(p["hold_seconds"]),
    spins=True,
)
