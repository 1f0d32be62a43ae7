"""Gauge: what the craft does when the hand unit loses its supply, and how long both take to start."""

from __future__ import annotations

import numpy as np

from benchctl import events as ev
from benchctl.stages.contract import Context, Needs, Parameter, ReadingSpec, Stage
from benchctl.stages.gauge_lines import CRAFT_RESET, HAND_RESET, GaugeLines, read_mean
from benchctl.terms import Limit, Role
from benchctl.wire.catalogue import Function

_HELD = 960
#: a pulse that is so far from the held one is another
_OTHER_US = 100.0
#: no pulse for so long counts as cut too
_GONE_S = 0.1
#: what the fall of the supply, and a frame, leave open
_DOUBT_MS = 10.0


def perform(ctx: Context) -> None:
    lines = GaugeLines(ctx, HAND_RESET, CRAFT_RESET)
    lines.start()
    lines.stick(_HELD)
    ctx.wait(0.5)
    held = _width(lines)
    if held is None:
        ctx.fail("no pulse comes on the servo line")
        return
    cuts, starts = [], []
    for number in range(ctx.count("cuts")):
        cuts.append(_cut(ctx, lines, held))
        starts.append(_hand_start(ctx, lines, held))
        ctx.progress(number + 1, ctx.count("cuts"), "cuts of the hand unit's supply")
    _keep(ctx, "cut_off", cuts)
    _keep(ctx, "hand_start", starts)
    read_mean(ctx, "cut_off", [c for c in cuts if c is not None], "ms", _DOUBT_MS, "from the fall of its supply")
    read_mean(ctx, "hand_start", [s for s in starts if s is not None], "ms", _DOUBT_MS, "until the craft follows again")
    begun = [_craft_start(ctx, lines) for _ in range(ctx.count("starts"))]
    _keep(ctx, "craft_start", begun)
    read_mean(ctx, "craft_start", [s for s in begun if s is not None], "ms", _DOUBT_MS, "until its first pulse")


_TIMES = {
    "cut_off": "from the fall of the hand unit's supply to idle",
    "hand_start": "from the hand unit's power to control",
    "craft_start": "from the craft's power to its first pulse",
}


def _keep(ctx: Context, name: str, times: list[float | None]) -> None:
    table = np.array([(i, t) for i, t in enumerate(times) if t is not None], np.float64).reshape(-1, 2)
    if len(table):
        unit = {"number": "", "time": "ms"}
        ctx.samples(name, "latency", unit, table, ctx.picture(_TIMES[name], time=name))


def _width(lines: GaugeLines) -> float | None:
    lines.forget()
    lines.wait_for(lambda: len(lines.pulses) >= 5, 1.0)
    return float(np.median(lines.widths())) if lines.pulses else None


def _asked(ctx: Context, lines: GaugeLines, text: str, action: str, role: Role, line: Function, level: int) -> float:
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
        ctx.wait(0.01)
        look()
    if not seen:
        ctx.answer(prompt)  # waits for what is left of its time, then says that nobody did it
        look()
    else:
        ctx.done(prompt)
    return seen[0] if seen else lines.now()


def _cut(ctx: Context, lines: GaugeLines, held: float) -> float | None:
    """ms from the fall of the hand unit's supply until the craft no longer holds its last command."""
    began = _asked(ctx, lines, "Pull the hand unit's supply.", "unplug", Role.HAND, HAND_RESET, 0)
    patience = ctx.number("patience_ms") * 1e-3

    def gave_up() -> float | None:
        return next((r for r, w in lines.pulses if r > began and abs(w - held) > _OTHER_US), None)

    def silent() -> bool:
        return lines.now() - max([began, *[r for r, _ in lines.pulses]]) > _GONE_S

    if not lines.wait_for(lambda: gave_up() is not None or silent(), patience):
        ctx.fail("the craft goes on with its last command when the hand unit has no supply")
        return 1e3 * patience
    at = gave_up()
    if at is None:
        at = max([began, *[r for r, _ in lines.pulses]])
    return 1e3 * (at - began)


def _hand_start(ctx: Context, lines: GaugeLines, held: float) -> float | None:
    """ms from the rise of its supply until the craft follows the joystick again."""
    began = _asked(ctx, lines, "Plug the hand unit's supply in again.", "plug", Role.HAND, HAND_RESET, 1)

    def follows() -> float | None:
        return next((r for r, w in lines.pulses if r > began and abs(w - held) < _OTHER_US), None)

    if not lines.wait_for(lambda: follows() is not None, 5.0):
        ctx.fail("the pair does not come together again after the hand unit lost its supply")
        return None
    ctx.wait(0.3)
    return 1e3 * ((follows() or began) - began)


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
    instruction="You pull and plug the boards' supplies when asked; the gauge times what the craft does.",
    needs=Needs(roles=(Role.GAUGE,), passed=("gauge_wiring",), operator=True),
    perform=perform,
    parameters=(
        Parameter("cuts", 4, "times the hand unit's supply is pulled", "", 2, 100),
        Parameter("starts", 2, "times the craft's supply is pulled", "", 2, 100),
        Parameter("patience_ms", 3000, "a craft that goes on so long does not cut", "ms", 200, 60_000),
    ),
    measures=(
        ReadingSpec(
            "cut_off", "ms", "hand unit without power to end of command", Limit(max=1000.0), "lower", 60, "",
            about="Time from the hand unit's loss of power until the craft ends its command; so long a craft runs "
                  "away. Usual: below 1 s (common practice, no source).",
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
