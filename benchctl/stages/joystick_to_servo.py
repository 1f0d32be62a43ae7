"""Joystick to servo: commanded against delivered pulse width, and how fast and how steadily it follows."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchctl import events as ev
from benchctl.analysis.edges import spread
from benchctl.analysis.sweep import against_order, dead_band, endpoints, fit_line, hysteresis
from benchctl.errors import BoardError, Refused
from benchctl.session.board import Board
from benchctl.stages.contract import Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.control_path import PARAMETERS, ControlPath
from benchctl.stages.host_clock import UNKNOWN_PPM, HostClock, Rate
from benchctl.stages.metering import parse_number
from benchctl.stages.outputs import SERVO_UNCONFIRMED, servo_moves
from benchctl.terms import Interval, Limit, Role, Source
from benchctl.units import TICK_US
from benchctl.wire import msg
from benchctl.wire.catalogue import Load, PulseKind

Floats = npt.NDArray[np.float64]
_FULL = 1023
_CENTRE = 512
#: a new width is in force after the packet, and after at most two frames
#: pulses of a pin without compare unit come by two widths some 6 us apart: their mean is steadier than their median
_SETTLE_FRAMES, _PULSES = 3, 7
#: stick counts from point to point of the dead band
_BAND_STEP = 3
#: frames looked at after a step, and the change of width that is one
_STEP_FRAMES, _STEP_US = 5, 200.0
_SWEPT = "pulse delivered at each place of the stick"
_SWEEP = {"commanded": "counts", "delivered": "us", "rising": ""}
#: a person pushes the joystick over
_MOVE_S = 3.0
#: by which a person may misread a horn on a protractor (common practice, no source)
_PROTRACTOR_DEG = 0.5


def perform(ctx: Context) -> None:
    craft = ctx.board(Role.CRAFT)
    if not (craft.identity is not None and craft.identity.own) and not servo_moves(craft):
        ctx.fail(SERVO_UNCONFIRMED)
        return
    if not _too_far(ctx, craft):
        with ctx.tolerating(craft):
            _by_the_stick(ctx, craft)
    if ctx.bench.operator.by != "none":
        with ctx.tolerating(craft):
            _judge_unrest(ctx, craft)


def _too_far(ctx: Context, craft: Board) -> bool:
    """Whether the boards cannot be asked while control packets fly; then it has been said."""
    if craft.via and not _jumpered(ctx):
        ctx.doubt("the craft is reached over the air: without the jumper from its servo header to the hand unit's "
                  "capture pin the pulses cannot be seen while control packets fly")  # fmt: skip
        return True
    if ctx.board(Role.HAND).via:
        ctx.doubt("the hand unit is reached over the air: while it sends control packets it cannot be asked")
        return True
    return False


def _by_the_stick(ctx: Context, craft: Board) -> None:
    frame_s = int(craft.read_setting("frame_us")) * 1e-6
    low, high = int(craft.read_setting("servo_min_us")), int(craft.read_setting("servo_max_us"))
    pulses = _Delivered(ctx, frame_s)
    path = ControlPath(ctx)
    path.set_up()
    path.start(trace=False)
    pulses.start()
    pulses.clock.sample()
    sweep = _sweep(ctx, pulses, frame_s)
    pulses.clock.sample()
    pulses.rate = pulses.clock.rate()
    sweep[:, 1] *= pulses.rate.factor
    ctx.samples("sweep", "sweep", _SWEEP, sweep, ctx.picture(_SWEPT))
    _judge_sweep(ctx, sweep, low, high, pulses)
    _judge_dead_band(ctx, pulses, frame_s)
    _judge_steady(ctx, pulses, frame_s)
    _judge_step(ctx, pulses, frame_s)
    _judge_travel(ctx, high - low)
    _judge_moved(ctx, pulses)
    pulses.stop()
    path.stop()


def _jumpered(ctx: Context) -> bool:
    return ctx.board(Role.HAND).wiring.wired(f"craft.pulse{_channel(ctx)}", "hand.capture")


def _channel(ctx: Context) -> int:
    """The pulse output that is looked at: the first declared servo; of somebody's own sketch that declares none, 1."""
    return ctx.board(Role.CRAFT).wiring.channel(PulseKind.SERVO) or 1


