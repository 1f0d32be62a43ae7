"""Gauge: are the jumpers where they should be, is the pair alive? Nothing is asked of its firmware."""

from __future__ import annotations

import math

from benchctl.errors import Refused
from benchctl.stages.contract import Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.gauge_lines import DIVIDER, LED, MOTOR, SUPPLIES, SWITCH, GaugeLines
from benchctl.stages.outputs import SERVO_UNCONFIRMED, servo_moves
from benchctl.terms import Interval, Limit, Role, Source
from benchctl.wire import msg
from benchctl.wire.catalogue import NO_PIN

#: the converter's absolute accuracy of 2 counts of 1024 (data sheet), and two resistors of 1 %
_SUPPLY_SHARE = 0.02


def perform(ctx: Context) -> None:
    lines = GaugeLines(ctx, LED, SWITCH, MOTOR)
    lines.start()
    if ctx.word("pair") == "probe":
        _start_probes(ctx)
        if not servo_moves(ctx.bench.boards[Role.CRAFT]):
            ctx.fail(SERVO_UNCONFIRMED)
            return
    _supplies(ctx)
    if not lines.wait_for(lambda: bool(lines.pulses), ctx.number("start_ms") * 1e-3):
        ctx.note("no pulse came on the servo line: is the craft on, is its jumper in?", "warning")
    ctx.wait(0.5)
    lines.forget()
    lines.wait_for(lambda: False, 0.5)
    ctx.read("pulses", len(lines.pulses) / 0.5, "Hz", len(lines.pulses), note="pulses a second on the servo line")
    ctx.read("follows_switch", float(_follows_switch(lines)), note="1: the LED follows the switch line")
    ctx.read("follows_stick", float(_follows_stick(ctx, lines)), note="1: the servo pulse follows the joystick input")


def _start_probes(ctx: Context) -> None:
    """A pair with the probe firmware on it stands in for one with its own."""
    for role in (Role.CRAFT, Role.HAND):
        board = ctx.bench.boards[role]
        board.open()
        board.ask(msg.LoopStart(trace=0), timeout=1.0)


def _supplies(ctx: Context) -> None:
    gauge = ctx.board(Role.GAUGE)
    own = gauge.ask(msg.Vitals()).vcc_mv * 1e-3
    for role, (source, function) in SUPPLIES.items():
        if gauge.wiring.pins.get(function, NO_PIN) == NO_PIN:
            continue
        try:
            a = gauge.ask(msg.Adc(source=source, prescaler=7, count=64, gap_us=500), timeout=1.0)
        except Refused as e:
            ctx.note(f"the gauge does not measure the {role} unit's supply: {e}", "warning")
            continue
        volts = DIVIDER * own * a.sum / a.count / 1024 if a.count else math.nan
        half = _SUPPLY_SHARE * volts
        ctx.read(f"{role}.vcc", volts, "V", a.count, Interval(volts - half, volts + half), Source.ADC)


def _follows_switch(lines: GaugeLines) -> bool:
    seen = []
    for low in (True, False):
        lines.forget()
        lines.pull(low)
        seen.append(lines.wait_for(lambda: bool(lines.edges[LED]), 1.0))
    return all(seen)


def _follows_stick(ctx: Context, lines: GaugeLines) -> bool:
    widths = []
    for counts in (200, 824):
        lines.stick(counts)
        ctx.wait(0.5)
        lines.forget()
        lines.wait_for(lambda: len(lines.pulses) >= 5, 1.0)
        widths.append(float(lines.widths().mean()) if lines.pulses else math.nan)
    return abs(widths[1] - widths[0]) > 100.0


STAGE = Stage(
    kind="gauge_wiring",
    title="Gauge wiring",
    instruction="Gauge, hand unit and craft share a ground; motors are unplugged. The gauge tries every jumper.",
    needs=Needs(roles=(Role.GAUGE,), passed=("identity",)),
    perform=perform,
    swings=True,
    parameters=(
        Parameter("pair", "own", "the pair's firmware; of the probe the control loop is started first",
                  choices=("own", "probe")),
        Parameter("start_ms", 5000, "the pair may take so long to start", "ms", 100, 60_000),
    ),
    measures=(
        ReadingSpec(
            "vcc", "V", "supply of the pair", Limit(min=1.8), "same", 4, "%",
            about="Supply of the boards under test, at the gauge. Usual: 3.3 or 5 V.",
        ),
        ReadingSpec(
            "pulses", "Hz", "pulses on the servo line", Limit(min=10.0), "same", 10, "%",
            about="Pulses per second that the gauge sees. Usual: 50 (common practice, no source).",
        ),
        ReadingSpec(
            "follows_switch", "", "LED follows the switch line (1: yes)", Limit(min=1), "higher", 0.5, "",
            about="Whether pulling the switch line changes the LED; without it a jumper is wrong. Usual: yes.",
        ),
        ReadingSpec(
            "follows_stick", "", "servo follows the joystick input (1: yes)", Limit(min=1), "higher", 0.5, "",
            about="Whether the voltage at the joystick input moves the pulse; without it a jumper is wrong. Usual: "
                  "yes.",
        ),
    ),
    expected_s=lambda p: 4.0,
)  # fmt: skip
