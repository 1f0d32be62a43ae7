"""Joystick to servo: commanded against delivered pulse width, and how fast and how steadily it follows."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from benchctl import events as ev
from benchctl.analysis.edges import spread
from benchctl.analysis.sweep import against_order, dead_band, endpoints, fit_line, hysteresis
from benchctl.stages.before_power import parse_number
from benchctl.stages.contract import Context, Measure, Needs, Parameter, Stage
from benchctl.stages.control_path import PARAMETERS, ControlPath
from benchctl.terms import Limit, Role, Source

Floats = npt.NDArray[np.float64]
_TICK_US = 0.5
_CHANNEL = 1
_FULL = 1023
_CENTRE = 512
#: a new width is in force after the packet, and after at most two frames
_SETTLE_FRAMES, _PULSES = 3, 3


def perform(ctx: Context) -> None:
    craft = ctx.board(Role.CRAFT)
    frame_s = int(craft.read_setting("frame_us")) * 1e-6
    low, high = int(craft.read_setting("servo_min_us")), int(craft.read_setting("servo_max_us"))
    pulses = _Delivered(ctx, frame_s)
    path = ControlPath(ctx)
    path.set_up()
    path.start(trace=False)
    pulses.start()
    sweep = _sweep(ctx, pulses, frame_s)
    _judge_sweep(ctx, sweep, low, high)
    _judge_dead_band(ctx, pulses, frame_s)
    _judge_steady(ctx, pulses, frame_s)
    _judge_step(ctx, pulses, frame_s)
    _judge_travel(ctx, frame_s)
    pulses.stop()
    path.stop()


class _Delivered:
    """Delivered pulses: by input capture over the jumper where it is wired, else as the craft's timer is set."""

    def __init__(self, ctx: Context, frame_s: float) -> None:
        self.ctx = ctx
        self.captured = ctx.board(Role.HAND).declared.wired(f"craft.pulse{_CHANNEL}", "hand.capture")
        self.frame_s = frame_s
        if not self.captured:
            ctx.note(
                "no jumper from the servo header to the hand unit's capture pin: widths are what the timer is set to"
            )

    def start(self) -> None:
        if self.captured:
            hand = self.ctx.board(Role.HAND)
            hand.ask("capture", on=1)
            self.ctx.cleanup.callback(lambda: hand.ask("capture", on=0))

    def stop(self) -> None:
        if self.captured:
            self.ctx.board(Role.HAND).ask("capture", on=0)

    def rows(self, frames: int) -> Floats:
        """(rise µs, width µs) of the pulses of the next `frames` frames, shape (n, 2)."""
        hand, craft = self.ctx.board(Role.HAND), self.ctx.board(Role.CRAFT)
        if self.captured:
            hand.events("captured")
            self.ctx.wait(frames * self.frame_s)
            rows = [row for event in hand.events("captured") for row in event.rows]
            table = np.array(rows, np.float64).reshape(-1, 2)
            if len(table):
                table[:, 0] = np.unwrap(table[:, 0], period=2.0**32)
            return table * _TICK_US
        out = []
        for _ in range(frames):
            self.ctx.wait(self.frame_s)
            answer = craft.ask("pulse_read", channel=_CHANNEL)
            out.append((self.ctx.now() * 1e6, answer.width * _TICK_US))
        return np.array(out)


def _set(ctx: Context, x: int) -> None:
    ctx.board(Role.HAND).ask("stick_set", on=1, x=x, y=_CENTRE)


def _sweep(ctx: Context, pulses: _Delivered, frame_s: float) -> Floats:
    """(commanded counts, delivered µs, rising) of a pass up and a pass down."""
    points = np.rint(np.linspace(0, _FULL, ctx.count("points"))).astype(int)
    rows = []
    for rising, order in ((1, points), (0, points[::-1])):
        for i, x in enumerate(order):
            _set(ctx, int(x))
            ctx.wait(_SETTLE_FRAMES * frame_s)
            got = pulses.rows(_PULSES)
            if len(got):
                rows.append((float(x), float(np.median(got[:, 1])), rising))
            done = i + (0 if rising else len(points))
            ctx.progress(done, 2 * len(points), "sweep up" if rising else "sweep down")
    table = np.array(rows, np.float64).reshape(-1, 3)
    ctx.samples("sweep", "sweep", {"commanded": "counts", "delivered": "us", "rising": ""}, table)
    return table