@dataclass(frozen=True, slots=True)
class _Pulses:
    """Captured pulses, µs, one each."""

    rise: Floats
    width: Floats

    def __len__(self) -> int:
        return len(self.rise)


class _Delivered:
    """Delivered pulses: by input capture over the jumper where it is wired, else as the craft's timer is set.

    clock: of the board whose ticks they are counted in. rate: makes its µs true ones, once it is known.
    """

    def __init__(self, ctx: Context, frame_s: float) -> None:
        self.ctx = ctx
        self.captured = _jumpered(ctx)
        self.channel = _channel(ctx)
        self.frame_s = frame_s
        self.clock = HostClock(ctx, ctx.board(Role.HAND if self.captured else Role.CRAFT))
        self.rate = Rate(0.0, UNKNOWN_PPM)
        if not self.captured:
            ctx.note(
                "no jumper from the servo header to the hand unit's capture pin: widths are what the timer is set to"
            )

    def start(self) -> None:
        if self.captured:
            hand = self.ctx.board(Role.HAND)
            hand.ask(msg.Capture(on=1))
            self.ctx.cleanup.callback(lambda: hand.ask(msg.Capture(on=0)))

    def stop(self) -> None:
        if self.captured:
            self.ctx.board(Role.HAND).ask(msg.Capture(on=0))

    def doubt_us(self, width_us: float) -> float:
        """How far a delivered width may be from the true one: a tick at both edges, and the rate of the clock."""
        return TICK_US + width_us * self.rate.half * 1e-6

    def over(self, frames: int) -> _Pulses:
        """The pulses of the next `frames` frames, by the true second."""
        found = self.stamped(frames)
        return _Pulses(found.rise * self.rate.factor, found.width * self.rate.factor)

    def stamped(self, frames: int) -> _Pulses:
        """The same by the board's clock; without a jumper the rise is when the craft was asked, by the host's."""
        self.ctx.board(Role.HAND).events(msg.Captured)
        return self.further(frames)

    def further(self, frames: int) -> _Pulses:
        """The same with the pulses that have come since the last look."""
        hand, craft = self.ctx.board(Role.HAND), self.ctx.board(Role.CRAFT)
        if self.captured:
            self.ctx.wait(frames * self.frame_s)
            got = msg.Captured.columns(hand.events(msg.Captured))
            return _Pulses(self.clock.extend_many(got.rise) * TICK_US, got.width.astype(np.float64) * TICK_US)
        rises, widths = [], []
        for _ in range(frames):
            self.ctx.wait(self.frame_s)
            answer = craft.ask(msg.PulseRead(channel=self.channel))
            rises.append(self.ctx.now() * 1e6)
            widths.append(answer.width * TICK_US)
        return _Pulses(np.array(rises), np.array(widths))


def _set(ctx: Context, x: int) -> None:
    ctx.board(Role.HAND).ask(msg.StickSet(on=1, x=x, y=_CENTRE))


def _sweep(ctx: Context, pulses: _Delivered, frame_s: float) -> Floats:
    """(commanded counts, delivered µs, rising) of a pass up and a pass down."""
    points = np.rint(np.linspace(0, _FULL, ctx.count("points"))).astype(int)
    rows = []
    for rising, order in ((1, points), (0, points[::-1])):
        for i, x in enumerate(order):
            _set(ctx, int(x))
            ctx.wait(_SETTLE_FRAMES * frame_s)
            got = pulses.over(_PULSES)
            if len(got):
                rows.append((float(x), float(got.width.mean()), float(rising)))
                ctx.glimpse("sweep", "sweep", _SWEEP, rows, ctx.picture(_SWEPT))
            done = i + (0 if rising else len(points))
            ctx.progress(done, 2 * len(points), "sweep up" if rising else "sweep down")
    return np.array(rows, np.float64).reshape(-1, 3)


