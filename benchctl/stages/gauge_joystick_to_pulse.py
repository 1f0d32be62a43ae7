"""Gauge: from the voltage at the joystick input to the servo pulse, and how steady the pulses are."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from benchctl.analysis.restarts import ODD_SHARE
from benchctl.stages.contract import Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.gauge_lines import (
    CRAFT_RESET,
    HAND_RESET,
    MOTOR,
    RESETS,
    STAMP_US,
    GaugeLines,
    Waits,
    read_mean,
    read_quantile,
    read_resets,
    read_spread,
)
from benchctl.terms import Interval, Limit, Role, Source
from benchctl.units import TICK_US

Floats = npt.NDArray[np.float64]
#: what one tick at either edge does to a width
_LOW, _CENTRE, _HIGH = 128, 512, 896
#: two-sided 97.5 % point of the normal distribution
_Z = 1.96


def perform(ctx: Context) -> None:
    lines = GaugeLines(ctx, MOTOR, HAND_RESET, CRAFT_RESET)
    lines.start()
    _curve(ctx, lines)
    _steps(ctx, lines)
    _steady(ctx, lines)
    read_resets(ctx, lines)


def _curve(ctx: Context, lines: GaugeLines) -> None:
    """Both ways through all points; low, centre and high, distance from a line, and up against down."""
    points = np.rint(np.linspace(0, 1023, ctx.count("points")) / 4).astype(int) * 4
    points = np.union1d(points, [_CENTRE]).clip(0, 1023)
    rows = []
    order = [*[(int(x), 1) for x in points], *[(int(x), 0) for x in points[::-1]]]
    for number, (x, rising) in enumerate(order):
        lines.stick(x)
        ctx.wait(ctx.number("settle_ms") * 1e-3)
        lines.forget()
        lines.wait_for(lambda: len(lines.pulses) >= ctx.count("pulses"), 1.0)
        rows += [(x, w, rising) for w in lines.widths()]
        ctx.progress(number + 1, len(order), f"{x} counts")
    table = np.array(rows, np.float64).reshape(-1, 3)
    if not len(table):
        ctx.fail("no pulse came on the servo line during the sweep")
        return
    ctx.samples("curve", "sweep", {"stick": "counts", "delivered": "us", "rising": ""}, table,
                ctx.picture("pulse delivered at each place of the stick"))  # fmt: skip
    for name, x in (("low", points[0]), ("centre", _CENTRE), ("high", points[-1])):
        read_mean(ctx, name, table[table[:, 0] == x, 1], "us", TICK_US)
    _shape(ctx, table, points)


def _shape(ctx: Context, table: Floats, points: Floats) -> None:
    up, down = (np.array([_median(table, x, way) for x in points]) for way in (1, 0))
    both = (up + down) / 2
    known = np.isfinite(both)
    if known.sum() < 3:
        return
    slope, offset = np.polyfit(points[known], both[known], 1)
    residual = both[known] - (slope * points[known] + offset)
    # of a point's width: how its pulses scatter, by the middle of them (a median's error is 1.25 times a mean's)
    scatter = float(np.median([np.std(table[table[:, 0] == x, 1]) for x in points[known]]))
    error = 1.25 * scatter / math.sqrt(2 * ctx.count("pulses"))
    n, away = int(known.sum()), np.abs(residual)
    for name, value, half in (
        ("nonlinearity", away.max(), TICK_US + _Z * error),
        ("unevenness", np.sqrt((away**2).mean()), TICK_US / 2 + _Z * error / math.sqrt(n)),
        ("hysteresis", np.nanmax(np.abs(up - down)), TICK_US + _Z * 2 * error),
    ):
        ctx.read(name, float(value), "us", n, Interval(max(0.0, value - half), value + half), Source.SAMPLING)


def _median(table: Floats, x: float, way: int) -> float:
    found = table[(table[:, 0] == x) & (table[:, 2] == way), 1]
    return float(np.median(found)) if len(found) else math.nan


def _steps(ctx: Context, lines: GaugeLines) -> None:
    """From a step of the voltage to the rise of the first pulse that is beyond the middle of old and new."""
    late: list[float] = []
    when: list[float] = []
    waits = Waits(ctx.bench.chance)
    missed = 0
    lines.stick(_LOW)
    ctx.wait(0.5)
    lines.forget()
    lines.wait_for(lambda: len(lines.pulses) >= 3, 0.5)
    before = float(np.median(lines.widths())) if lines.pulses else math.nan
    lines.stick(_HIGH)
    ctx.wait(0.5)
    lines.forget()
    lines.wait_for(lambda: len(lines.pulses) >= 3, 0.5)
    middle = (before + (float(np.median(lines.widths())) if lines.pulses else math.nan)) / 2
    rising_widens = math.isfinite(middle) and middle > before
    for number in range(ctx.count("steps")):
        high = number % 2 == 1
        ctx.wait(waits.next_s(late))
        found = _one_step(ctx, lines, high, middle, rising_widens is high)
        if found is None:
            missed += 1
        else:
            late.append(found)
            when.append(lines.now())
        ctx.progress(number + 1, ctx.count("steps"), "steps of the joystick input")
    if missed:
        ctx.fail(f"{missed} steps of the joystick input never reached the servo line")
    if late:
        table = np.column_stack((when, late))
        ctx.samples(
            "step",
            "latency",
            {"at": "s", "step": "ms"},
            table,
            ctx.picture("from a step of the stick to the pulse", step="step"),
        )
    read_mean(ctx, "step", late, "ms", 0.3, "to the rise of the first pulse beyond the middle")
    read_spread(ctx, "step_spread", late, "ms", "of the steps: the time from packet to packet shows here")


def _one_step(ctx: Context, lines: GaugeLines, high: bool, middle: float, wider: bool) -> float | None:
    """ms from the step to the pulse; None where none came."""
    lines.forget()
    before = lines.now()
    lines.stick(_HIGH if high else _LOW)
    began = (before + lines.now()) / 2

    def arrived() -> float | None:
        return next((rise for rise, w in lines.pulses if rise > before and (w > middle) is wider), None)

    if not lines.wait_for(lambda: arrived() is not None, 1.5):
        return None
    return 1e3 * ((arrived() or began) - began)


def _steady(ctx: Context, lines: GaugeLines) -> None:
    """Frame, jitter and the motor controller's pulse with everything at rest."""
    lines.stick(0)
    ctx.wait(0.3)
    lines.forget()
    frames = ctx.count("frames")
    lines.wait_for(lambda: len(lines.pulses) > frames, 0.04 * frames + 1.0)
    rises, widths = np.array([r for r, _ in lines.pulses]), lines.widths()
    if len(rises) < 10:
        ctx.fail("too few pulses came on the servo line with everything at rest")
        return
    periods = 1e6 * np.diff(rises)
    typical = float(np.median(periods))
    table = np.column_stack((rises[1:], periods, widths[1 : len(rises)]))
    ctx.samples(
        "steady",
        "timeline",
        {"rise": "s", "frame": "us", "width": "us"},
        table,
        ctx.picture("pulses with everything at rest"),
    )
    odd = np.abs(periods - typical) > ODD_SHARE * typical
    read_mean(ctx, "frame_period", periods[~odd], "us", TICK_US)
    read_quantile(ctx, "frame_jitter", np.abs(periods - typical), 0.95, "us", TICK_US)
    read_quantile(ctx, "width_jitter", np.abs(widths - np.median(widths)), 0.95, "us", TICK_US)
    ctx.read("odd_frames", float(odd.sum()), "", len(periods), note="frames out of order: restarts, hang-ups")
    motor = lines.train(MOTOR)
    if len(motor):
        read_mean(ctx, "motor_idle", motor[:, 1], "us", STAMP_US, "pulse of the motor controller at rest")