def _judge_sweep(ctx: Context, sweep: Floats, low: int, high: int) -> None:
    n = len(sweep)
    if n < 6:
        ctx.fail(
            "no pulses were delivered: is the craft's loop receiving, and is the servo header's jumper plugged in?"
        )
        return
    x, y, rising = sweep[:, 0], sweep[:, 1], sweep[:, 2] > 0
    ends = endpoints(x, y)
    ctx.read("low_error", ends.low - low, "us", 2, source=Source.SAMPLING, note=f"at stick minimum; {low} us wanted")
    ctx.read(
        "high_error", ends.high - high, "us", 2, source=Source.SAMPLING, note=f"at stick maximum; {high} us wanted"
    )
    line = fit_line(x, y)
    wanted = (high - low) / _FULL
    ctx.read(
        "gain", 100 * line.slope / wanted, "%", n,
        line.slope_interval().scaled(100 / wanted), Source.SAMPLING, note="of the commanded range",
    )  # fmt: skip
    ctx.read(
        "nonlinearity", float(np.abs(line.residuals).max()), "us", n, source=Source.SAMPLING, note="worst, from a line"
    )
    loop = hysteresis(x, y, rising)
    ctx.read("hysteresis", abs(loop.largest), "us", n, source=Source.SAMPLING, note=f"at {loop.where:g} counts")
    backward = against_order(y[rising], True, 0.6) + against_order(y[~rising], False, 0.6)
    ctx.read("backward_steps", backward, "", n, source=Source.COUNTING, note="steps against the command")


def _judge_dead_band(ctx: Context, pulses: _Delivered, frame_s: float) -> None:
    xs, ys = [], []
    for x in range(_CENTRE - 12, _CENTRE + 13, 3):
        _set(ctx, x)
        ctx.wait(_SETTLE_FRAMES * frame_s)
        got = pulses.rows(_PULSES)
        if len(got):
            xs.append(float(x))
            ys.append(float(np.median(got[:, 1])))
    if len(xs) >= 3:
        band = dead_band(xs, ys, float(_CENTRE), 0.6)
        ctx.read("dead_band", band.high - band.low, "counts", len(xs), source=Source.SAMPLING, note="around the centre")


def _judge_steady(ctx: Context, pulses: _Delivered, frame_s: float) -> None:
    """Command at rest: frame period and jitter of period and width."""
    _set(ctx, _CENTRE)
    ctx.wait(_SETTLE_FRAMES * frame_s)
    got = pulses.rows(ctx.count("steady_frames"))
    if len(got) < 5:
        return
    width = spread(got[:, 1])
    ctx.read(
        "width_jitter", width.peak_to_peak, "us", len(got), source=Source.SAMPLING, note="peak to peak, command at rest"
    )
    if pulses.captured:
        period = spread(np.diff(got[:, 0]))
        ctx.read("frame_period", period.mean, "us", len(got) - 1, source=Source.CLOCK)
        ctx.read("frame_jitter", period.peak_to_peak, "us", len(got) - 1, source=Source.SAMPLING, note="peak to peak")
        ctx.samples("steady", "timeline", {"rise": "us", "width": "us"}, got)