def _judge_sweep(ctx: Context, sweep: Floats, low: int, high: int, pulses: _Delivered) -> None:
    n = len(sweep)
    if n < 6:
        ctx.fail("no pulses were pulses: is the craft's loop receiving, and is the servo header's jumper plugged in?")
        return
    x, y, rising = sweep[:, 0], sweep[:, 1], sweep[:, 2] > 0
    ends, tick = endpoints(x, y), pulses.doubt_us(0.0)
    for name, got, wanted, where in (("low", ends.low, low, "minimum"), ("high", ends.high, high, "maximum")):
        ctx.read(
            f"{name}_error", got - wanted, "us", 2 * _PULSES, _about(got - wanted, pulses.doubt_us(got)), Source.CLOCK,
            note=f"at stick {where}; {wanted} µs wanted",
        )  # fmt: skip
    line = fit_line(x, y)
    wanted_slope = (high - low) / _FULL
    gain = line.slope_interval().scaled(100 / wanted_slope)
    clock = 100 * pulses.rate.half * 1e-6
    ctx.read(
        "gain", 100 * line.slope / wanted_slope, "%", n,
        Interval(gain.low - clock, gain.high + clock), Source.SAMPLING, note="of the commanded range",
    )  # fmt: skip
    worst = float(np.abs(line.residuals).max())
    ctx.read("nonlinearity", worst, "us", n, _about(worst, tick, 0.0), Source.SAMPLING, note="worst, from a line")
    loop = hysteresis(x, y, rising)
    ctx.read(
        "hysteresis", abs(loop.largest), "us", n, _about(abs(loop.largest), 2 * tick, 0.0), Source.SAMPLING,
        note=f"at {loop.where:g} counts",
    )  # fmt: skip
    backward = against_order(y[rising], True, 0.6) + against_order(y[~rising], False, 0.6)
    ctx.read("backward_steps", backward, "", n, source=Source.COUNTING, note="steps against the command")


def _about(value: float, half: float, least: float = -np.inf) -> Interval:
    return Interval(max(least, value - half), value + half)


def _judge_dead_band(ctx: Context, pulses: _Delivered, frame_s: float) -> None:
    xs, ys = [], []
    for x in range(_CENTRE - 12, _CENTRE + 13, _BAND_STEP):
        _set(ctx, x)
        ctx.wait(_SETTLE_FRAMES * frame_s)
        got = pulses.over(_PULSES)
        if len(got):
            xs.append(float(x))
            ys.append(float(np.median(got.width)))
    if len(xs) >= 3:
        band = dead_band(xs, ys, float(_CENTRE), 0.6)
        width = band.high - band.low
        ctx.read(
            "dead_band", width, "counts", len(xs), _about(width, 2 * _BAND_STEP, 0.0), Source.SAMPLING,
            note=f"around the centre, in steps of {_BAND_STEP}",
        )  # fmt: skip


def _judge_steady(ctx: Context, pulses: _Delivered, frame_s: float) -> None:
    """Command at rest: frame period and jitter of period and width."""
    _set(ctx, _CENTRE)
    ctx.wait(_SETTLE_FRAMES * frame_s)
    got = pulses.over(ctx.count("steady_frames"))
    if len(got) < 5:
        return
    width = spread(got.width)
    jitter = width.peak_to_peak
    ctx.read(
        "width_jitter", jitter, "us", len(got), _about(jitter, TICK_US, 0.0), Source.SAMPLING,
        note="peak to peak, command at rest",
    )  # fmt: skip
    if pulses.captured:
        period = spread(np.diff(got.rise))
        n = len(got) - 1
        doubt = pulses.doubt_us(period.mean) - TICK_US + TICK_US / n
        ctx.read("frame_period", period.mean, "us", n, _about(period.mean, doubt), Source.CLOCK)
        wander = period.peak_to_peak
        ctx.read("frame_jitter", wander, "us", n, _about(wander, TICK_US, 0.0), Source.SAMPLING, note="peak to peak")
        ctx.samples("steady", "timeline", {"rise": "us", "width": "us"}, np.column_stack((got.rise, got.width)),
                    ctx.picture("pulses with the command at rest"))  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Asked:
    """A step of the command. sent, answered: host µs around the request. rise: of the first pulse of the new width."""

    sent: float
    answered: float
    rise: float


