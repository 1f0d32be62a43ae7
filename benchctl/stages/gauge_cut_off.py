"""Gauge: what the craft does when the hand unit loses its supply, and how long both take to start."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import numpy as np

from benchctl import events as ev
from benchctl.stages.contract import Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.gauge_lines import CRAFT_RESET, HAND_RESET, MOTOR, STAMP_US, GaugeLines, read_mean
from benchctl.stages.gauge_safe_state import OTHER_US, Line, lines_of, raise_motor
from benchctl.terms import Limit, Role
from benchctl.wire.catalogue import Function

#: what the fall of the supply, and a frame, leave open
_DOUBT_MS = 10.0
#: a processor stops before its reset line is seen low: its brown-out detector at 2.7 V and the line at 1.5 V are so far
#: apart where 50 µF feed 2 mA (worked out; larger capacitors take longer)
_STOPS_BEFORE_MS = 35.0
#: the stick is moved by so little while a cut is waited for, so that firmware that sends on change sends
_STIR = 12
#: a line that has become safe is watched for so long after that
_AFTER_S = 0.3


def perform(ctx: Context) -> None:
    lines = GaugeLines(ctx, MOTOR, HAND_RESET, CRAFT_RESET)
    lines.start()
    watched = lines_of(ctx, lines)
    lines.stick(0)
    ctx.wait(0.5)
    held = raise_motor(ctx, lines, watched)
    if math.isnan(watched[0].held_us):
        ctx.fail("no pulse comes on the servo line")
        return
    for line in [w for w in watched if not w.off_idle()]:
        ctx.doubt(
            f"the {line.name}'s pulse is its safe one at both ends of the stick ({line.held_us:.0f} µs): whether it is "
            "cut cannot be seen. Is gauge.stick_out joined to both axes of the joystick?"
        )
        watched.remove(line)
    cuts: list[dict[str, tuple[float, float]]] = []
    starts = []
    for number in range(ctx.count("cuts")):
        cuts.append(_cut(ctx, lines, watched, held))
        starts.append(_hand_start(ctx, lines, watched, held))
        ctx.progress(number + 1, ctx.count("cuts"), "cuts of the hand unit's supply")
    for line in watched:
        _read_line(ctx, line, [c[line.name] for c in cuts if line.name in c])
    _keep(ctx, "hand_start", starts)
    read_mean(ctx, "hand_start", [s for s in starts if s is not None], "ms", _DOUBT_MS, "until the craft follows again")
    begun = [_craft_start(ctx, lines) for _ in range(ctx.count("starts"))]
    _keep(ctx, "craft_start", begun)
    read_mean(ctx, "craft_start", [s for s in begun if s is not None], "ms", _DOUBT_MS, "until its first pulse")


_TIMES = {
    "cut_off": "from the fall of the hand unit's supply to the servo's end of command",
    "motor_cut_off": "from the fall of the hand unit's supply to the motor's idle",
    "hand_start": "from the hand unit's power to control",
    "craft_start": "from the craft's power to its first pulse",
}


def _read_line(ctx: Context, line: Line, found: list[tuple[float, float]]) -> None:
    """How long a line went on, and what it showed after."""
    name = "cut_off" if line.name == "servo" else "motor_cut_off"
    times: list[float | None] = [ms for ms, _ in found]
    _keep(ctx, name, times)
    note = f"{line.name} line, from the fall of the hand unit's supply"
    read_mean(ctx, name, [ms for ms, _ in found], "ms", _DOUBT_MS, note, _STOPS_BEFORE_MS)
    read_mean(ctx, f"{line.name}_after", [us for _, us in found], "us", STAMP_US, "0: no pulse any more")


def _keep(ctx: Context, name: str, times: list[float | None]) -> None:
    table = np.array([(i, t) for i, t in enumerate(times) if t is not None], np.float64).reshape(-1, 2)
    if len(table):
        unit = {"number": "", "time": "ms"}
        ctx.samples(name, "latency", unit, table, ctx.picture(_TIMES[name], time=name))


def _asked(
    ctx: Context,
    lines: GaugeLines,
    text: str,
    action: str,
    role: Role,
    line: Function,
    level: int,
    meanwhile: Callable[[], object] = lambda: None,
) -> float:
    """Have the operator do something to a board's supply; when the gauge saw it on the board's reset line.

    Raises OperatorAbsent when nobody does.
    """
    lines.forget()
    prompt = ctx.prompt(ev.PromptKind.DO, text, action, role=role, timeout_s=60.0)
    seen: list[float] = []

    def look() -> None:
        lines.poll()
        at = lines.first_edge(line, level, 0.0)
        if at is not None:
            seen.append(at)

    until = ctx.now() + prompt.timeout_s
    while not seen and ctx.now() < until:
        meanwhile()
        ctx.wait(0.01)
        look()
    if not seen:
        ctx.answer(prompt)  # waits for what is left of its time, then says that nobody did it
        look()
    else:
        ctx.done(prompt)
    return seen[0] if seen else lines.now()


def _stirred(lines: GaugeLines, held: int) -> Callable[[], None]:
    """A stick that is never quite at rest."""
    turns = itertools.cycle((held, held - _STIR if held > _STIR else held + _STIR))
    return lambda: lines.stick(next(turns))


def _cut(ctx: Context, lines: GaugeLines, watched: list[Line], held: int) -> dict[str, tuple[float, float]]:
    """By line: ms from the fall of the hand unit's supply until it is safe, and the pulse in µs that it then shows."""
    stir = _stirred(lines, held)
    began = _asked(ctx, lines, "Pull the hand unit's supply.", "unplug", Role.HAND, HAND_RESET, 0, stir)
    patience = ctx.number("patience_ms") * 1e-3
    lines.wait_for(lambda: all(w.safe_at(began, lines.now()) is not None for w in watched), patience)
    lines.wait_for(lambda: False, _AFTER_S)
    out = {}
    for line in watched:
        at, now = line.safe_at(began, lines.now()), lines.now()
        if not line.obeyed_until(began - 1e-3 * _STOPS_BEFORE_MS):
            ctx.fail(f"the {line.name} had let go of its command before the hand unit lost its supply")
        elif at is None:
            ctx.fail(line.goes_on(now))
            out[line.name] = 1e3 * patience, line.shows(now)
        else:
            out[line.name] = 1e3 * (at - began), line.shows(now)
    return out


