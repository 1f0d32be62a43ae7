"""What the gauge sees of a pair from outside: pulses by capture, edges of the watched lines, all on its one clock."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from benchctl.analysis import latency as lat
from benchctl.analysis import restarts
from benchctl.errors import BoardError, PortLost, Refused
from benchctl.stages.contract import Context, ReadingSpec
from benchctl.terms import Interval, Limit, Role, Source
from benchctl.units import TICK_US
from benchctl.wire import msg
from benchctl.wire.catalogue import NO_PIN, AdcSource, Function

Floats = npt.NDArray[np.float64]
LED, MOTOR, SWITCH = Function.WATCH1, Function.WATCH2, Function.WATCH3
HAND_RESET, CRAFT_RESET = Function.RESET_WATCH1, Function.RESET_WATCH2
#: how often events are taken in while something is waited for
STEP_S = 0.01
#: pin-change stamps of a pulse's two edges
STAMP_US = 4.0
#: supplies where they are wired to the gauge, the divider in front of the pins, and how often they are looked at
SUPPLIES = {
    Role.HAND: (AdcSource.SENSE_VCC1, Function.SENSE_VCC1),
    Role.CRAFT: (AdcSource.SENSE_VCC2, Function.SENSE_VCC2),
}
DIVIDER = 2.0
_LOOK_S = 0.05
#: a processor whose brown-out level nobody has stated stops no higher than this (data sheet: 1.8 V at 4 MHz and below)
_STOPS_V = 1.8
_WRAP, _HALF = 1 << 32, 1 << 31
#: two-sided 97.5 % point of the normal distribution
_Z = 1.96


class GaugeLines:
    """Events of the gauge since `start`, in seconds of its clock.

    pulses: (rise s, width µs) at the capture pin. edges: (s, level) by watched function; `forget` empties both.
    `signs` are of all that came since `start`.
    """

    def __init__(self, ctx: Context, *functions: Function) -> None:
        self.ctx = ctx
        self.board = ctx.board(Role.GAUGE)
        self.pulses: list[tuple[float, float]] = []
        self.edges: dict[Function, list[tuple[float, int]]] = {}
        self._all: list[tuple[float, float]] = []
        self._falls: list[float] = []
        self._moves: list[float] = []  # of the stick
        self._counts = -1
        self._supplies: dict[Role, list[tuple[float, float]]] = {}
        self._looked = -math.inf
        self._functions = [f for f in functions if self.board.wiring.pins.get(f, NO_PIN) != NO_PIN]
        self._last = self._at = 0

    def start(self) -> None:
        """Everything on; undone when the stage ends."""
        self.ctx.cleanup.callback(self._release)
        self.board.ask(msg.Capture(on=1))
        for function in self._functions:
            self.board.ask(msg.Watch(function=function, on=1))
            self.edges[function] = []
        own = self.board.ask(msg.Vitals()).vcc_mv * 1e-3
        self._volts_a_count = DIVIDER * own / 1024
        wired = (r for r, (_, f) in SUPPLIES.items() if self.board.wiring.pins.get(f, NO_PIN) != NO_PIN)
        self._supplies = {role: [] for role in wired}
        self._at = self._last = self.board.ask(msg.Clock()).sent
        self._moves = [self.seconds(self._last)]
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
            came = [(self.seconds(row.rise), row.width * TICK_US) for row in event.rows]
            self.pulses += came
            self._all += came
        for edges in self.board.events(msg.Edges):
            kept = self.edges.get(Function(edges.function))
            if edges.function in (HAND_RESET, CRAFT_RESET):
                self._falls += [self.seconds(row.at) for row in edges.rows if not row.level]
            if kept is not None:
                kept += [(self.seconds(row.at), row.level) for row in edges.rows]

        self._look_at_supplies()

    def _look_at_supplies(self) -> None:
        if self.ctx.now() < self._looked + _LOOK_S:
            return
        self._looked = self.ctx.now()
        for role in list(self._supplies):
            try:
                got = self.board.ask(msg.Adc(source=SUPPLIES[role][0], prescaler=6, count=8, gap_us=100), timeout=1.0)
            except Refused:
                del self._supplies[role]
                continue
            self._supplies[role].append((self.seconds(self._last), got.low * self._volts_a_count))

    def signs(self) -> list[restarts.Sign]:
        """Of restarts since `start`, one each."""
        self.poll()
        pulses, now = np.array(self._all, np.float64).reshape(-1, 2), self.now()
        found = restarts.in_pulses(pulses, now) + restarts.at_rest(pulses, self._moves, now)
        found += [restarts.Sign(at, at, "a fall of a reset line") for at in self._falls]
        for role, seen in self._supplies.items():
            wiring = self.ctx.bench.boards[role].wiring if role in self.ctx.bench.boards else None
            found += restarts.in_supply(seen, (wiring.brown_out_v if wiring else 0.0) or _STOPS_V)
        return restarts.told_apart(found)

    @property
    def sees_restarts(self) -> bool:
        return bool(self._all or self._supplies or any(f in self.edges for f in (HAND_RESET, CRAFT_RESET)))

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
        if counts != self._counts:
            self._moves.append(self.now())
        self._counts = counts

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


class Waits:
    """Waits between presses or steps, drawn so wide that they keep step with no loop of the pair, up to 500 ms long.

    What was done last ended on a turn of the pair's loop. The sum of two draws, each at least as wide as a turn, leaves
    of that phase less than 5 % (square of sin(x)/x beyond pi). How long a turn may be shows in how the answers scatter.
    """

    LONGEST_S, LEAST_S = 0.5, 0.02
    #: so many answers tell how they scatter; of a uniform scatter 95 % lie within 0.95 of its width
    PILOT, ROOM = 20, 1.3

    def __init__(self, chance: random.Random) -> None:
        self._chance = chance

    def next_s(self, late_ms: Sequence[float]) -> float:
        """late_ms: all answers so far."""
        width = self.LONGEST_S
        if len(late_ms) >= self.PILOT:
            low, high = np.quantile(late_ms, (0.025, 0.975))
            width = min(width, max(self.LEAST_S, self.ROOM * 1e-3 * float(high - low)))
        return self._chance.uniform(0.0, width) + self._chance.uniform(0.0, width)


_TOLD = 3


def read_resets(ctx: Context, lines: GaugeLines) -> None:
    """Restarts of either board: by the pulses, the reset lines and the supplies, whichever are seen."""
    signs = lines.signs()
    if not lines.sees_restarts:
        return
    told = "; ".join(f"{s.what} at {s.start:.2f} s of the gauge's clock" for s in signs[:_TOLD])
    more = f"; and {len(signs) - _TOLD} more" if len(signs) > _TOLD else ""
    ctx.read("resets", float(len(signs)), "", 1, note=(told + more) or "by pulses, reset lines and supplies")


RESETS = ReadingSpec(
    "resets",
    "",
    "restarts, seen from outside",
    Limit(max=0),
    "lower",
    0.5,
    "",
    about="Signs of a restart of either board: pulses that pause, fall out of step or leave their width while the "
    "stick rests, a reset line that falls, a supply below its brown-out level. Usual: 0.",
)


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