def _judge_step(ctx: Context, pulses: _Delivered, frame_s: float) -> None:
    """A full step of the command: time until the first pulse of the new width begins, over several steps."""
    steps = [step for i in range(ctx.count("steps")) if (step := _one_step(ctx, pulses, i, frame_s)) is not None]
    if not steps:
        return
    pulses.clock.sample()
    relation = pulses.clock.relation()
    slack = 1e6 * frame_s if not pulses.captured else 0.0  # asked frame by frame, a change is seen up to one later
    delays = []
    for step in steps:
        rise, doubt = step.rise, 0.0
        if pulses.captured:
            rise = float(relation.to_a(np.array([step.rise]))[0])
            doubt = float(relation.half_width([rise])[0])
        # the request was in force at the earliest when it had been sent, at the latest when its answer was there
        delays.append((rise - step.sent, max(0.0, rise - step.answered - doubt - slack), rise - step.sent + doubt))
    worst, low, high = max(delays)
    ctx.read(
        "step", worst / 1000, "ms", len(delays), Interval(low, max(high, low)).scaled(1e-3), Source.CLOCK,
        floor=0.0, note="from the command to the first pulse of the new width, longest of the steps",
    )  # fmt: skip
    ctx.read(
        "step_frames", worst / (1e6 * frame_s), "", len(delays), Interval(low, max(high, low)).scaled(1e-6 / frame_s),
        Source.CLOCK, note="the same in frames",
    )  # fmt: skip


def _one_step(ctx: Context, pulses: _Delivered, number: int, frame_s: float) -> _Asked | None:
    """At another place in the frame each time. None when the new width did not come."""
    before, after = (0, _FULL) if number % 2 == 0 else (_FULL, 0)
    _set(ctx, before)
    ctx.wait((_SETTLE_FRAMES + 0.37 * number % 1.0) * frame_s)
    old = pulses.stamped(2)
    if not len(old):
        return None
    sent = ctx.now() * 1e6
    _set(ctx, after)
    answered = ctx.now() * 1e6
    got = pulses.further(_STEP_FRAMES)
    changed = np.abs(got.width - np.median(old.width)) > _STEP_US
    if not changed.any():
        return None
    return _Asked(sent, answered, float(got.rise[int(np.argmax(changed))]))


def _judge_travel(ctx: Context, pulses_us: float) -> None:
    """The travel of the servo's horn as the pulse changes by `pulses_us`: read by a person with a protractor."""
    if ctx.bench.operator.by == "none":
        ctx.note("nobody there to read the servo's travel")
        return
    angles = []
    for x, where in ((0, "one end"), (_FULL, "the other end")):
        _set(ctx, x)
        ctx.wait(1.5)
        text = f"The servo is at {where}: read its horn's angle with a protractor, in degrees."
        answer = ctx.ask(
            ev.PromptKind.NUMBER, text, "meter", role=Role.CRAFT, detail=f"servo.pulse{_channel(ctx)}.deg", unit="deg"
        )
        angles.append(parse_number(answer))
    if None in angles or len(angles) != 2:
        ctx.doubt("the servo's travel was not read")
        return
    travel = abs(float(angles[1] or 0.0) - float(angles[0] or 0.0))
    per_ms = 1000.0 / pulses_us
    about = Interval(max(0.0, travel - 2 * _PROTRACTOR_DEG), travel + 2 * _PROTRACTOR_DEG).scaled(per_ms)
    note = f"for 1000 µs of pulse; {travel:g}° from end to end, by protractor"
    ctx.read("travel", travel * per_ms, "deg", 1, about, Source.OPERATOR, note=note)


