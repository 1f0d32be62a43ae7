"""Gauge: what each pulse line shows while the craft obeys, where it ought to fall back to, and when it does."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchctl.stages.contract import Context
from benchctl.stages.gauge_lines import MOTOR, GaugeLines
from benchctl.terms import Role
from benchctl.wire.catalogue import MOTOR_KINDS, SETTING_BY_NAME, PulseKind

Floats = npt.NDArray[np.float64]
#: the stick's ends, tried in this order until the motor's line leaves its idle
ENDS = (960, 64)
#: a pulse so far from the one that was held is another
OTHER_US = 60.0
#: so near to the safe value counts as it; motor controllers ignore about as much (common practice, no source)
NEAR_US = 60.0
#: a pulse so far from the safe one can be told from it
_OFF_US = 80.0
#: no pulse for so long is silence: controllers stop at it, servos go limp
GONE_S = 0.1
#: so many pulses in a row make a state
_STEADY = 3
#: for so long before the cut a line must have obeyed
_BEFORE_S = 0.1


@dataclass(slots=True)
class Line:
    """A pulse line. safe_us: where it ought to fall back to, None for anywhere but where it was held.
    one_way: less than the safe width is as safe. held_us: its pulse while the craft obeys; told by `hold`."""

    name: str
    train: Callable[[], Floats]
    safe_us: float | None = None
    one_way: bool = False
    held_us: float = math.nan

    def median(self) -> float:
        found = self.train()
        return float(np.median(found[:, 1])) if len(found) else math.nan

    def hold(self) -> None:
        self.held_us = self.median()

    def off_idle(self) -> bool:
        """Whether what it shows can be told from its safe value."""
        return self.safe_us is None or (not math.isnan(self.median()) and not self._safe(self.median(), _OFF_US))

    def _safe(self, width: float, near: float = NEAR_US) -> bool:
        if self.safe_us is None:
            return abs(width - self.held_us) > OTHER_US
        return width < self.safe_us + near if self.one_way else abs(width - self.safe_us) < near

    def obeyed_until(self, began: float) -> bool:
        """Whether the pulses just before `began` were the held ones."""
        found = self.train()
        last = found[(found[:, 0] < began) & (found[:, 0] > began - _BEFORE_S), 1]
        return len(last) > 0 and bool((np.abs(last - self.held_us) < OTHER_US).all())

    def safe_at(self, began: float, now: float) -> float | None:
        """From when on all it has shown since `began` is safe, s; None while it is not."""
        found = self.train()
        after = found[found[:, 0] > began]
        last = float(found[-1, 0]) if len(found) else began
        if now - max(last, began) > GONE_S:
            return max(last, began)
        wrong = np.flatnonzero([not self._safe(width) for width in after[:, 1]])
        good = after[wrong[-1] + 1 if len(wrong) else 0 :]
        return float(good[0, 0]) if len(good) >= _STEADY else None

    def shows(self, now: float) -> float:
        """The latest pulses' width, µs; 0 where none comes any more."""
        found = self.train()[-2 * _STEADY :]
        return float(np.median(found[:, 1])) if len(found) and now - found[-1, 0] <= GONE_S else 0.0

    def goes_on(self, now: float) -> str:
        """What is wrong with a line that did not become safe in time, in plain words."""
        width = self.shows(now)
        if abs(width - self.held_us) < OTHER_US:
            return f"the {self.name} goes on at {width:.0f} µs when the hand unit has no supply"
        return (
            f"the {self.name} goes to {width:.0f} µs when the hand unit has no supply; expected "
            f"{self.safe_us or 0:.0f} µs, or no pulse"
        )


def lines_of(ctx: Context, lines: GaugeLines) -> list[Line]:
    """The servo's line, and the motor's where it is watched and a motor is declared or nothing is."""
    servo_us = ctx.number("servo_safe_us")
    out = [Line("servo", lambda: np.array(lines.pulses, np.float64).reshape(-1, 2), servo_us or None)]
    kinds = ctx.bench.boards[Role.CRAFT].wiring.pulse_kinds if Role.CRAFT in ctx.bench.boards else ()
    declared = next((k for k in kinds if k in MOTOR_KINDS), PulseKind.NONE)
    if MOTOR in lines.edges:
        idle, one_way = _idle(ctx, declared)
        out.append(Line("motor", lambda: lines.train(MOTOR), idle, one_way))
    elif declared is not PulseKind.NONE:
        ctx.doubt("the motor's line is not watched (jumper to gauge.watch2): whether a motor goes on is not known")
    return out


def _idle(ctx: Context, kind: PulseKind) -> tuple[float, bool]:
    """The motor's safe width, and whether it turns one way only: as set, as declared, else as usual."""
    reversible = kind is PulseKind.REVERSIBLE
    if ctx.number("motor_safe_us"):
        return ctx.number("motor_safe_us"), not reversible
    wiring = ctx.bench.boards[Role.CRAFT].wiring if Role.CRAFT in ctx.bench.boards else None
    stated = [o.idle_us for _, o in wiring.facts.outputs() if o.drives == "motor" and o.idle_us] if wiring else []
    usual = SETTING_BY_NAME["neutral_us" if reversible else "idle_us"].default
    return float(stated[0] if stated else usual), not reversible


def raise_motor(ctx: Context, lines: GaugeLines, watched: list[Line]) -> int:
    """Hold the stick where the motor's line is off its idle; the counts. What each line shows there is kept."""
    for counts in (*ENDS, ENDS[0]):  # back to the first where none will do
        lines.stick(counts)
        ctx.wait(0.5)
        lines.forget()
        lines.wait_for(lambda: False, 0.2)
        if all(line.off_idle() for line in watched):
            break
    for line in watched:
        line.hold()
    return counts