STAGE = Stage(
    kind="gauge_joystick_to_pulse",
    title="Joystick to pulse, outside",
    instruction="The gauge plays the joystick and measures the craft's pulses; touch nothing, motors unplugged.",
    needs=Needs(roles=(Role.GAUGE,), passed=("gauge_wiring",)),
    perform=perform,
    swings=True,
    parameters=(
        Parameter("points", 28, "voltages per pass; a power of two and one hides binary steps", "", 5, 257),
        Parameter("pulses", 4, "pulses at each voltage", "", 2, 100),
        Parameter("settle_ms", 90, "from a voltage to its first pulse", "ms", 20, 5000),
        Parameter("steps", 100, "steps of the voltage", "", 4, 2000),
        Parameter("frames", 150, "frames with everything at rest; fewer claim no 95 %", "", 80, 5000),
    ),
    measures=(
        ReadingSpec(
            "low", "us", "pulse at the lowest voltage", None, "same", 6, "",
            about="Pulse width at one end of the stick's track. Usual: 1000 µs (common practice, no source).",
        ),
        ReadingSpec(
            "centre", "us", "pulse at half the supply", None, "same", 8, "",
            about="Pulse width at the stick's middle. Usual: 1500 µs (common practice, no source).",
        ),
        ReadingSpec(
            "high", "us", "pulse at the highest voltage", None, "same", 6, "",
            about="Pulse width at the other end. Usual: 2000 µs (common practice, no source).",
        ),
        ReadingSpec(
            "nonlinearity", "us", "worst distance from a line", None, "lower", 5, "",
            about="How far the widths stray from a straight line over the voltage.",
        ),
        # a map that drops the lowest bits makes steps: they show in all points together before they do in the worst
        ReadingSpec(
            "unevenness", "us", "distance from a line, root mean square", None, "lower", 1.5, "",
            about="The same over all points; a map that drops low bits shows here.",
        ),
        ReadingSpec(
            "hysteresis", "us", "way up against way down", None, "lower", 10, "",
            about="Difference of the two passes at the same voltage.",
        ),
        # where the pulse falls after the packet is a chance of the run when both come at one rate: up to a frame
        ReadingSpec(
            "step", "ms", "step until delivered, mean", None, "lower", 25, "",
            about="Time from a step of the voltage to the first pulse of the new width. Usual: 20 to 60 ms.",
        ),
        ReadingSpec(
            "step_spread", "ms", "step until delivered, spread", None, "lower", 3, "",
            about="Standard deviation of the same times.",
        ),
        ReadingSpec(
            "frame_period", "us", "pulse frame", None, "same", 100, "",
            about="Time from pulse to pulse. Usual: 20 ms for analogue servos (common practice, no source).",
        ),
        ReadingSpec(
            "frame_jitter", "us", "pulse frame's jitter", Limit(max=200.0), "lower", 6, "",
            about="Width within which 95 % of the frames lie. Usual: below 20 µs.",
        ),
        ReadingSpec(
            "width_jitter", "us", "pulse jitter at rest", Limit(max=50.0), "lower", 4, "",
            about="Width within which 95 % of the pulses lie with the stick at rest; above some 10 µs a servo hums "
                  "(common practice, no source).",
        ),
        ReadingSpec(
            "odd_frames", "", "frames out of order", Limit(max=0), "lower", 0.5, "",
            about="Frames at rest that were much too short or too long. Usual: 0.",
        ),
        RESETS,
        ReadingSpec(
            "motor_idle", "us", "motor controller's pulse at rest", None, "same", 15, "",
            about="Width of the motor's pulse with the stick at rest. Usual: 1000 µs one-way, 1500 µs reversible "
                  "(common practice, no source).",
        ),
    ),
    expected_s=lambda p: (
        2 * float(p["points"]) * (1e-3 * float(p["settle_ms"]) + 0.02 * float(p["pulses"]))
        + 0.1 * float(p["steps"])
        + 10.0
        + 0.02 * float(p["frames"])
        + 3.0
    ),
)  # fmt: skip