def _judge_moved(ctx: Context, pulses: _Delivered) -> None:
    """The real joystick, moved by a person, in place of the commands that stood in for it."""
    if ctx.bench.operator.by == "none":
        ctx.note("nobody there to move the joystick")
        return
    text = "Push the joystick fully to the right and hold it: the servo follows."
    more = {"role": Role.HAND, "detail": f"right {_MOVE_S:g}", "timeout_s": _MOVE_S + 5}
    prompt = ctx.prompt(ev.PromptKind.DO, text, "move_joystick", **more)
    ctx.board(Role.HAND).ask(msg.StickSet(on=0, x=_CENTRE, y=_CENTRE))
    try:
        got = pulses.over(round(_MOVE_S / pulses.frame_s))
    finally:
        ctx.done(prompt)
    if not len(got):
        ctx.note("no pulse was seen while the joystick was moved", "warning")
        return
    moved = float(np.ptp(got.width))
    about = _about(moved, 2 * TICK_US, 0.0)
    ctx.read("stick_moves", moved, "us", len(got), about, Source.SAMPLING, note="pulse, the real joystick pushed over")
    if moved < _STEP_US:
        ctx.note("the servo's pulse hardly follows the real joystick: see the controls stage", "warning")


def _judge_unrest(ctx: Context, craft: Board) -> None:
    """The horn at rest on the board's own pulses, which the timer keeps steady, read several times.

    Without any radio: one that twitches points to the servo and its supply.
    """
    if craft.identity is not None and craft.identity.own:
        return  # somebody's own sketch drives its servo itself, and by radio only
    with suppress(Refused):  # a loop that could not begin need not end
        craft.ask(msg.LoopStop(), timeout=1.0)
    craft.ask(msg.Load(load=Load.SERVO, on=1, strength=50))
    ctx.cleanup.callback(_let_go, craft)
    ctx.wait(1.5)
    seen = []
    for n in range(_UNREST_LOOKS):
        text = f"Look {n + 1} of {_UNREST_LOOKS} at the servo at rest: read its horn's angle, in degrees."
        answer = ctx.ask(
            ev.PromptKind.NUMBER, text, "meter", role=Role.CRAFT, detail=f"servo.pulse{_channel(ctx)}.deg", unit="deg"
        )
        seen.append(parse_number(answer))
    angles = [a for a in seen if a is not None]
    if len(angles) >= 3:
        note = f"spread of {len(angles)} looks at the horn at rest"
        spread = max(angles) - min(angles)
        about = Interval(max(0.0, spread - 2 * _PROTRACTOR_DEG), spread + 2 * _PROTRACTOR_DEG)
        ctx.read("unrest", spread, "deg", len(angles), about, Source.OPERATOR, note=note)


def _let_go(craft: Board) -> None:
    with suppress(BoardError):
        craft.ask(msg.Load(load=Load.SERVO, on=0, strength=0))


#: looks at the horn at rest
_UNREST_LOOKS = 4