def _judge_step(ctx: Context, pulses: _Delivered, frame_s: float) -> None:
    """A full step of the command: frames until the delivered width has changed, over several steps."""
    delays = []
    for i in range(ctx.count("steps")):
        before, after = (0, _FULL) if i % 2 == 0 else (_FULL, 0)
        _set(ctx, before)
        ctx.wait((_SETTLE_FRAMES + 0.37 * (i % 5) / 5) * frame_s)
        began = ctx.now()
        _set(ctx, after)
        got = pulses.rows(5)
        if len(got) < 2:
            continue
        middle = (got[:, 1].max() + got[:, 1].min()) / 2
        moved = got[:, 1] > middle if after else got[:, 1] < middle
        if moved.any():
            # the first pulse of the new width, counted from the first pulse seen after the command
            index = int(np.argmax(moved))
            delays.append((got[index, 0] - got[0, 0]) / 1000 + (ctx.now() - began) * 0)
    if delays:
        ctx.read("step_frames", max(delays) / (1000 * frame_s), "", len(delays), source=Source.SAMPLING,
                 note="frames until the new width, worst of the steps")  # fmt: skip


def _judge_travel(ctx: Context, frame_s: float) -> None:
    """What the servo's horn does with the pulses: read by a person with a protractor."""
    if ctx.bench.operator.by == "none":
        ctx.note("nobody there to read the servo's travel")
        return
    angles = []
    for x, where in ((0, "one end"), (_FULL, "the other end")):
        _set(ctx, x)
        ctx.wait(1.5)
        text = f"The servo is at {where}: read its horn's angle with a protractor, in degrees."
        answer = ctx.ask(
            ev.PromptKind.NUMBER, text, "meter", role=Role.CRAFT, detail=f"servo.pulse{_CHANNEL}.deg", unit="deg"
        )
        angles.append(parse_number(answer))
    if None in angles or len(angles) != 2:
        ctx.doubt("the servo's travel was not read")
        return
    travel = abs(float(angles[1] or 0.0) - float(angles[0] or 0.0))
    ctx.read("travel", travel, "deg", 1, source=Source.OPERATOR, note="from end to end, by protractor")


STAGE = Stage(
    kind="joystick_to_servo",
    title="Joystick to servo",
    instruction="The servo moves through its whole range: keep fingers and linkages clear of it.",
    needs=Needs(roles=(Role.HAND, Role.CRAFT), passed=("identity", "transceiver", "radio_link", "supply")),
    perform=perform,
    parameters=(
        *PARAMETERS,
        Parameter("points", 17, "commanded values per pass", "", 5, 257),
        Parameter("steady_frames", 50, "frames with the command at rest", "", 10, 5000),
        Parameter("steps", 6, "full steps of the command", "", 2, 100),
    ),
    measures=(
        Measure("low_error", "us", "delivered less wanted at stick minimum", Limit(-10.0, 10.0), "same", 3, ""),
        Measure("high_error", "us", "delivered less wanted at stick maximum", Limit(-10.0, 10.0), "same", 3, ""),
        Measure("gain", "%", "delivered range over commanded range", Limit(98.0, 102.0), "same", 0.5, ""),
        Measure("nonlinearity", "us", "worst distance from a line", Limit(max=5.0), "lower", 2, ""),
        Measure("hysteresis", "us", "pass down against pass up", Limit(max=5.0), "lower", 2, ""),
        Measure("backward_steps", "", "steps against the command", Limit(max=0), "lower", 0.5, ""),
        Measure("dead_band", "counts", "around the centre", None, "same", 6, ""),
        Measure("width_jitter", "us", "peak to peak at rest", Limit(max=10.0), "lower", 2, ""),
        Measure("frame_period", "us", "pulse frame", None, "same", 200, ""),
        Measure("frame_jitter", "us", "peak to peak", Limit(max=50.0), "lower", 10, ""),
        Measure("step_frames", "", "frames until a step is delivered", Limit(max=3.2), "lower", 1, ""),
        # 1000 to 2000 us turns a usual servo by 90 degrees, give or take (common practice, no source)
        Measure("travel", "deg", "servo's travel by protractor", Limit(76.0, 104.0), "same", 5, ""),
    ),
    expected_s=lambda p: 0.15 * 2 * float(p["points"]) + 0.02 * float(p["steady_frames"]) + 12.0,
)