def _hand_start(ctx: Context, lines: GaugeLines, watched: list[Line], held: int) -> float | None:
    """ms from the rise of its supply until the servo follows the joystick again; then the stick goes to its end anew,
    as a craft may want it low before its motor obeys."""
    lines.stick(held)
    began = _asked(ctx, lines, "Plug the hand unit's supply in again.", "plug", Role.HAND, HAND_RESET, 1)

    def follows() -> float | None:
        return next((r for r, w in lines.pulses if r > began and abs(w - watched[0].held_us) < OTHER_US), None)

    if not lines.wait_for(lambda: follows() is not None, 5.0):
        ctx.fail("the pair does not come together again after the hand unit lost its supply")
        return None
    back = 1e3 * ((follows() or began) - began)
    lines.stick(0 if held > 512 else 1020)
    ctx.wait(0.5)
    lines.stick(held)
    ctx.wait(0.5)
    return back


def _craft_start(ctx: Context, lines: GaugeLines) -> float | None:
    """ms from the rise of the craft's supply until its first pulse."""
    text = "Pull the craft's supply, wait a second, plug it in again."
    began = _asked(ctx, lines, text, "replug", Role.CRAFT, CRAFT_RESET, 1)

    def first() -> float | None:
        return next((r for r, _ in lines.pulses if r > began), None)

    if not lines.wait_for(lambda: first() is not None, 5.0):
        ctx.fail("no pulse came after the craft had its supply again")
        return None
    ctx.wait(0.5)
    return 1e3 * ((first() or began) - began)


STAGE = Stage(
    kind="gauge_cut_off",
    title="Cut-off and start-up, outside",
    instruction="You pull and plug the boards' supplies when asked; the gauge times what servo and motor lines do. The "
    "motor's line stands above idle meanwhile: its supply is unplugged.",
    needs=Needs(roles=(Role.GAUGE,), passed=("gauge_wiring",), operator=True),
    perform=perform,
    swings=True,
    parameters=(
        Parameter("cuts", 4, "times the hand unit's supply is pulled", "", 2, 100),
        Parameter("starts", 2, "times the craft's supply is pulled", "", 2, 100),
        Parameter("patience_ms", 3000, "a craft that goes on so long does not cut", "ms", 200, 60_000),
        Parameter("servo_safe_us", 0, "where the servo ought to fall back to; 0: anywhere but its last command", "us",
                  0, 2500),
        Parameter("motor_safe_us", 0, "the motor's idle; 0: as the pair file has it, else as usual", "us", 0, 2200),
    ),
    measures=(
        ReadingSpec(
            "cut_off", "ms", "hand unit without power to servo's end of command", Limit(max=1000.0), "lower", 60, "",
            about="Time from the hand unit's loss of power until the craft's servo ends its command; so long a craft "
                  "runs away. Usual: below 1 s (common practice, no source).",
        ),
        ReadingSpec(
            "motor_cut_off", "ms", "hand unit without power to motor at idle", Limit(max=1000.0), "lower", 60, "",
            about="Time from the hand unit's loss of power until the motor's line is at idle, or silent. Usual: below "
                  "1 s (common practice, no source).",
        ),
        ReadingSpec(
            "servo_after", "us", "servo's pulse without hand unit", None, "same", 15, "",
            about="Pulse to which the servo falls back, 0 for none. Usual: the middle, 1500 µs.",
        ),
        ReadingSpec(
            "motor_after", "us", "motor's pulse without hand unit", None, "same", 15, "",
            about="Pulse to which the motor falls back, 0 for none. Usual: idle; 1000 µs one-way, 1500 µs reversible.",
        ),
        ReadingSpec(
            "hand_start", "ms", "hand unit's start to the craft following", None, "lower", 60, "",
            about="Time from the hand unit's power to the craft following again. Usual: 1 to 3 s.",
        ),
        ReadingSpec(
            "craft_start", "ms", "craft's start to its first pulse", None, "lower", 60, "",
            about="Time from the craft's power to its first pulse. Usual: 0.1 to 2 s, the boot loader's wait.",
        ),
    ),
    expected_s=lambda p: 8.0 * float(p["cuts"]) + 6.0 * float(p["starts"]),
)  # fmt: skip