STAGE = Stage(
    kind="joystick_to_servo",
    title="Joystick to servo",
    instruction="The servo moves through its whole range: keep fingers and linkages clear of it.",
    needs=Needs(
        roles=(Role.HAND, Role.CRAFT),
        passed=("identity", "transceiver", "radio_link", "supply"),
        wired=((Role.CRAFT, "servo"),),
    ),
    perform=perform,
    by_air="",
    parameters=(
        *PARAMETERS,
        Parameter("points", 17, "commanded values per pass", "", 5, 257),
        Parameter("steady_frames", 50, "frames with the command at rest", "", 10, 5000),
        Parameter("steps", 6, "full steps of the command", "", 2, 100),
    ),
    measures=(
        # a resonator at the end of its ±0.5 % makes 2 ms 10 us longer or shorter
        ReadingSpec(
            "low_error", "us", "pulse error at stick minimum", Limit(-12.0, 12.0), "same", 3, "",
            about="Delivered less commanded width at one end; the horn stands off by as much. Usual: below 2 µs; a "
                  "servo's dead band is some 4 µs (common practice, no source).",
        ),
        ReadingSpec(
            "high_error", "us", "pulse error at stick maximum", Limit(-12.0, 12.0), "same", 3, "",
            about="Delivered less commanded width at the other end. Usual: below 2 µs.",
        ),
        ReadingSpec(
            "gain", "%", "delivered over commanded range", Limit(98.0, 102.0), "same", 0.5, "",
            about="Delivered range of pulse widths as a share of the commanded one. Usual: 99.5 to 100.5 %; a clock "
                  "error shows here.",
        ),
        ReadingSpec(
            "nonlinearity", "us", "worst distance from a line", Limit(max=5.0), "lower", 2, "",
            about="How far the delivered widths stray from a straight line. Usual: below 2 µs.",
        ),
        ReadingSpec(
            "hysteresis", "us", "way down against way up", Limit(max=5.0), "lower", 2, "",
            about="Difference of the two passes at the same command. Usual: below 2 µs.",
        ),
        ReadingSpec(
            "backward_steps", "", "steps against the command", Limit(max=0), "lower", 0.5, "",
            about="Steps in which the pulse moved the other way; a bit is lost or a byte torn. Usual: 0.",
        ),
        ReadingSpec(
            "dead_band", "counts", "dead band around the centre", None, "same", 6, "",
            about="Counts around the stick's centre that move nothing; too small and the servo hums, too large and "
                  "it feels loose. Usual: 4 to 20.",
        ),
        ReadingSpec(
            "width_jitter", "us", "pulse jitter at rest", Limit(max=10.0), "lower", 2, "",
            about="Spread of the pulse width, peak to peak, with the stick at rest; the servo hums. Usual: below 2 "
                  "µs with compare outputs.",
        ),
        ReadingSpec(
            "frame_period", "us", "pulse frame", None, "same", 200, "",
            about="Time from pulse to pulse. Usual: 20 ms for analogue servos (common practice, no source).",
        ),
        ReadingSpec(
            "frame_jitter", "us", "pulse frame's jitter", Limit(max=50.0), "lower", 10, "",
            about="Spread of the time from pulse to pulse, peak to peak. Usual: below 5 µs.",
        ),
        ReadingSpec(
            "step", "ms", "step until delivered", None, "lower", 5, "",
            about="Time from a step of the command to the first pulse of the new width. Usual: 20 to 50 ms, one or "
                  "two frames.",
        ),
        ReadingSpec(
            "step_frames", "", "frames until a step is delivered", Limit(max=3.2), "lower", 1, "",
            about="The same in pulse frames. Usual: 1 to 2.",
        ),
        ReadingSpec(
            "stick_moves", "us", "pulse moved by the real stick", None, "higher", 30, "",
            about="How far the pulse went as a person pushed the stick; it proves the whole path. Usual: several "
                  "hundred µs.",
        ),
        # a horn at rest moves by less than its dead band; 2 degrees are seen at once (common practice, no source). The
        # margin is wider than the eye's: two spreads, each known to two misreadings
        ReadingSpec(
            "unrest", "deg", "horn's unrest", Limit(max=2.0), "lower", 3, "",
            about="How far the horn moves with the stick at rest, by eye or protractor; 2° are seen at once (common "
                  "practice, no source).",
        ),
        # 1000 to 2000 us turns a usual servo by 90 degrees, give or take (common practice, no source)
        ReadingSpec(
            "travel", "deg", "servo's travel for 1000 µs", Limit(76.0, 104.0), "same", 5, "",
            about="How far the horn turns, by protractor. Usual: 90° (common practice, no source).",
        ),
    ),
    expected_s=lambda p: 0.15 * 2 * float(p["points"]) + 0.02 * float(p["steady_frames"]) + 12.0,
    swings=True,
)  # fmt: skip
