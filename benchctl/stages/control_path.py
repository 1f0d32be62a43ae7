"""The control path under observation: both boards run the reference control loop and time-stamp its points."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from benchctl.analysis.clocks import ClockMap
from benchctl.errors import BoardError, PortLost
from benchctl.stages.contract import Context, Parameter
from benchctl.stages.host_clock import HostClock, Rate
from benchctl.stages.link_run import FEWEST_PINGS, POWERS, RATES, Clocks, LinkRun, Pings, Radio, joined, relate
from benchctl.terms import Role
from benchctl.wire import msg
from benchctl.wire.catalogue import LinkMode, Point

Floats = npt.NDArray[np.float64]
#: pings before and after the loop, over which the two clocks are related
#: an odd time, so that they do not keep step with the pulses' frame, whose edges hold some up
_PINGS, _PING_US = 100, 4700
_SETTLE_S = 0.05

PARAMETERS: tuple[Parameter, ...] = (
    Parameter("rate", "1M", "data rate on the air", choices=tuple(RATES)),
    Parameter("power", "0", "transmit power in dBm", "dBm", choices=tuple(POWERS)),
    Parameter("debounce_us", 0, "switch must be steady this long; 0 acts on the first edge", "us", 0, 50_000),
    Parameter("send_interval_us", 20_000, "control packets at least this often", "us", 500, 60_000),
    Parameter("acknowledged", True, "control packets ask for acknowledgement"),
)


@dataclass(slots=True)
class Trace:
    """Time-stamped points of one board: (µs of its own clock, value) by point, in order."""

    at: dict[Point, list[float]] = field(default_factory=dict)
    value: dict[Point, list[int]] = field(default_factory=dict)

    def times(self, point: Point) -> Floats:
        """When a point was passed, µs of the board's clock."""
        return np.array(self.at.get(point, []), np.float64)

    def values(self, point: Point) -> npt.NDArray[np.int64]:
        """What was told at it, one for each time."""
        return np.array(self.value.get(point, []), np.int64)


class ControlPath:
    """The loop on both boards: `start`, do something, `stop`; then `hand`, `craft` and `relation()`."""

    def __init__(self, ctx: Context) -> None:
        self.ctx = ctx
        self.clocks = Clocks()
        self.traces: Mapping[Role, Trace] = {Role.HAND: Trace(), Role.CRAFT: Trace()}
        self.radio = Radio(ctx.word("rate"), -1, ctx.word("power"), 12)
        self.lost = 0
        self.packets = 0
        self._pings: list[Pings] = []
        self._host = HostClock(ctx, ctx.board(Role.HAND))
        self._test = 0x40
        self._far = any(ctx.board(role).via for role in (Role.HAND, Role.CRAFT))

    @property
    def hand(self) -> Trace:
        """The hand unit's trace."""
        return self.traces[Role.HAND]

    @property
    def craft(self) -> Trace:
        """The craft's trace."""
        return self.traces[Role.CRAFT]

    def set_up(self) -> None:
        """The stage's parameters into both boards, in RAM."""
        ctx = self.ctx
        for role in (Role.HAND, Role.CRAFT):
            board = ctx.board(role)
            if not self._far:  # the talk itself goes that way: rate and power stay as they are
                board.write_setting("radio_rate", list(RATES).index(self.radio.rate))
                board.write_setting("radio_power", POWERS[self.radio.power])
            board.write_setting("debounce_us", ctx.count("debounce_us"))
            board.write_setting("send_interval_us", ctx.count("send_interval_us"))
            board.write_setting("loop_ack", int(bool(ctx.parameters["acknowledged"])))
            if not self._far:
                board.ask(msg.RadioApply(), timeout=1.0)

    def start(self, *, trace: bool = True) -> None:
        """Clocks and pings, then the loop on the craft and on the hand unit."""
        self._host.sample()
        self._ping()
        self.ctx.cleanup.callback(self._stop_quietly)
        for role in (Role.CRAFT, Role.HAND):
            self.ctx.board(role).events(msg.Trace)
            self.ctx.board(role).ask(msg.LoopStart(trace=int(trace)))
        self.ctx.wait(_SETTLE_S)

    def stop(self) -> None:
        """Stop the loop on both boards, take the rest of the trace in, ping again."""
        self.ctx.wait(_SETTLE_S)
        totals = {role: self.ctx.board(role).ask(msg.LoopStop(), timeout=1.0) for role in (Role.HAND, Role.CRAFT)}
        self.packets = totals[Role.HAND].packets
        self.lost = totals[Role.HAND].lost
        self.ctx.wait(_SETTLE_S)
        self.poll()
        self._ping()
        self._host.sample()

    def poll(self) -> None:
        """Take trace events in; often enough that no board's clock wraps unseen."""
        for role, trace in self.traces.items():
            rows = [row for event in self.ctx.board(role).events(msg.Trace) for row in event.rows]
            if not rows:
                continue
            times = self.clocks.us(role, [row.at for row in rows])
            for row, at in zip(rows, times, strict=True):
                if row.point in Point._value2member_map_:
                    trace.at.setdefault(Point(row.point), []).append(float(at))
                    trace.value.setdefault(Point(row.point), []).append(row.value)

    def relation(self) -> ClockMap | None:
        """The craft's clock against the hand's over everything in between; None from too few pings."""
        pings = joined(self._pings)
        return relate(pings) if len(pings) >= FEWEST_PINGS else None

    @property
    def late_us(self) -> float:
        """How late the transceivers' events may be stamped; 0 where both have their IRQ wired."""
        return joined(self._pings).late_us

    def rate(self) -> Rate:
        """The hand unit's microseconds, in which everything is counted, as true ones."""
        return self._host.rate()

    def _ping(self) -> None:
        if self._far:
            return
        run = LinkRun(self.ctx, Role.HAND, Role.CRAFT, self.clocks, self._test)
        self._test += 1
        run.start(LinkMode.PING, _PINGS, _PING_US, 12)
        run.run(_PINGS * _PING_US * 1e-6, lambda: run.sent_so_far >= _PINGS, "relating the two clocks")
        run.stop()
        pings = run.pings()
        if len(pings):
            self._pings.append(pings)

    def _stop_quietly(self) -> None:
        for role in (Role.HAND, Role.CRAFT):
            board = self.ctx.board(role)
            try:
                board.clear_restart()
                board.ask(msg.LoopStop(), timeout=0.5, repeats=0)
                if role is Role.HAND:
                    board.ask(msg.StickSet(on=0, x=512, y=512), repeats=0)
            except (BoardError, PortLost):
                continue


