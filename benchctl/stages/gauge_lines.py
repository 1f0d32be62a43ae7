"""What the gauge sees of a pair from outside: pulses by capture, edges of the watched lines, all on its one clock."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from benchctl.analysis import latency as lat
from benchctl.errors import BoardError, PortLost
from benchctl.stages.contract import Context
from benchctl.terms import Interval, Role, Source
from benchctl.units import TICK_US
from benchctl.wire import msg
from benchctl.wire.catalogue import NO_PIN, Function

Floats = npt.NDArray[np.float64]
LED, MOTOR, SWITCH = Function.WATCH1, Function.WATCH2, Function.WATCH3
HAND_RESET, CRAFT_RESET = Function.RESET_WATCH1, Function.RESET_WATCH2
#: how often events are taken in while something is waited for
STEP_S = 0.01
#: pin-change stamps of a pulse's two edges
STAMP_US = 4.0
_WRAP, _HALF = 1 << 32, 1 << 31
#: two-sided 97.5 % point of the normal distribution
_Z = 1.96


class GaugeLines:
    """Events of the gauge since `start`, in seconds of its clock.

    pulses: (rise s, width µs) at the capture pin. edges: (s, level) by watched function. resets: falls of the pair's
    reset lines, where they are watched, since `start`; nothing forgets them.
    """

    def __init__(self, ctx: Context, *functions: Function) -> None:
        self.ctx = ctx
        self.board = ctx.board(Role.GAUGE)
        self.pulses: list[tuple[float, float]] = []
        self.edges: dict[Function, list[tuple[float, int]]] = {}
        self.resets = 0
        self._functions = [f for f in functions if self.board.wiring.pins.get(f, NO_PIN) != NO_PIN]
        self._last = self._at = 0

    def start(self) -> None:
        """Everything on; undone when the stage ends."""
        self.ctx.cleanup.callback(self._release)
        self.board.ask(msg.Capture(on=1))
        for function in self._functions:
            self.board.ask(msg.Watch(function=function, on=1))
            self.edges[function] = []
        self._at = self._last = self.board.ask(msg.Clock()).sent
        self.board.drop_events(msg.Captured, msg.Edges)

    def _release(self) -> None:
        """For clean-up after trouble too: what cannot be said is left."""
        try:
            self.pull(False)
            self.stick(512)
            self.board.ask(msg.Capture(on=0))
            for function in self._functions:
                self.board.ask(msg.Watch(function=function, on=0))
        except (BoardError, PortLost):
            return

    def seconds(self, tick: int) -> float:
        """Ticks of 32 bits as one growing time; they may come a little out of order."""
        ahead = (tick - self._last + _HALF) % _WRAP - _HALF
        at = self._at + ahead
        if ahead > 0:
            self._last, self._at = tick, at
        return at * TICK_US * 1e-6

    def now(self) -> float:
        """The gauge's clock."""
        return self.seconds(self.board.ask(msg.Clock()).sent)

    def poll(self) -> None:
        for event in self.board.events(msg.Captured):
            self.pulses += [(self.seconds(row.rise), row.width * TICK_US) for row in event.rows]
        for edges in self.board.events(msg.Edges):
            kept = self.edges.get(Function(edges.function))
            if edges.function in (HAND_RESET, CRAFT_RESET):
                self.resets += sum(not row.level for row in edges.rows)
            if kept is not None:
                kept += [(self.seconds(row.at), row.level) for row in edges.rows]

    def forget(self) -> None:
        """Drop what has come so far."""
        self.poll()
        self.pulses.clear()
        for kept in self.edges.values():
            kept.clear()

    def wait_for(self, what: Callable[[], bool], limit_s: float) -> bool:
        """Take events in until `what()`; whether it came in time."""
        until = self.ctx.now() + limit_s
        while not what():
            if self.ctx.now() >= until:
                return False
            self.ctx.wait(STEP_S)
            self.poll()
        return True

    # ------------------------------------------------------------------ what the gauge drives

    def pull(self, low: bool) -> None:
        """Pull the switch line low, or let go of it: open drain."""
        self.board.ask(msg.Pin(function=Function.STIMULUS, mode=2 if low else 0))

    def stick(self, counts: int) -> None:
        """Put out what a joystick at so many of 1024 counts shows."""
        self.board.ask(msg.StickSet(on=1, x=counts, y=0))

    # ------------------------------------------------------------------ what was seen

    def widths(self, since: float = -math.inf) -> Floats:
        return np.array([w for rise, w in self.pulses if rise >= since])

    def train(self, function: Function) -> Floats:
        """(rise s, width µs) of the pulses on a watched line."""
        kept = self.edges.get(function, [])
        pairs = [(a[0], 1e6 * (b[0] - a[0])) for a, b in pairwise(kept) if a[1] and not b[1]]
        return np.array(pairs, np.float64).reshape(-1, 2)

    def first_edge(self, function: Function, level: int, after: float) -> float | None:
        return next((at for at, seen in self.edges.get(function, []) if at >= after and seen == level), None)


def read_resets(ctx: Context, lines: GaugeLines) -> None:
    """Where the reset lines are wired to the gauge."""
    if any(f in lines.edges for f in (HAND_RESET, CRAFT_RESET)):
        lines.poll()
        ctx.read("resets", float(lines.resets), "", 1, note="falls of the boards' reset lines during the stage")


def read_mean(
    ctx: Context,
    name: str,
    values: Sequence[float] | Floats,
    unit: str,
    least: float,
    note: str = "",
    above: float = 0.0,
) -> None:
    """A mean with its interval. least: half width that it has at any rate, for what all values share; above: by how
    much more than they show the true ones may all be."""
    table = np.asarray(values, np.float64)
    if not len(table):
        ctx.read(name, math.nan, unit, 0, source=Source.SAMPLING, note=note or "nothing was seen")
        return
    mean = float(table.mean())
    half = least + (_Z * float(table.std(ddof=1)) / math.sqrt(len(table)) if len(table) > 1 else 0.0)
    ctx.read(name, mean, unit, len(table), Interval(mean - half, mean + half + above), Source.SAMPLING, note=note)


def read_spread(ctx: Context, name: str, values: Sequence[float] | Floats, unit: str, note: str = "") -> None:
    """Standard deviation, its interval from the fourth moment: any distribution, in large samples."""
    table = np.asarray(values, np.float64)
    if len(table) < 10:
        ctx.read(name, math.nan, unit, 0, source=Source.SAMPLING, note="too few samples")
        return
    away = table - table.mean()
    deviation = float(table.std(ddof=1))
    error = math.sqrt(max(0.0, float((away**4).mean()) - deviation**4) / len(table))
    half = _Z * error / (2 * deviation) if deviation else 0.0
    about = Interval(max(0.0, deviation - half), deviation + half)
    ctx.read(name, deviation, unit, len(table), about, Source.SAMPLING, note=note)


def read_quantile(ctx: Context, name: str, values: Floats, share: float, unit: str, least: float) -> None:
    """A quantile with its order-statistic interval, widened by `least`."""
    spread = lat.quantile_interval(values, share) if len(values) else None
    if spread is None or not math.isfinite(spread.high):
        ctx.read(name, math.nan, unit, 0, source=Source.SAMPLING, note="too few samples for the claim")
        return
    about = Interval(max(0.0, spread.low - least), spread.high + least, spread.level)
    ctx.read(name, lat.quantile(values, share), unit, len(values), about, Source.SAMPLING)