@dataclass(frozen=True, slots=True)
class Parts:
    """Latency of each switch change that reached the LED, µs, arrays of one length; NaN where a part is unknown.

    sense: edge to decision. queue: decision to CE. air: CE to the other board's interrupt. decode: interrupt to
    output. total: edge to output. changes: switch edges that counted; reached: how many of them came to the LED.
    """

    at: Floats
    sense: Floats
    queue: Floats
    air: Floats
    decode: Floats
    total: Floats
    changes: int

    @property
    def reached(self) -> int:
        """Switch changes that came to the LED."""
        return len(self.total)

    def times(self, factor: float) -> Parts:
        """All times in another unit, such as true µs for those of the hand's clock."""
        scaled = {name: factor * getattr(self, name) for name in ("at", "sense", "queue", "air", "decode", "total")}
        return replace(self, **scaled)


def split(
    hand: Trace, craft: Trace, relation: ClockMap, *, start: Point = Point.EDGE, to_supply: bool = False
) -> Parts:
    """Follow every change from the switch line to the LED pin, by packet numbers and levels, on the hand's clock.

    to_supply: the switch closes to the supply, so that its line is high while the LED is lit.
    """
    begun, levels = _changes(hand.times(start), hand.values(start))
    decided, decided_level = _marked(hand, Point.DECIDED, Point.EDGE)
    sent, sent_number = _marked(hand, Point.SENT, Point.QUEUED)
    received = dict(zip(craft.values(Point.RECEIVED).tolist(), relation.to_a(craft.times(Point.RECEIVED)), strict=True))
    lit = craft.values(Point.APPLIED) <= 1
    applied, applied_level = relation.to_a(craft.times(Point.APPLIED)[lit]), craft.values(Point.APPLIED)[lit]
    rows = []
    for i, (t0, level) in enumerate(zip(begun, levels, strict=True)):
        limit = begun[i + 1] if i + 1 < len(begun) else t0 + 1e6
        t1 = _first(decided[decided_level == level], t0, limit)
        out = _first(applied[applied_level == (level if to_supply else 1 - level)], t0, limit)
        if out is None or t1 is None:
            continue
        t2, t3 = _packet(sent, sent_number, received, t1, out)
        rows.append((t0, t1 - t0, t2 - t1, t3 - t2, out - t3, out - t0))
    table = np.array(rows, np.float64).reshape(-1, 6)
    at, sense, queue, air, decode, total = table.T
    return Parts(at, sense, queue, air, decode, total, len(begun))


def _marked(trace: Trace, point: Point, else_point: Point) -> tuple[Floats, npt.NDArray[np.int64]]:
    """Times and values of a point; where an own firmware does not mark it, of the one before it."""
    point = point if point in trace.at else else_point
    return trace.times(point), trace.values(point)


def _changes(times: Floats, levels: npt.NDArray[np.int64], quiet_us: float = 15_000.0) -> tuple[Floats, list[int]]:
    """The first edge of each actuation and the level it settles at: bounce belongs to the change it follows."""
    if not len(times):
        return times, []
    first = np.concatenate(([0], np.flatnonzero(np.diff(times) > quiet_us) + 1))
    last = np.concatenate((first[1:], [len(times)])) - 1
    return times[first], levels[last].tolist()


def _first(times: Floats, after: float, before: float) -> float | None:
    later = times[(times >= after) & (times < before)]
    return float(later[0]) if len(later) else None


def _packet(
    sent: Floats, number: npt.NDArray[np.int64], received: Mapping[int, float], after: float, out: float
) -> tuple[float, float]:
    """CE and arrival of the packet that carried a change: the first sent after the decision that arrived in time."""
    for at, n in zip(sent[sent >= after], number[sent >= after], strict=True):
        if at > out:
            break
        arrival = received.get(int(n))
        if arrival is not None and at < arrival <= out + 1.0:
            return float(at), float(arrival)
    return np.nan, np.nan
